/* Copyright 2026 The berm_ledger authors */
/* SPDX-License-Identifier: Apache-2.0 */
/* The middle of many values, by way of a few of them. */
#ifndef BERM_LEDGER_RANKS_H
#define BERM_LEDGER_RANKS_H
#include "held.h"

/*
 * Of so many values, sorted, those so many places to either side enclose a rank of all values mostly:
 * the place of the rank among them is off by four or less in two cases of three.
 */
enum { SOME = 64, BESIDE = 8, AT_ONCE = 256 };

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

typedef struct {
    Py_ssize_t below, kept;
} Part;

/* Which values lie from least to most; return how many lie below. */
WIDE static int64_t mark_between(const double *restrict values, double least, double most,
                                 int64_t *restrict inside, Py_ssize_t count)
{
    int64_t below = 0;
    for (Py_ssize_t i = 0; i < count; i++) {
        below += values[i] < least;
        inside[i] = (values[i] >= least) & (values[i] <= most);
    }
    return below;
}

/* Write those from least to most one after the other, without a branch that nobody can foresee. */
static Part keep_between(const double *values, double least, double most, double *out,
                         Py_ssize_t count)
{
    Part part = {0, 0};
    int64_t inside[AT_ONCE];
    for (Py_ssize_t first = 0; first < count; first += AT_ONCE) {
        Py_ssize_t some = count - first < AT_ONCE ? count - first : AT_ONCE;
        part.below += mark_between(values + first, least, most, inside, some);
        for (Py_ssize_t i = 0; i < some; i++) {
            out[part.kept] = values[first + i];
            part.kept += inside[i];
        }
    }
    return part;
}

/*
 * Find the values of two ranks (0 is the least), the same or one after the other, of values without
 * NaN. In `spare` there is room for twice as many.
 */
static void find_ranked(const double *values, double *spare, Py_ssize_t count, Py_ssize_t low,
                        Py_ssize_t high, double found[2])
{
    double *out = spare, *other = spare + count, *room;
    while (count > SOME) {
        double some[SOME];
        for (Py_ssize_t k = 0; k < SOME; k++) some[k] = values[k * count / SOME];
        sort_some(some, SOME);
        Py_ssize_t first = low * SOME / count - BESIDE, last = high * SOME / count + BESIDE;
        double least = first < 0 ? -INFINITY : some[first];
        double most = last >= SOME ? INFINITY : some[last];
        Part part = keep_between(values, least, most, out, count);
        if (low < part.below || high >= part.below + part.kept) {
            /* They told wrong: once more, and all on that side. */
            least = low < part.below ? -INFINITY : least;
            most = high >= part.below + part.kept ? INFINITY : most;
            part = keep_between(values, least, most, out, count);
        } else if (least == most) {
            found[0] = found[1] = least;
            return;
        }
        /* Too many are alike. */
        int slow = part.kept > count - count / 4;
        values = out, count = part.kept, low -= part.below, high -= part.below;
        room = out, out = other, other = room;
        if (slow) break;
    }
    memmove(out, values, (size_t)count * sizeof *out);
    if (count > SOME) {
        qsort(out, (size_t)count, sizeof *out, by_value);
    } else {
        sort_some(out, count);
    }
    found[0] = out[low], found[1] = out[high];
}

/*
 * The middle of the least `known` of values without NaN, any beyond them infinite; NaN of none. In
 * `spare` there is room for twice as many.
 */
static double middle(const double *values, double *spare, Py_ssize_t count, Py_ssize_t known,
                     int single)
{
    double pair[2];
    if (!known) return NAN;
    /* Among many infinite ones a few values would tell nothing of the rank. */
    if (3 * known <= 2 * count) {
        Py_ssize_t kept = keep_between(values, -INFINITY, DBL_MAX, spare, count).kept;
        /* Not where the middle is one of the infinite that are known. */
        if (known / 2 < kept) values = spare, spare += kept, count = kept;
    }
    find_ranked(values, spare, count, (known - 1) / 2, known / 2, pair);
    if (known % 2) return pair[0];
    return single ? (double)(((float)pair[0] + (float)pair[1]) / 2.0f) : (pair[0] + pair[1]) / 2.0;
}

#endif
