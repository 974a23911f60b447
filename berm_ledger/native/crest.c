/* Copyright 2026 The berm_ledger authors */
/* SPDX-License-Identifier: Apache-2.0 */
/* The crest: heights on cross-sections, and the part of each around its top. */
#include "held.h"

/* ---- heights on sections ------------------------------------------------------------------- */

/*
 * sharpened(height, level or None (n,), cells (k,), sides (k, 4), blur, cell_area, out (n,))
 *
 * Heights of some cells above a level, the blur of sampling partly taken out; a side that is not
 * known counts as level with the cell.
 */
static PyObject *sharpened(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 7)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t all = length(args[0]), count = length(args[2]);
    const float *height = flat(&held, args[0], 'f', all, 0);
    const float *level = args[1] == Py_None ? NULL : flat(&held, args[1], 'f', all, 0);
    const int32_t *cells = flat(&held, args[2], 'i', count, 0);
    const int32_t *sides = flat(&held, args[3], 'i', 4 * count, 0);
    float blur = (float)PyFloat_AsDouble(args[4]), area = (float)PyFloat_AsDouble(args[5]);
    float *out = flat(&held, args[6], 'f', all, 1);
    if (held.failed || PyErr_Occurred() || !all_fit(cells, count, all, "a cell that there is not")
        || !all_fit(sides, 4 * count, all, "a neighbour that there is not"))
        return done(&held, NULL);
    for (Py_ssize_t k = 0; k < count; k++, sides += 4) {
        int32_t cell = cells[k];
        float own = level ? height[cell] - level[cell] : height[cell], bent = 0.0f;
        for (int side = 0; side < 4; side++) {
            int32_t beside = sides[side];
            float step = (level ? height[beside] - level[beside] : height[beside]) - own;
            step = step == step ? step : 0.0f;
            bent = side ? bent + step : step;
        }
        bent = bent / area;
        out[cell] = blur != 0.0f ? own - blur * bent : own;
    }
    Py_INCREF(Py_None);
    return done(&held, Py_None);
}

/*
 * profiles(height (n,), corners, weights (m, c, 4), sections (s,), out (s, c))
 *
 * Heights on some of the sections; a weight of NaN stands for a corner that is none.
 */
static PyObject *profiles(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 5)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t cells = length(args[0]), count = length(args[3]);
    const float *height = flat(&held, args[0], 'f', cells, 0);
    Py_buffer *corners = view_of(&held, args[1], 'i', PyBUF_C_CONTIGUOUS);
    if (!corners) return done(&held, NULL);
    if (corners->ndim != 3 || corners->shape[2] != 4) {
        PyErr_SetString(PyExc_ValueError, "wanted four corners to each sample of each section");
        return done(&held, NULL);
    }
    Py_ssize_t sections = corners->shape[0], samples = corners->shape[1];
    const float *weights = flat(&held, args[2], 'f', 4 * sections * samples, 0);
    const int64_t *section = flat(&held, args[3], 'q', count, 0);
    float *out = flat(&held, args[4], 'f', count * samples, 1);
    if (held.failed) return done(&held, NULL);
    for (Py_ssize_t s = 0; s < count; s++, out += samples) {
        if (!fits(section[s], sections, "a section that there is not")) break;
        const int32_t *cell = (const int32_t *)corners->buf + 4 * section[s] * samples;
        const float *weight = weights + 4 * section[s] * samples;
        if (!all_fit(cell, 4 * samples, cells, "a corner that there is not")) break;
        for (Py_ssize_t k = 0; k < samples; k++, cell += 4, weight += 4) {
            float total = height[cell[0]] * weight[0] + height[cell[1]] * weight[1];
            total = total + height[cell[2]] * weight[2];
            out[k] = total + height[cell[3]] * weight[3];
        }
    }
    Py_INCREF(Py_None);
    return done(&held, Py_None);
}

/* ---- tops ---------------------------------------------------------------------------------- */

static inline int known(double value)
{
    return fabs(value) <= DBL_MAX;
}

/* The values that are known, zero for the others, and how many each is: one or none. */
WIDE static void split(const float *restrict values, double *restrict shown,
                       double *restrict number, Py_ssize_t count)
{
    for (Py_ssize_t k = 0; k < count; k++) {
        double value = (double)values[k];
        shown[k] = fabs(value) <= DBL_MAX ? value : 0.0;
        number[k] = fabs(value) <= DBL_MAX ? 1.0 : 0.0;
    }
}

WIDE static void add_to(double *restrict total, const double *restrict values, Py_ssize_t count)
{
    for (Py_ssize_t k = 0; k < count; k++) total[k] += values[k];
}

WIDE static void divide(const double *restrict total, const double *restrict number,
                        double *restrict out, Py_ssize_t count)
{
    for (Py_ssize_t k = 0; k < count; k++) out[k] = number[k] > 0.0 ? total[k] / number[k] : NAN;
}

/*
 * Means of what is known of `shown`, of which there are `number`, over `reach` rows (or with a
 * stride of 1 samples) on either side of so many that begin at one; NaN where there is nothing.
 */
static void mean_beside(const double *shown, const double *number, Py_ssize_t stride,
                        Py_ssize_t before, Py_ssize_t after, double *sums, double *out,
                        Py_ssize_t count)
{
    memset(sums, 0, 2 * count * sizeof *sums);
    for (Py_ssize_t step = -before; step <= after; step++) {
        add_to(sums, shown + step * stride, count);
        add_to(sums + count, number + step * stride, count);
    }
    divide(sums, sums + count, out, count);
}

/* The middle of the unbroken stretch around the first greatest that lies within a band of it. */
static Py_ssize_t top_of(const double *rough, Py_ssize_t count, double band)
{
    Py_ssize_t at = -1;
    for (Py_ssize_t k = 0; k < count; k++)
        if (known(rough[k]) && (at < 0 || rough[k] > rough[at])) at = k;
    if (at < 0) return 0;
    double least = rough[at] - band;
    Py_ssize_t left = at, right = at;
    while (left > 0 && rough[left - 1] >= least) left--;
    while (right + 1 < count && rough[right + 1] >= least) right++;
    return (left + right) / 2;
}

/* Bridge gaps by straight lines, beyond the ends level; some of the values are known. */
static void bridge(double *values, Py_ssize_t count)
{
    Py_ssize_t before = -1;
    for (Py_ssize_t k = 0; k <= count; k++) {
        if (k < count && !known(values[k])) continue;
        for (Py_ssize_t gap = before + 1; gap < k; gap++) {
            if (before < 0) {
                values[gap] = values[k];
            } else if (k == count) {
                values[gap] = values[before];
            } else {
                double slope = (values[k] - values[before]) / (double)(k - before);
                values[gap] = slope * (double)(gap - before) + values[before];
            }
        }
        before = k;
    }
}

/*
 * tops(profile (s, c), pooled, rough, band, window, least_seen, first (s,), part (s, 2 window + 1),
 *      seen (s,))
 *
 * Of each section where the window around its top begins, the pooled heights in it, gaps bridged,
 * and whether enough of them are known; zero where not.
 */
static PyObject *tops(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 9)) return NULL;
    Held held = {.count = 0};
    Py_buffer *profile = view_of(&held, args[0], 'f', PyBUF_C_CONTIGUOUS);
    Py_ssize_t pooled = PyLong_AsSsize_t(args[1]), reach = PyLong_AsSsize_t(args[2]);
    double band = PyFloat_AsDouble(args[3]);
    Py_ssize_t window = PyLong_AsSsize_t(args[4]);
    double least_seen = PyFloat_AsDouble(args[5]);
    if (!profile || PyErr_Occurred()) return done(&held, NULL);
    Py_ssize_t sections = profile->ndim == 2 ? profile->shape[0] : 0;
    Py_ssize_t samples = profile->ndim == 2 ? profile->shape[1] : 0;
    if (window < 1 || window > samples || 2 * window + 1 > samples || pooled < 0
        || pooled > sections || reach < 0 || reach > samples) {
        PyErr_SetString(PyExc_ValueError, "the window does not fit the sections");
        return done(&held, NULL);
    }
    Py_ssize_t width = 2 * window + 1;
    int64_t *first = flat(&held, args[6], 'q', sections, 1);
    double *part = flat(&held, args[7], 'd', sections * width, 1);
    uint8_t *seen = flat(&held, args[8], '?', sections, 1);
    /* Every sample, known or not; then rows of one section, the last two with room at either end. */
    Py_ssize_t all = sections * samples, wide = samples + 2 * reach;
    double *shown = held.failed
        ? NULL : scratch(1, (2 * all + 4 * samples + 2 * wide) * sizeof *shown);
    if (!shown) return done(&held, NULL);
    double *number = shown + all, *mean = number + all, *rough = mean + samples;
    double *sums = rough + samples, *along = sums + 2 * samples, *along_number = along + wide;
    memset(along, 0, 2 * wide * sizeof *along);
    split(profile->buf, shown, number, all);
    for (Py_ssize_t s = 0; s < sections; s++, part += width) {
        Py_ssize_t before = s < pooled ? s : pooled, after = sections - 1 - s;
        mean_beside(shown + s * samples, number + s * samples, samples, before,
                    after < pooled ? after : pooled, sums, mean, samples);
        for (Py_ssize_t k = 0; k < samples; k++) {
            along[reach + k] = known(mean[k]) ? mean[k] : 0.0;
            along_number[reach + k] = known(mean[k]);
        }
        mean_beside(along + reach, along_number + reach, 1, reach, reach, sums, rough, samples);
        Py_ssize_t from = top_of(rough, samples, band) - window;
        from = from > samples - width ? samples - width : from;
        from = from < 0 ? 0 : from;
        const float *own = (const float *)profile->buf + s * samples + from;
        Py_ssize_t number = 0, shown = 0, middle = 0;
        for (Py_ssize_t k = 0; k < width; k++) {
            part[k] = mean[from + k];
            number += known(part[k]);
            shown += known(own[k]);
            middle += k >= window - 1 && k <= window + 1 && known(part[k]);
        }
        first[s] = from;
        seen[s] = (double)number / (double)width >= least_seen && shown && middle;
        if (seen[s]) {
            bridge(part, width);
        } else {
            for (Py_ssize_t k = 0; k < width; k++) part[k] = 0.0;
        }
    }
    Py_INCREF(Py_None);
    return done(&held, Py_None);
}

static PyMethodDef methods[] = {
    {"sharpened", (PyCFunction)(void (*)(void))sharpened, METH_FASTCALL, NULL},
    {"profiles", (PyCFunction)(void (*)(void))profiles, METH_FASTCALL, NULL},
    {"tops", (PyCFunction)(void (*)(void))tops, METH_FASTCALL, NULL},
    {NULL, NULL, 0, NULL},
};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_crest", NULL, -1, methods};

PyMODINIT_FUNC PyInit__crest(void)
{
    return PyModule_Create(&module);
}
