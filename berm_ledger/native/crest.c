/* Copyright 2026 The berm_ledger authors */
/* SPDX-License-Identifier: Apache-2.0 */
/* The crest: heights on cross-sections, the part of each around its top, the best roof for it. */
#include "held.h"

/* ---- the surface without blur -------------------------------------------------------------- */

/* Heights of cells above a level, all zero without one. */
typedef struct {
    const float *height, *level;
    Py_ssize_t count;
} Surface;

/* Cells that follow each other, all with their sides as far away: right, left, up, down. */
typedef struct {
    int32_t first, count, side[4];
} Run;

static inline float above(const float *height, const float *level, Py_ssize_t cell)
{
    return level ? height[cell] - level[cell] : height[cell];
}

/* A side that is not known counts as level with the cell. */
static inline float step_to(const float *height, const float *level, Py_ssize_t cell, float own)
{
    float step = above(height, level, cell) - own;
    return step == step ? step : 0.0f;
}

/* Heights of a run of cells above a level, the blur of sampling partly taken out. */
WIDE static void sharpen(const float *restrict height, const float *restrict level, Run run,
                         float blur, float area, float *restrict out)
{
    Py_ssize_t right = run.side[0], left = run.side[1], up = run.side[2], down = run.side[3];
    for (Py_ssize_t k = 0; k < run.count; k++) {
        float own = above(height, level, k), bent = step_to(height, level, k + right, own);
        bent = bent + step_to(height, level, k + left, own);
        bent = bent + step_to(height, level, k + up, own);
        bent = bent + step_to(height, level, k + down, own);
        bent = bent / area;
        out[k] = own - blur * bent;
    }
}

/* Do so for some runs, without blur only the first part; return whether all their cells exist. */
static int sharpen_runs(const Surface *surface, const Run *runs, Py_ssize_t count, float blur,
                        float area, float *out)
{
    for (; count > 0; count--, runs++) {
        if (!fits((int64_t)runs->count - 1, surface->count, "a run that does not fit")
            || !fits(runs->first, surface->count, "a cell that there is not")
            || !fits(runs->first + (int64_t)runs->count - 1, surface->count,
                     "a cell that there is not"))
            return 0;
        for (int side = 0; side < 4; side++) {
            int64_t beside = (int64_t)runs->first + runs->side[side];
            if (!fits(beside, surface->count, "a neighbour that there is not")
                || !fits(beside + runs->count - 1, surface->count, "a neighbour that there is not"))
                return 0;
        }
        const float *height = surface->height + runs->first;
        const float *level = surface->level ? surface->level + runs->first : NULL;
        if (blur != 0.0f) {
            sharpen(height, level, *runs, blur, area, out + runs->first);
        } else {
            for (Py_ssize_t k = 0; k < runs->count; k++)
                out[runs->first + k] = above(height, level, k);
        }
    }
    return 1;
}

/* ---- heights on sections ------------------------------------------------------------------- */

/*
 * Heights at the samples of a section, between pairs of cells, as singles and, zero where not known,
 * as doubles; how many each is: one or none. Return whether all are known.
 */
static int profile(const float *height, const int32_t *pair, const float *weight,
                   float *restrict own, double *restrict shown, double *restrict number,
                   Py_ssize_t count)
{
    Py_ssize_t unknown = 0;
    for (Py_ssize_t k = 0; k < count; k++, pair += 2, weight += 4) {
        float total = height[pair[0]] * weight[0] + height[pair[0] + 1] * weight[1];
        total = total + height[pair[1]] * weight[2];
        own[k] = total + height[pair[1] + 1] * weight[3];
    }
    for (Py_ssize_t k = 0; k < count; k++) {
        int there = fabsf(own[k]) <= FLT_MAX;
        shown[k] = there ? (double)own[k] : 0.0;
        number[k] = there ? 1.0 : 0.0;
        unknown += !there;
    }
    return !unknown;
}

/* ---- tops ---------------------------------------------------------------------------------- */

static inline int known(double value)
{
    return fabs(value) <= DBL_MAX;
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
 * Means of `shown` over `before` to `after` rows (or with a stride of 1 samples) around so many that
 * begin at one, of which there are `number`, zero or one each; where that is none, all are there, and
 * `sums` says behind the room for sums how many they come to. NaN where there is nothing.
 */
static void mean_beside(const double *shown, const double *number, Py_ssize_t stride,
                        Py_ssize_t before, Py_ssize_t after, double *sums, double *out,
                        Py_ssize_t count)
{
    memset(sums, 0, (number ? 2 : 1) * count * sizeof *sums);
    for (Py_ssize_t step = -before; step <= after; step++) {
        add_to(sums, shown + step * stride, count);
        if (number) add_to(sums + count, number + step * stride, count);
    }
    divide(sums, sums + count, out, count);
}

/*
 * The middle of the unbroken stretch around the first greatest that lies within a band of it; all of
 * it between the first and last sample of two; -1 where none of these is known.
 */
static Py_ssize_t top_of(const double *rough, const int32_t *own, double band)
{
    Py_ssize_t at = -1;
    for (Py_ssize_t k = own[0]; k <= own[1]; k++)
        if (known(rough[k]) && (at < 0 || rough[k] > rough[at])) at = k;
    if (at < 0) return at;
    double least = rough[at] - band;
    Py_ssize_t left = at, right = at;
    while (left > own[0] && rough[left - 1] >= least) left--;
    while (right < own[1] && rough[right + 1] >= least) right++;
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

/* Room for the samples of sections, row by row, and for those of one that is being looked at. */
typedef struct {
    float *own;
    double *shown, *number, *mean, *rough, *sums, *along, *along_number;
    uint8_t *whole;
} Room;

/* How the top of a section is looked for. */
typedef struct {
    Py_ssize_t sections, samples, pooled, reach, window;
    double band, least_seen;
} Search;

static int make_room(Room *room, const Search *search)
{
    /* At either end of the last two there is room for as many zeros as samples have a say. */
    Py_ssize_t samples = search->samples, all = search->sections * samples;
    Py_ssize_t wide = samples + 2 * search->reach;
    size_t doubles = (size_t)(2 * all + 4 * samples + 2 * wide);
    double *data = scratch(1, doubles * sizeof *data + (size_t)all * sizeof *room->own
                                  + (size_t)search->sections);
    if (!data) return 0;
    room->shown = data, room->number = data + all, room->mean = room->number + all;
    room->rough = room->mean + samples, room->sums = room->rough + samples;
    room->along = room->sums + 2 * samples, room->along_number = room->along + wide;
    memset(room->along, 0, 2 * wide * sizeof *data);
    room->own = (float *)(data + doubles);
    room->whole = (uint8_t *)(room->own + all);
    return 1;
}

/* The pooled heights of a section, and means of them over a few samples. */
static void pool(const Search *search, const Room *room, Py_ssize_t section)
{
    Py_ssize_t samples = search->samples, pooled = search->pooled, reach = search->reach;
    Py_ssize_t before = section < pooled ? section : pooled;
    Py_ssize_t after = search->sections - 1 - section;
    after = after < pooled ? after : pooled;
    int whole = 1;
    for (Py_ssize_t s = section - before; s <= section + after; s++) whole &= room->whole[s];
    const double *number = room->number + section * samples;
    if (whole)
        for (Py_ssize_t k = 0; k < samples; k++)
            room->sums[samples + k] = (double)(before + after + 1);
    mean_beside(room->shown + section * samples, whole ? NULL : number, samples, before, after,
                room->sums, room->mean, samples);
    double *along = room->along + reach, *along_number = room->along_number + reach;
    for (Py_ssize_t k = 0; k < samples; k++) {
        along[k] = known(room->mean[k]) ? room->mean[k] : 0.0;
        along_number[k] = known(room->mean[k]) ? 1.0 : 0.0;
    }
    if (whole) {
        for (Py_ssize_t k = 0; k < samples; k++) {
            Py_ssize_t left = k < reach ? k : reach, right = samples - 1 - k;
            room->sums[samples + k] = (double)(left + (right < reach ? right : reach) + 1);
        }
    }
    mean_beside(along, whole ? NULL : along_number, 1, reach, reach, room->sums, room->rough,
                samples);
}

/* Where the window around the top of a section begins. */
static Py_ssize_t window_at(const Search *search, Py_ssize_t top)
{
    Py_ssize_t from = top - search->window;
    Py_ssize_t most = search->samples - 2 * search->window - 1;
    from = from > most ? most : from;
    return from < 0 ? 0 : from;
}

/*
 * Take what is in the window of a section, gaps bridged; return whether it has a top and enough of it is
 * known.
 */
static int take_part(const Search *search, int has_top, const float *own, const double *mean,
                     double *part)
{
    Py_ssize_t width = 2 * search->window + 1, number = 0, shown = 0, middle = 0;
    for (Py_ssize_t k = 0; k < width; k++) {
        part[k] = mean[k];
        number += known(part[k]);
        shown += known(own[k]);
        middle += k >= search->window - 1 && k <= search->window + 1 && known(part[k]);
    }
    if (has_top && (double)number / (double)width >= search->least_seen && shown && middle) {
        bridge(part, width);
        return 1;
    }
    for (Py_ssize_t k = 0; k < width; k++) part[k] = 0.0;
    return 0;
}

/* The mean of values, added up in order, and what is left of each. */
static double centre(const double *part, float *left, Py_ssize_t width)
{
    double total = 0.0;
    for (Py_ssize_t k = 0; k < width; k++) total += part[k];
    double level = total / (double)width;
    for (Py_ssize_t k = 0; k < width; k++) left[k] = (float)(part[k] - level);
    return level;
}

/*
 * tops(height, level or None (n,), room (n,), runs (r, 6), blur, cell area, pairs (m, c, 2),
 *      weights (m, c, 4), own (m, 2), from, pooled, rough, band, window, least seen, first (s,),
 *      part (s, 2 window + 1), seen, level (s,), left (s, 2 window + 1) of single)
 *
 * Of s sections from one on, after the last the first: where the window around the top, which lies
 * between the first and last sample of its own, begins, the
 * pooled heights in it, gaps bridged, and whether enough of them are known; zero where not. Then
 * their mean and what is left of each.
 */
static PyObject *tops(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 20)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t cells = length(args[0]), runs = length(args[3]), count = length(args[15]);
    Surface surface = {flat(&held, args[0], 'f', cells, 0),
                       flat_if_any(&held, args[1], 'f', cells), cells};
    float *sharp = flat(&held, args[2], 'f', cells, 1);
    const Run *run = flat(&held, args[3], 'i', 6 * runs, 0);
    float blur = (float)PyFloat_AsDouble(args[4]), area = (float)PyFloat_AsDouble(args[5]);
    Py_buffer *pairs = view_of(&held, args[6], 'i', PyBUF_C_CONTIGUOUS);
    Py_ssize_t from = PyLong_AsSsize_t(args[9]);
    Search search = {count, 0, PyLong_AsSsize_t(args[10]), PyLong_AsSsize_t(args[11]),
                     PyLong_AsSsize_t(args[13]), PyFloat_AsDouble(args[12]),
                     PyFloat_AsDouble(args[14])};
    if (!pairs || PyErr_Occurred()) return done(&held, NULL);
    if (pairs->ndim != 3 || pairs->shape[2] != 2 || from < 0 || from >= pairs->shape[0]) {
        PyErr_SetString(PyExc_ValueError, "wanted two pairs to each sample of each section");
        return done(&held, NULL);
    }
    Py_ssize_t all = pairs->shape[0], samples = search.samples = pairs->shape[1];
    search.pooled = search.pooled > count ? count : search.pooled;
    if (search.window < 1 || search.window > samples || 2 * search.window + 1 > samples
        || search.pooled < 0 || search.reach < 0 || search.reach > samples) {
        PyErr_SetString(PyExc_ValueError, "the window does not fit the sections");
        return done(&held, NULL);
    }
    Py_ssize_t width = 2 * search.window + 1;
    const float *weights = flat(&held, args[7], 'f', 4 * all * samples, 0);
    const int32_t *own_ground = flat(&held, args[8], 'i', 2 * all, 0);
    int64_t *first = flat(&held, args[15], 'q', count, 1);
    double *part = flat(&held, args[16], 'd', count * width, 1);
    uint8_t *seen = flat(&held, args[17], '?', count, 1);
    double *level = flat(&held, args[18], 'd', count, 1);
    float *left = flat(&held, args[19], 'f', count * width, 1);
    Room room;
    if (held.failed || !all_fit(own_ground, 2 * all, samples, "a sample that there is not")
        || !make_room(&room, &search)
        || !sharpen_runs(&surface, run, runs, blur, area, sharp))
        return done(&held, NULL);
    for (Py_ssize_t s = 0; s < count; s++) {
        Py_ssize_t own = (from + s) % all * samples;
        const int32_t *pair = (const int32_t *)pairs->buf + 2 * own;
        if (!all_fit(pair, 2 * samples, cells - 1, "a pair that there is not"))
            return done(&held, NULL);
        room.whole[s] = (uint8_t)profile(sharp, pair, weights + 4 * own, room.own + s * samples,
                                         room.shown + s * samples, room.number + s * samples,
                                         samples);
    }
    for (Py_ssize_t s = 0; s < count; s++, part += width, left += width) {
        pool(&search, &room, s);
        Py_ssize_t top = top_of(room.rough, own_ground + (from + s) % all * 2, search.band);
        first[s] = window_at(&search, top);
        seen[s] = (uint8_t)take_part(&search, top >= 0, room.own + s * samples + first[s],
                                     room.mean + first[s], part);
        level[s] = centre(part, left, width);
    }
    Py_INCREF(Py_None);
    return done(&held, Py_None);
}

/*
 * visible(height (n,), pairs (m, c, 2), weights (m, c, 4), own (m, 2), from, beside, band, top (s,),
 *         around (s, 3))
 *
 * Of s sections from one on: the sample of the top of their heights, each averaged with so many on
 * either side of the s, and the averages at it and next to it; -1 where none are known.
 */
static PyObject *visible(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 9)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t cells = length(args[0]), count = length(args[7]);
    const float *height = flat(&held, args[0], 'f', cells, 0);
    Py_buffer *pairs = view_of(&held, args[1], 'i', PyBUF_C_CONTIGUOUS);
    Py_ssize_t from = PyLong_AsSsize_t(args[4]);
    Search search = {count, 0, PyLong_AsSsize_t(args[5]), 0, 1, PyFloat_AsDouble(args[6]), 0.0};
    if (!pairs || PyErr_Occurred()) return done(&held, NULL);
    if (pairs->ndim != 3 || pairs->shape[2] != 2 || pairs->shape[1] < 3 || from < 0
        || from > pairs->shape[0] || count > pairs->shape[0] - from || search.pooled < 0) {
        PyErr_SetString(PyExc_ValueError, "wanted two pairs to each sample of each section");
        return done(&held, NULL);
    }
    Py_ssize_t all = pairs->shape[0], samples = search.samples = pairs->shape[1];
    const float *weights = flat(&held, args[2], 'f', 4 * all * samples, 0);
    const int32_t *own_ground = flat(&held, args[3], 'i', 2 * all, 0);
    int64_t *top = flat(&held, args[7], 'q', count, 1);
    double *around = flat(&held, args[8], 'd', 3 * count, 1);
    Room room;
    if (held.failed || !all_fit(own_ground, 2 * all, samples, "a sample that there is not")
        || !all_fit((const int32_t *)pairs->buf + 2 * from * samples, 2 * count * samples, cells - 1,
                    "a pair that there is not")
        || !make_room(&room, &search))
        return done(&held, NULL);
    for (Py_ssize_t s = 0; s < count; s++) {
        Py_ssize_t own = (from + s) * samples;
        room.whole[s] = (uint8_t)profile(
            height, (const int32_t *)pairs->buf + 2 * own, weights + 4 * own,
            room.own + s * samples, room.shown + s * samples, room.number + s * samples, samples);
    }
    for (Py_ssize_t s = 0; s < count; s++, around += 3) {
        pool(&search, &room, s);
        top[s] = top_of(room.mean, own_ground + 2 * (from + s), search.band);
        Py_ssize_t middle = top[s] < 1 ? 1 : top[s] > samples - 2 ? samples - 2 : top[s];
        for (int k = 0; k < 3; k++) around[k] = room.mean[middle - 1 + k];
    }
    Py_INCREF(Py_None);
    return done(&held, Py_None);
}

/* ---- roofs --------------------------------------------------------------------------------- */

typedef struct {
    Py_ssize_t sections, width, places, shapes;
    const float *along;
    const double *part, *level, *weights, *spreads;
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

/* Where what was found goes. */
typedef struct {
    double *height, *offset, *spread;
} Found;

/* What a shape that is not plain must explain more, and how noise of a row becomes that of a sample. */
typedef struct {
    Py_ssize_t voters;
    double scale, least, pooled, root;
} Votes;

/* Choose a roof for each of so many sections, the first of which is found at a place. */
static int choose_roofs(const Roofs *roofs, const Votes *votes, const float *best, double noise,
                        Py_ssize_t section, Py_ssize_t count, const int64_t *first,
                        const uint8_t *seen, const double *place, const double *offset,
                        Py_ssize_t samples, Found found)
{
    noise = noise * votes->pooled / votes->root;
    double penalty = votes->scale * (noise * noise + votes->least);
    for (Py_ssize_t k = 0; k < count; k++) {
        Py_ssize_t s = section + k, middle = (Py_ssize_t)first[s] + roofs->width / 2;
        if (!fits(middle, samples, "a sample that there is not")) return 0;
        if (!seen[s]) {
            found.height[k] = found.offset[k] = found.spread[k] = NAN;
            continue;
        }
        Py_ssize_t shape = chosen_shape(roofs, best, s, votes->voters, penalty);
        Py_ssize_t most = chosen_place(roofs, s, shape), chosen = most * roofs->shapes + shape;
        found.height[k] = crest_height(roofs, s, roofs->weights + chosen * roofs->width);
        found.offset[k] = offset[middle] + place[most] * (offset[1] - offset[0]);
        found.spread[k] = roofs->spreads[chosen];
    }
    return 1;
}

/*
 * choose(along (s, 3 p q) of single, part (s, w), level (s,), first (s,), seen (s,), weights (p, q, w),
 *        spreads (p, q), places (p,), offsets (c,), voters, penalty, least variance, noise (r,),
 *        pooled noise, root, ends (rows + 1,), row, beside, height, offset, spread (m,))
 *
 * Of r rows from one on, whose sections go from one end to the next and come after those beside, the
 * best roof for each section: height, offset and spread of the crest, NaN where it was not seen.
 */
static PyObject *choose(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 21)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t sections = length(args[2]), samples = length(args[8]), many = length(args[12]);
    Votes votes = {PyLong_AsSsize_t(args[9]), PyFloat_AsDouble(args[10]),
                   PyFloat_AsDouble(args[11]), PyFloat_AsDouble(args[13]),
                   PyFloat_AsDouble(args[14])};
    Py_ssize_t rows = length(args[15]) - 1, row = PyLong_AsSsize_t(args[16]);
    Py_ssize_t section = PyLong_AsSsize_t(args[17]), all = length(args[18]);
    Py_buffer *weights = view_of(&held, args[5], 'd', PyBUF_C_CONTIGUOUS);
    if (!weights || PyErr_Occurred()) return done(&held, NULL);
    if (weights->ndim != 3 || weights->shape[0] < 1 || weights->shape[1] < 1 || votes.voters < 0
        || votes.voters > 1000 || samples < 2) {
        PyErr_SetString(PyExc_ValueError, "wanted weights of places and shapes, and some voters");
        return done(&held, NULL);
    }
    Py_ssize_t places = weights->shape[0], shapes = weights->shape[1], width = weights->shape[2];
    Roofs roofs = {sections, width, places, shapes,
                   flat(&held, args[0], 'f', 3 * sections * places * shapes, 0),
                   flat(&held, args[1], 'd', sections * width, 0),
                   flat(&held, args[2], 'd', sections, 0), weights->buf,
                   flat(&held, args[6], 'd', places * shapes, 0)};
    const int64_t *first = flat(&held, args[3], 'q', sections, 0);
    const uint8_t *seen = flat(&held, args[4], '?', sections, 0);
    const double *place = flat(&held, args[7], 'd', places, 0);
    const double *offset = flat(&held, args[8], 'd', samples, 0);
    const double *noise = flat(&held, args[12], 'd', many, 0);
    const int64_t *end = flat(&held, args[15], 'q', rows + 1, 0);
    Found found = {flat(&held, args[18], 'd', all, 1), flat(&held, args[19], 'd', all, 1),
                   flat(&held, args[20], 'd', all, 1)};
    float *best = held.failed ? NULL : scratch(0, (sections * shapes + 1) * sizeof *best);
    if (!best) return done(&held, NULL);
    if (row < 0 || many > rows || row > rows - many) {
        PyErr_SetString(PyExc_ValueError, "rows that there are not");
        return done(&held, NULL);
    }
    for (Py_ssize_t s = 0; s < sections; s++)
        best_places(roofs.along + 3 * places * shapes * s, best + s * shapes, places, shapes);
    for (Py_ssize_t r = 0; r < many; r++) {
        int64_t from = end[row + r], to = end[row + r + 1];
        if (from < 0 || to < from || to > all || section < 0 || to - from > sections - section) {
            PyErr_SetString(PyExc_ValueError, "sections that there are not");
            break;
        }
        Found own = {found.height + from, found.offset + from, found.spread + from};
        if (!choose_roofs(&roofs, &votes, best, noise[r], section, to - from, first, seen, place,
                          offset, samples, own))
            break;
        section += to - from;
    }
    Py_INCREF(Py_None);
    return done(&held, Py_None);
}

static PyMethodDef methods[] = {
    {"choose", (PyCFunction)(void (*)(void))choose, METH_FASTCALL, NULL},
    {"tops", (PyCFunction)(void (*)(void))tops, METH_FASTCALL, NULL},
    {"visible", (PyCFunction)(void (*)(void))visible, METH_FASTCALL, NULL},
    {NULL, NULL, 0, NULL},
};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_crest", NULL, -1, methods};

PyMODINIT_FUNC PyInit__crest(void)
{
    return PyModule_Create(&module);
}
