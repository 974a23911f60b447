/* Copyright 2026 The berm_ledger authors */
/* SPDX-License-Identifier: Apache-2.0 */
/* Readings: the choice of a roof for each section, volumes of one segment, layers to keep. */
#include "held.h"

/* ---- roofs --------------------------------------------------------------------------------- */

/* centred(part (s, w), level (s,), left (s, w) of single): means, added up in order, and the rest. */
static PyObject *centred(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 3)) return NULL;
    Held held = {.count = 0};
    Py_buffer *part = view_of(&held, args[0], 'd', PyBUF_C_CONTIGUOUS);
    if (!part) return done(&held, NULL);
    Py_ssize_t sections = part->ndim == 2 ? part->shape[0] : 0;
    Py_ssize_t width = part->ndim == 2 ? part->shape[1] : 0;
    double *level = flat(&held, args[1], 'd', sections, 1);
    float *left = flat(&held, args[2], 'f', sections * width, 1);
    if (held.failed) return done(&held, NULL);
    const double *own = part->buf;
    for (Py_ssize_t s = 0; s < sections; s++, own += width, left += width) {
        double total = 0.0;
        for (Py_ssize_t k = 0; k < width; k++) total += own[k];
        level[s] = total / (double)width;
        for (Py_ssize_t k = 0; k < width; k++) left[k] = (float)(own[k] - level[s]);
    }
    Py_INCREF(Py_None);
    return done(&held, Py_None);
}

typedef struct {
    Py_ssize_t sections, width, places, shapes;
    const float *along;
    const double *part, *level, *noise, *weights, *spreads;
} Roofs;

/* What a place and shape explains of a section, from its three components along the columns. */
static inline float explained(const float *along, Py_ssize_t column, Py_ssize_t columns)
{
    float one = along[column], two = along[columns + column], three = along[2 * columns + column];
    float total = one * one + two * two;
    return total + three * three;
}

/* The most that any place explains, shape by shape. */
WIDE static void best_places(const float *restrict along, float *restrict best, Py_ssize_t places,
                             Py_ssize_t shapes)
{
    Py_ssize_t columns = places * shapes;
    for (Py_ssize_t q = 0; q < shapes; q++) best[q] = explained(along, q, columns);
    for (Py_ssize_t p = 1; p < places; p++) {
        for (Py_ssize_t q = 0; q < shapes; q++) {
            float own = explained(along, p * shapes + q, columns);
            best[q] = own > best[q] ? own : best[q];
        }
    }
}

/* The shape with most votes of the sections around; all but the first pay for being complicated. */
static Py_ssize_t chosen_shape(const Roofs *roofs, const float *best, Py_ssize_t section,
                               Py_ssize_t voters, double penalty)
{
    Py_ssize_t most = 0;
    double greatest = 0.0;
    for (Py_ssize_t q = 0; q < roofs->shapes; q++) {
        double votes = 0.0;
        for (Py_ssize_t k = section - voters; k <= section + voters; k++) {
            Py_ssize_t voter = k < 0 ? 0 : k >= roofs->sections ? roofs->sections - 1 : k;
            votes += (double)best[voter * roofs->shapes + q];
        }
        votes /= (double)(2 * voters + 1);
        votes -= q ? penalty : 0.0;
        if (!q || votes > greatest) most = q, greatest = votes;
    }
    return most;
}

/* The first of the places where a shape explains most. */
static Py_ssize_t chosen_place(const Roofs *roofs, Py_ssize_t section, Py_ssize_t shape)
{
    Py_ssize_t columns = roofs->places * roofs->shapes, most = 0;
    const float *along = roofs->along + 3 * columns * section;
    float greatest = explained(along, shape, columns);
    for (Py_ssize_t p = 1; p < roofs->places; p++) {
        float own = explained(along, p * roofs->shapes + shape, columns);
        if (own > greatest) most = p, greatest = own;
    }
    return most;
}

static double crest_height(const Roofs *roofs, Py_ssize_t section, const double *weights)
{
    const double *part = roofs->part + section * roofs->width;
    double level = roofs->level[section], total = 0.0;
    for (Py_ssize_t k = 0; k < roofs->width; k++) total += (part[k] - level) * weights[k];
    return level + total;
}

/*
 * choose(along (s, 3 p q) of single, part (s, w), level (s,), noise (s,), weights (p, q, w),
 *        spreads (p, q), voters, penalty, least variance, place (s,), height (s,), spread (s,))
 *
 * The best roof for each section: its place, and height and spread of the crest.
 */
static PyObject *choose(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 12)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t sections = length(args[2]), voters = PyLong_AsSsize_t(args[6]);
    double scale = PyFloat_AsDouble(args[7]), least = PyFloat_AsDouble(args[8]);
    Py_buffer *weights = view_of(&held, args[4], 'd', PyBUF_C_CONTIGUOUS);
    if (!weights || PyErr_Occurred()) return done(&held, NULL);
    if (weights->ndim != 3 || weights->shape[0] < 1 || weights->shape[1] < 1 || voters < 0
        || voters > 1000) {
        PyErr_SetString(PyExc_ValueError, "wanted weights of places and shapes, and some voters");
        return done(&held, NULL);
    }
    Py_ssize_t places = weights->shape[0], shapes = weights->shape[1], width = weights->shape[2];
    Roofs roofs = {sections, width, places, shapes,
                   flat(&held, args[0], 'f', 3 * sections * places * shapes, 0),
                   flat(&held, args[1], 'd', sections * width, 0),
                   flat(&held, args[2], 'd', sections, 0),
                   flat(&held, args[3], 'd', sections, 0), weights->buf,
                   flat(&held, args[5], 'd', places * shapes, 0)};
    int64_t *place = flat(&held, args[9], 'q', sections, 1);
    double *height = flat(&held, args[10], 'd', sections, 1);
    double *spread = flat(&held, args[11], 'd', sections, 1);
    float *best = held.failed ? NULL : scratch(0, (sections * shapes + 1) * sizeof *best);
    if (!best) return done(&held, NULL);
    for (Py_ssize_t s = 0; s < sections; s++)
        best_places(roofs.along + 3 * places * shapes * s, best + s * shapes, places, shapes);
    for (Py_ssize_t s = 0; s < sections; s++) {
        double noise = roofs.noise[s], penalty = scale * (noise * noise + least);
        Py_ssize_t shape = chosen_shape(&roofs, best, s, voters, penalty);
        place[s] = chosen_place(&roofs, s, shape);
        Py_ssize_t chosen = (Py_ssize_t)place[s] * shapes + shape;
        height[s] = crest_height(&roofs, s, roofs.weights + chosen * width);
        spread[s] = roofs.spreads[chosen];
    }
    Py_INCREF(Py_None);
    return done(&held, Py_None);
}

/* ---- volumes ------------------------------------------------------------------------------- */

/*
 * standing(height, level, looks (n,), datum looks (n,) or None, most looks, noise, cells (k,),
 *          above (k,), spread (k,) of double, inverse (k,) of single) -> how many are known
 *
 * Heights above the datum and their spread, of some cells; 1 / looks of those of them that have any.
 */
static PyObject *standing(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 10)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t all = length(args[0]), count = length(args[6]), known = 0;
    const float *height = flat(&held, args[0], 'f', all, 0);
    const float *level = flat(&held, args[1], 'f', all, 0);
    const float *looks = flat(&held, args[2], 'f', all, 0);
    const float *of_datum = args[3] == Py_None ? NULL : flat(&held, args[3], 'f', all, 0);
    float most = (float)PyFloat_AsDouble(args[4]);
    double noise = PyFloat_AsDouble(args[5]);
    const int64_t *cells = flat(&held, args[6], 'q', count, 0);
    double *above = flat(&held, args[7], 'd', count, 1);
    double *spread = flat(&held, args[8], 'd', count, 1);
    float *inverse = flat(&held, args[9], 'f', count, 1);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    for (Py_ssize_t k = 0; k < count; k++) {
        int64_t cell = cells[k];
        if (!fits(cell, all, "a cell that there is not")) break;
        float worth = looks[cell] < most ? looks[cell] : most, part = 1.0f / worth;
        above[k] = (double)(height[cell] - level[cell]);
        spread[k] = (double)(of_datum ? part + 1.0f / of_datum[cell] : part);
        inverse[known] = part;
        known += worth > 0.0f;
    }
    for (Py_ssize_t k = 0; k < count; k++) spread[k] = noise * sqrt(spread[k]);
    return done(&held, PyLong_FromSsize_t(known));
}

/*
 * spread(looks (n,), datum looks (n,) or None, most looks, noise, cells (k,), out (k,) of single)
 *
 * Spread of heights above the datum, of some cells, for such a noise of one look.
 */
static PyObject *spread(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 6)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t all = length(args[0]), count = length(args[4]);
    const float *looks = flat(&held, args[0], 'f', all, 0);
    const float *of_datum = args[1] == Py_None ? NULL : flat(&held, args[1], 'f', all, 0);
    float most = (float)PyFloat_AsDouble(args[2]), noise = (float)PyFloat_AsDouble(args[3]);
    const int64_t *cells = flat(&held, args[4], 'q', count, 0);
    float *out = flat(&held, args[5], 'f', count, 1);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    for (Py_ssize_t k = 0; k < count; k++) {
        int64_t cell = cells[k];
        if (!fits(cell, all, "a cell that there is not")) break;
        float part = 1.0f / (looks[cell] < most ? looks[cell] : most);
        out[k] = noise * sqrtf(of_datum ? part + 1.0f / of_datum[cell] : part);
    }
    Py_INCREF(Py_None);
    return done(&held, Py_None);
}

/*
 * gaps(height, spread, design, share inside, share outside (k,), sigmas, short (k,), near (k,),
 *      near gap (k,), near spread (k,), sums (5,)) -> how many are near
 *
 * What is short of design inside, and the cells near it; sums of shares times: known inside, height
 * inside, gap inside, known outside, height outside.
 */
static PyObject *gaps(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 11)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t count = length(args[0]), close = 0;
    const double *height = flat(&held, args[0], 'd', count, 0);
    const double *spread = flat(&held, args[1], 'd', count, 0);
    const double *design = flat(&held, args[2], 'd', count, 0);
    const double *inside = flat(&held, args[3], 'd', count, 0);
    const double *outside = flat(&held, args[4], 'd', count, 0);
    double sigmas = PyFloat_AsDouble(args[5]);
    double *lacking = flat(&held, args[6], 'd', count, 1);
    int64_t *near = flat(&held, args[7], 'q', count, 1);
    double *near_gap = flat(&held, args[8], 'd', count, 1);
    double *near_spread = flat(&held, args[9], 'd', count, 1);
    double *sums = flat(&held, args[10], 'd', 5, 1);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    double total[5] = {0.0};
    for (Py_ssize_t k = 0; k < count; k++) {
        int known = fabs(height[k]) <= DBL_MAX;
        double own = known ? height[k] : 0.0, gap = known ? design[k] - own : 0.0;
        total[0] += inside[k] * known;
        total[1] += inside[k] * own;
        total[2] += inside[k] * gap;
        total[3] += outside[k] * known;
        total[4] += outside[k] * own;
        lacking[k] = gap > 0.0 ? gap : 0.0;
        near[close] = k, near_gap[close] = gap, near_spread[close] = spread[k];
        close += known && inside[k] != 0.0 && fabs(gap) < sigmas * spread[k];
    }
    memcpy(sums, total, sizeof total);
    return done(&held, PyLong_FromSsize_t(close));
}

/* product(one (k,), other (k,)) -> sum of their products, added up in order */
static PyObject *product(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 2)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t count = length(args[0]);
    const double *one = flat(&held, args[0], 'd', count, 0);
    const double *other = flat(&held, args[1], 'd', count, 0);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    double total = 0.0;
    for (Py_ssize_t k = 0; k < count; k++) total += one[k] * other[k];
    return done(&held, PyFloat_FromDouble(total));
}

/* ---- crest --------------------------------------------------------------------------------- */

/*
 * along(height, offset, spread, target (s,), tolerance) -> seen, within, mean height, offset and
 *                                                          spread, least and greatest height
 *
 * Of the sections that have a crest; means are added up in order, and zero where there is none.
 */
static PyObject *along(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 5)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t count = length(args[0]), seen = 0, within = 0;
    const double *height = flat(&held, args[0], 'd', count, 0);
    const double *offset = flat(&held, args[1], 'd', count, 0);
    const double *spread = flat(&held, args[2], 'd', count, 0);
    const double *target = flat(&held, args[3], 'd', count, 0);
    double tolerance = PyFloat_AsDouble(args[4]), total[3] = {0.0};
    double least = INFINITY, greatest = -INFINITY;
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    for (Py_ssize_t k = 0; k < count; k++) {
        double own = height[k];
        if (!(fabs(own) <= DBL_MAX)) continue;
        seen++;
        within += fabs(own - target[k]) <= tolerance;
        total[0] += own, total[1] += offset[k], total[2] += spread[k];
        least = own < least ? own : least;
        greatest = own > greatest ? own : greatest;
    }
    double many = seen ? (double)seen : 1.0;
    return done(&held, Py_BuildValue("nnddddd", seen, within, total[0] / many, total[1] / many,
                                     total[2] / many, least, greatest));
}

/* ---- turns --------------------------------------------------------------------------------- */

/* The longest power of two, up to a limit, that a wait is no shorter than. */
static int64_t period_of(double wait, int64_t most)
{
    int64_t period = 1;
    while (period < most && wait >= 2.0 * (double)period) period *= 2;
    return period;
}

/*
 * turns(seen, looks (n,), cells (k,), ends (rows + 1,), moved, least, block (rows,), look, most looks,
 *       most moved, shown, waiting, turn (rows,))
 *
 * Which rows are seen by those of their cells from one end to the next, which wait since, and whose
 * turn it is: the mean has moved by as much as it may, or enough of its cells were pulled over.
 */
static PyObject *turns(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 13)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t all = length(args[0]), cells = length(args[2]), rows = length(args[6]);
    const uint8_t *seen = flat(&held, args[0], '?', all, 0);
    const float *looks = flat(&held, args[1], 'f', all, 0);
    const int32_t *cell = flat(&held, args[2], 'i', cells, 0);
    const int64_t *end = flat(&held, args[3], 'q', rows + 1, 0);
    const int64_t *moved = flat(&held, args[4], 'q', rows, 0);
    const double *least = flat(&held, args[5], 'd', rows, 0);
    const int64_t *block = flat(&held, args[6], 'q', rows, 0);
    int64_t look = PyLong_AsLongLong(args[7]), most_looks = PyLong_AsLongLong(args[8]);
    double most_moved = PyFloat_AsDouble(args[9]);
    uint8_t *shown = flat(&held, args[10], '?', rows, 1);
    uint8_t *waiting = flat(&held, args[11], '?', rows, 1);
    uint8_t *turn = flat(&held, args[12], '?', rows, 1);
    if (held.failed || PyErr_Occurred() || !all_fit(cell, cells, all, "a cell that there is not"))
        return done(&held, NULL);
    for (Py_ssize_t row = 0; row < rows; row++) {
        if (end[row] < 0 || end[row + 1] > cells) {
            PyErr_SetString(PyExc_ValueError, "a cell that there is not");
            break;
        }
        double count = 0.0, gain = 0.0;
        for (int64_t k = end[row]; k < end[row + 1]; k++) {
            /* Adding nothing is quicker than asking whether to. */
            double one = (double)(seen[cell[k]] != 0);
            count += one;
            gain += one / (double)(looks[cell[k]] + 1.0f);
        }
        double wait = most_moved * count / (gain > 1e-9 ? gain : 1e-9);
        shown[row] = count > 0.0;
        waiting[row] |= shown[row];
        turn[row] = (waiting[row] && (look + block[row]) % period_of(wait, most_looks) == 0)
            || (double)moved[row] >= least[row];
    }
    Py_INCREF(Py_None);
    return done(&held, Py_None);
}

/* ---- layers -------------------------------------------------------------------------------- */

/*
 * laid_out(values (n,), runs (k, 4), out (r, c) of the same kind)
 *
 * Values of cells at their places on the lattice: row, column, first value and how many of each run.
 */
static PyObject *laid_out(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 3)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t runs = length(args[1]);
    Py_buffer *values = view_of(&held, args[0], 0, PyBUF_C_CONTIGUOUS);
    const int32_t *run = flat(&held, args[1], 'i', 4 * runs, 0);
    Py_buffer *out = view_of(&held, args[2], 0, PyBUF_C_CONTIGUOUS | PyBUF_WRITABLE);
    if (held.failed) return done(&held, NULL);
    if (values->ndim != 1 || out->ndim != 2 || values->itemsize != out->itemsize) {
        PyErr_SetString(PyExc_ValueError, "wanted values of cells, and a lattice of such");
        return done(&held, NULL);
    }
    Py_ssize_t size = out->itemsize, count = values->shape[0];
    Py_ssize_t rows = out->shape[0], cols = out->shape[1];
    for (Py_ssize_t k = 0; k < runs; k++, run += 4) {
        Py_ssize_t row = run[0], col = run[1], first = run[2], many = run[3];
        if (row < 0 || row >= rows || col < 0 || first < 0 || many < 0 || col + many > cols
            || first + many > count) {
            PyErr_SetString(PyExc_ValueError, "a run that does not fit");
            break;
        }
        memcpy((char *)out->buf + (row * cols + col) * size,
               (const char *)values->buf + first * size, (size_t)(many * size));
    }
    Py_INCREF(Py_None);
    return done(&held, Py_None);
}

static PyMethodDef methods[] = {
    {"centred", (PyCFunction)(void (*)(void))centred, METH_FASTCALL, NULL},
    {"choose", (PyCFunction)(void (*)(void))choose, METH_FASTCALL, NULL},
    {"standing", (PyCFunction)(void (*)(void))standing, METH_FASTCALL, NULL},
    {"spread", (PyCFunction)(void (*)(void))spread, METH_FASTCALL, NULL},
    {"turns", (PyCFunction)(void (*)(void))turns, METH_FASTCALL, NULL},
    {"gaps", (PyCFunction)(void (*)(void))gaps, METH_FASTCALL, NULL},
    {"along", (PyCFunction)(void (*)(void))along, METH_FASTCALL, NULL},
    {"laid_out", (PyCFunction)(void (*)(void))laid_out, METH_FASTCALL, NULL},
    {"product", (PyCFunction)(void (*)(void))product, METH_FASTCALL, NULL},
    {NULL, NULL, 0, NULL},
};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_readings", NULL, -1, methods};

PyMODINIT_FUNC PyInit__readings(void)
{
    return PyModule_Create(&module);
}
