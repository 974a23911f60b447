/* Copyright 2026 The berm_ledger authors */
/* SPDX-License-Identifier: Apache-2.0 */
/* The crest: heights on cross-sections, and the part of each around its top. */
#include "held.h"

/* ---- heights on sections ------------------------------------------------------------------- */

typedef struct {
    const float *height, *level;
    const int64_t *sides;
    Py_ssize_t cells;
} Surface;

static inline float above(const Surface *surface, int64_t cell)
{
    float height = surface->height[cell];
    return surface->level ? height - surface->level[cell] : height;
}

/* Whether all of so many places are there. */
static int places_fit(const int64_t *place, Py_ssize_t count, Py_ssize_t of)
{
    for (Py_ssize_t k = 0; k < count; k++) {
        if (place[k] < 0 || place[k] >= of) {
            PyErr_SetString(PyExc_ValueError, "a place that there is not");
            return 0;
        }
    }
    return 1;
}

static int corners_fit(const int32_t *cell, Py_ssize_t count, Py_ssize_t of)
{
    int32_t least = 0, most = 0;
    for (Py_ssize_t k = 0; k < count; k++) {
        least = cell[k] < least ? cell[k] : least;
        most = cell[k] > most ? cell[k] : most;
    }
    if (least >= 0 && most < of) return 1;
    PyErr_SetString(PyExc_ValueError, "a corner that there is not");
    return 0;
}

/* Heights of some cells, the blur of sampling partly taken out. */
static int sharpen(const Surface *surface, const int64_t *cells, Py_ssize_t count, float blur,
                   float cell_area, float *sharp)
{
    Py_ssize_t all = surface->cells;
    for (Py_ssize_t k = 0; k < count; k++) {
        int64_t cell = cells[k];
        float own = above(surface, cell), bent = 0.0f;
        for (int side = 0; side < 4; side++) {
            int64_t beside = surface->sides[side * all + cell];
            if (beside < 0 || beside >= all) {
                PyErr_SetString(PyExc_ValueError, "a neighbour that there is not");
                return 0;
            }
            float step = above(surface, beside) - own;
            step = step == step ? step : 0.0f;
            bent = side ? bent + step : step;
        }
        bent = bent / cell_area;
        sharp[cell] = blur != 0.0f ? own - blur * bent : own;
    }
    return 1;
}

/*
 * profiles(height, level or None (n,), sides (4, n), own (k,), blur, cell_area, corners, weights
 *          (m, c, 4), sections (s,), out (s, c))
 *
 * `own` are the cells of which a corner with a weight is one; a weight of NaN is none.
 */
static PyObject *profiles(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 10)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t cells = length(args[0]), count = length(args[3]), wanted_sections = length(args[8]);
    Surface surface = {flat(&held, args[0], 'f', cells, 0), NULL, NULL, cells};
    if (args[1] != Py_None) surface.level = flat(&held, args[1], 'f', cells, 0);
    surface.sides = flat(&held, args[2], 'q', 4 * cells, 0);
    const int64_t *own = flat(&held, args[3], 'q', count, 0);
    float blur = (float)PyFloat_AsDouble(args[4]), area = (float)PyFloat_AsDouble(args[5]);
    Py_buffer *corners = view_of(&held, args[6], 'i', PyBUF_C_CONTIGUOUS);
    if (!corners) return done(&held, NULL);
    if (corners->ndim != 3 || corners->shape[2] != 4) {
        PyErr_SetString(PyExc_ValueError, "wanted four corners to each sample of each section");
        return done(&held, NULL);
    }
    Py_ssize_t sections = corners->shape[0], samples = corners->shape[1];
    const float *weights = flat(&held, args[7], 'f', 4 * sections * samples, 0);
    const int64_t *section = flat(&held, args[8], 'q', wanted_sections, 0);
    float *out = flat(&held, args[9], 'f', wanted_sections * samples, 1);
    float *sharp = held.failed ? NULL : scratch(0, (cells + 1) * sizeof *sharp);
    if (!sharp || PyErr_Occurred() || !places_fit(own, count, cells)
        || !places_fit(section, wanted_sections, sections)
        || !sharpen(&surface, own, count, blur, area, sharp))
        return done(&held, NULL);
    for (Py_ssize_t s = 0; s < wanted_sections; s++, out += samples) {
        const int32_t *cell = (const int32_t *)corners->buf + 4 * section[s] * samples;
        const float *weight = weights + 4 * section[s] * samples;
        if (!corners_fit(cell, 4 * samples, cells)) break;
        for (Py_ssize_t k = 0; k < samples; k++, cell += 4, weight += 4) {
            float total = sharp[cell[0]] * weight[0] + sharp[cell[1]] * weight[1];
            total = total + sharp[cell[2]] * weight[2];
            out[k] = total + sharp[cell[3]] * weight[3];
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

/* Means over `reach` sections on either side, of what is known. */
static void pool(const float *profile, Py_ssize_t sections, Py_ssize_t samples, Py_ssize_t section,
                 Py_ssize_t reach, double *out)
{
    Py_ssize_t first = section - reach < 0 ? 0 : section - reach;
    Py_ssize_t last = section + reach >= sections ? sections - 1 : section + reach;
    for (Py_ssize_t k = 0; k < samples; k++) {
        double total = 0.0, number = 0.0;
        for (Py_ssize_t s = first; s <= last; s++) {
            double value = (double)profile[s * samples + k];
            int shown = known(value);
            total += shown ? value : 0.0;
            number += shown;
        }
        out[k] = number > 0.0 ? total / number : NAN;
    }
}

static double mean_along(const double *values, Py_ssize_t count, Py_ssize_t at, Py_ssize_t reach)
{
    Py_ssize_t first = at - reach < 0 ? 0 : at - reach;
    Py_ssize_t last = at + reach >= count ? count - 1 : at + reach;
    double total = 0.0, number = 0.0;
    for (Py_ssize_t k = first; k <= last; k++) {
        int shown = known(values[k]);
        total += shown ? values[k] : 0.0;
        number += shown;
    }
    return number > 0.0 ? total / number : NAN;
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
    double *mean = held.failed ? NULL : scratch(1, 2 * samples * sizeof *mean);
    if (!mean) return done(&held, NULL);
    double *rough = mean + samples;
    for (Py_ssize_t s = 0; s < sections; s++, part += width) {
        pool(profile->buf, sections, samples, s, pooled, mean);
        for (Py_ssize_t k = 0; k < samples; k++) rough[k] = mean_along(mean, samples, k, reach);
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
    {"profiles", (PyCFunction)(void (*)(void))profiles, METH_FASTCALL, NULL},
    {"tops", (PyCFunction)(void (*)(void))tops, METH_FASTCALL, NULL},
    {NULL, NULL, 0, NULL},
};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_crest", NULL, -1, methods};

PyMODINIT_FUNC PyInit__crest(void)
{
    return PyModule_Create(&module);
}
