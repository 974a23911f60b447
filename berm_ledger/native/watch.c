/* Copyright 2026 The berm_ledger authors */
/* SPDX-License-Identifier: Apache-2.0 */
/* The watch over changes: a look against what was accepted, and the charts of that. */
#include "ahead.h"

/* As in LastSame. */
enum { LONG_AGO = 255 };

/* ---- the shift that all cells share -------------------------------------------------------- */

/*
 * apart(measured, accepted, fill, open (n,), step, out (k,))
 *
 * By how much every so manieth height lies above what was accepted; NaN at open cells. No fill is
 * None: it would be read from far away in memory, cell by cell.
 */
static PyObject *apart(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 6)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t all = length(args[0]), picked = length(args[5]);
    const float *measured = flat(&held, args[0], 'f', all, 0);
    const float *accepted = flat(&held, args[1], 'f', all, 0);
    const float *fill = flat_if_any(&held, args[2], 'f', all);
    const uint8_t *open = flat(&held, args[3], '?', all, 0);
    Py_ssize_t step = PyLong_AsSsize_t(args[4]);
    double *out = flat(&held, args[5], 'd', picked, 1);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    if (step < 1 || (picked > 0 && (all < 1 || picked - 1 > (all - 1) / step))) {
        PyErr_SetString(PyExc_ValueError, "more cells than there are");
        return done(&held, NULL);
    }
    for (Py_ssize_t k = 0, cell = 0; k < picked; k++, cell += step) {
        /* Of what is not seen nothing else needs to come from far away in memory. */
        out[k] = NAN;
        if (measured[cell] != measured[cell] || open[cell]) continue;
        float left = measured[cell] - accepted[cell];
        if (fill) left = left - fill[cell];
        out[k] = left;
    }
    Py_INCREF(Py_None);
    return done(&held, Py_None);
}

/* ---- on the lattice ------------------------------------------------------------------------ */

enum { RIM = 2 };

/* Where n cells lie, and the cell at each place of their lattice and a rim of two, n for none. */
typedef struct {
    const int64_t *flat, *place;
    Py_ssize_t cells, rows, cols, wide;
} Canvas;

static Canvas canvas_of(Held *held, PyObject *of_cells, PyObject *of_places, Py_ssize_t cells)
{
    Canvas canvas = {.cells = cells};
    canvas.flat = flat(held, of_cells, 'q', cells, 0);
    Py_buffer *place = view_of(held, of_places, 'q', PyBUF_C_CONTIGUOUS);
    if (held->failed) return canvas;
    if (place->ndim != 2 || place->shape[0] <= 2 * RIM || place->shape[1] <= 2 * RIM
        || place->len / place->itemsize >= INT32_MAX) {
        PyErr_SetString(PyExc_ValueError, "the cells do not fit their lattice");
        held->failed = 1;
        return canvas;
    }
    canvas.place = place->buf;
    canvas.wide = place->shape[1];
    canvas.rows = place->shape[0] - 2 * RIM, canvas.cols = place->shape[1] - 2 * RIM;
    for (Py_ssize_t k = 0; k < cells; k++) {
        if (canvas.flat[k] >= 0 && canvas.flat[k] < canvas.rows * canvas.cols) continue;
        PyErr_SetString(PyExc_ValueError, "a cell lies off the lattice");
        held->failed = 1;
        break;
    }
    return canvas;
}

/* The place of each cell in turn; mostly one to the right of the last. */
static inline const int64_t *next_place(const Canvas *canvas, Py_ssize_t cell,
                                        const int64_t *last)
{
    /* Both fit 32 bits, of which a division is far quicker. */
    int32_t own = (int32_t)canvas->flat[cell], cols = (int32_t)canvas->cols, col = own % cols;
    if (cell > 0 && canvas->flat[cell - 1] + 1 == own && col) return last + 1;
    return canvas->place + (own / cols + RIM) * canvas->wide + col + RIM;
}

static inline int is_cell(const Canvas *canvas, int64_t cell)
{
    return cell >= 0 && cell < canvas->cells;
}

static inline float single_at(const Canvas *canvas, const float *values, int64_t cell)
{
    return is_cell(canvas, cell) ? values[cell] : NAN;
}

/* slopes(height (n,), flat (n,), place (r + 4, c + 4), across, out (2, n)) */
static PyObject *slopes(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 5)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t cells = length(args[0]);
    const float *height = flat(&held, args[0], 'f', cells, 0);
    Canvas canvas = canvas_of(&held, args[1], args[2], cells);
    float across = (float)PyFloat_AsDouble(args[3]);
    float *out = flat(&held, args[4], 'f', 2 * cells, 1);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    const int64_t *own = NULL;
    for (Py_ssize_t k = 0; k < cells; k++) {
        own = next_place(&canvas, k, own);
        float x = single_at(&canvas, height, own[RIM]) - single_at(&canvas, height, own[-RIM]);
        float y = single_at(&canvas, height, own[RIM * canvas.wide])
            - single_at(&canvas, height, own[-RIM * canvas.wide]);
        x = x / across, y = y / across;
        int known = fabsf(x + y) <= FLT_MAX;
        out[k] = known ? x : 0.0f;
        out[cells + k] = known ? y : 0.0f;
    }
    Py_INCREF(Py_None);
    return done(&held, Py_None);
}

/* Sum of the known among a cell and those beside it in its row, and how many they are. */
static inline double along(const Canvas *canvas, const double *values, const int64_t *place,
                           int *count)
{
    static const int steps[3] = {0, 1, -1};
    double sum = 0.0;
    if (!is_cell(canvas, *place)) return sum;
    for (int k = 0; k < 3; k++) {
        if (!is_cell(canvas, place[steps[k]])) continue;
        double value = values[place[steps[k]]];
        sum += value == value ? value : 0.0;
        *count += fabs(value) <= DBL_MAX;
    }
    return sum;
}

/* box_mean(values (n,), flat (n,), place (r + 4, c + 4), least, of_unknown, out (n,)) */
static PyObject *box_mean(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 6)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t cells = length(args[0]);
    const double *values = flat(&held, args[0], 'd', cells, 0);
    Canvas canvas = canvas_of(&held, args[1], args[2], cells);
    int least = (int)PyLong_AsLong(args[3]), of_unknown = PyObject_IsTrue(args[4]);
    double *out = flat(&held, args[5], 'd', cells, 1);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    const int64_t *own = NULL;
    for (Py_ssize_t k = 0; k < cells; k++) {
        own = next_place(&canvas, k, own);
        int count = 0;
        double sum = along(&canvas, values, own, &count);
        sum += along(&canvas, values, own + canvas.wide, &count);
        sum += along(&canvas, values, own - canvas.wide, &count);
        int told = count >= least && (of_unknown || fabs(values[k]) <= DBL_MAX);
        out[k] = told ? sum / (double)(count > 1 ? count : 1) : NAN;
    }
    Py_INCREF(Py_None);
    return done(&held, Py_None);
}

/* ---- differences --------------------------------------------------------------------------- */

typedef struct {
    float dx, dy, dz;
} Shift;

/* A value where `which` is all zeros, NaN where it is all ones; no choice, which is made one by one. */
static inline float unless(int32_t which, float value)
{
    int32_t bits;
    memcpy(&bits, &value, sizeof bits);
    bits |= which;
    memcpy(&value, &bits, sizeof value);
    return value;
}

/* Up to BLOCK cells; how many are shown that nothing was accepted of yet. */
WIDE static int32_t differ(const float *restrict measured, const float *restrict slope_x,
                           const float *restrict slope_y, Shift shift,
                           const uint8_t *restrict open, const float *restrict accepted,
                           const float *restrict fill, float *restrict kept,
                           float *restrict left, Py_ssize_t count)
{
    int32_t fresh = 0, hidden[BLOCK];
    for (Py_ssize_t i = 0; i < count; i++) hidden[i] = -(int32_t)(open[i] != 0);
    for (Py_ssize_t i = 0; i < count; i++) {
        float level = slope_x[i] * shift.dx;
        level = level + slope_y[i] * shift.dy;
        level = level - shift.dz;
        level = level + measured[i];
        float seen = unless(hidden[i], level);
        kept[i] = seen;
        left[i] = seen - (accepted[i] + fill[i]);
        fresh += (fabsf(seen) <= FLT_MAX) & (accepted[i] != accepted[i]);
    }
    return fresh;
}

/*
 * differences(measured (n,), slope (2, n), dx, dy, dz, open, accepted, fill (n,), pieces,
 *             kept, left (m,))
 *     -> how many cells are shown that nothing was accepted of yet
 *
 * Of a look freed of a shift: what is kept of it, which stays as it is where the pieces hold nothing,
 * and what it shows above the reference, NaN there. No fill is None.
 */
static PyObject *differences(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 11)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t all = length(args[0]), pieces = length(args[8]), watched = length(args[9]);
    Py_ssize_t fresh = 0, blocks = 0, past = 0;
    const float *measured = flat(&held, args[0], 'f', all, 0);
    const float *slope = flat(&held, args[1], 'f', 2 * all, 0);
    Shift shift = {(float)PyFloat_AsDouble(args[2]), (float)PyFloat_AsDouble(args[3]),
                   (float)PyFloat_AsDouble(args[4])};
    const uint8_t *open = flat(&held, args[5], '?', all, 0);
    const float *accepted = flat(&held, args[6], 'f', all, 0);
    static const float none[BLOCK] = {0.0f};
    const float *fill = flat_if_any(&held, args[7], 'f', all);
    const int32_t *piece = flat(&held, args[8], 'i', 3 * pieces, 0);
    float *kept = flat(&held, args[9], 'f', watched, 1);
    float *left = flat(&held, args[10], 'f', watched, 1);
    if (held.failed || PyErr_Occurred() || !pieces_fit(piece, pieces, all, watched))
        return done(&held, NULL);
    const Block *block = blocks_of(piece, pieces, 0, &blocks);
    if (!block) return done(&held, NULL);
    const float *arrays[] = {slope, slope + all, accepted}, *own_arrays[] = {kept, left};
    for (; blocks > 0; blocks--, block++) {
        Py_ssize_t of = block->of, own = block->own;
        blank_between(left, past, own);
        past = own + block->count;
        fetch_block(arrays, sizeof arrays / sizeof *arrays, block[AHEAD].of);
        fetch_block(own_arrays, sizeof own_arrays / sizeof *own_arrays, block[AHEAD].own);
        fresh += differ(measured + of, slope + of, slope + all + of, shift, open + of,
                        accepted + of, fill ? fill + of : none, kept + own, left + own,
                        block->count);
    }
    blank_between(left, past, watched);
    return done(&held, PyLong_FromSsize_t(fresh));
}

/* ---- charts -------------------------------------------------------------------------------- */

typedef struct {
    float planar, shift_error, one, factor, per_spread;
    float most_per_look, allowance, most_sum, limit, quiet_sum, quiet_look, memory;
} Chart;

typedef struct {
    int32_t low, high;
} Alarms;

static inline float within(float value, float least, float most)
{
    value = value < least ? least : value;
    return value > most ? most : value;
}

/*
 * Up to BLOCK cells; `awake` are those but for which both sums are zero, and how many more alarm now.
 */
WIDE static Alarms chart_block(const float *restrict left, const float *restrict smooth,
                               const float *restrict steep, float *restrict low,
                               float *restrict high, float *restrict accepted,
                               float *restrict worth, int32_t *restrict awake,
                               Py_ssize_t count, Chart by)
{
    int32_t lows = 0, highs = 0;
    for (Py_ssize_t i = 0; i < count; i++) {
        int32_t known = fabsf(left[i]) <= FLT_MAX;
        float w = worth[i], mean = smooth[i], tilt = steep[i] * by.planar;
        tilt = tilt < by.shift_error ? tilt : by.shift_error;
        float allowed = by.one / sqrtf(w);
        allowed = allowed + tilt;
        allowed = allowed * by.factor;
        /* A comparison with NaN is false: what is not known does not deviate. */
        float over = mean - allowed, under = mean + allowed;
        over = over > 0.0f ? over : 0.0f;
        under = under < 0.0f ? under : 0.0f;
        float beyond = within((over + under) * by.per_spread, -by.most_per_look, by.most_per_look);
        float toll = known ? by.allowance : 0.0f;
        float down = within(low[i] + (-beyond - toll), 0.0f, by.most_sum);
        float up = within(high[i] + (beyond - toll), 0.0f, by.most_sum);
        float more = down > up ? down : up;
        float before = low[i] > high[i] ? low[i] : high[i];
        int32_t calm = known & (before < by.quiet_sum) & (fabsf(beyond) < by.quiet_look);
        float looks = calm ? 1.0f : 0.0f;
        float step = (known ? left[i] : 0.0f) * looks, most = w + 1.0f;
        step = step / (most < by.memory ? most : by.memory);
        looks = looks + w;
        lows += (down > by.limit) - (low[i] > by.limit);
        highs += (up > by.limit) - (high[i] > by.limit);
        low[i] = down, high[i] = up;
        accepted[i] = accepted[i] + step;
        worth[i] = looks < 2.0f * by.memory - 1.0f ? looks : 2.0f * by.memory - 1.0f;
        awake[i] = -!(known & (more == 0.0f));
    }
    return (Alarms){lows, highs};
}

/* One more look since cells rested; what has just become too long ago to be counted gets its time. */
WIDE static void count_look(uint8_t *restrict since, int64_t oldest_ns,
                            int64_t *restrict earlier_ns, Py_ssize_t count)
{
    uint8_t lost = 0;
    for (Py_ssize_t i = 0; i < count; i++) lost |= since[i] == LONG_AGO - 1;
    for (Py_ssize_t i = 0; lost && i < count; i++)
        if (since[i] == LONG_AGO - 1) earlier_ns[i] = oldest_ns;
    for (Py_ssize_t i = 0; i < count; i++) since[i] = (uint8_t)(since[i] + (since[i] < LONG_AGO));
}

/* Of cells that rest it was just now. */
WIDE static void rest_block(const int32_t *restrict awake, uint8_t *restrict since,
                            Py_ssize_t count)
{
    for (Py_ssize_t i = 0; i < count; i++) since[i] = since[i] & (uint8_t)awake[i];
}

/*
 * chart(left, smooth, steep, low, high (m,), accepted, worth, since, earlier_ns (n,), pieces, shown,
 *       oldest_ns, figures (12,)) -> how many more sums are above the limit, downwards and upwards
 *
 * `since` counts looks at all the pieces, as `LastSame` does; of what has just become too long ago to
 * be counted, `earlier_ns` takes the time. All that the look shows lies in the pieces `shown`.
 */
static PyObject *chart(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 13)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t watched = length(args[0]), all = length(args[5]), pieces = length(args[9]);
    Py_ssize_t some = length(args[10]), blocks = 0, lows = 0, highs = 0;
    const float *left = flat(&held, args[0], 'f', watched, 0);
    const float *smooth = flat(&held, args[1], 'f', watched, 0);
    const float *steep = flat(&held, args[2], 'f', watched, 0);
    float *low = flat(&held, args[3], 'f', watched, 1);
    float *high = flat(&held, args[4], 'f', watched, 1);
    float *accepted = flat(&held, args[5], 'f', all, 1);
    float *worth = flat(&held, args[6], 'f', all, 1);
    uint8_t *since = flat(&held, args[7], 'B', all, 1);
    int64_t *earlier_ns = flat(&held, args[8], 'q', all, 1);
    const int32_t *piece = flat(&held, args[9], 'i', 3 * pieces, 0);
    const int32_t *shown = flat(&held, args[10], 'i', 3 * some, 0);
    int64_t oldest_ns = PyLong_AsLongLong(args[11]);
    const float *figures = flat(&held, args[12], 'f', sizeof(Chart) / sizeof(float), 0);
    if (held.failed || PyErr_Occurred() || !pieces_fit(piece, pieces, all, watched)
        || !pieces_fit(shown, some, all, watched))
        return done(&held, NULL);
    const Block *block = blocks_of(shown, some, 0, &blocks);
    if (!block) return done(&held, NULL);
    for (; pieces > 0; pieces--, piece += 3)
        count_look(since + piece[0], oldest_ns, earlier_ns + piece[0], piece[2]);
    Chart by;
    memcpy(&by, figures, sizeof by);
    const float *arrays[] = {accepted, worth};
    int32_t awake[BLOCK];
    for (; blocks > 0; blocks--, block++) {
        Py_ssize_t of = block->of, own = block->own, count = block->count;
        fetch_block(arrays, sizeof arrays / sizeof *arrays, block[AHEAD].of);
        fetch_on(since + block[AHEAD].of, BLOCK);
        Alarms more = chart_block(left + own, smooth + own, steep + own, low + own, high + own,
                                  accepted + of, worth + of, awake, count, by);
        rest_block(awake, since + of, count);
        lows += more.low, highs += more.high;
    }
    return done(&held, Py_BuildValue("nn", lows, highs));
}

/* ---- what a look may show ------------------------------------------------------------------ */

/* A piece in both a piece of cells that are watched and one that a look shows; count 0 for none. */
static Block common_part(const int32_t *piece, const int32_t *shown)
{
    Py_ssize_t first = piece[0] > shown[0] ? piece[0] : shown[0];
    Py_ssize_t past = piece[0] + (Py_ssize_t)piece[2], other = shown[0] + (Py_ssize_t)shown[2];
    past = past < other ? past : other;
    return (Block){first, piece[1] + (first - piece[0]), past > first ? past - first : 0};
}

/*
 * common(pieces (k, 3), shown (j, 3)) -> bytes of pieces, int32
 *
 * What of the first is held by any of the others, too; both are in order of their first column.
 */
static PyObject *common(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 2)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t pieces = length(args[0]), others = length(args[1]), count = 0;
    const int32_t *piece = flat(&held, args[0], 'i', 3 * pieces, 0);
    const int32_t *shown = flat(&held, args[1], 'i', 3 * others, 0);
    if (held.failed || PyErr_Occurred() || !pieces_fit(piece, pieces, INT32_MAX, INT32_MAX)
        || !pieces_fit(shown, others, INT32_MAX, INT32_MAX))
        return done(&held, NULL);
    int32_t *out = scratch(0, 3 * (size_t)(pieces + others + 1) * sizeof *out);
    if (!out) return done(&held, NULL);
    while (pieces > 0 && others > 0) {
        Block both = common_part(piece, shown);
        if (both.count) {
            int32_t *own = out + 3 * count++;
            own[0] = (int32_t)both.of, own[1] = (int32_t)both.own, own[2] = (int32_t)both.count;
        }
        if (piece[0] + (Py_ssize_t)piece[2] <= shown[0] + (Py_ssize_t)shown[2])
            pieces--, piece += 3;
        else
            others--, shown += 3;
    }
    return done(&held, PyBytes_FromStringAndSize((const char *)out, 3 * count * sizeof *out));
}

static PyMethodDef methods[] = {
    {"apart", (PyCFunction)(void (*)(void))apart, METH_FASTCALL, NULL},
    {"slopes", (PyCFunction)(void (*)(void))slopes, METH_FASTCALL, NULL},
    {"box_mean", (PyCFunction)(void (*)(void))box_mean, METH_FASTCALL, NULL},
    {"differences", (PyCFunction)(void (*)(void))differences, METH_FASTCALL, NULL},
    {"chart", (PyCFunction)(void (*)(void))chart, METH_FASTCALL, NULL},
    {"common", (PyCFunction)(void (*)(void))common, METH_FASTCALL, NULL},
    {NULL, NULL, 0, NULL},
};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_watch", NULL, -1, methods};

PyMODINIT_FUNC PyInit__watch(void)
{
    return PyModule_Create(&module);
}
