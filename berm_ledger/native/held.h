/* Copyright 2026 The berm_ledger authors */
/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Loops over cells that numpy needs many passes for, each in one pass.
 *
 * Optional: without this module the numpy path does the same. What both give is equal
 * (test/survey/test_kernels.py): the same operations on float32 in the same order, no fused
 * multiply and add, nothing reordered. What a function computes is written beside its numpy path.
 */
#ifndef BERM_LEDGER_HELD_H
#define BERM_LEDGER_HELD_H
#define PY_SSIZE_T_CLEAN
#include <Python.h>
#include <float.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

/* The widest vectors that the machine has, chosen when the module is loaded. */
#if defined(__GNUC__) && !defined(__clang__) && defined(__x86_64__) && defined(__GLIBC__)
#define WIDE __attribute__((target_clones("avx2", "default")))
#else
#define WIDE
#endif
#define OWN __attribute__((unused)) static

/* Ask for a place in memory that will be needed soon. */
#if defined(__GNUC__)
#define fetch(place) __builtin_prefetch(place)
#else
#define fetch(place) ((void)(place))
#endif

/*
 * Ask for what a loop will come to. What is read in order comes by itself, but not over the end of a
 * page of 4 kB, and a step that touches twenty arrays comes to many such ends.
 */
OWN void fetch_on(const void *place, size_t bytes)
{
    enum { LINE = 64 };
    for (size_t k = 0; k < bytes; k += LINE) fetch((const char *)place + k);
}

enum { MOST_HELD = 24 };

/* ---- arrays handed in ---------------------------------------------------------------------- */

typedef struct {
    Py_buffer views[MOST_HELD];
    int count;
    int failed;
} Held;

OWN void release(Held *held)
{
    while (held->count > 0) PyBuffer_Release(&held->views[--held->count]);
}

OWN int same_kind(const char *format, char kind)
{
    if (!format) return kind == 'B';
    if (*format == '@' || *format == '=' || *format == '<') format++;
    if (kind == 'q') return *format == 'q' || *format == 'l';
    return *format == kind;
}

OWN Py_buffer *view_of(Held *held, PyObject *object, char kind, int flags)
{
    if (held->failed) return NULL;
    Py_buffer *view = &held->views[held->count];
    if (held->count == MOST_HELD || PyObject_GetBuffer(object, view, flags | PyBUF_FORMAT) < 0) {
        held->failed = 1;
        return NULL;
    }
    held->count++;
    if (kind && !same_kind(view->format, kind)) {
        PyErr_Format(PyExc_TypeError, "argument array %d: wanted type '%c', got '%s'",
                     held->count, kind, view->format ? view->format : "B");
        held->failed = 1;
        return NULL;
    }
    return view;
}

/* Return the data of a contiguous array of so many values; with a count below 0, of any number. */
OWN void *flat(Held *held, PyObject *object, char kind, Py_ssize_t count, int writable)
{
    Py_buffer *view = view_of(held, object, kind,
                              PyBUF_C_CONTIGUOUS | (writable ? PyBUF_WRITABLE : 0));
    if (!view) return NULL;
    if (count >= 0 && view->len != count * view->itemsize) {
        PyErr_Format(PyExc_ValueError, "argument array %d: wanted %zd values, got %zd",
                     held->count, count, view->len / view->itemsize);
        held->failed = 1;
        return NULL;
    }
    return view->buf;
}

/* As `flat`; NULL for None, too, without an error. */
OWN const void *flat_if_any(Held *held, PyObject *object, char kind, Py_ssize_t count)
{
    return object == Py_None ? NULL : flat(held, object, kind, count, 0);
}

OWN Py_ssize_t length(PyObject *object)
{
    return PyObject_Length(object);
}

OWN int wanted(Py_ssize_t given, Py_ssize_t needed)
{
    if (given == needed) return 1;
    PyErr_Format(PyExc_TypeError, "wanted %zd arguments, got %zd", needed, given);
    return 0;
}

/* Whether a place is one of so many; sets the error that says what there is not. */
OWN int fits(int64_t place, Py_ssize_t of, const char *says)
{
    if (place >= 0 && place < of) return 1;
    PyErr_SetString(PyExc_ValueError, says);
    return 0;
}

/* Whether all of so many places are there. */
OWN int all_fit(const int32_t *place, Py_ssize_t count, Py_ssize_t of, const char *says)
{
    int32_t least = 0, most = 0;
    for (Py_ssize_t k = 0; k < count; k++) {
        least = place[k] < least ? place[k] : least;
        most = place[k] > most ? place[k] : most;
    }
    return !count || (fits(least, of, says) && fits(most, of, says));
}

/*
 * Whether pieces (k, 3): first of some, first of others, how many; lie in order within so many of
 * either, none of which two of them hold.
 */
OWN int pieces_fit(const int32_t *piece, Py_ssize_t pieces, Py_ssize_t some, Py_ssize_t others)
{
    Py_ssize_t past = 0, other_past = 0;
    for (; pieces > 0; pieces--, piece += 3) {
        if (piece[0] < past || piece[1] < other_past || piece[2] < 0
            || piece[0] + (Py_ssize_t)piece[2] > some
            || piece[1] + (Py_ssize_t)piece[2] > others) {
            PyErr_SetString(PyExc_ValueError,
                            "a piece holds cells that there are not, or that another holds");
            return 0;
        }
        past = piece[0] + (Py_ssize_t)piece[2], other_past = piece[1] + (Py_ssize_t)piece[2];
    }
    return 1;
}

/*
 * Memory that is kept from call to call; whoever calls holds the interpreter's lock. What is new of
 * it is zero, what is old as it was left.
 */
OWN void *scratch(int place, size_t bytes)
{
    static struct { void *data; size_t size; } kept[5];
    if (kept[place].size < bytes) {
        void *data = realloc(kept[place].data, bytes);
        if (!data) {
            PyErr_NoMemory();
            return NULL;
        }
        memset((char *)data + kept[place].size, 0, bytes - kept[place].size);
        kept[place].data = data;
        kept[place].size = bytes;
    }
    return kept[place].data;
}

/* Whether there is anything but NaN among values. */
WIDE OWN int32_t any_number(const float *restrict values, Py_ssize_t count)
{
    int32_t some = 0;
    for (Py_ssize_t i = 0; i < count; i++) some |= values[i] == values[i];
    return some;
}

/* Whether any value is greater than a limit. */
WIDE OWN int32_t any_beyond(const float *restrict values, float most, Py_ssize_t count)
{
    int32_t beyond = 0;
    for (Py_ssize_t i = 0; i < count; i++) beyond |= values[i] > most;
    return beyond;
}

OWN PyObject *done(Held *held, PyObject *result)
{
    release(held);
    if (PyErr_Occurred()) {
        Py_XDECREF(result);
        return NULL;
    }
    return result;
}

#endif
