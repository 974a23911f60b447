/* Copyright 2026 The berm_ledger authors */
/* SPDX-License-Identifier: Apache-2.0 */
/* Values of a rank, and the middle one, by way of a few of them. */
#ifndef BERM_LEDGER_RANKS_H
#define BERM_LEDGER_RANKS_H
#include "held.h"

enum { SOME = 64, BESIDE = 5 };

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

/* The least value above one, infinity where there is none. */
WIDE static double next_above(const double *restrict values, double one, Py_ssize_t count)
{
    enum { AT_ONCE = 16 };
    double least[AT_ONCE];
    Py_ssize_t i = 0;
    for (int lane = 0; lane < AT_ONCE; lane++) least[lane] = INFINITY;
    for (; i + AT_ONCE <= count; i += AT_ONCE) {
        for (int lane = 0; lane < AT_ONCE; lane++) {
            double own = values[i + lane] > one ? values[i + lane] : INFINITY;
            least[lane] = own < least[lane] ? own : least[lane];
        }
    }
    for (; i < count; i++)
        if (values[i] > one && values[i] < least[0]) least[0] = values[i];
    for (int lane = 1; lane < AT_ONCE; lane++)
        least[0] = least[lane] < least[0] ? least[lane] : least[0];
    return least[0];
}

/*
 * The middle of the least `known` of values without NaN, any beyond them infinite; NaN of none. In
 * `spare` there is room for all.
 */
static double middle(const double *values, double *spare, Py_ssize_t count, Py_ssize_t known,
                     int single)
{
    Py_ssize_t half = known / 2;
    if (!known) return NAN;
    memcpy(spare, values, count * sizeof *values);
    if (known % 2) return ranked(spare, count, half);
    double low = ranked(spare, count, half - 1), high = low;
    if (count_up_to(values, low, count) <= half) high = next_above(values, low, count);
    return single ? (double)(((float)low + (float)high) / 2.0f) : (low + high) / 2.0;
}

#endif
