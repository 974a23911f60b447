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
    if (view->ndim != 2 || view->shape[0] < 2 || view->shape[1] < 2) {
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

/* The height at a point (x, y); NaN outside and where one of the four cells is unknown. */
static inline float height_at(const Grid *grid, const Placed *placed, const double *point)
{
    const double *turn = placed->turn;
    double x = point[0] + placed->moved[0] - placed->origin[0];
    double y = point[1] + placed->moved[1] - placed->origin[1];
    double row = x * turn[0] + y * turn[2], col = x * turn[1] + y * turn[3];
    double rows = (double)(grid->rows - 1), cols = (double)(grid->cols - 1);
    if (!(row >= 0.0 && row <= rows && col >= 0.0 && col <= cols)) return NAN;
    Py_ssize_t r = (Py_ssize_t)row, c = (Py_ssize_t)col;
    if (r > grid->rows - 2) r = grid->rows - 2;
    if (c > grid->cols - 2) c = grid->cols - 2;
    float along = (float)(row - (double)r), across = (float)(col - (double)c);
    float near = between(height(grid, r, c), height(grid, r, c + 1), across);
    float far = between(height(grid, r + 1, c), height(grid, r + 1, c + 1), across);
    return between(near, far, along);
}

#endif
