/* Copyright 2026 The berm_ledger authors */
/* SPDX-License-Identifier: Apache-2.0 */
/* Robust fits of a shift, and the medians that they are made of. */
#include "grid.h"
#include "ranks.h"
#include "weights.h"

/* Room for so many values, kept from call to call. */
static double *room(int place, Py_ssize_t count)
{
    return scratch(place, (size_t)(count + 1) * sizeof(double));
}

/* ---- medians ------------------------------------------------------------------------------- */

/* The values less a centre, or the size of that; NaN becomes infinity. Return how many were NaN. */
#define TAKE(name, kind)                                                                          \
    WIDE static int64_t name(const kind *restrict values, kind centre, int of_size,               \
                             double *restrict out, Py_ssize_t count)                              \
    {                                                                                             \
        int64_t unknown = 0;                                                                      \
        for (Py_ssize_t i = 0; i < count; i++) {                                                  \
            double value = (double)(kind)(values[i] - centre), size = fabs(value);                \
            value = of_size ? size : value;                                                       \
            unknown += value != value;                                                            \
            out[i] = value != value ? INFINITY : value;                                           \
        }                                                                                         \
        return unknown;                                                                           \
    }
TAKE(take_singles, float)
TAKE(take_doubles, double)

/*
 * median(values (n,) of single or double, centre, of_size, as_far) -> median
 *
 * Of the values less `centre`, or of the size of that. NaN is left out, or with `as_far` stands for
 * infinity; NaN where there is nothing.
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
    double *values = room(0, count), *spare = room(1, 2 * count);
    if (!values || !spare) return done(&held, NULL);
    Py_ssize_t unknown = single
        ? take_singles(view->buf, (float)centre, of_size, values, count)
        : take_doubles(view->buf, centre, of_size, values, count);
    Py_ssize_t known = as_far ? count : count - unknown;
    return done(&held, PyFloat_FromDouble(middle(values, spare, count, known, single)));
}

/* ---- what a shift leaves ------------------------------------------------------------------- */

/* Differences less those that a shift (x, y, up) makes. */
WIDE static void unexplained(const double *restrict value, const double *restrict slope_x,
                             const double *restrict slope_y, const double *restrict shift,
                             double *restrict left, Py_ssize_t count)
{
    double dx = -shift[0], dy = shift[1], dz = shift[2];
    for (Py_ssize_t i = 0; i < count; i++)
        left[i] = value[i] - (slope_x[i] * dx - slope_y[i] * dy + dz);
}

typedef struct {
    int64_t known, large;
} Counts;

/*
 * Infinity for those that are no numbers; how many are, and how many of them are larger than a size.
 */
WIDE static Counts only_known(double *values, double most, Py_ssize_t count)
{
    int64_t known = 0, large = 0;
    for (Py_ssize_t i = 0; i < count; i++) {
        double size = fabs(values[i]);
        int64_t is_known = size <= DBL_MAX;
        known += is_known;
        large += is_known & (size > most);
        values[i] = is_known ? values[i] : INFINITY;
    }
    return (Counts){known, large};
}

WIDE static void take_sizes(const double *restrict values, double centre, double *restrict out,
                            Py_ssize_t count)
{
    for (Py_ssize_t i = 0; i < count; i++) out[i] = fabs(values[i] - centre);
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
    Py_ssize_t count = length(args[0]);
    const double *left = flat(&held, args[0], 'd', count, 0);
    const double *slope = flat(&held, args[1], 'd', 2 * count, 0);
    const double *shift = flat(&held, args[2], 'd', 3, 0);
    double most = PyFloat_AsDouble(args[3]);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    double *values = room(0, count), *spare = room(1, 2 * count), *sizes = room(2, count);
    if (!values || !spare || !sizes) return done(&held, NULL);
    unexplained(left, slope, slope + count, shift, values, count);
    Counts of = only_known(values, most, count);
    take_sizes(values, middle(values, spare, count, of.known, 0), sizes, count);
    double spread = middle(sizes, spare, count, of.known, 0);
    double share = of.known ? (double)of.large / (double)of.known : NAN;
    return done(&held, Py_BuildValue("ddn", spread, share, (Py_ssize_t)of.known));
}

/* ---- likeness of neighbours ---------------------------------------------------------------- */

enum { ALIKE = 4 };

/* Up to LANES pairs: squares of the near, and products where both are, each onto its lane. */
WIDE static void add_alike(const double *restrict left, const double *restrict beside, double most,
                           double sums[restrict ALIKE][LANES], Py_ssize_t count)
{
    for (Py_ssize_t i = 0; i < count; i++) {
        double own = left[i], other = beside[i];
        int64_t close = fabs(own) <= most, both = close & (fabs(other) <= most);
        own = close ? own : 0.0;
        other = both ? other : 0.0;
        sums[0][i] += own * own;
        sums[1][i] += own * other;
        sums[2][i] += close ? 1.0 : 0.0;
        sums[3][i] += both ? 1.0 : 0.0;
    }
}

/*
 * alike(left, beside (n,), sums (4,))
 *
 * Of differences, and of those beside, that are no further from zero than four robust spreads of
 * the first: the sum of their squares and that of the products of both, and how many of each.
 * Nothing where there is no such spread.
 */
static PyObject *alike(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 3)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t count = length(args[0]);
    const double *left = flat(&held, args[0], 'd', count, 0);
    const double *beside = flat(&held, args[1], 'd', count, 0);
    double *out = flat(&held, args[2], 'd', ALIKE, 1);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    double *values = room(0, count), *spare = room(1, 2 * count);
    if (!values || !spare) return done(&held, NULL);
    Py_ssize_t unknown = take_doubles(left, 0.0, 1, values, count);
    double most = 4.0 * (1.4826 * middle(values, spare, count, count - unknown, 0));
    double sums[ALIKE][LANES] = {{0.0}};
    for (Py_ssize_t first = 0; most <= DBL_MAX && first < count; first += LANES)
        add_alike(left + first, beside + first, most, sums,
                  count - first < LANES ? count - first : LANES);
    sum_lanes(sums, ALIKE, out);
    Py_INCREF(Py_None);
    return done(&held, Py_None);
}

/* ---- fits of a shift ----------------------------------------------------------------------- */

/*
 * Write those of differences at slopes (2, n) that are numbers one after the other, then their slopes;
 * return how many. There is room for three times as many as are given.
 */
static Py_ssize_t keep_known(const double *value, const double *slope, double *kept,
                             Py_ssize_t count)
{
    double *slope_x = kept + count, *slope_y = slope_x + count;
    Py_ssize_t known = 0;
    for (Py_ssize_t i = 0; i < count; i++) {
        kept[known] = value[i], slope_x[known] = slope[i], slope_y[known] = slope[count + i];
        known += fabs(value[i]) <= DBL_MAX;
    }
    memmove(kept + known, slope_x, (size_t)known * sizeof *kept);
    memmove(kept + 2 * known, slope_y, (size_t)known * sizeof *kept);
    return known;
}

/* Differences at slopes (2, n), and how a shift is sought that they have in common. */
typedef struct {
    const double *value, *slope;
    Py_ssize_t count;
    Symmetric prior;
    const double *widths;
    Py_ssize_t steps;
    double least, per_independent;
} Sought;

/* Write down the shift, step by step, and its covariance; return whether there was no error. */
static int shift_in_common(const Sought *of, double *shift, double *covariance)
{
    Py_ssize_t count = of->count;
    double *left = room(0, count), *spare = room(1, 2 * count), *sizes = room(2, count);
    if (!left || !spare || !sizes) return 0;
    Factors factors = {1.0, 1.0, 1.0, 0.0, 0.0, 0.0};
    memset(shift, 0, 3 * sizeof *shift);
    for (Py_ssize_t step = 0; step < of->steps; step++) {
        unexplained(of->value, of->slope, of->slope + count, shift, left, count);
        take_sizes(left, 0.0, sizes, count);
        double spread = 1.4826 * middle(sizes, spare, count, count, 0), toward[3];
        spread = spread > of->least ? spread : of->least;
        double worth = spread * spread * of->per_independent;
        Equations equations = weigh(left, of->slope, 0.0, of->widths[step] * spread, count);
        times(&equations.matrix, shift, toward);
        for (int k = 0; k < 3; k++) toward[k] = (equations.toward[k] + toward[k]) / worth;
        Symmetric normal = over(&equations.matrix, worth), matrix = plus(&normal, &of->prior);
        if (!factors_of(&matrix, &factors)) return 0;
        solve(&factors, toward, shift);
    }
    Symmetric error = inverse_of(&factors);
    write_symmetric(&error, covariance);
    return 1;
}

/*
 * shared(value (n,), slope (2, n), prior (3, 3), widths (k,), least, per_independent, enough, out
 *        (4, 3)) -> whether there are enough differences
 *
 * The shift that differences have in common, and its covariance; widths in robust spreads of what is
 * left, which are `least` or more.
 */
static PyObject *shared(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 8)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t count = length(args[0]);
    const double *value = flat(&held, args[0], 'd', count, 0);
    const double *slope = flat(&held, args[1], 'd', 2 * count, 0);
    const double *before = flat(&held, args[2], 'd', 9, 0);
    Sought sought = {.steps = length(args[3])};
    sought.widths = flat(&held, args[3], 'd', sought.steps, 0);
    sought.least = PyFloat_AsDouble(args[4]), sought.per_independent = PyFloat_AsDouble(args[5]);
    Py_ssize_t enough = PyLong_AsSsize_t(args[6]);
    double *out = flat(&held, args[7], 'd', 12, 1);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    double *kept = room(3, 3 * count);
    if (!kept) return done(&held, NULL);
    sought.count = keep_known(value, slope, kept, count);
    if (sought.count < enough) return done(&held, PyBool_FromLong(0));
    sought.value = kept, sought.slope = kept + sought.count, sought.prior = symmetric_of(before);
    if (!shift_in_common(&sought, out, out + 3)) return done(&held, NULL);
    return done(&held, PyBool_FromLong(1));
}

/*
 * The places of differences that are numbers, of a yaw only where the ground slopes, every so
 * manieth; return how many.
 */
static Py_ssize_t every_known(const double *value, const double *slope, Py_ssize_t count,
                              int of_yaw, Py_ssize_t many, int32_t *at, Py_ssize_t *every)
{
    Py_ssize_t known = 0, some = 0;
    for (Py_ssize_t i = 0; i < count; i++) {
        int slopes = (slope[i] != 0.0) | (slope[count + i] != 0.0);
        at[known] = (int32_t)i;
        known += (fabs(value[i]) <= DBL_MAX) & (slopes | !of_yaw);
    }
    *every = known / many > 1 ? known / many : 1;
    for (Py_ssize_t k = 0; k < known; k += *every) at[some++] = at[k];
    return some;
}

/* The middle of the smallest and the largest coordinate of some points (n, 2). */
static double middle_of(const double *points, const int32_t *at, Py_ssize_t count, int axis)
{
    double low = INFINITY, high = -INFINITY;
    for (Py_ssize_t k = 0; k < count; k++) {
        double value = points[2 * at[k] + axis];
        low = value < low ? value : low, high = value > high ? value : high;
    }
    return (low + high) / 2.0;
}

/*
 * Move a place to where a turn about it is least like a shift, given what the turn shows on slopes and
 * the slopes themselves: sums in the order of the points.
 */
static void move_apart(const double *shown, const double *slope_x, const double *slope_y,
                       Py_ssize_t count, double least_share, double *about)
{
    double all = (double)count, u = 0, v = 0, w = 0, uu = 0, uv = 0, vv = 0, uw = 0, vw = 0;
    for (Py_ssize_t k = 0; k < count; k++) {
        double own_u = -slope_y[k], own_v = slope_x[k], own_w = shown[k];
        u += own_u, v += own_v, w += own_w;
        uu += own_u * own_u, uv += own_u * own_v, vv += own_v * own_v;
        uw += own_u * own_w, vw += own_v * own_w;
    }
    uu -= u * u / all, uv -= u * v / all, vv -= v * v / all;
    uw -= u * w / all, vw -= v * w / all;
    double least = least_share * (uu + vv);
    uu += least, vv += least;
    double area = uu * vv - uv * uv;
    if (!(area > 0.0)) return;
    about[0] -= (vv * uw - uv * vw) / area;
    about[1] -= (uu * vw - uv * uw) / area;
}

/* What a turn about a place shows at points. */
static void turn_shows(const double *points, const int32_t *at, const double *about,
                       const double *slope_x, const double *slope_y, double *out, Py_ssize_t count)
{
    for (Py_ssize_t k = 0; k < count; k++) {
        double x = about[0] - points[2 * at[k]], y = about[1] - points[2 * at[k] + 1];
        out[k] = slope_x[k] * y - slope_y[k] * x;
    }
}

/*
 * attitude(points (n, 2), left (n,), slope (2, n), step (3,), of_yaw, many, prior (3, 3), widths
 *          (k,), least, per_independent, enough, least share, out (4, 3), about (2,)) -> whether there
 *          are enough
 *
 * As `shared`, of what the step leaves of differences at about `many` points. Of a tilt: as over
 * ground that slopes by one the other way for every metre from `about`, which is the middle of the
 * points; the shift is the slope. Of a yaw: as over ground of which a turn about there shows what it
 * does to slopes; the first of the shift is the angle, and `about` is where that is least like a
 * shift.
 */
static PyObject *attitude(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 14)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t count = length(args[1]), every;
    const double *points = flat(&held, args[0], 'd', 2 * count, 0);
    const double *left = flat(&held, args[1], 'd', count, 0);
    const double *slope = flat(&held, args[2], 'd', 2 * count, 0);
    const double *step = flat(&held, args[3], 'd', 3, 0);
    int of_yaw = PyObject_IsTrue(args[4]);
    Py_ssize_t many = PyLong_AsSsize_t(args[5]);
    const double *before = flat(&held, args[6], 'd', 9, 0);
    Sought sought = {.steps = length(args[7])};
    sought.widths = flat(&held, args[7], 'd', sought.steps, 0);
    sought.least = PyFloat_AsDouble(args[8]);
    double per_independent = PyFloat_AsDouble(args[9]);
    Py_ssize_t enough = PyLong_AsSsize_t(args[10]);
    double least_share = PyFloat_AsDouble(args[11]);
    double *out = flat(&held, args[12], 'd', 12, 1), *about = flat(&held, args[13], 'd', 2, 1);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    if (many < 1 || count > INT32_MAX) {
        PyErr_SetString(PyExc_ValueError, "wanted some of so many points");
        return done(&held, NULL);
    }
    int32_t *at = scratch(3, (size_t)(count + 1) * sizeof *at);
    if (!at) return done(&held, NULL);
    sought.count = every_known(left, slope, count, of_yaw, many, at, &every);
    if (sought.count < enough) return done(&held, PyBool_FromLong(0));
    double *value = room(4, 6 * sought.count);
    if (!value) return done(&held, NULL);
    double *ways = value + sought.count, *across = ways + sought.count;
    double *apart = across + sought.count;
    double *slope_x = apart + sought.count, *slope_y = slope_x + sought.count;
    for (int axis = 0; axis < 2; axis++) about[axis] = middle_of(points, at, sought.count, axis);
    for (Py_ssize_t k = 0; k < sought.count; k++) {
        double x = about[0] - points[2 * at[k]], y = about[1] - points[2 * at[k] + 1];
        apart[k] = left[at[k]], slope_x[k] = slope[at[k]], slope_y[k] = slope[count + at[k]];
        ways[k] = x, across[k] = of_yaw ? 0.0 : y;
    }
    if (of_yaw) {
        turn_shows(points, at, about, slope_x, slope_y, ways, sought.count);
        move_apart(ways, slope_x, slope_y, sought.count, least_share, about);
        turn_shows(points, at, about, slope_x, slope_y, ways, sought.count);
    }
    unexplained(apart, slope_x, slope_y, step, value, sought.count);
    sought.value = value, sought.slope = ways, sought.prior = symmetric_of(before);
    sought.per_independent = per_independent / (double)every;
    if (sought.per_independent < 1.0) sought.per_independent = 1.0;
    if (!shift_in_common(&sought, out, out + 3)) return done(&held, NULL);
    return done(&held, PyBool_FromLong(1));
}

/* A grid and the points of a surface that it is held against. */
typedef struct {
    Grid grid;
    const double *points, *origin, *turn, *height;
    Py_ssize_t count;
} Against;

/* By how much the grid lies above the surface if shifted so; return how many points it shows. */
static Py_ssize_t differ(const Against *at, const double *shift, double *left)
{
    float seen[POINTS];
    Placed placed = {shift, at->origin, at->turn};
    Py_ssize_t shown = 0;
    for (Py_ssize_t first = 0; first < at->count; first += POINTS) {
        Py_ssize_t some = at->count - first < POINTS ? at->count - first : POINTS;
        heights_at(&at->grid, &placed, at->points + 2 * first, seen, some);
        for (Py_ssize_t k = first; k < first + some; k++) {
            left[k] = (double)seen[k - first] - shift[2] - at->height[k];
            shown += fabs(left[k]) <= DBL_MAX;
        }
    }
    return shown;
}

enum { MOST_STEPS = 4 };

/* Write down the half widths still to go, the wide ones only if differences lie far enough off. */
static int choose_widths(const double *widths, double near, double wide_share, double *out)
{
    int count = 0;
    for (int k = 0; k < MOST_STEPS - 1; k++)
        if (near > wide_share * widths[k]) out[count++] = widths[k];
    out[count++] = widths[MOST_STEPS - 1];
    if (count == 1) out[count++] = widths[MOST_STEPS - 1];
    return count;
}

/*
 * shift(height (r, c), points (n, 2), origin (2,), turn (2, 2), at_points (n,), slope (2, n),
 *       expected (3,), information (3, 3), widths (4,), variance, wide_share, enough, left (n,), out
 *       (5, 3)) -> whether the grid shows enough of the points
 *
 * The shift of a grid against heights at points: it, the information on it, the last step.
 */
static PyObject *shift(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 14)) return NULL;
    Held held = {.count = 0};
    Against at = {.grid = grid_of(&held, args[0]), .count = length(args[4])};
    at.points = flat(&held, args[1], 'd', 2 * at.count, 0);
    at.origin = flat(&held, args[2], 'd', 2, 0), at.turn = flat(&held, args[3], 'd', 4, 0);
    at.height = flat(&held, args[4], 'd', at.count, 0);
    const double *slope = flat(&held, args[5], 'd', 2 * at.count, 0);
    const double *expected = flat(&held, args[6], 'd', 3, 0);
    const double *before = flat(&held, args[7], 'd', 9, 0);
    const double *widths = flat(&held, args[8], 'd', MOST_STEPS, 0);
    double variance = PyFloat_AsDouble(args[9]), wide_share = PyFloat_AsDouble(args[10]);
    Py_ssize_t enough = PyLong_AsSsize_t(args[11]);
    double *left = flat(&held, args[12], 'd', at.count, 1), *out = flat(&held, args[13], 'd', 15, 1);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    double *values = room(0, at.count), *spare = room(1, 2 * at.count);
    if (!values || !spare) return done(&held, NULL);
    Symmetric information = symmetric_of(before), normal = information;
    double *mean = out, *step = out + 12, todo[MOST_STEPS];
    memcpy(mean, expected, 3 * sizeof *mean);
    for (int k = 0, steps = 1; k < steps; k++) {
        if (differ(&at, mean, left) < enough) return done(&held, PyBool_FromLong(0));
        Py_ssize_t unknown = take_doubles(left, 0.0, 0, values, at.count);
        double centre = middle(values, spare, at.count, at.count - unknown, 0);
        if (k == 0) {
            take_doubles(left, centre, 1, values, at.count);
            double off = middle(values, spare, at.count, at.count, 0);
            steps = choose_widths(widths, fabs(centre) + 3.0 * off, wide_share, todo);
        }
        Equations equations = weigh(left, slope, centre, todo[k], at.count);
        double toward[3], gone[3], pull[3];
        for (int i = 0; i < 3; i++) gone[i] = expected[i] - mean[i];
        times(&information, gone, pull);
        for (int i = 0; i < 3; i++) toward[i] = equations.toward[i] / variance + pull[i];
        normal = over(&equations.matrix, variance);
        Symmetric matrix = plus(&normal, &information);
        Factors factors;
        if (!factors_of(&matrix, &factors)) return done(&held, NULL);
        solve(&factors, toward, step);
        for (int i = 0; i < 3; i++) mean[i] = mean[i] + step[i];
    }
    write_symmetric(&normal, out + 3);
    return done(&held, PyBool_FromLong(1));
}

static PyMethodDef methods[] = {
    {"median", (PyCFunction)(void (*)(void))median, METH_FASTCALL, NULL},
    {"left_over", (PyCFunction)(void (*)(void))left_over, METH_FASTCALL, NULL},
    {"alike", (PyCFunction)(void (*)(void))alike, METH_FASTCALL, NULL},
    {"shared", (PyCFunction)(void (*)(void))shared, METH_FASTCALL, NULL},
    {"attitude", (PyCFunction)(void (*)(void))attitude, METH_FASTCALL, NULL},
    {"shift", (PyCFunction)(void (*)(void))shift, METH_FASTCALL, NULL},
    {NULL, NULL, 0, NULL},
};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_fits", NULL, -1, methods};

PyMODINIT_FUNC PyInit__fits(void)
{
    return PyModule_Create(&module);
}
