/* Copyright 2026 The berm_ledger authors */
/* SPDX-License-Identifier: Apache-2.0 */
/* Robust fits of a shift: medians, differences to a surface at points, weighted sums. */
#include "grid.h"
#include "ranks.h"

/* ---- medians ------------------------------------------------------------------------------- */

/* The values less a centre, or the size of that; NaN becomes infinity. Return how many were NaN. */
#define TAKE(name, kind)                                                                          \
    WIDE static int64_t name(const kind *restrict values, kind centre, int of_size,               \
                             double *restrict out, Py_ssize_t count, int64_t *below)              \
    {                                                                                             \
        int64_t unknown = 0, under = 0;                                                           \
        for (Py_ssize_t i = 0; i < count; i++) {                                                  \
            double value = (double)(kind)(values[i] - centre), size = fabs(value);                \
            value = of_size ? size : value;                                                       \
            unknown += value != value;                                                            \
            under |= value < -DBL_MAX;                                                            \
            out[i] = value != value ? INFINITY : value;                                           \
        }                                                                                         \
        *below = under;                                                                           \
        return unknown;                                                                           \
    }
TAKE(take_singles, float)
TAKE(take_doubles, double)

/*
 * median(values (n,) of single or double, centre, of_size, as_far) -> median, or None
 *
 * Of the values less `centre`, or of the size of that. NaN is left out, or with `as_far` stands for
 * infinity; NaN where there is nothing. None where a value is below all numbers.
 */
static PyObject *median(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 4)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t count = length(args[0]);
    Py_buffer *view = view_of(&held, args[0], 0, PyBUF_C_CONTIGUOUS);
    double centre = PyFloat_AsDouble(args[1]);
    int of_size = PyObject_IsTrue(args[2]), as_far = PyObject_IsTrue(args[3]);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    int single = same_kind(view->format, 'f');
    if ((!single && !same_kind(view->format, 'd')) || view->ndim != 1) {
        PyErr_SetString(PyExc_TypeError, "wanted one row of single or double");
        return done(&held, NULL);
    }
    double *values = scratch(0, (count + 1) * sizeof *values);
    double *spare = values ? scratch(1, (count + 1) * sizeof *values) : NULL;
    if (!spare) return done(&held, NULL);
    int64_t below;
    Py_ssize_t unknown = single
        ? take_singles(view->buf, (float)centre, of_size, values, count, &below)
        : take_doubles(view->buf, centre, of_size, values, count, &below);
    Py_ssize_t known = as_far ? count : count - unknown;
    if (below) {
        Py_INCREF(Py_None);
        return done(&held, Py_None);
    }
    return done(&held, PyFloat_FromDouble(middle(values, spare, count, known, single)));
}

/*
 * left_over(left (n,), slope (2, n), shift (3,), most) -> median distance from the median, share of
 * those larger than `most`, how many
 *
 * Of the differences less what the shift explains, those that are numbers.
 */
static PyObject *left_over(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 4)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t count = length(args[0]), known = 0, large = 0;
    const double *left = flat(&held, args[0], 'd', count, 0);
    const double *slope = flat(&held, args[1], 'd', 2 * count, 0);
    const double *shift = flat(&held, args[2], 'd', 3, 0);
    double most = PyFloat_AsDouble(args[3]);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    double *values = scratch(0, (count + 1) * sizeof *values);
    double *spare = values ? scratch(1, (count + 1) * sizeof *values) : NULL;
    if (!spare) return done(&held, NULL);
    for (Py_ssize_t k = 0; k < count; k++) {
        double explained = slope[k] * -shift[0] - slope[count + k] * shift[1] + shift[2];
        double size = fabs(values[known] = left[k] - explained);
        large += size > most && size <= DBL_MAX;
        known += size <= DBL_MAX;
    }
    double centre = middle(values, spare, known, known, 0);
    for (Py_ssize_t k = 0; k < known; k++) values[k] = fabs(values[k] - centre);
    double spread = middle(values, spare, known, known, 0);
    double share = known ? (double)large / (double)known : NAN;
    return done(&held, Py_BuildValue("ddn", spread, share, known));
}

/*
 * alike(left, beside (n,), squares, products (n,)) -> how many squares and products there are, or
 * None where no difference is a number
 *
 * Of differences, and of those beside, that are no further from zero than four robust spreads of
 * the first: their squares, and the products of both.
 */
static PyObject *alike(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 4)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t count = length(args[0]), near = 0, pair = 0, known = 0;
    const double *left = flat(&held, args[0], 'd', count, 0);
    const double *beside = flat(&held, args[1], 'd', count, 0);
    double *squares = flat(&held, args[2], 'd', count, 1);
    double *products = flat(&held, args[3], 'd', count, 1);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    double *values = scratch(0, (count + 1) * sizeof *values);
    double *spare = values ? scratch(1, (count + 1) * sizeof *values) : NULL;
    if (!spare) return done(&held, NULL);
    int64_t below;
    Py_ssize_t unknown = take_doubles(left, 0.0, 1, values, count, &below);
    for (Py_ssize_t k = 0; k < count; k++) known += fabs(left[k]) <= DBL_MAX;
    if (!known) {
        Py_INCREF(Py_None);
        return done(&held, Py_None);
    }
    double most = 4.0 * (1.4826 * middle(values, spare, count, count - unknown, 0));
    for (Py_ssize_t k = 0; k < count; k++) {
        int close = fabs(left[k]) <= most, both = close & (fabs(beside[k]) <= most);
        if (close) squares[near++] = left[k] * left[k];
        if (both) products[pair++] = left[k] * beside[k];
    }
    return done(&held, Py_BuildValue("nn", near, pair));
}

/* ---- differences at points ----------------------------------------------------------------- */

/*
 * compare(height (r, c), points (n, 2), moved (2,), origin (2,), turn (2, 2), raised, at_points
 *         (n,), left (n,)) -> how many of the points the grid shows
 */
static PyObject *compare(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 8)) return NULL;
    Held held = {.count = 0};
    Grid grid = grid_of(&held, args[0]);
    Py_ssize_t count = length(args[7]), known = 0;
    const double *points = flat(&held, args[1], 'd', 2 * count, 0);
    Placed placed = placed_of(&held, args[2], args[3], args[4]);
    double raised = PyFloat_AsDouble(args[5]);
    const double *at_points = flat(&held, args[6], 'd', count, 0);
    double *left = flat(&held, args[7], 'd', count, 1);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    float seen[POINTS];
    for (Py_ssize_t first = 0; first < count; first += POINTS) {
        Py_ssize_t some = count - first < POINTS ? count - first : POINTS;
        heights_at(&grid, &placed, points + 2 * first, seen, some);
        for (Py_ssize_t k = first; k < first + some; k++) {
            left[k] = (double)seen[k - first] - raised - at_points[k];
            known += fabs(left[k]) <= DBL_MAX;
        }
    }
    return done(&held, PyLong_FromSsize_t(known));
}

/*
 * pairs(measured, height, looks (n,), worked (n,), cells, beside (k,), least_looks, left, right,
 *       worth (k,)) -> how many
 *
 * Differences at cells, and at those beside them, that are known by so many looks, lie still and
 * have one beside them; looks of each.
 */
static PyObject *pairs(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 10)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t all = length(args[0]), count = length(args[4]), kept = 0;
    const float *measured = flat(&held, args[0], 'f', all, 0);
    const float *height = flat(&held, args[1], 'f', all, 0);
    const float *looks = flat(&held, args[2], 'f', all, 0);
    const uint8_t *worked = flat(&held, args[3], '?', all, 0);
    const int64_t *cells = flat(&held, args[4], 'q', count, 0);
    const int64_t *beside = flat(&held, args[5], 'q', count, 0);
    float least = (float)PyFloat_AsDouble(args[6]);
    double *left = flat(&held, args[7], 'd', count, 1);
    double *right = flat(&held, args[8], 'd', count, 1);
    float *worth = flat(&held, args[9], 'f', count, 1);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    for (Py_ssize_t k = 0; k < count; k++) {
        int64_t cell = cells[k], other = beside[k];
        if (!fits(cell, all, "a cell that there is not") || (other >= 0 && !fits(other, all, "a cell that there is not"))) break;
        if (other < 0 || worked[cell] || !(looks[cell] >= least)) continue;
        left[kept] = (double)(measured[cell] - height[cell]);
        right[kept] = (double)(measured[other] - height[other]);
        worth[kept++] = looks[cell];
    }
    return done(&held, PyLong_FromSsize_t(kept));
}

/*
 * still(looks, worked, aside (n,), cells (k,), least_looks, places (k,)) -> how many
 *
 * Places of the cells that are known by so many looks, lie still and have nothing set aside.
 */
static PyObject *still(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 6)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t all = length(args[0]), count = length(args[3]), kept = 0;
    const float *looks = flat(&held, args[0], 'f', all, 0);
    const uint8_t *worked = flat(&held, args[1], '?', all, 0);
    const uint8_t *aside = flat(&held, args[2], 'B', all, 0);
    const int64_t *cells = flat(&held, args[3], 'q', count, 0);
    float least = (float)PyFloat_AsDouble(args[4]);
    int64_t *places = flat(&held, args[5], 'q', count, 1);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    for (Py_ssize_t k = 0; k < count; k++) {
        int64_t cell = cells[k];
        if (!fits(cell, all, "a cell that there is not")) break;
        places[kept] = k;
        kept += (looks[cell] >= least) & !worked[cell] & !aside[cell];
    }
    return done(&held, PyLong_FromSsize_t(kept));
}

/*
 * ground(places (k,), cells (m,), points (m, 2), slope (2, m), height, looks (n,), variance,
 *        most_looks, least, points_there (k, 2), height_there (k,), slope_there (2, k))
 *
 * What lies at places: points, heights, and slopes, zero where their square is less than `least` or
 * than the variance of one look by the looks, at most so many.
 */
static PyObject *ground(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 12)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t count = length(args[0]), compared = length(args[1]), all = length(args[4]);
    const int64_t *places = flat(&held, args[0], 'q', count, 0);
    const int64_t *cells = flat(&held, args[1], 'q', compared, 0);
    const double *points = flat(&held, args[2], 'd', 2 * compared, 0);
    const double *slope = flat(&held, args[3], 'd', 2 * compared, 0);
    const float *height = flat(&held, args[4], 'f', all, 0);
    const float *looks = flat(&held, args[5], 'f', all, 0);
    float variance = (float)PyFloat_AsDouble(args[6]);
    float most_looks = (float)PyFloat_AsDouble(args[7]), least = (float)PyFloat_AsDouble(args[8]);
    double *points_there = flat(&held, args[9], 'd', 2 * count, 1);
    double *height_there = flat(&held, args[10], 'd', count, 1);
    double *slope_there = flat(&held, args[11], 'd', 2 * count, 1);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    for (Py_ssize_t k = 0; k < count; k++) {
        int64_t place = places[k], cell = place < 0 || place >= compared ? -1 : cells[place];
        if (!fits(cell, all, "a cell that there is not")) break;
        float own = looks[cell] < most_looks ? looks[cell] : most_looks;
        float noise = variance / own;
        double limit = noise > least ? noise : least;
        double x = slope[place], y = slope[compared + place];
        double real = x * x + y * y >= limit;
        points_there[2 * k] = points[2 * place];
        points_there[2 * k + 1] = points[2 * place + 1];
        height_there[k] = height[cell];
        slope_there[k] = x * real;
        slope_there[count + k] = y * real;
    }
    Py_INCREF(Py_None);
    return done(&held, Py_None);
}

/* ---- sums ---------------------------------------------------------------------------------- */

enum { SUMS = 9, LANES = 64 };

/* Up to LANES differences at slopes, each weighed, onto the sum of its lane. */
WIDE static void add_lanes(const double *restrict left, const double *restrict slope_x,
                           const double *restrict slope_y, double centre, double width,
                           double sums[restrict SUMS][LANES], Py_ssize_t count)
{
    for (Py_ssize_t i = 0; i < count; i++) {
        double own = left[i], x = -slope_x[i], y = -slope_y[i];
        int64_t known = fabs(own) <= DBL_MAX;
        double ratio = fabs(own - centre) / width;
        ratio = known & (ratio < 1.0) ? ratio : 1.0;
        double weight = 1.0 - ratio * ratio;
        weight = weight * weight;
        own = known ? own : 0.0;
        double by_x = weight * x, by_y = weight * y;
        sums[0][i] += by_x * x;
        sums[1][i] += by_x * y;
        sums[2][i] += by_x;
        sums[3][i] += by_y * y;
        sums[4][i] += by_y;
        sums[5][i] += weight;
        sums[6][i] += by_x * own;
        sums[7][i] += by_y * own;
        sums[8][i] += weight * own;
    }
}

/*
 * weighed(left (n,), slope (2, n), centre, width, sums (9,))
 *
 * Tukey's weights of the differences, and the sums of weight times xx, xy, x, yy, y, 1, xd, yd, d,
 * where (x, y) is the slope downwards and d the difference: every 64th after the other, then halves.
 */
static PyObject *weighed(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 5)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t count = length(args[0]);
    const double *left = flat(&held, args[0], 'd', count, 0);
    const double *slope = flat(&held, args[1], 'd', 2 * count, 0);
    double centre = PyFloat_AsDouble(args[2]), width = PyFloat_AsDouble(args[3]);
    double *out = flat(&held, args[4], 'd', SUMS, 1);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    double sums[SUMS][LANES] = {{0.0}};
    for (Py_ssize_t first = 0; first < count; first += LANES)
        add_lanes(left + first, slope + first, slope + count + first, centre, width, sums,
                  count - first < LANES ? count - first : LANES);
    for (int k = 0; k < SUMS; k++) {
        for (int half = LANES / 2; half > 0; half /= 2)
            for (int lane = 0; lane < half; lane++) sums[k][lane] += sums[k][lane + half];
        out[k] = sums[k][0];
    }
    Py_INCREF(Py_None);
    return done(&held, Py_None);
}

static PyMethodDef methods[] = {
    {"median", (PyCFunction)(void (*)(void))median, METH_FASTCALL, NULL},
    {"left_over", (PyCFunction)(void (*)(void))left_over, METH_FASTCALL, NULL},
    {"alike", (PyCFunction)(void (*)(void))alike, METH_FASTCALL, NULL},
    {"still", (PyCFunction)(void (*)(void))still, METH_FASTCALL, NULL},
    {"ground", (PyCFunction)(void (*)(void))ground, METH_FASTCALL, NULL},
    {"compare", (PyCFunction)(void (*)(void))compare, METH_FASTCALL, NULL},
    {"pairs", (PyCFunction)(void (*)(void))pairs, METH_FASTCALL, NULL},
    {"weighed", (PyCFunction)(void (*)(void))weighed, METH_FASTCALL, NULL},
    {NULL, NULL, 0, NULL},
};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_fits", NULL, -1, methods};

PyMODINIT_FUNC PyInit__fits(void)
{
    return PyModule_Create(&module);
}
