/* Copyright 2026 The berm_ledger authors */
/* SPDX-License-Identifier: Apache-2.0 */
/* Over all surveyed cells: fusion of a look, and means of 3 x 3 cells. */
#include "ahead.h"

static inline float at_most(float value, float most)
{
    return value < most ? value : most;
}

/* ---- fusion -------------------------------------------------------------------------------- */

typedef struct {
    float gate, limit, most_looks, weight, restart_looks;
} Fusion;

/* A value where `which` is all ones, zero where it is all zeros. */
static inline float masked(int32_t which, float value)
{
    int32_t bits;
    memcpy(&bits, &value, sizeof bits);
    bits &= which;
    memcpy(&value, &bits, sizeof value);
    return value;
}

/*
 * Average near heights of up to BLOCK cells in; which are near, and whether anything else happened.
 * Those that are not near stay as they are.
 */
WIDE static int32_t average_block(const float *restrict measured, float *restrict height,
                                  float *restrict looks, float *restrict trend,
                                  int32_t *restrict nears, Py_ssize_t count, Fusion by)
{
    int32_t events = 0;
    for (Py_ssize_t i = 0; i < count; i++) {
        float m = measured[i], h = height[i], n = looks[i], t = trend[i];
        float innovation = m - h, size = fabsf(innovation);
        int32_t near = -(size <= by.gate);
        float gain = 1.0f / at_most(n + 1.0f, by.most_looks);
        float step = masked(near, innovation);
        /* The trend is the innovation to expect; the height has come nearer by the gain. */
        float moved = step - t;
        moved = moved * by.weight;
        moved = moved + t;
        moved = moved - gain * moved;
        moved = moved - t;
        t = t + masked(near, moved);
        n = n + masked(near, 1.0f);
        height[i] = h + step * gain, looks[i] = n, trend[i] = t;
        nears[i] = near;
        int32_t first = -(h != h) & -(m == m), adopted = near & -(fabsf(t) > by.limit);
        events |= -(size > by.gate) | first | (adopted & -(n > by.restart_looks + 1.0f));
    }
    return events;
}

/* Which of the cells are seen; return whether there is anything but NaN. */
WIDE static int32_t see_block(const float *restrict measured, uint8_t *restrict seen,
                              Py_ssize_t count)
{
    int32_t some = 0, shown[BLOCK];
    for (Py_ssize_t i = 0; i < count; i++) {
        shown[i] = fabsf(measured[i]) <= FLT_MAX;
        some |= measured[i] == measured[i];
    }
    for (Py_ssize_t i = 0; i < count; i++) seen[i] = (uint8_t)shown[i];
    return some;
}

/* What was set aside of cells that are near is forgotten. */
WIDE static void forget_aside(const int32_t *restrict nears, uint8_t *restrict aside,
                              Py_ssize_t count)
{
    for (Py_ssize_t i = 0; i < count; i++) aside[i] = aside[i] & (uint8_t)~nears[i];
}

WIDE static int32_t any_gone(const uint8_t *restrict was, const uint8_t *restrict seen,
                             Py_ssize_t count)
{
    uint8_t gone = 0;
    for (Py_ssize_t i = 0; i < count; i++) gone |= was[i] & (uint8_t)!seen[i];
    return gone;
}

/* Note the time of the last look at those of its cells that this one does not see. */
static void note_gone(const uint8_t *was, const uint8_t *seen, int64_t was_ns,
                      int64_t *earlier_ns, Py_ssize_t count)
{
    if (!any_gone(was, seen, count)) return;
    for (Py_ssize_t i = 0; i < count; i++)
        if (was[i] && !seen[i] && earlier_ns[i] < was_ns) earlier_ns[i] = was_ns;
}

/* The same from one cell up to another, of which this look sees none. */
static void see_nothing(const uint8_t *was, uint8_t *seen, Py_ssize_t first, Py_ssize_t past,
                        int64_t was_ns, int64_t *earlier_ns)
{
    if (past <= first) return;
    memset(seen + first, 0, (size_t)(past - first));
    note_gone(was + first, seen + first, was_ns, earlier_ns + first, past - first);
}

/* Cells that something happened to. */
typedef struct {
    int64_t *far, *adopted;
    Py_ssize_t fars, adoptions;
} Listed;

/* Begin cells seen for the first time, pull those over that lean, list them and those far off. */
static void settle_block(const float *measured, float *height, float *looks, float *trend,
                         uint8_t *aside, const int32_t *nears, Py_ssize_t first,
                         Py_ssize_t count, Fusion by, Listed *listed)
{
    for (Py_ssize_t i = first; i < first + count; i++) {
        float m = measured[i], h = height[i];
        if (nears[i - first]) {
            if (!(fabsf(trend[i]) > by.limit) || !(looks[i] > by.restart_looks + 1.0f)) continue;
            height[i] = h + trend[i], looks[i] = by.restart_looks, trend[i] = 0.0f;
            listed->adopted[listed->adoptions++] = i;
        } else if (h != h && fabsf(m) <= FLT_MAX) {
            /* Plus zero: of a zero either sign is the same. */
            height[i] = m + 0.0f, looks[i] = 1.0f, trend[i] = 0.0f, aside[i] = 0;
        } else if (fabsf(m - h) > by.gate) {
            listed->far[listed->fars++] = i;
        }
    }
}

/*
 * fuse(measured, height, looks, trend, aside_looks, was_seen, seen, earlier_ns (n,),
 *      far, adopted (n,), shown (k, 3), was_ns, gate, limit, most_looks, weight, restart_looks)
 *     -> how many are far, and adopted
 *
 * All that the look shows lies in the pieces `shown`.
 */
static PyObject *fuse(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 17)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t cells = length(args[0]), pieces = length(args[10]), blocks = 0;
    const float *measured = flat(&held, args[0], 'f', cells, 0);
    float *height = flat(&held, args[1], 'f', cells, 1);
    float *looks = flat(&held, args[2], 'f', cells, 1);
    float *trend = flat(&held, args[3], 'f', cells, 1);
    uint8_t *aside = flat(&held, args[4], 'B', cells, 1);
    const uint8_t *was_seen = flat(&held, args[5], '?', cells, 0);
    uint8_t *seen = flat(&held, args[6], '?', cells, 1);
    int64_t *earlier_ns = flat(&held, args[7], 'q', cells, 1);
    Listed listed = {flat(&held, args[8], 'q', cells, 1), flat(&held, args[9], 'q', cells, 1),
                     0, 0};
    const int32_t *piece = flat(&held, args[10], 'i', 3 * pieces, 0);
    int64_t was_ns = PyLong_AsLongLong(args[11]);
    Fusion by = {
        (float)PyFloat_AsDouble(args[12]), (float)PyFloat_AsDouble(args[13]),
        (float)PyFloat_AsDouble(args[14]), (float)PyFloat_AsDouble(args[15]),
        (float)PyFloat_AsDouble(args[16])};
    if (held.failed || PyErr_Occurred() || !pieces_fit(piece, pieces, cells, cells))
        return done(&held, NULL);
    const Block *block = blocks_of(piece, pieces, 2, &blocks);
    if (!block) return done(&held, NULL);
    const float *arrays[] = {height, looks, trend};
    int32_t nears[BLOCK];
    Py_ssize_t past = 0;
    for (; blocks > 0; blocks--, block++) {
        Py_ssize_t first = block->of, count = block->count;
        see_nothing(was_seen, seen, past, first, was_ns, earlier_ns);
        past = first + count;
        fetch_block(arrays, sizeof arrays / sizeof *arrays, block[AHEAD].of);
        fetch_on(aside + block[AHEAD].of, BLOCK);
        int32_t some = see_block(measured + first, seen + first, count);
        note_gone(was_seen + first, seen + first, was_ns, earlier_ns + first, count);
        if (!some) continue;
        int32_t events = average_block(measured + first, height + first, looks + first,
                                       trend + first, nears, count, by);
        forget_aside(nears, aside + first, count);
        if (events)
            settle_block(measured, height, looks, trend, aside, nears, first, count, by, &listed);
    }
    see_nothing(was_seen, seen, past, cells, was_ns, earlier_ns);
    return done(&held, Py_BuildValue("nn", listed.fars, listed.adoptions));
}

/* ---- means of 3 x 3 cells ------------------------------------------------------------------ */

static inline float known_of(float value)
{
    return value == value ? value : 0.0f;
}

WIDE static int32_t is_whole(const float *restrict values, Py_ssize_t count)
{
    int32_t unknown = 0;
    for (Py_ssize_t i = 0; i < count; i++) unknown |= values[i] != values[i];
    return !unknown;
}

/* Of cells with one on either side, all known: each value with those to the right and left. */
WIDE static void add_whole(const float *restrict values, float *restrict sums, Py_ssize_t count)
{
    for (Py_ssize_t i = 0; i < count; i++) sums[i] = values[i] + values[i + 1] + values[i - 1];
}

/* Of cells with one on either side: what is known of the same, and how much that is. */
WIDE static void add_known(const float *restrict values, float *restrict sums,
                           uint8_t *restrict counts, Py_ssize_t count)
{
    for (Py_ssize_t i = 0; i < count; i++)
        sums[i] = known_of(values[i]) + known_of(values[i + 1]) + known_of(values[i - 1]);
    for (Py_ssize_t i = 0; i < count; i++) {
        float own = values[i], right = values[i + 1], left = values[i - 1];
        counts[i] = (uint8_t)((own == own) + (right == right) + (left == left));
    }
}

/* The same of one end of a row. */
static void add_end(const float *values, Py_ssize_t end, Py_ssize_t count, float *sums,
                    uint8_t *counts)
{
    float own = values[end], right = end + 1 < count ? values[end + 1] : NAN;
    float left = end > 0 ? values[end - 1] : NAN;
    sums[end] = known_of(own) + known_of(right) + known_of(left);
    counts[end] = (uint8_t)((own == own) + (right == right) + (left == left));
}

/* Of a row: sums of each three in it, and how many of them are known. */
static void add_along(const float *values, float *sums, uint8_t *counts, Py_ssize_t count)
{
    for (Py_ssize_t end = 0; end < count; end += count > 1 ? count - 1 : 1)
        add_end(values, end, count, sums, counts);
    for (Py_ssize_t k = 1; k < count - 1; k += BLOCK) {
        Py_ssize_t some = count - 1 - k < BLOCK ? count - 1 - k : BLOCK;
        if (is_whole(values + k - 1, some + 2)) {
            add_whole(values + k, sums + k, some);
            memset(counts + k, 3, (size_t)some);
        } else if (any_number(values + k - 1, some + 2)) {
            add_known(values + k, sums + k, counts + k, some);
        } else {
            memset(sums + k, 0, (size_t)some * sizeof *sums);
            memset(counts + k, 0, (size_t)some);
        }
    }
}

WIDE static void add_to(float *restrict sums, uint8_t *restrict counts, const float *restrict more,
                        const uint8_t *restrict more_counts, Py_ssize_t count)
{
    for (Py_ssize_t i = 0; i < count; i++) sums[i] += more[i];
    for (Py_ssize_t i = 0; i < count; i++) counts[i] = (uint8_t)(counts[i] + more_counts[i]);
}

WIDE static void mean_of(const float *restrict sums, const uint8_t *restrict counts, int32_t least,
                         const float *restrict values, int32_t of_unknown, float *restrict out,
                         Py_ssize_t count)
{
    for (Py_ssize_t i = 0; i < count; i++) {
        int32_t number = counts[i];
        float mean = sums[i] / (float)(number > 1 ? number : 1);
        int32_t told = (number >= least) & (of_unknown | (values[i] == values[i]));
        out[i] = told ? mean : NAN;
    }
}

/* Sums and counts along rows, as far as they have been taken. */
typedef struct {
    const float *values;
    const int32_t *row;
    Py_ssize_t rows, taken;
    float *sums;
    uint8_t *counts;
} Along;

/* Take those of all rows that begin before a cell; rows come in the order of their cells. */
static void take_rows(Along *along, Py_ssize_t before)
{
    for (; along->taken < along->rows; along->taken++) {
        const int32_t *row = along->row + 3 * along->taken;
        if (row[1] >= before) break;
        add_along(along->values + row[1], along->sums + row[1], along->counts + row[1], row[2]);
    }
}

/* Pieces of cells beside others, in the order of the first ones, and those still to come. */
typedef struct {
    const int32_t *piece;
    Py_ssize_t pieces;
} Beside;

/* The piece that holds a cell, or the first one after it. */
static void come_to(Beside *beside, Py_ssize_t cell)
{
    while (beside->pieces > 0 && beside->piece[0] + (Py_ssize_t)beside->piece[2] <= cell)
        beside->piece += 3, beside->pieces--;
}

/* Onto the sums of a block of cells, add those of the cells beside. */
static void add_beside(Along *along, Beside *beside, Py_ssize_t first, Py_ssize_t count,
                       float *totals, uint8_t *numbers)
{
    come_to(beside, first);
    const int32_t *piece = beside->piece;
    for (Py_ssize_t k = 0; k < beside->pieces && piece[0] < first + count; k++, piece += 3) {
        Py_ssize_t from = piece[0] > first ? piece[0] : first, last = piece[0] + piece[2];
        Py_ssize_t some = (last < first + count ? last : first + count) - from;
        Py_ssize_t other = piece[1] + (from - piece[0]);
        if (some <= 0) continue;
        take_rows(along, other + some);
        add_to(totals + from - first, numbers + from - first, along->sums + other,
               along->counts + other, some);
    }
}

WIDE static int32_t are_three(const uint8_t *restrict counts, Py_ssize_t count)
{
    uint8_t other = 0;
    for (Py_ssize_t i = 0; i < count; i++) other |= counts[i] ^ 3;
    return !other;
}

/* The sums of the cells beside a block, where each is of three; NULL where it is not. */
static const float *threes_beside(Along *along, Beside *beside, Py_ssize_t first, Py_ssize_t count)
{
    come_to(beside, first);
    const int32_t *piece = beside->piece;
    if (beside->pieces < 1 || piece[0] > first || piece[0] + (Py_ssize_t)piece[2] < first + count)
        return NULL;
    Py_ssize_t other = piece[1] + (first - piece[0]);
    take_rows(along, other + count);
    return are_three(along->counts + other, count) ? along->sums + other : NULL;
}

WIDE static void mean_of_nine(const float *restrict own, const float *restrict north,
                              const float *restrict south, float *restrict out, Py_ssize_t count)
{
    for (Py_ssize_t i = 0; i < count; i++) out[i] = (own[i] + north[i] + south[i]) / 9.0f;
}

static void clear(Along *along, Py_ssize_t first, Py_ssize_t count)
{
    memset(along->sums + first, 0, (size_t)count * sizeof *along->sums);
    memset(along->counts + first, 0, (size_t)count);
}

/* Cells from the first on of which a call has left sums: one that had all of them in rows. */
static Py_ssize_t left_behind = 0;

/* Where not all cells are in rows those of no row count, too: they must be zero. */
static void begin_rows(Along *along, int of_all)
{
    if (of_all || !left_behind) return;
    clear(along, 0, left_behind);
    left_behind = 0;
}

static void end_rows(Along *along, int of_all, Py_ssize_t cells)
{
    if (of_all && cells > left_behind) left_behind = cells;
    for (Py_ssize_t k = 0; !of_all && k < along->taken; k++)
        clear(along, along->row[3 * k + 1], along->row[3 * k + 2]);
}

/*
 * box_mean(values, along (k, 3), north (m, 3), south (m, 3), least, of_unknown, out)
 *
 * A piece of `along` is cells in a row (its first column does not count): all that are wanted, and
 * all known ones with one more on either side; elsewhere `out` is NaN. One of `north` and
 * `south` says which cells lie beside which in the next row. Block by block, so that the sums of
 * the rows beside are still in the cache.
 */
static PyObject *box_mean(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 7)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t cells = length(args[0]), blocks = 0, past = 0;
    Along along = {.rows = length(args[1])};
    Beside north = {NULL, length(args[2])}, south = {NULL, length(args[3])};
    along.values = flat(&held, args[0], 'f', cells, 0);
    along.row = flat(&held, args[1], 'i', 3 * along.rows, 0);
    north.piece = flat(&held, args[2], 'i', 3 * north.pieces, 0);
    south.piece = flat(&held, args[3], 'i', 3 * south.pieces, 0);
    int32_t least = (int32_t)PyLong_AsLong(args[4]);
    int of_unknown = PyObject_IsTrue(args[5]);
    float *out = flat(&held, args[6], 'f', cells, 1);
    along.sums = held.failed ? NULL : scratch(0, (cells + 1) * sizeof(float));
    along.counts = along.sums ? scratch(1, cells + 1) : NULL;
    if (!along.counts || PyErr_Occurred() || !pieces_fit(along.row, along.rows, INT32_MAX, cells)
        || !pieces_fit(north.piece, north.pieces, cells, cells)
        || !pieces_fit(south.piece, south.pieces, cells, cells))
        return done(&held, NULL);
    const Block *block = blocks_of(along.row, along.rows, 2, &blocks);
    if (!block) return done(&held, NULL);
    Py_ssize_t held_by_rows = 0;
    for (Py_ssize_t k = 0; k < along.rows; k++) held_by_rows += along.row[3 * k + 2];
    begin_rows(&along, held_by_rows == cells);
    float totals[BLOCK];
    uint8_t numbers[BLOCK];
    for (; blocks > 0; blocks--, block++) {
        Py_ssize_t first = block->own, count = block->count;
        blank_between(out, past, first);
        past = first + count;
        fetch_on(out + block[AHEAD].own, BLOCK * sizeof(float));
        if (!of_unknown && !any_number(along.values + first, count)) {
            for (Py_ssize_t k = first; k < first + count; k++) out[k] = NAN;
            continue;
        }
        take_rows(&along, first + count);
        const float *up = are_three(along.counts + first, count)
            ? threes_beside(&along, &north, first, count) : NULL;
        const float *down = up ? threes_beside(&along, &south, first, count) : NULL;
        if (down) {
            mean_of_nine(along.sums + first, up, down, out + first, count);
            continue;
        }
        memcpy(totals, along.sums + first, count * sizeof(float));
        memcpy(numbers, along.counts + first, (size_t)count);
        add_beside(&along, &north, first, count, totals, numbers);
        add_beside(&along, &south, first, count, totals, numbers);
        mean_of(totals, numbers, least, along.values + first, of_unknown, out + first, count);
    }
    blank_between(out, past, cells);
    end_rows(&along, held_by_rows == cells, cells);
    Py_INCREF(Py_None);
    return done(&held, Py_None);
}

/* ---- what stands too high ------------------------------------------------------------------ */

WIDE static int32_t above_in(const float *restrict values, const float *restrict ground, float most,
                             Py_ssize_t count)
{
    int32_t above = 0;
    for (Py_ssize_t i = 0; i < count; i++) above |= values[i] - ground[i] > most;
    return above;
}

/*
 * any_above(values, ground (n,), shown (k, 3), lowest, most) -> whether any value in the pieces stands
 * that far above the ground
 *
 * Mostly none stands that far above its lowest place; a millimetre less for whatever rounding does.
 */
static PyObject *any_above(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 5)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t cells = length(args[0]);
    const float *values = flat(&held, args[0], 'f', cells, 0);
    const float *ground = flat(&held, args[1], 'f', cells, 0);
    Py_ssize_t pieces = length(args[2]);
    const int32_t *piece = flat(&held, args[2], 'i', 3 * pieces, 0);
    float lowest = (float)PyFloat_AsDouble(args[3]), most = (float)PyFloat_AsDouble(args[4]);
    if (held.failed || PyErr_Occurred() || !pieces_fit(piece, pieces, cells, cells))
        return done(&held, NULL);
    int above = 0;
    for (; pieces > 0 && !above; pieces--, piece += 3)
        above = any_beyond(values + piece[0], lowest + most - 0.001f, piece[2])
            && above_in(values + piece[0], ground + piece[0], most, piece[2]);
    return done(&held, PyBool_FromLong(above));
}

static PyMethodDef methods[] = {
    {"any_above", (PyCFunction)(void (*)(void))any_above, METH_FASTCALL, NULL},
    {"fuse", (PyCFunction)(void (*)(void))fuse, METH_FASTCALL, NULL},
    {"box_mean", (PyCFunction)(void (*)(void))box_mean, METH_FASTCALL, NULL},
    {NULL, NULL, 0, NULL},
};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_cells", NULL, -1, methods};

PyMODINIT_FUNC PyInit__cells(void)
{
    return PyModule_Create(&module);
}
