/* Copyright 2026 The berm_ledger authors */
/* SPDX-License-Identifier: Apache-2.0 */
/* Out of messages and grids: heights, spikes, and heights at cells of a lattice or at points. */
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
    float *up = rows, *own = rows + width, *down = rows + 2 * width;
    padded_row(&grid, -1, up);
    padded_row(&grid, 0, own);
    for (Py_ssize_t r = 0; r < grid.rows && !PyErr_Occurred(); r++) {
        padded_row(&grid, r + 1, down);
        if (spikes_in_row(up, own, down, grid.cols, limit, marks)) {
            for (Py_ssize_t c = 0; c < grid.cols; c++) {
                if (!marks[c]) continue;
                PyObject *place = PyLong_FromSsize_t(r * grid.cols + c);
                if (place) PyList_Append(places, place);
                Py_XDECREF(place);
            }
        }
        float *spare = up;
        up = own, own = down, down = spare;
    }
    return done(&held, places);
}

/* ---- sampling ------------------------------------------------------------------------------ */

typedef struct {
    const int32_t *low;
    const float *part;
    Py_ssize_t count;
    /* Whether mostly one place follows the other: cells of grid and lattice are as wide. */
    int orderly;
} Axis;

static Axis axis_of(Held *held, PyObject *low, PyObject *part)
{
    Axis axis = {NULL, NULL, length(low), 0};
    axis.low = flat(held, low, 'i', axis.count, 0);
    axis.part = flat(held, part, 'f', axis.count, 0);
    if (held->failed) return axis;
    Py_ssize_t breaks = 0;
    for (Py_ssize_t k = 1; k < axis.count; k++) breaks += axis.low[k] != axis.low[k - 1] + 1;
    axis.orderly = 16 * breaks < axis.count;
    return axis;
}

/* How many of so many low places follow each other, from the first on. */
static Py_ssize_t in_order(const int32_t *low, Py_ssize_t count)
{
    Py_ssize_t k = 0;
    while (k < count && low[k] == low[0] + k) k++;
    return k;
}

WIDE static void between_all(const float *restrict row, const float *restrict part, float shift,
                             float *restrict out, Py_ssize_t count)
{
    for (Py_ssize_t k = 0; k < count; k++) out[k] = between(row[k], row[k + 1], part[k]) - shift;
}

/* Along one lattice row: the grid's rows run along it too. */
WIDE static void along_row(const Grid *grid, Py_ssize_t r, float part, const Axis *cols,
                           Py_ssize_t from, Py_ssize_t count, float *row, float shift, float *out)
{
    Py_ssize_t first = grid->cols, last = -1;
    for (Py_ssize_t k = 0; k < count; k++) {
        Py_ssize_t c = cols->low[from + k];
        if (c < 0) continue;
        if (c < first) first = c;
        if (c > last) last = c;
    }
    if (grid->right == sizeof(float)) {
        const float *near = (const float *)(grid->data + r * grid->down);
        const float *far = (const float *)(grid->data + (r + 1) * grid->down);
        for (Py_ssize_t c = first; c <= last + 1; c++) row[c] = between(near[c], far[c], part);
    } else {
        for (Py_ssize_t c = first; c <= last + 1; c++)
            row[c] = between(height(grid, r, c), height(grid, r + 1, c), part);
    }
    for (Py_ssize_t k = 0; k < count; k++) {
        Py_ssize_t c = cols->low[from + k];
        if (c < 0) {
            out[k] = NAN;
            continue;
        }
        if (!cols->orderly) {
            out[k] = between(row[c], row[c + 1], cols->part[from + k]) - shift;
            continue;
        }
        Py_ssize_t whole = in_order(cols->low + from + k, count - k);
        between_all(row + c, cols->part + from + k, shift, out + k, whole);
        k += whole - 1;
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
 * crossed(height (r, c), row_low, row_part, col_low, col_part, runs (k, 4), turned, shift, out)
 *
 * A run is: place along the lattice's rows, first place along its columns, first cell, cells.
 * `turned`: the grid's rows lie along the lattice's columns. A low place of -1 is outside.
 */
static PyObject *crossed(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 9)) return NULL;
    Held held = {.count = 0};
    Grid grid = grid_of(&held, args[0]);
    Axis rows = axis_of(&held, args[1], args[2]), cols = axis_of(&held, args[3], args[4]);
    Py_ssize_t runs = length(args[5]), cells = length(args[8]);
    const int32_t *run = flat(&held, args[5], 'i', 4 * runs, 0);
    int turned = PyObject_IsTrue(args[6]);
    float shift = (float)PyFloat_AsDouble(args[7]);
    float *out = flat(&held, args[8], 'f', cells, 1);
    float *row = held.failed ? NULL : scratch(0, (grid.cols + 1) * sizeof(float));
    if (!row || PyErr_Occurred()) return done(&held, NULL);
    const Axis *fixed = turned ? &cols : &rows, *moving = turned ? &rows : &cols;
    Py_ssize_t most = turned ? grid.cols : grid.rows, most_along = turned ? grid.rows : grid.cols;
    for (Py_ssize_t k = 0; k < moving->count; k++) {
        if (moving->low[k] > most_along - 2) {
            PyErr_SetString(PyExc_ValueError, "a place lies outside the grid");
            return done(&held, NULL);
        }
    }
    for (; runs > 0; runs--, run += 4) {
        if (run[0] < 0 || run[0] >= fixed->count || run[1] < 0 || run[3] < 0 || run[2] < 0
            || run[1] + run[3] > moving->count || run[2] + run[3] > cells
            || fixed->low[run[0]] > most - 2) {
            PyErr_SetString(PyExc_ValueError, "a run does not fit the lattice");
            break;
        }
        Py_ssize_t low = fixed->low[run[0]];
        float part = fixed->part[run[0]], *target = out + run[2];
        if (low < 0) {
            for (Py_ssize_t k = 0; k < run[3]; k++) target[k] = NAN;
        } else if (turned) {
            along_col(&grid, low, part, moving, run[1], run[3], shift, target);
        } else {
            along_row(&grid, low, part, moving, run[1], run[3], row, shift, target);
        }
    }
    Py_INCREF(Py_None);
    return done(&held, Py_None);
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
    for (Py_ssize_t k = 0; k < count; k++) out[k] = height_at(&grid, &placed, points + 2 * k);
    Py_INCREF(Py_None);
    return done(&held, Py_None);
}

/* ---- what lies under a rover --------------------------------------------------------------- */

/* Corners of the edges of a footprint, in its own frame. */
typedef struct {
    const double *starts, *ends;
    Py_ssize_t count;
    double pad;
} Edges;

static int covers(const Edges *edges, double x, double y)
{
    int inside = 0, near = 0;
    for (Py_ssize_t k = 0; k < edges->count; k++) {
        double x1 = edges->starts[2 * k], y1 = edges->starts[2 * k + 1];
        double x2 = edges->ends[2 * k], y2 = edges->ends[2 * k + 1];
        if (y1 != y2 && (y1 > y) != (y2 > y))
            inside ^= x < (x2 - x1) * (y - y1) / (y2 - y1) + x1;
        double along = x2 - x1, up = y2 - y1;
        double part = ((x - x1) * along + (y - y1) * up) / (along * along + up * up);
        part = part > 0.0 ? part : 0.0;
        part = part < 1.0 ? part : 1.0;
        double gap_x = x - x1 - part * along, gap_y = y - y1 - part * up;
        near |= gap_x * gap_x + gap_y * gap_y <= edges->pad * edges->pad;
    }
    return inside | (near & (edges->pad > 0.0));
}

/*
 * under(points (n, 2), place (2,), turn (cos, sin), box (4,), starts, ends (e, 2), pad, out (n,))
 *
 * Whether each point lies within a pad around the footprint of a rover that stands at a place.
 */
static PyObject *under(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 8)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t count = length(args[7]);
    Edges edges = {NULL, NULL, length(args[4]), PyFloat_AsDouble(args[6])};
    const double *point = flat(&held, args[0], 'd', 2 * count, 0);
    const double *place = flat(&held, args[1], 'd', 2, 0);
    const double *turn = flat(&held, args[2], 'd', 2, 0);
    const double *box = flat(&held, args[3], 'd', 4, 0);
    edges.starts = flat(&held, args[4], 'd', 2 * edges.count, 0);
    edges.ends = flat(&held, args[5], 'd', 2 * edges.count, 0);
    uint8_t *out = flat(&held, args[7], '?', count, 1);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    for (Py_ssize_t k = 0; k < count; k++, point += 2) {
        double east = point[0] - place[0], north = point[1] - place[1];
        double x = east * turn[0] + north * turn[1], y = north * turn[0] - east * turn[1];
        out[k] = x >= box[0] && x <= box[2] && y >= box[1] && y <= box[3] && covers(&edges, x, y);
    }
    Py_INCREF(Py_None);
    return done(&held, Py_None);
}

/* ---- heights out of a message -------------------------------------------------------------- */

/* Copy a row; what is absurd becomes unknown. Return whether any height is known. */
WIDE static int copy_row(const float *restrict source, float *restrict target, Py_ssize_t count,
                         float absurd)
{
    int32_t known = 0;
    for (Py_ssize_t c = 0; c < count; c++) {
        int32_t good = fabsf(source[c]) <= absurd;
        target[c] = good ? source[c] : NAN;
        known |= good;
    }
    return known;
}

/* copied(source (r, c), absurd, target (r, c)) -> whether any is known; columns contiguous */
static PyObject *copied(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 3)) return NULL;
    Held held = {.count = 0};
    Py_buffer *from = view_of(&held, args[0], 'f', PyBUF_STRIDES);
    float absurd = (float)PyFloat_AsDouble(args[1]);
    Py_buffer *to = view_of(&held, args[2], 'f', PyBUF_STRIDES | PyBUF_WRITABLE);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    if (from->ndim != 2 || to->ndim != 2 || from->shape[0] != to->shape[0]
        || from->shape[1] != to->shape[1] || from->strides[1] != sizeof(float)
        || to->strides[1] != sizeof(float)) {
        PyErr_SetString(PyExc_ValueError, "wanted two arrays of one shape, columns contiguous");
        return done(&held, NULL);
    }
    int known = 0;
    for (Py_ssize_t r = 0; r < from->shape[0]; r++)
        known |= copy_row((const float *)((const char *)from->buf + r * from->strides[0]),
                          (float *)((char *)to->buf + r * to->strides[0]), from->shape[1], absurd);
    return done(&held, PyBool_FromLong(known));
}

typedef struct {
    const float *x, *y, *z;
} Points;

enum { OFF_PLACE = 2 };

/* One row of a cloud, so many floats to a point: heights, and whether all lie on their places. */
static inline __attribute__((always_inline)) int cloud_row(
    Points at, Py_ssize_t step, float row_x, float row_y, const float *restrict col_x,
    const float *restrict col_y, float limit, float absurd, float *restrict out, Py_ssize_t count)
{
    int32_t known = 0, on = 1;
    for (Py_ssize_t c = 0; c < count; c++) {
        /* A comparison with NaN is false: a point without a place is none. */
        int32_t placed = (fabsf(at.x[c * step] - row_x - col_x[c]) <= limit)
            & (fabsf(at.y[c * step] - row_y - col_y[c]) <= limit);
        float z = at.z[c * step];
        int32_t good = fabsf(z) <= absurd;
        out[c] = good ? z : NAN;
        on &= placed;
        known |= good;
    }
    return known | (on ? 0 : OFF_PLACE);
}

WIDE static int cloud_row_any(Points at, Py_ssize_t step, float row_x, float row_y,
                              const float *col_x, const float *col_y, float limit, float absurd,
                              float *out, Py_ssize_t count)
{
    /* The usual points, for which the compiler can load several at a time. */
    switch (step) {
    case 3: return cloud_row(at, 3, row_x, row_y, col_x, col_y, limit, absurd, out, count);
    case 4: return cloud_row(at, 4, row_x, row_y, col_x, col_y, limit, absurd, out, count);
    case 8: return cloud_row(at, 8, row_x, row_y, col_x, col_y, limit, absurd, out, count);
    default: return cloud_row(at, step, row_x, row_y, col_x, col_y, limit, absurd, out, count);
    }
}

/*
 * cloud(x, y, z (r, c), row_x, row_y (r,), col_x, col_y (c,), limit, absurd, out (r, c))
 *     -> whether any height is known; None where a point lies off its place by more than `limit`
 */
static PyObject *cloud(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 10)) return NULL;
    Held held = {.count = 0};
    Grid x = grid_of(&held, args[0]), y = grid_of(&held, args[1]), z = grid_of(&held, args[2]);
    const float *row_x = flat(&held, args[3], 'f', x.rows, 0);
    const float *row_y = flat(&held, args[4], 'f', x.rows, 0);
    const float *col_x = flat(&held, args[5], 'f', x.cols, 0);
    const float *col_y = flat(&held, args[6], 'f', x.cols, 0);
    float limit = (float)PyFloat_AsDouble(args[7]), absurd = (float)PyFloat_AsDouble(args[8]);
    float *out = flat(&held, args[9], 'f', x.rows * x.cols, 1);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    Py_ssize_t step = x.right / (Py_ssize_t)sizeof(float);
    if (y.rows != x.rows || z.rows != x.rows || y.cols != x.cols || z.cols != x.cols
        || y.right != x.right || z.right != x.right || x.right % (Py_ssize_t)sizeof(float)) {
        PyErr_SetString(PyExc_ValueError, "x, y and z must be laid out alike");
        return done(&held, NULL);
    }
    int told = 0;
    for (Py_ssize_t r = 0; r < x.rows && !(told & OFF_PLACE); r++) {
        Points at = {(const float *)(x.data + r * x.down), (const float *)(y.data + r * y.down),
                     (const float *)(z.data + r * z.down)};
        told |= cloud_row_any(at, step, row_x[r], row_y[r], col_x, col_y, limit, absurd,
                              out + r * x.cols, x.cols);
    }
    if (told & OFF_PLACE) {
        Py_INCREF(Py_None);
        return done(&held, Py_None);
    }
    return done(&held, PyBool_FromLong(told));
}

static PyMethodDef methods[] = {
    {"copied", (PyCFunction)(void (*)(void))copied, METH_FASTCALL, NULL},
    {"cloud", (PyCFunction)(void (*)(void))cloud, METH_FASTCALL, NULL},
    {"spikes", (PyCFunction)(void (*)(void))spikes, METH_FASTCALL, NULL},
    {"crossed", (PyCFunction)(void (*)(void))crossed, METH_FASTCALL, NULL},
    {"under", (PyCFunction)(void (*)(void))under, METH_FASTCALL, NULL},
    {"bilinear", (PyCFunction)(void (*)(void))bilinear, METH_FASTCALL, NULL},
    {NULL, NULL, 0, NULL},
};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_sampling", NULL, -1, methods};

PyMODINIT_FUNC PyInit__sampling(void)
{
    return PyModule_Create(&module);
}
