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
        float left = measured[cell] - accepted[cell];
        if (fill) left = left - fill[cell];
        out[k] = open[cell] ? (double)NAN : (double)left;
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

/* Up to BLOCK cells of which a look shows none. */
WIDE static void unseen_block(const uint8_t *restrict open, const float *restrict accepted,
                              const float *restrict fill, float *restrict kept,
                              float *restrict left, uint8_t *restrict judged, Py_ssize_t count)
{
    int32_t sound[BLOCK];
    for (Py_ssize_t i = 0; i < count; i++) {
        kept[i] = left[i] = NAN;
        sound[i] = fabsf(accepted[i] + fill[i]) <= FLT_MAX;
    }
    for (Py_ssize_t i = 0; i < count; i++) judged[i] = (uint8_t)sound[i] & !open[i];
}

/* Up to BLOCK cells; how many are shown that nothing was accepted of yet. */
WIDE static int32_t differ(const float *restrict measured, const float *restrict slope_x,
                           const float *restrict slope_y, Shift shift,
                           const uint8_t *restrict open, const float *restrict accepted,
                           const float *restrict fill, float *restrict kept,
                           float *restrict left, uint8_t *restrict judged, Py_ssize_t count)
{
    int32_t fresh = 0, closed[BLOCK], sound[BLOCK];
    for (Py_ssize_t i = 0; i < count; i++) closed[i] = !open[i];
    for (Py_ssize_t i = 0; i < count; i++) {
        float level = slope_x[i] * shift.dx;
        level = level + slope_y[i] * shift.dy;
        level = level - shift.dz;
        level = level + measured[i];
        float reference = accepted[i] + fill[i];
        float seen = closed[i] ? level : NAN;
        kept[i] = seen;
        left[i] = seen - reference;
        sound[i] = closed[i] & (fabsf(reference) <= FLT_MAX);
        fresh += (fabsf(seen) <= FLT_MAX) & (accepted[i] != accepted[i]);
    }
    for (Py_ssize_t i = 0; i < count; i++) judged[i] = (uint8_t)sound[i];
    return fresh;
}

/*
 * differences(measured (n,), slope (2, n), dx, dy, dz, open, accepted, fill (n,), pieces,
 *             kept, left, judged (m,))
 *     -> how many cells are shown that nothing was accepted of yet
 *
 * Of a look freed of a shift: what is kept of it, and what it shows above the reference. No fill is
 * None.
 */
static PyObject *differences(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 12)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t all = length(args[0]), pieces = length(args[8]), watched = length(args[10]);
    Py_ssize_t fresh = 0;
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
    uint8_t *judged = flat(&held, args[11], '?', watched, 1);
    if (held.failed || PyErr_Occurred() || !pieces_fit(piece, pieces, all, watched))
        return done(&held, NULL);
    for (; pieces > 0; pieces--, piece += 3) {
        for (Py_ssize_t first = 0; first < piece[2]; first += BLOCK) {
            Py_ssize_t of = piece[0] + first, own = piece[1] + first;
            Py_ssize_t count = piece[2] - first < BLOCK ? piece[2] - first : BLOCK;
            const float *added = fill ? fill + of : none;
            const float *soon[] = {measured + of, slope + of, slope + all + of, accepted + of,
                                   kept + own, left + own};
            fetch_blocks(soon, sizeof soon / sizeof *soon);
            if (any_number(measured + of, count))
                fresh += differ(measured + of, slope + of, slope + all + of, shift, open + of,
                                accepted + of, added, kept + own, left + own, judged + own, count);
            else
                unseen_block(open + of, accepted + of, added, kept + own, left + own, judged + own,
                             count);
        }
    }
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

/* Up to BLOCK cells; `resting` are those shown of which both sums are zero. */
WIDE static Alarms chart_block(const float *restrict left, const float *restrict smooth,
                               const float *restrict steep, float *restrict low,
                               float *restrict high, float *restrict accepted,
                               float *restrict worth, int32_t *restrict resting,
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
        low[i] = down, high[i] = up;
        accepted[i] = accepted[i] + step;
        worth[i] = looks < 2.0f * by.memory - 1.0f ? looks : 2.0f * by.memory - 1.0f;
        resting[i] = known & (more == 0.0f);
        lows += down > by.limit;
        highs += up > by.limit;
    }
    return (Alarms){lows, highs};
}

/* What a look does not show stays as it is. */
WIDE static Alarms still_block(const float *restrict low, const float *restrict high, float limit,
                               int32_t *restrict resting, Py_ssize_t count)
{
    Alarms out = {0, 0};
    for (Py_ssize_t i = 0; i < count; i++) {
        out.low += low[i] > limit;
        out.high += high[i] > limit;
        resting[i] = 0;
    }
    return out;
}

/* Count the looks since cells rested; what has just become too long ago gets its time. */
WIDE static void count_looks(const int32_t *restrict resting, uint8_t *restrict since,
                             int64_t oldest_ns, int64_t *restrict earlier_ns, Py_ssize_t count)
{
    uint8_t awake[BLOCK], lost = 0;
    for (Py_ssize_t i = 0; i < count; i++) awake[i] = (uint8_t)(resting[i] ? 0 : 255);
    for (Py_ssize_t i = 0; i < count; i++) lost |= awake[i] & (uint8_t)(since[i] == LONG_AGO - 1);
    for (Py_ssize_t i = 0; lost && i < count; i++)
        if (awake[i] && since[i] == LONG_AGO - 1) earlier_ns[i] = oldest_ns;
    for (Py_ssize_t i = 0; i < count; i++)
        since[i] = (uint8_t)(since[i] + (since[i] < LONG_AGO)) & awake[i];
}

/*
 * chart(left, smooth, steep, low, high (m,), accepted, worth, since, earlier_ns (n,), pieces,
 *       oldest_ns, figures (12,)) -> how many sums are above the limit, downwards and upwards
 *
 * `since` counts looks, as `LastSame` does; of what has just become too long ago to be counted,
 * `earlier_ns` takes the time.
 */
static PyObject *chart(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 12)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t watched = length(args[0]), all = length(args[5]), pieces = length(args[9]);
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
    int64_t oldest_ns = PyLong_AsLongLong(args[10]);
    const float *figures = flat(&held, args[11], 'f', sizeof(Chart) / sizeof(float), 0);
    if (held.failed || PyErr_Occurred() || !pieces_fit(piece, pieces, all, watched))
        return done(&held, NULL);
    Chart by;
    memcpy(&by, figures, sizeof by);
    int32_t resting[BLOCK];
    Py_ssize_t lows = 0, highs = 0;
    for (; pieces > 0; pieces--, piece += 3) {
        for (Py_ssize_t first = 0; first < piece[2]; first += BLOCK) {
            Py_ssize_t of = piece[0] + first, own = piece[1] + first;
            Py_ssize_t count = piece[2] - first < BLOCK ? piece[2] - first : BLOCK;
            const float *soon[] = {left + own, smooth + own, steep + own, low + own, high + own,
                                   accepted + of, worth + of};
            fetch_blocks(soon, sizeof soon / sizeof *soon);
            fetch_on(since + of + AHEAD, BLOCK);
            Alarms more = any_number(left + own, count)
                ? chart_block(left + own, smooth + own, steep + own, low + own, high + own,
                              accepted + of, worth + of, resting, count, by)
                : still_block(low + own, high + own, by.limit, resting, count);
            count_looks(resting, since + of, oldest_ns, earlier_ns + of, count);
            lows += more.low, highs += more.high;
        }
    }
    return done(&held, Py_BuildValue("nn", lows, highs));
}

static PyMethodDef methods[] = {
    {"apart", (PyCFunction)(void (*)(void))apart, METH_FASTCALL, NULL},
    {"slopes", (PyCFunction)(void (*)(void))slopes, METH_FASTCALL, NULL},
    {"box_mean", (PyCFunction)(void (*)(void))box_mean, METH_FASTCALL, NULL},
    {"differences", (PyCFunction)(void (*)(void))differences, METH_FASTCALL, NULL},
    {"chart", (PyCFunction)(void (*)(void))chart, METH_FASTCALL, NULL},
    {NULL, NULL, 0, NULL},
};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_watch", NULL, -1, methods};

PyMODINIT_FUNC PyInit__watch(void)
{
    return PyModule_Create(&module);
}
