/* Copyright 2026 The berm_ledger authors */
/* SPDX-License-Identifier: Apache-2.0 */
/* Gaps of a grid: how many there are, and planes through the known cells around them. */
#include "grid.h"

/* ---- how many there are -------------------------------------------------------------------- */

/* How many of a row but for its last one are known, and how many with the next and those below. */
WIDE static void count_row(const float *restrict near, const float *restrict far, Py_ssize_t cols,
                           int32_t *restrict known, int32_t *restrict whole)
{
    int32_t one = 0, four = 0;
    for (Py_ssize_t c = 0; c + 1 < cols; c++) {
        float sum = near[c] + near[c + 1] + far[c] + far[c + 1];
        one += near[c] == near[c], four += sum == sum;
    }
    *known = one, *whole = four;
}

/* counted(height (r, c), every) -> of every so many rows: cells known, whole neighbourhoods */
static PyObject *counted(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 2)) return NULL;
    Held held = {.count = 0};
    Grid grid = grid_of(&held, args[0]);
    Py_ssize_t every = PyLong_AsSsize_t(args[1]), known = 0, whole = 0;
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    float *rows = scratch(0, 2 * grid.cols * sizeof *rows);
    if (!rows || !fits(every - 1, grid.rows, "there are no such rows")) return done(&held, NULL);
    for (Py_ssize_t r = 0; r + 1 < grid.rows; r += every) {
        int32_t one, four;
        for (Py_ssize_t c = 0; c < grid.cols; c++) {
            rows[c] = height(&grid, r, c);
            rows[grid.cols + c] = height(&grid, r + 1, c);
        }
        count_row(rows, rows + grid.cols, grid.cols, &one, &four);
        known += one, whole += four;
    }
    return done(&held, Py_BuildValue("nn", known, whole));
}

/* ---- planes -------------------------------------------------------------------------------- */

enum { SUMS = 9, CELLS = 64 };

/* What is asked of the cells around a gap: how many, how unsure the plane may be, how steep. */
typedef struct {
    float least, steep;
    double unsure, flat;
} Asked;

/* Over the known cells around up to CELLS of a row: sums, how many, the highest and the lowest. */
typedef struct {
    double of[SUMS][CELLS];
    float known[CELLS], high[CELLS], low[CELLS];
} Around;

static inline int is_known(float value)
{
    return fabsf(value) <= FLT_MAX;
}

/* Add one cell around each: what the table has for it, and its first three times the height. */
WIDE static void add_cell(const float *restrict there, const double *restrict term,
                          Around *restrict sums, Py_ssize_t count)
{
    double t0 = term[0], t1 = term[1], t2 = term[2], t3 = term[3], t4 = term[4], t5 = term[5];
    for (Py_ssize_t k = 0; k < count; k++) {
        float value = there[k], size = fabsf(value);
        double one = size <= FLT_MAX ? 1.0 : 0.0, height = size <= FLT_MAX ? (double)value : 0.0;
        sums->of[0][k] += t0 * one, sums->of[1][k] += t1 * one, sums->of[2][k] += t2 * one;
        sums->of[3][k] += t3 * one, sums->of[4][k] += t4 * one, sums->of[5][k] += t5 * one;
        sums->of[6][k] += t0 * height, sums->of[7][k] += t1 * height;
        sums->of[8][k] += t2 * height;
    }
    for (Py_ssize_t k = 0; k < count; k++) {
        float value = there[k], size = fabsf(value);
        sums->known[k] += size <= FLT_MAX ? 1.0f : 0.0f;
        float high = size <= FLT_MAX ? value : -INFINITY, low = size <= FLT_MAX ? value : INFINITY;
        sums->high[k] = high > sums->high[k] ? high : sums->high[k];
        sums->low[k] = low < sums->low[k] ? low : sums->low[k];
    }
}

/* The heights of the planes in the middle; NaN where they are too unsure. */
WIDE static void in_the_middle(const Around *restrict sums, const Asked *restrict asked,
                               float *restrict out, Py_ssize_t count)
{
    for (Py_ssize_t k = 0; k < count; k++) {
        double w = sums->of[0][k], r = sums->of[1][k], c = sums->of[2][k];
        double rr = sums->of[3][k], rc = sums->of[4][k], cc = sums->of[5][k];
        double own = rr * cc - rc * rc, row = rc * c - r * cc, col = r * rc - rr * c;
        double size = w * own + r * row + c * col;
        int good = (size > asked->flat) & (own <= asked->unsure * size)
            & (sums->known[k] >= asked->least)
            & (sums->high[k] - sums->low[k] <= asked->steep);
        double above = own * sums->of[6][k] + row * sums->of[7][k] + col * sums->of[8][k];
        out[k] = good ? (float)(above / size) : NAN;
    }
}

/* Fill up to CELLS of a row. */
static void fill_cells(const float *own, const Py_ssize_t *step, const double *term,
                       Py_ssize_t around, const Asked *asked, float *out, Py_ssize_t count)
{
    Around sums = {.known = {0.0f}};
    float value[CELLS];
    for (int k = 0; k < CELLS; k++) sums.high[k] = -INFINITY, sums.low[k] = INFINITY;
    for (Py_ssize_t k = 0; k < around; k++) add_cell(own + step[k], term + 6 * k, &sums, count);
    in_the_middle(&sums, asked, value, count);
    for (Py_ssize_t k = 0; k < count; k++)
        if (!is_known(own[k]) && is_known(value[k])) out[k] = value[k];
}

/*
 * fill(padded (r + 2 reach, c + 2 reach), reach, steps (k,), terms (k, 6), least, unsure, flat,
 *      steep, out (r, c))
 *
 * Heights of a grid with a border of NaN on all sides. Where one is not known and enough is
 * around, `out` gets that of the plane. `steps` lead to the cells around, in the grid with its
 * border.
 */
static PyObject *fill(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 9)) return NULL;
    Held held = {.count = 0};
    Grid padded = grid_of(&held, args[0]), grid = grid_of(&held, args[8]);
    Py_ssize_t reach = PyLong_AsSsize_t(args[1]), around = length(args[2]);
    const int64_t *steps = flat(&held, args[2], 'q', around, 0);
    const double *terms = flat(&held, args[3], 'd', 6 * around, 0);
    Asked asked = {(float)PyFloat_AsDouble(args[4]), (float)PyFloat_AsDouble(args[7]),
                   PyFloat_AsDouble(args[5]), PyFloat_AsDouble(args[6])};
    float *out = flat(&held, args[8], 'f', -1, 1);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    if (reach < 0 || padded.right != sizeof(float) || padded.rows != grid.rows + 2 * reach
        || padded.cols != grid.cols + 2 * reach
        || padded.down != padded.cols * (Py_ssize_t)sizeof(float)) {
        PyErr_SetString(PyExc_ValueError, "the border does not fit the grid");
        return done(&held, NULL);
    }
    Py_ssize_t *step = scratch(0, (around + 1) * sizeof *step);
    if (!step) return done(&held, NULL);
    Py_ssize_t furthest = reach * padded.cols + reach;
    for (Py_ssize_t k = 0; k < around; k++) {
        if (steps[k] < -furthest || steps[k] > furthest) {
            PyErr_SetString(PyExc_ValueError, "a step leads out of the border");
            return done(&held, NULL);
        }
        step[k] = (Py_ssize_t)steps[k];
    }
    for (Py_ssize_t r = 0; r < grid.rows; r++) {
        const float *row = (const float *)(padded.data + (r + reach) * padded.down) + reach;
        for (Py_ssize_t c = 0; c < grid.cols; c += CELLS)
            fill_cells(row + c, step, terms, around, &asked, out + r * grid.cols + c,
                       grid.cols - c < CELLS ? grid.cols - c : CELLS);
    }
    Py_INCREF(Py_None);
    return done(&held, Py_None);
}

static PyMethodDef methods[] = {
    {"counted", (PyCFunction)(void (*)(void))counted, METH_FASTCALL, NULL},
    {"fill", (PyCFunction)(void (*)(void))fill, METH_FASTCALL, NULL},
    {NULL, NULL, 0, NULL},
};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_gaps", NULL, -1, methods};

PyMODINIT_FUNC PyInit__gaps(void)
{
    return PyModule_Create(&module);
}
