/* Copyright 2026 The berm_ledger authors */
/* SPDX-License-Identifier: Apache-2.0 */
/* Robust fits of a shift: medians, differences to a surface at points, weighted sums. */
#include "grid.h"

/* ---- medians ------------------------------------------------------------------------------- */

enum { LANES = 64, SOME = 64, BESIDE = 5 };

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

static void sort_some(double *values, Py_ssize_t count)
{
    for (Py_ssize_t i = 1; i < count; i++) {
        double own = values[i];
        Py_ssize_t k = i;
        for (; k > 0 && values[k - 1] > own; k--) values[k] = values[k - 1];
        values[k] = own;
    }
}

static int by_value(const void *one, const void *other)
{
    double a = *(const double *)one, b = *(const double *)other;
    return (a > b) - (a < b);
}

WIDE static int64_t count_below(const double *restrict values, double most, Py_ssize_t count)
{
    int64_t below = 0;
    for (Py_ssize_t i = 0; i < count; i++) below += values[i] < most;
    return below;
}

WIDE static int64_t count_up_to(const double *restrict values, double most, Py_ssize_t count)
{
    int64_t up_to = 0;
    for (Py_ssize_t i = 0; i < count; i++) up_to += values[i] <= most;
    return up_to;
}

/* Keep those from least to most, at the front; return how many. */
static Py_ssize_t keep_between(double *values, double least, double most, Py_ssize_t count)
{
    Py_ssize_t kept = 0;
    for (Py_ssize_t i = 0; i < count; i++) {
        double own = values[i];
        values[kept] = own;
        kept += (own >= least) & (own <= most);
    }
    return kept;
}

/*
 * Return the value of a rank (0 is the least) of values without NaN, which it reorders. Two of a few
 * of them, sorted, enclose the rank most probably; on with those between, or below, or above.
 */
static double ranked(double *values, Py_ssize_t count, Py_ssize_t rank)
{
    while (count > SOME) {
        double some[SOME];
        for (Py_ssize_t k = 0; k < SOME; k++) some[k] = values[k * count / SOME];
        sort_some(some, SOME);
        Py_ssize_t place = rank * SOME / count;
        double least = place < BESIDE ? -INFINITY : some[place - BESIDE];
        double most = place + BESIDE >= SOME ? INFINITY : some[place + BESIDE];
        Py_ssize_t below = count_below(values, least, count);
        Py_ssize_t up_to = count_up_to(values, most, count);
        if (rank < below) {
            most = nextafter(least, -INFINITY), least = -INFINITY, up_to = below, below = 0;
        } else if (rank >= up_to) {
            least = nextafter(most, INFINITY), most = INFINITY, below = up_to, up_to = count;
        } else if (least == most) {
            return least;
        }
        /* Too many are alike. */
        if (up_to - below > count - count / 4) break;
        count = keep_between(values, least, most, count);
        rank -= below;
    }
    if (count > SOME) {
        qsort(values, (size_t)count, sizeof *values, by_value);
    } else {
        sort_some(values, count);
    }
    return values[rank];
}

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
    Py_ssize_t known = as_far ? count : count - unknown, half = known / 2;
    if (below) {
        Py_INCREF(Py_None);
        return done(&held, Py_None);
    }
    if (!known) return done(&held, PyFloat_FromDouble(NAN));
    memcpy(spare, values, count * sizeof *values);
    if (known % 2) return done(&held, PyFloat_FromDouble(ranked(spare, count, half)));
    double low = ranked(spare, count, half - 1), high = low;
    if (count_up_to(values, low, count) <= half) {
        high = INFINITY;
        for (Py_ssize_t i = 0; i < count; i++)
            high = values[i] > low && values[i] < high ? values[i] : high;
    }
    double middle = single ? (double)(((float)low + (float)high) / 2.0f) : (low + high) / 2.0;
    return done(&held, PyFloat_FromDouble(middle));
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
    for (Py_ssize_t k = 0; k < count; k++) {
        left[k] = (double)height_at(&grid, &placed, points + 2 * k) - raised - at_points[k];
        known += fabs(left[k]) <= DBL_MAX;
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
        if (cell < 0 || cell >= all || other >= all) {
            PyErr_SetString(PyExc_ValueError, "a cell that there is not");
            break;
        }
        if (other < 0 || worked[cell] || !(looks[cell] >= least)) continue;
        left[kept] = (double)(measured[cell] - height[cell]);
        right[kept] = (double)(measured[other] - height[other]);
        worth[kept++] = looks[cell];
    }
    return done(&held, PyLong_FromSsize_t(kept));
}

/* ---- sums ---------------------------------------------------------------------------------- */

enum { SUMS = 9 };

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
