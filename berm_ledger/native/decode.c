/* Copyright 2026 The berm_ledger authors */
/* SPDX-License-Identifier: Apache-2.0 */
/* Heights out of a message. */
#include "grid.h"

/* Copy a row; what is absurd becomes unknown. Return whether any height is known. */
WIDE static int copy_row(const float *restrict source, float *restrict target, Py_ssize_t count,
                         float absurd)
{
    int32_t known = 0;
    for (Py_ssize_t c = 0; c < count; c++) {
        int32_t good = fabsf(source[c]) <= absurd;
        target[c] = good ? source[c] : NAN;
        known |= good;
    }
    return known;
}

/* copied(source (r, c), absurd, target (r, c)) -> whether any is known; columns contiguous */
static PyObject *copied(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 3)) return NULL;
    Held held = {.count = 0};
    Py_buffer *from = view_of(&held, args[0], 'f', PyBUF_STRIDES);
    float absurd = (float)PyFloat_AsDouble(args[1]);
    Py_buffer *to = view_of(&held, args[2], 'f', PyBUF_STRIDES | PyBUF_WRITABLE);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    if (from->ndim != 2 || to->ndim != 2 || from->shape[0] != to->shape[0]
        || from->shape[1] != to->shape[1] || from->strides[1] != sizeof(float)
        || to->strides[1] != sizeof(float)) {
        PyErr_SetString(PyExc_ValueError, "wanted two arrays of one shape, columns contiguous");
        return done(&held, NULL);
    }
    int known = 0;
    for (Py_ssize_t r = 0; r < from->shape[0]; r++)
        known |= copy_row((const float *)((const char *)from->buf + r * from->strides[0]),
                          (float *)((char *)to->buf + r * to->strides[0]), from->shape[1], absurd);
    return done(&held, PyBool_FromLong(known));
}

typedef struct {
    const float *x, *y, *z;
} Points;

enum { OFF_PLACE = 2 };

/* One row of a cloud, so many floats to a point: heights, and whether all lie on their places. */
static inline __attribute__((always_inline)) int cloud_row(
    Points at, Py_ssize_t step, float row_x, float row_y, const float *restrict col_x,
    const float *restrict col_y, float limit, float absurd, float *restrict out, Py_ssize_t count)
{
    int32_t known = 0, on = 1;
    for (Py_ssize_t c = 0; c < count; c++) {
        /* A comparison with NaN is false: a point without a place is none. */
        int32_t placed = (fabsf(at.x[c * step] - row_x - col_x[c]) <= limit)
            & (fabsf(at.y[c * step] - row_y - col_y[c]) <= limit);
        float z = at.z[c * step];
        int32_t good = fabsf(z) <= absurd;
        out[c] = good ? z : NAN;
        on &= placed;
        known |= good;
    }
    return known | (on ? 0 : OFF_PLACE);
}

WIDE static int cloud_row_any(Points at, Py_ssize_t step, float row_x, float row_y,
                              const float *col_x, const float *col_y, float limit, float absurd,
                              float *out, Py_ssize_t count)
{
    /* The usual points, for which the compiler can load several at a time. */
    switch (step) {
    case 3: return cloud_row(at, 3, row_x, row_y, col_x, col_y, limit, absurd, out, count);
    case 4: return cloud_row(at, 4, row_x, row_y, col_x, col_y, limit, absurd, out, count);
    case 8: return cloud_row(at, 8, row_x, row_y, col_x, col_y, limit, absurd, out, count);
    default: return cloud_row(at, step, row_x, row_y, col_x, col_y, limit, absurd, out, count);
    }
}

/*
 * cloud(x, y, z (r, c), row_x, row_y (r,), col_x, col_y (c,), limit, absurd, out (r, c))
 *     -> whether any height is known; None where a point lies off its place by more than `limit`
 */
static PyObject *cloud(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 10)) return NULL;
    Held held = {.count = 0};
    Grid x = grid_of(&held, args[0]), y = grid_of(&held, args[1]), z = grid_of(&held, args[2]);
    const float *row_x = flat(&held, args[3], 'f', x.rows, 0);
    const float *row_y = flat(&held, args[4], 'f', x.rows, 0);
    const float *col_x = flat(&held, args[5], 'f', x.cols, 0);
    const float *col_y = flat(&held, args[6], 'f', x.cols, 0);
    float limit = (float)PyFloat_AsDouble(args[7]), absurd = (float)PyFloat_AsDouble(args[8]);
    float *out = flat(&held, args[9], 'f', x.rows * x.cols, 1);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    Py_ssize_t step = x.right / (Py_ssize_t)sizeof(float);
    if (y.rows != x.rows || z.rows != x.rows || y.cols != x.cols || z.cols != x.cols
        || y.right != x.right || z.right != x.right || x.right % (Py_ssize_t)sizeof(float)) {
        PyErr_SetString(PyExc_ValueError, "x, y and z must be laid out alike");
        return done(&held, NULL);
    }
    int told = 0;
    for (Py_ssize_t r = 0; r < x.rows && !(told & OFF_PLACE); r++) {
        Points at = {(const float *)(x.data + r * x.down), (const float *)(y.data + r * y.down),
                     (const float *)(z.data + r * z.down)};
        told |= cloud_row_any(at, step, row_x[r], row_y[r], col_x, col_y, limit, absurd,
                              out + r * x.cols, x.cols);
    }
    if (told & OFF_PLACE) {
        Py_INCREF(Py_None);
        return done(&held, Py_None);
    }
    return done(&held, PyBool_FromLong(told));
}

static PyMethodDef methods[] = {
    {"copied", (PyCFunction)(void (*)(void))copied, METH_FASTCALL, NULL},
    {"cloud", (PyCFunction)(void (*)(void))cloud, METH_FASTCALL, NULL},
    {NULL, NULL, 0, NULL},
};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_decode", NULL, -1, methods};

PyMODINIT_FUNC PyInit__decode(void)
{
    return PyModule_Create(&module);
}
