/* Copyright 2026 The berm_ledger authors */
/* SPDX-License-Identifier: Apache-2.0 */
/* The ground that grids are laid onto: what is known of it, how steep it is, how noisy. */
#include "held.h"

/*
 * pairs(measured, height, looks (n,), worked (n,), cells, beside (k,), least_looks, most_looks, left,
 *       right, worth (k,)) -> how many
 *
 * Differences at cells, and at those beside them, that are known by so many looks, lie still and
 * have one beside them; looks of each, at most so many.
 */
static PyObject *pairs(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 11)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t all = length(args[0]), count = length(args[4]), kept = 0;
    const float *measured = flat(&held, args[0], 'f', all, 0);
    const float *height = flat(&held, args[1], 'f', all, 0);
    const float *looks = flat(&held, args[2], 'f', all, 0);
    const uint8_t *worked = flat(&held, args[3], '?', all, 0);
    const int64_t *cells = flat(&held, args[4], 'q', count, 0);
    const int64_t *beside = flat(&held, args[5], 'q', count, 0);
    float least = (float)PyFloat_AsDouble(args[6]), most = (float)PyFloat_AsDouble(args[7]);
    double *left = flat(&held, args[8], 'd', count, 1);
    double *right = flat(&held, args[9], 'd', count, 1);
    float *worth = flat(&held, args[10], 'f', count, 1);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    for (Py_ssize_t k = 0; k < count; k++) {
        int64_t cell = cells[k], other = beside[k];
        if (!fits(cell, all, "a cell that there is not")
            || (other >= 0 && !fits(other, all, "a cell that there is not"))) break;
        if (other < 0 || worked[cell] || !(looks[cell] >= least)) continue;
        left[kept] = (double)(measured[cell] - height[cell]);
        right[kept] = (double)(measured[other] - height[other]);
        worth[kept++] = looks[cell] < most ? looks[cell] : most;
    }
    return done(&held, PyLong_FromSsize_t(kept));
}

/*
 * known(looks (n,), worked (n,), aside (n,), height (n,), cells (m,), points (m, 2), slope (2, m),
 *        least_looks, variance, most_looks, least, points_there (m, 2), height_there (m,),
 *        slope_there (2, m)) -> how many
 *
 * Of the cells that are known by so many looks, lie still and have nothing set aside: points,
 * heights, and slopes, zero where their square is less than `least` or than the variance of one look
 * by the looks, at most so many. The slopes of k cells are the first 2 k values of theirs.
 */
static PyObject *known(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 14)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t all = length(args[0]), count = length(args[4]), kept = 0;
    const float *looks = flat(&held, args[0], 'f', all, 0);
    const uint8_t *worked = flat(&held, args[1], '?', all, 0);
    const uint8_t *aside = flat(&held, args[2], 'B', all, 0);
    const float *height = flat(&held, args[3], 'f', all, 0);
    const int64_t *cells = flat(&held, args[4], 'q', count, 0);
    const double *points = flat(&held, args[5], 'd', 2 * count, 0);
    const double *slope = flat(&held, args[6], 'd', 2 * count, 0);
    float least_looks = (float)PyFloat_AsDouble(args[7]);
    float variance = (float)PyFloat_AsDouble(args[8]);
    float most_looks = (float)PyFloat_AsDouble(args[9]), least = (float)PyFloat_AsDouble(args[10]);
    double *points_there = flat(&held, args[11], 'd', 2 * count, 1);
    double *height_there = flat(&held, args[12], 'd', count, 1);
    double *slope_there = flat(&held, args[13], 'd', 2 * count, 1);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    for (Py_ssize_t k = 0; k < count; k++) {
        int64_t cell = cells[k];
        if (!fits(cell, all, "a cell that there is not")) break;
        float own = looks[cell];
        if (!(own >= least_looks) || worked[cell] || aside[cell]) continue;
        float noise = variance / (own < most_looks ? own : most_looks);
        double limit = noise > least ? noise : least;
        double x = slope[k], y = slope[count + k];
        double real = x * x + y * y >= limit;
        points_there[2 * kept] = points[2 * k];
        points_there[2 * kept + 1] = points[2 * k + 1];
        height_there[kept] = height[cell];
        slope_there[kept] = x * real;
        slope_there[count + kept++] = y * real;
    }
    memmove(slope_there + kept, slope_there + count, (size_t)kept * sizeof *slope_there);
    return done(&held, PyLong_FromSsize_t(kept));
}

static inline float if_any(const float *height, Py_ssize_t all, int32_t cell)
{
    return cell >= 0 && cell < all ? height[cell] : NAN;
}

/* The mean height of three cells that are named `count` places apart; NaN where there is none. */
static inline float mean_of_three(const float *height, Py_ssize_t all, const int32_t *near,
                                  Py_ssize_t count)
{
    float sum = if_any(height, all, near[0]) + if_any(height, all, near[count]);
    return (sum + if_any(height, all, near[2 * count])) / 3.0f;
}

/*
 * slopes(height (n,), east_west, north_south (6, m), across, out (2, m))
 *
 * By how much the mean height of the first three cells named lies above that of the other three, by
 * the distance of the two; zero along both where one of them is not known.
 */
static PyObject *slopes(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 5)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t all = length(args[0]);
    const float *height = flat(&held, args[0], 'f', all, 0);
    double across = PyFloat_AsDouble(args[3]);
    Py_buffer *view = view_of(&held, args[4], 'd', PyBUF_C_CONTIGUOUS | PyBUF_WRITABLE);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    double *out = view->buf;
    Py_ssize_t count = view->len / view->itemsize / 2;
    const int32_t *near[2];
    for (int k = 0; k < 2; k++) near[k] = flat(&held, args[1 + k], 'i', 6 * count, 0);
    if (held.failed) return done(&held, NULL);
    for (Py_ssize_t i = 0; i < count; i++) {
        double slope[2];
        for (int k = 0; k < 2; k++) {
            const int32_t *ahead = near[k] + i, *behind = ahead + 3 * count;
            float rise = mean_of_three(height, all, ahead, count)
                - mean_of_three(height, all, behind, count);
            slope[k] = (double)rise / across;
        }
        int known = fabs(slope[0]) <= DBL_MAX && fabs(slope[1]) <= DBL_MAX;
        out[i] = known ? slope[0] : 0.0;
        out[count + i] = known ? slope[1] : 0.0;
    }
    Py_INCREF(Py_None);
    return done(&held, Py_None);
}

static PyMethodDef methods[] = {
    {"known", (PyCFunction)(void (*)(void))known, METH_FASTCALL, NULL},
    {"pairs", (PyCFunction)(void (*)(void))pairs, METH_FASTCALL, NULL},
    {"slopes", (PyCFunction)(void (*)(void))slopes, METH_FASTCALL, NULL},
    {NULL, NULL, 0, NULL},
};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_ground", NULL, -1, methods};

PyMODINIT_FUNC PyInit__ground(void)
{
    return PyModule_Create(&module);
}
