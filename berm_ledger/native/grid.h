/* Copyright 2026 The berm_ledger authors */
/* SPDX-License-Identifier: Apache-2.0 */
/* A grid of heights, and its height at a point. */
#ifndef BERM_LEDGER_GRID_H
#define BERM_LEDGER_GRID_H
#include "held.h"

/* Heights of a grid: any strides. */
typedef struct {
    const char *data;
    Py_ssize_t rows, cols, down, right;
} Grid;

static inline float height(const Grid *grid, Py_ssize_t row, Py_ssize_t col)
{
    float value;
    memcpy(&value, grid->data + row * grid->down + col * grid->right, sizeof value);
    return value;
}

OWN Grid grid_of(Held *held, PyObject *object)
{
    Grid grid = {NULL, 0, 0, 0, 0};
    Py_buffer *view = view_of(held, object, 'f', PyBUF_STRIDES);
    if (!view) return grid;
    if (view->ndim != 2 || view->shape[0] < 2 || view->shape[1] < 2
        || view->shape[0] > INT32_MAX || view->shape[1] > INT32_MAX) {
        PyErr_SetString(PyExc_ValueError, "heights must have two rows and columns");
        held->failed = 1;
        return grid;
    }
    grid.data = view->buf;
    grid.rows = view->shape[0], grid.cols = view->shape[1];
    grid.down = view->strides[0], grid.right = view->strides[1];
    return grid;
}

static inline float between(float near, float far, float part)
{
    float low = near * (1.0f - part);
    float high = far * part;
    return low + high;
}

/* How points are looked for in a grid: moved, from its origin, along its rows and columns. */
typedef struct {
    const double *moved, *origin, *turn;
} Placed;

OWN Placed placed_of(Held *held, PyObject *moved, PyObject *origin, PyObject *turn)
{
    Placed placed;
    placed.moved = flat(held, moved, 'd', 2, 0);
    placed.origin = flat(held, origin, 'd', 2, 0);
    placed.turn = flat(held, turn, 'd', 4, 0);
    return placed;
}

enum { POINTS = 64 };

/* Where points lie in a grid: the cell before each, the parts beyond it, whether inside. */
typedef struct {
    int32_t row[POINTS], col[POINTS], inside[POINTS];
    float along[POINTS], across[POINTS];
} Places;

WIDE OWN void place_points(const double *restrict points, const double *restrict moved,
                           const double *restrict origin, const double *restrict turn,
                           int32_t last_row, int32_t last_col, Places *restrict at,
                           Py_ssize_t count)
{
    double rows = (double)last_row, cols = (double)last_col;
    double move_x = moved[0], move_y = moved[1], from_x = origin[0], from_y = origin[1];
    double t0 = turn[0], t1 = turn[1], t2 = turn[2], t3 = turn[3];
    for (Py_ssize_t k = 0; k < count; k++) {
        double x = points[2 * k] + move_x - from_x, y = points[2 * k + 1] + move_y - from_y;
        double row = x * t0 + y * t2, col = x * t1 + y * t3;
        int32_t inside = (row >= 0.0) & (row <= rows) & (col >= 0.0) & (col <= cols);
        row = inside ? row : 0.0, col = inside ? col : 0.0;
        int32_t r = (int32_t)row, c = (int32_t)col;
        r = r > last_row - 1 ? last_row - 1 : r;
        c = c > last_col - 1 ? last_col - 1 : c;
        at->along[k] = (float)(row - (double)r), at->across[k] = (float)(col - (double)c);
        at->row[k] = r, at->col[k] = c, at->inside[k] = inside;
    }
}

WIDE OWN void between_four(const float (*restrict four)[POINTS], const Places *restrict at,
                           float *restrict out, Py_ssize_t count)
{
    for (Py_ssize_t k = 0; k < count; k++) {
        float near = between(four[0][k], four[1][k], at->across[k]);
        float far = between(four[2][k], four[3][k], at->across[k]);
        float value = between(near, far, at->along[k]);
        out[k] = at->inside[k] ? value : NAN;
    }
}

/*
 * The heights at up to POINTS points (x, y); NaN outside and where one of the four cells is
 * unknown. The grid has fewer rows and columns than an int32 can count.
 */
OWN void heights_at(const Grid *grid, const Placed *placed, const double *points, float *out,
                    Py_ssize_t count)
{
    Places at;
    float four[4][POINTS];
    place_points(points, placed->moved, placed->origin, placed->turn, (int32_t)(grid->rows - 1),
                 (int32_t)(grid->cols - 1), &at, count);
    for (Py_ssize_t k = 0; k < count; k++) {
        Py_ssize_t r = at.row[k], c = at.col[k];
        four[0][k] = height(grid, r, c), four[1][k] = height(grid, r, c + 1);
        four[2][k] = height(grid, r + 1, c), four[3][k] = height(grid, r + 1, c + 1);
    }
    between_four((const float (*)[POINTS])four, &at, out, count);
}

#endif
