/* Copyright 2026 The berm_ledger authors */
/* SPDX-License-Identifier: Apache-2.0 */
/* Sums over cells in one stated order, and those of a weighted fit, as survey/robust.py has them. */
#ifndef BERM_LEDGER_WEIGHTS_H
#define BERM_LEDGER_WEIGHTS_H
#include "symmetric.h"

/* Sums are taken over every 64th value, then in halves: one order for all machines. */
enum { LANES = 64 };

OWN void sum_lanes(double (*sums)[LANES], int rows, double *out)
{
    for (int k = 0; k < rows; k++) {
        for (int half = LANES / 2; half > 0; half /= 2)
            for (int lane = 0; lane < half; lane++) sums[k][lane] += sums[k][lane + half];
        out[k] = sums[k][0];
    }
}

enum { SUMS = 9 };

/* Up to LANES differences at slopes, each weighed, onto the sum of its lane. */
WIDE OWN void add_lanes(const double *restrict left, const double *restrict slope_x,
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

/* The normal equations of a shift along x, y and up. */
typedef struct {
    Symmetric matrix;
    double toward[3];
} Equations;

/* Of differences at slopes, by Tukey's weights about a centre; where unknown the weight is zero. */
OWN Equations weigh(const double *left, const double *slope, double centre, double width,
                    Py_ssize_t count)
{
    double sums[SUMS][LANES] = {{0.0}}, of[SUMS];
    for (Py_ssize_t first = 0; first < count; first += LANES)
        add_lanes(left + first, slope + first, slope + count + first, centre, width, sums,
                  count - first < LANES ? count - first : LANES);
    sum_lanes(sums, SUMS, of);
    return (Equations){{of[0], of[1], of[2], of[3], of[4], of[5]}, {of[6], of[7], of[8]}};
}

#endif
