/* Copyright 2026 The berm_ledger authors */
/* SPDX-License-Identifier: Apache-2.0 */
/* Out of grids: the greatest, spikes, heights at cells or points; what lies under a rover. */
#include "grid.h"

/* ---- spikes -------------------------------------------------------------------------------- */

/* How many of a row stand by `limit` above, or lie below, all their known neighbours. */
WIDE static int32_t spikes_in_row(const float *up, const float *own, const float *down,
                                  Py_ssize_t cols, float limit, int32_t *marks)
{
    int32_t count = 0;
    for (Py_ssize_t c = 0; c < cols; c++) {
        float h = own[c + 1], l = own[c], r = own[c + 2], u = up[c + 1], d = down[c + 1];
        /* Comparisons with NaN are false: an unknown neighbour never objects. */
        int32_t high = !(h <= l + limit) & !(h <= r + limit) & !(h <= u + limit)
            & !(h <= d + limit);
        int32_t low = !(h >= l - limit) & !(h >= r - limit) & !(h >= u - limit)
            & !(h >= d - limit);
        int32_t known = (h == h) & ((l == l) | (r == r) | (u == u) | (d == d));
        marks[c] = (high | low) & known;
        count += marks[c];
    }
    return count;
}

static void padded_row(const Grid *grid, Py_ssize_t row, float *out)
{
    out[0] = out[grid->cols + 1] = NAN;
    if (row < 0 || row >= grid->rows) {
        for (Py_ssize_t c = 0; c < grid->cols; c++) out[c + 1] = NAN;
    } else if (grid->right == sizeof(float)) {
        memcpy(out + 1, grid->data + row * grid->down, grid->cols * sizeof(float));
    } else {
        for (Py_ssize_t c = 0; c < grid->cols; c++) out[c + 1] = height(grid, row, c);
    }
}

/* Whether cells of a row beside each other differ by more than a limit, or are not known. */
WIDE static int32_t is_rough(const float *restrict row, Py_ssize_t cols, float limit)
{
    int32_t rough = 0;
    for (Py_ssize_t c = 1; c < cols; c++) rough |= !(fabsf(row[c] - row[c - 1]) <= limit);
    return rough;
}

/* Whether a row may hold a spike: it would differ from those to the right and left. */
static int may_spike(const Grid *grid, Py_ssize_t row, float limit)
{
    /* A tenth for whatever rounding does. */
    return grid->right != sizeof(float)
        || is_rough((const float *)(grid->data + row * grid->down), grid->cols, 0.9f * limit);
}

/* spikes(height (r, c), limit) -> list of places in the flattened grid */
static PyObject *spikes(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 2)) return NULL;
    Held held = {.count = 0};
    Grid grid = grid_of(&held, args[0]);
    float limit = (float)PyFloat_AsDouble(args[1]);
    if (held.failed) return done(&held, NULL);
    size_t width = grid.cols + 2;
    float *rows = scratch(0, 3 * width * sizeof(float));
    int32_t *marks = scratch(1, grid.cols * sizeof(int32_t));
    PyObject *places = PyList_New(0);
    if (!rows || !marks || !places) return done(&held, places);
    for (Py_ssize_t r = 0; r < grid.rows && !PyErr_Occurred(); r++) {
        if (!may_spike(&grid, r, limit)) continue;
        for (int k = 0; k < 3; k++) padded_row(&grid, r + k - 1, rows + k * width);
        if (!spikes_in_row(rows, rows + width, rows + 2 * width, grid.cols, limit, marks)) continue;
        for (Py_ssize_t c = 0; c < grid.cols; c++) {
            if (!marks[c]) continue;
            PyObject *place = PyLong_FromSsize_t(r * grid.cols + c);
            if (place) PyList_Append(places, place);
            Py_XDECREF(place);
        }
    }
    return done(&held, places);
}

/* ---- the greatest -------------------------------------------------------------------------- */

/* The greatest size of a finite value. */
WIDE static float greatest_in(const float *restrict row, Py_ssize_t count)
{
    enum { AT_ONCE = 32 };
    float most[AT_ONCE];
    Py_ssize_t k = 0;
    for (int lane = 0; lane < AT_ONCE; lane++) most[lane] = -1.0f;
    for (; k + AT_ONCE <= count; k += AT_ONCE) {
        for (int lane = 0; lane < AT_ONCE; lane++) {
            float size = fabsf(row[k + lane]);
            size = size <= FLT_MAX ? size : -1.0f;
            most[lane] = size > most[lane] ? size : most[lane];
        }
    }
    for (; k < count; k++) {
        float size = fabsf(row[k]);
        if (size <= FLT_MAX && size > most[0]) most[0] = size;
    }
    for (int lane = 1; lane < AT_ONCE; lane++)
        most[0] = most[lane] > most[0] ? most[lane] : most[0];
    return most[0];
}

/* greatest(height (r, c)) -> greatest size of a finite height, NaN where there is none */
static PyObject *greatest(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 1)) return NULL;
    Held held = {.count = 0};
    Grid grid = grid_of(&held, args[0]);
    float *row = held.failed ? NULL : scratch(0, (grid.cols + 2) * sizeof(float));
    if (!row) return done(&held, NULL);
    float most = -1.0f;
    for (Py_ssize_t r = 0; r < grid.rows; r++) {
        const float *own = (const float *)(grid.data + r * grid.down);
        if (grid.right != sizeof(float)) {
            for (Py_ssize_t c = 0; c < grid.cols; c++) row[c] = height(&grid, r, c);
            own = row;
        }
        float size = greatest_in(own, grid.cols);
        most = size > most ? size : most;
    }
    return done(&held, PyFloat_FromDouble(most < 0.0f ? (double)NAN : (double)most));
}

/* ---- sampling ------------------------------------------------------------------------------ */

typedef struct {
    const int32_t *low;
    const float *part;
    Py_ssize_t count;
    /* Whether mostly one place follows the other: cells of grid and lattice are as wide. */
    int orderly;
    /* How many places from each on follow each other. */
    const int32_t *stretch;
} Axis;

/* Where equally spaced places lie on an axis of the grid, in cells of it. */
typedef struct {
    double start, spacing, origin, step;
} Spacing;

/* The grid's cell before each of so many places, -1 outside, and the part beyond it; in rooms. */
static void lay_out(Axis *axis, Spacing by, Py_ssize_t cells, int32_t *low, float *part)
{
    double most = (double)(cells - 2);
    Py_ssize_t breaks = 0;
    for (Py_ssize_t k = 0; k < axis->count; k++) {
        double at = (by.start + by.spacing * (double)k - by.origin) / by.step, before = floor(at);
        before = before > 0.0 ? before : 0.0;
        before = before < most ? before : most;
        low[k] = at < 0.0 || at > (double)(cells - 1) ? -1 : (int32_t)before;
        part[k] = (float)(at - before);
        breaks += k > 0 && low[k] >= 0 && low[k] != low[k - 1] + 1;
    }
    axis->low = low, axis->part = part;
    axis->orderly = 16 * breaks < axis->count;
}

/* Find the stretches of an axis; false where there is no memory. */
static int find_stretches(Axis *axis)
{
    int32_t *stretch = scratch(1, (axis->count + 1) * sizeof *stretch);
    if (!stretch) return 0;
    for (Py_ssize_t k = axis->count - 1; k >= 0; k--) {
        /* Places outside follow each other, too. */
        int32_t next = axis->low[k] < 0 ? -1 : axis->low[k] + 1;
        int on = k + 1 < axis->count && axis->low[k + 1] == next;
        stretch[k] = on ? stretch[k + 1] + 1 : 1;
    }
    axis->stretch = stretch;
    return 1;
}

static inline Py_ssize_t stretch_at(const Axis *axis, Py_ssize_t place, Py_ssize_t most)
{
    return axis->stretch[place] < most ? axis->stretch[place] : most;
}

WIDE static void between_rows(const float *restrict near, const float *restrict far, float part,
                              float *restrict out, Py_ssize_t count)
{
    for (Py_ssize_t k = 0; k < count; k++) out[k] = between(near[k], far[k], part);
}

WIDE static void between_all(const float *restrict row, const float *restrict part, float shift,
                             float *restrict out, Py_ssize_t count)
{
    for (Py_ssize_t k = 0; k < count; k++) out[k] = between(row[k], row[k + 1], part[k]) - shift;
}

/* Along one lattice row: the grid's rows run along it too. */
static void along_row(const Grid *grid, Py_ssize_t r, float part, const Axis *cols,
                      Py_ssize_t from, Py_ssize_t count, float *row, float shift, float *out)
{
    Py_ssize_t first = grid->cols, last = -1;
    for (Py_ssize_t k = 0, on; k < count; k += on) {
        Py_ssize_t c = cols->low[from + k];
        on = stretch_at(cols, from + k, count - k);
        if (c < 0) continue;
        if (c < first) first = c;
        if (c + on - 1 > last) last = c + on - 1;
    }
    if (grid->right == sizeof(float) && last >= 0) {
        const float *near = (const float *)(grid->data + r * grid->down);
        const float *far = (const float *)(grid->data + (r + 1) * grid->down);
        between_rows(near + first, far + first, part, row + first, last + 2 - first);
    } else {
        for (Py_ssize_t c = first; c <= last + 1; c++)
            row[c] = between(height(grid, r, c), height(grid, r + 1, c), part);
    }
    for (Py_ssize_t k = 0, on; k < count; k += on) {
        Py_ssize_t c = cols->low[from + k];
        on = cols->orderly || c < 0 ? stretch_at(cols, from + k, count - k) : 1;
        if (c < 0)
            for (Py_ssize_t i = k; i < k + on; i++) out[i] = NAN;
        else if (!cols->orderly)
            out[k] = between(row[c], row[c + 1], cols->part[from + k]) - shift;
        else
            between_all(row + c, cols->part + from + k, shift, out + k, on);
    }
}

/* Along one lattice row: the grid's columns run along it. */
static void along_col(const Grid *grid, Py_ssize_t c, float part, const Axis *rows,
                      Py_ssize_t from, Py_ssize_t count, float shift, float *out)
{
    for (Py_ssize_t k = 0; k < count; k++) {
        Py_ssize_t r = rows->low[from + k];
        if (r < 0) {
            out[k] = NAN;
            continue;
        }
        float p = rows->part[from + k];
        float left = between(height(grid, r, c), height(grid, r + 1, c), p);
        float right = between(height(grid, r, c + 1), height(grid, r + 1, c + 1), p);
        out[k] = between(left, right, part) - shift;
    }
}

/*
 * crossed(height (r, c), rows, cols, starts, origin, steps (2,), spacing, runs (k, 4), turned,
 *         shift, out)
 *
 * Of a lattice of so many rows and columns, whose first place is at `starts` (x, y). A run is: place
 * along its rows, first place along its columns, first cell, cells. `turned`: the grid's rows lie
 * along its columns. `steps` are from column to column of the lattice and from row to row, in the
 * grid.
 */
static PyObject *crossed(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 11)) return NULL;
    Held held = {.count = 0};
    Grid grid = grid_of(&held, args[0]);
    Axis rows = {.count = PyLong_AsSsize_t(args[1])}, cols = {.count = PyLong_AsSsize_t(args[2])};
    const double *start = flat(&held, args[3], 'd', 2, 0);
    const double *origin = flat(&held, args[4], 'd', 2, 0);
    const double *step = flat(&held, args[5], 'd', 2, 0);
    double spacing = PyFloat_AsDouble(args[6]);
    Py_ssize_t runs = length(args[7]), cells = length(args[10]);
    const int32_t *run = flat(&held, args[7], 'i', 4 * runs, 0);
    int turned = PyObject_IsTrue(args[8]);
    float shift = (float)PyFloat_AsDouble(args[9]);
    float *out = flat(&held, args[10], 'f', cells, 1);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    if (!fits(rows.count, INT32_MAX, "there is no such lattice")
        || !fits(cols.count, INT32_MAX, "there is no such lattice"))
        return done(&held, NULL);
    size_t places = (size_t)(rows.count + cols.count) + 1;
    float *row = scratch(0, (grid.cols + 1) * sizeof(float));
    int32_t *low = row ? scratch(2, places * sizeof *low) : NULL;
    float *part = low ? scratch(3, places * sizeof *part) : NULL;
    if (!part) return done(&held, NULL);
    lay_out(&rows, (Spacing){start[1], spacing, origin[1], step[1]},
            turned ? grid.cols : grid.rows, low, part);
    lay_out(&cols, (Spacing){start[0], spacing, origin[0], step[0]},
            turned ? grid.rows : grid.cols, low + rows.count, part + rows.count);
    if (!turned && !find_stretches(&cols)) return done(&held, NULL);
    for (; runs > 0; runs--, run += 4) {
        if (run[0] < 0 || run[0] >= rows.count || run[1] < 0 || run[3] < 0 || run[2] < 0
            || run[1] + (Py_ssize_t)run[3] > cols.count || run[2] + (Py_ssize_t)run[3] > cells) {
            PyErr_SetString(PyExc_ValueError, "a run does not fit the lattice");
            break;
        }
        Py_ssize_t before = rows.low[run[0]];
        fetch_on(out + run[2] + run[3], run[3] * sizeof(float));
        float beyond = rows.part[run[0]], *target = out + run[2];
        if (before < 0) {
            for (Py_ssize_t k = 0; k < run[3]; k++) target[k] = NAN;
        } else if (turned) {
            along_col(&grid, before, beyond, &cols, run[1], run[3], shift, target);
        } else {
            along_row(&grid, before, beyond, &cols, run[1], run[3], row, shift, target);
        }
    }
    Py_INCREF(Py_None);
    return done(&held, Py_None);
}

/* The first place of some that holds a number, or their end; mostly the likely one. */
static Py_ssize_t first_number(const float *values, Py_ssize_t count, Py_ssize_t likely)
{
    if (likely >= 0 && likely < count && values[likely] == values[likely]
        && !any_number(values, likely)) return likely;
    Py_ssize_t first = 0;
    while (first < count && values[first] != values[first]) first++;
    return first;
}

/* The place after the last one that holds a number, or the beginning; mostly the likely one. */
static Py_ssize_t past_numbers(const float *values, Py_ssize_t count, Py_ssize_t likely)
{
    if (likely > 0 && likely <= count && values[likely - 1] == values[likely - 1]
        && !any_number(values + likely, count - likely)) return likely;
    while (count > 0 && values[count - 1] != values[count - 1]) count--;
    return count;
}

/*
 * shown(values (n,), runs (k, 4)) -> bytes of pieces (j, 3), int32
 *
 * Of each run, as `crossed` takes them: from the first cell that has a value to the last one, and one
 * more on either side; first cell, the same again, how many. What is likely is the same columns as
 * in the run before.
 */
static PyObject *shown(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 2)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t cells = length(args[0]), runs = length(args[1]), count = 0, left = 0, right = 0;
    const float *value = flat(&held, args[0], 'f', cells, 0);
    const int32_t *run = flat(&held, args[1], 'i', 4 * runs, 0);
    int32_t *out = held.failed ? NULL : scratch(0, 3 * (size_t)(runs + 1) * sizeof *out);
    if (!out) return done(&held, NULL);
    for (; runs > 0; runs--, run += 4) {
        if (run[2] < 0 || run[3] < 0 || run[2] + (Py_ssize_t)run[3] > cells) {
            PyErr_SetString(PyExc_ValueError, "a run holds cells that there are not");
            break;
        }
        Py_ssize_t from = first_number(value + run[2], run[3], left - run[1]);
        if (from == run[3]) continue;
        Py_ssize_t past = past_numbers(value + run[2], run[3], right - run[1]);
        left = run[1] + from, right = run[1] + past;
        from -= from > 0, past += past < run[3];
        int32_t *own = out + 3 * count++;
        own[0] = own[1] = (int32_t)(run[2] + from), own[2] = (int32_t)(past - from);
    }
    return done(&held, PyBytes_FromStringAndSize((const char *)out, 3 * count * sizeof *out));
}

/* bilinear(height (r, c), points (n, 2), moved (2,), origin (2,), turn (2, 2), out (n,)) */
static PyObject *bilinear(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 6)) return NULL;
    Held held = {.count = 0};
    Grid grid = grid_of(&held, args[0]);
    Py_ssize_t count = length(args[5]);
    const double *points = flat(&held, args[1], 'd', 2 * count, 0);
    Placed placed = placed_of(&held, args[2], args[3], args[4]);
    float *out = flat(&held, args[5], 'f', count, 1);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    for (Py_ssize_t k = 0; k < count; k += POINTS)
        heights_at(&grid, &placed, points + 2 * k, out + k, count - k < POINTS ? count - k : POINTS);
    Py_INCREF(Py_None);
    return done(&held, Py_None);
}

/* ---- what lies under a rover --------------------------------------------------------------- */

/* Corners of the edges of a footprint, in its own frame, and the box around it, with a pad. */
typedef struct {
    const double *starts, *ends;
    Py_ssize_t count;
    double pad, low[2], high[2];
} Edges;

static Edges edges_of(Held *held, PyObject *starts, PyObject *ends, PyObject *pad)
{
    Edges edges = {NULL, NULL, length(starts), PyFloat_AsDouble(pad), {0.0}, {0.0}};
    edges.starts = flat(held, starts, 'd', 2 * edges.count, 0);
    edges.ends = flat(held, ends, 'd', 2 * edges.count, 0);
    for (int axis = 0; axis < 2; axis++) {
        double low = INFINITY, high = -INFINITY;
        for (Py_ssize_t k = 0; k < edges.count && !held->failed; k++) {
            double own = edges.starts[2 * k + axis];
            low = own < low ? own : low, high = own > high ? own : high;
        }
        edges.low[axis] = low - edges.pad, edges.high[axis] = high + edges.pad;
    }
    return edges;
}

static int covers(const Edges *edges, double x, double y)
{
    int inside = 0, near = 0;
    for (Py_ssize_t k = 0; k < edges->count; k++) {
        double x1 = edges->starts[2 * k], y1 = edges->starts[2 * k + 1];
        double x2 = edges->ends[2 * k], y2 = edges->ends[2 * k + 1];
        if (y1 != y2 && (y1 > y) != (y2 > y))
            inside ^= x < (x2 - x1) * (y - y1) / (y2 - y1) + x1;
    }
    if (inside || !(edges->pad > 0.0)) return inside;
    for (Py_ssize_t k = 0; k < edges->count; k++) {
        double x1 = edges->starts[2 * k], y1 = edges->starts[2 * k + 1];
        double x2 = edges->ends[2 * k], y2 = edges->ends[2 * k + 1];
        double along = x2 - x1, up = y2 - y1;
        double part = ((x - x1) * along + (y - y1) * up) / (along * along + up * up);
        part = part > 0.0 ? part : 0.0;
        part = part < 1.0 ? part : 1.0;
        double gap_x = x - x1 - part * along, gap_y = y - y1 - part * up;
        near |= gap_x * gap_x + gap_y * gap_y <= edges->pad * edges->pad;
    }
    return near;
}

/* Whether a point lies under a rover that stands at a place, turned by (cos, sin). */
static inline int lies_under(const Edges *edges, const double *place, const double *turn,
                             double point_x, double point_y)
{
    double east = point_x - place[0], north = point_y - place[1];
    double x = east * turn[0] + north * turn[1], y = north * turn[0] - east * turn[1];
    return x >= edges->low[0] && x <= edges->high[0] && y >= edges->low[1]
        && y <= edges->high[1] && covers(edges, x, y);
}

/*
 * under(points (n, 2), place (2,), turn (cos, sin), starts, ends (e, 2), pad, out (n,))
 *
 * Whether each point lies within a pad around the footprint of a rover that stands at a place.
 */
static PyObject *under(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 7)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t count = length(args[6]);
    const double *point = flat(&held, args[0], 'd', 2 * count, 0);
    const double *place = flat(&held, args[1], 'd', 2, 0);
    const double *turn = flat(&held, args[2], 'd', 2, 0);
    Edges edges = edges_of(&held, args[3], args[4], args[5]);
    uint8_t *out = flat(&held, args[6], '?', count, 1);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    for (Py_ssize_t k = 0; k < count; k++, point += 2)
        out[k] = (uint8_t)lies_under(&edges, place, turn, point[0], point[1]);
    Py_INCREF(Py_None);
    return done(&held, Py_None);
}

/* The places of an axis from `first` in steps that lie from low to high, and one more. */
static void reached(double low, double high, double first, double step, Py_ssize_t count,
                    Py_ssize_t *from, Py_ssize_t *stop)
{
    double start = floor((low - first) / step) - 1.0, end = ceil((high - first) / step) + 2.0;
    *from = start > 0.0 ? start < (double)count ? (Py_ssize_t)start : count : 0;
    *stop = end > 0.0 ? end < (double)count ? (Py_ssize_t)end : count : 0;
}

/*
 * cells_under(cell_of (rows, cols), axes (x0, y0, step), centres (n, 2), moved, place (2,),
 *             turn (cos, sin), starts, ends (e, 2), pad) -> bytes of the cells, int64
 *
 * Cells of a lattice, -1 where there is none, that lie under a rover once they are moved.
 */
static PyObject *cells_under(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 9)) return NULL;
    Held held = {.count = 0};
    Py_buffer *view = view_of(&held, args[0], 'i', PyBUF_C_CONTIGUOUS);
    const double *axes = flat(&held, args[1], 'd', 3, 0);
    Py_ssize_t cells = length(args[2]), count = 0;
    const double *centres = flat(&held, args[2], 'd', 2 * cells, 0);
    const double *moved = flat(&held, args[3], 'd', 2, 0);
    const double *place = flat(&held, args[4], 'd', 2, 0);
    const double *turn = flat(&held, args[5], 'd', 2, 0);
    Edges edges = edges_of(&held, args[6], args[7], args[8]);
    if (!held.failed && view->ndim != 2)
        PyErr_SetString(PyExc_ValueError, "wanted a lattice of rows and columns");
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    /* The box around the footprint, from its own frame. */
    double low[2] = {INFINITY, INFINITY}, high[2] = {-INFINITY, -INFINITY};
    for (int corner = 0; corner < 4; corner++) {
        double x = corner & 1 ? edges.high[0] : edges.low[0];
        double y = corner & 2 ? edges.high[1] : edges.low[1];
        double at[2] = {place[0] + x * turn[0] - y * turn[1] - moved[0],
                        place[1] + x * turn[1] + y * turn[0] - moved[1]};
        for (int axis = 0; axis < 2; axis++) {
            low[axis] = at[axis] < low[axis] ? at[axis] : low[axis];
            high[axis] = at[axis] > high[axis] ? at[axis] : high[axis];
        }
    }
    Py_ssize_t left, right, top, bottom, cols = view->shape[1];
    reached(low[0], high[0], axes[0], axes[2], cols, &left, &right);
    reached(low[1], high[1], axes[1], axes[2], view->shape[0], &top, &bottom);
    if (right < left || bottom < top) right = left, bottom = top;
    int64_t *out = scratch(0, ((bottom - top) * (right - left) + 1) * sizeof *out);
    if (!out) return done(&held, NULL);
    for (Py_ssize_t row = top; row < bottom; row++) {
        const int32_t *own = (const int32_t *)view->buf + row * cols;
        for (Py_ssize_t col = left; col < right; col++) {
            int32_t cell = own[col];
            if (cell < 0 || cell >= cells) continue;
            const double *centre = centres + 2 * (Py_ssize_t)cell;
            if (lies_under(&edges, place, turn, centre[0] + moved[0], centre[1] + moved[1]))
                out[count++] = cell;
        }
    }
    return done(&held, PyBytes_FromStringAndSize((const char *)out, count * sizeof *out));
}

static PyMethodDef methods[] = {
    {"greatest", (PyCFunction)(void (*)(void))greatest, METH_FASTCALL, NULL},
    {"spikes", (PyCFunction)(void (*)(void))spikes, METH_FASTCALL, NULL},
    {"crossed", (PyCFunction)(void (*)(void))crossed, METH_FASTCALL, NULL},
    {"cells_under", (PyCFunction)(void (*)(void))cells_under, METH_FASTCALL, NULL},
    {"under", (PyCFunction)(void (*)(void))under, METH_FASTCALL, NULL},
    {"shown", (PyCFunction)(void (*)(void))shown, METH_FASTCALL, NULL},
    {"bilinear", (PyCFunction)(void (*)(void))bilinear, METH_FASTCALL, NULL},
    {NULL, NULL, 0, NULL},
};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_sampling", NULL, -1, methods};

PyMODINIT_FUNC PyInit__sampling(void)
{
    return PyModule_Create(&module);
}
