/* Copyright 2026 The berm_ledger authors */
/* SPDX-License-Identifier: Apache-2.0 */
/* Readings: whose turn it is, what lies on segments, what their crests come to; layers to keep. */
#include "ranks.h"

/* From where to where a row goes, in ends (rows + 1,) of so many; sets the error if it does not. */
static int ends_fit(const int64_t *end, Py_ssize_t rows, int64_t row, Py_ssize_t of,
                    const char *says, int64_t *from, int64_t *to)
{
    if (!fits(row, rows, "a row that there is not")) return 0;
    *from = end[row], *to = end[row + 1];
    if (*from >= 0 && *to >= *from && *to <= of) return 1;
    PyErr_SetString(PyExc_ValueError, says);
    return 0;
}

/* ---- volumes ------------------------------------------------------------------------------- */

/* What is known of cells: n of them on the lattice, and those of each row with share and design. */
typedef struct {
    const float *height, *level, *looks, *ground;
    const int32_t *cell;
    const double *design, *share, *table;
    Py_ssize_t steps;
    float most;
    double noise, sigmas;
} Stock;

/*
 * Sums of shares times: known inside, height inside, gap inside, what is short inside, known outside,
 * height outside; of 1 / looks where there are any, and how many those are.
 */
enum { SEEN_IN, PLACED_IN, GAP, SHORT, SEEN_OUT, SPILLED, INVERSE, MANY, SUMS };
enum { CHUNK = 64, AHEAD = 32 };

WIDE static void spreads(const double *restrict inverse, double noise, double *restrict out,
                         Py_ssize_t count)
{
    for (Py_ssize_t k = 0; k < count; k++) out[k] = noise * sqrt(inverse[k]);
}

/* The positive part of a gap less what noise adds to it: cubics over steps of its size in noise. */
static inline double positive_part(const Stock *stock, double gap, double spread)
{
    double plain = gap > 0.0 ? gap : 0.0;
    if (!(fabs(gap) < stock->sigmas * spread)) return plain;
    double at = fabs(gap) / spread * ((double)stock->steps / stock->sigmas);
    Py_ssize_t step = (Py_ssize_t)at < stock->steps ? (Py_ssize_t)at : stock->steps - 1;
    const double *cubic = stock->table + 4 * step;
    double part = at - (double)step;
    return plain - spread * (((cubic[3] * part + cubic[2]) * part + cubic[1]) * part + cubic[0]);
}

/* Ask early for what is added up next: a line of the cache holds 16 heights or 8 doubles. */
static void fetch_cells(const Stock *stock, Py_ssize_t from, Py_ssize_t to)
{
    for (Py_ssize_t k = from; k < to && k < from + CHUNK; k += 8) {
        int32_t cell = stock->cell[k];
        fetch(stock->height + cell), fetch(stock->level + cell), fetch(stock->looks + cell);
        fetch(stock->design + k), fetch(stock->share + k);
    }
}

/* Add up so many cells, at most CHUNK, in order; where all of the datum is given it has no spread. */
static void add_cells(const Stock *stock, Py_ssize_t from, Py_ssize_t count, int given, double *sums)
{
    double above[CHUNK], inverse[CHUNK], spread[CHUNK], total[SUMS];
    memcpy(total, sums, sizeof total);
    for (Py_ssize_t k = 0; k < count; k++) {
        int32_t cell = stock->cell[from + k];
        float looks = stock->looks[cell], worth = looks < stock->most ? looks : stock->most;
        float part = 1.0f / worth;
        above[k] = (double)(stock->height[cell] - stock->level[cell]);
        inverse[k] = (double)(given ? part : part + 1.0f / stock->ground[cell]);
        total[INVERSE] += worth > 0.0f ? (double)part : 0.0;
        total[MANY] += worth > 0.0f ? 1.0 : 0.0;
    }
    spreads(inverse, stock->noise, spread, count);
    for (Py_ssize_t k = 0; k < count; k++) {
        double design = stock->design[from + k], share = stock->share[from + k];
        int known = fabs(above[k]) <= DBL_MAX;
        double own = known ? above[k] : 0.0, gap = known ? design - own : 0.0;
        double inside = design > 0.0 ? share : 0.0, outside = design > 0.0 ? 0.0 : share;
        total[SEEN_IN] += inside * (double)known;
        total[PLACED_IN] += inside * own;
        total[GAP] += inside * gap;
        /* Where there is no share there is no need to know what noise does. */
        if (inside != 0.0 && known) total[SHORT] += inside * positive_part(stock, gap, spread[k]);
        total[SEEN_OUT] += outside * (double)known;
        total[SPILLED] += outside * own;
    }
    memcpy(sums, total, sizeof total);
}

/* The factor from seen cells to all cells; NaN for too few, 1 where there are none. */
static double scale_of(double seen, double whole, double least)
{
    if (!(whole > 0.0)) return 1.0;
    return seen >= least * whole ? whole / seen : NAN;
}

/* Mean of 1 / looks, and the volumes: placed, missing, over, spilled. */
static PyObject *stock_of(const double *sums, double whole_in, double whole_out, double least,
                          double area)
{
    double scale = scale_of(sums[SEEN_IN], whole_in, least);
    double spilled = sums[SPILLED] * scale_of(sums[SEEN_OUT], whole_out, least);
    double missing = sums[SHORT] * scale, over = missing - sums[GAP] * scale;
    return Py_BuildValue(
        "ddddd", sums[MANY] > 0.0 ? sums[INVERSE] / sums[MANY] : INFINITY,
        (sums[PLACED_IN] * scale + spilled) * area, missing * area, over * area, spilled * area);
}

/*
 * volumes(height, level, looks, datum looks (n,), most looks, noise, cells (k,), design, share (k,),
 *         ends (rows + 1,), whole inside, whole outside, given (rows,), cubics (steps, 4), sigmas,
 *         least seen, cell area, rows (r,)) -> list
 *
 * Of some of the rows, whose cells go from one end to the next, what ``stock_of`` says.
 */
static PyObject *volumes(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 18)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t all = length(args[0]), cells = length(args[6]), rows = length(args[10]);
    Py_ssize_t steps = length(args[13]), count = length(args[17]);
    Stock stock = {flat(&held, args[0], 'f', all, 0), flat(&held, args[1], 'f', all, 0),
                   flat(&held, args[2], 'f', all, 0), flat(&held, args[3], 'f', all, 0),
                   flat(&held, args[6], 'i', cells, 0), flat(&held, args[7], 'd', cells, 0),
                   flat(&held, args[8], 'd', cells, 0), flat(&held, args[13], 'd', 4 * steps, 0),
                   steps, (float)PyFloat_AsDouble(args[4]), PyFloat_AsDouble(args[5]),
                   PyFloat_AsDouble(args[14])};
    const int64_t *end = flat(&held, args[9], 'q', rows + 1, 0);
    const double *whole_in = flat(&held, args[10], 'd', rows, 0);
    const double *whole_out = flat(&held, args[11], 'd', rows, 0);
    const uint8_t *of_given = flat(&held, args[12], '?', rows, 0);
    double least = PyFloat_AsDouble(args[15]), area = PyFloat_AsDouble(args[16]);
    const int64_t *row = flat(&held, args[17], 'q', count, 0);
    PyObject *out = held.failed || PyErr_Occurred() || !fits(0, steps, "no cubics")
        ? NULL : PyList_New(count);
    if (!out) return done(&held, NULL);
    for (Py_ssize_t r = 0; r < count; r++) {
        int64_t from, to;
        if (!ends_fit(end, rows, row[r], cells, "cells that there are not", &from, &to)) break;
        if (!all_fit(stock.cell + from, to - from, all, "a cell that there is not")) break;
        double sums[SUMS] = {0.0};
        for (; from < to; from += CHUNK) {
            fetch_cells(&stock, from + CHUNK, to);
            add_cells(&stock, from, to - from < CHUNK ? to - from : CHUNK, of_given[row[r]],
                      sums);
        }
        PyObject *own = stock_of(sums, whole_in[row[r]], whole_out[row[r]], least, area);
        if (!own) break;
        PyList_SET_ITEM(out, r, own);
    }
    return done(&held, out);
}

/*
 * spread(height, looks (n,), datum looks (n,) or None, most looks, noise, cells (k,), ends (rows + 1,),
 *        rows (r,), out (r,))
 *
 * Of the cells of some rows, which go from one end to the next, the median spread of the heights that
 * are known for such a noise of one look; infinite where none is.
 */
static PyObject *spread(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 9)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t all = length(args[0]), cells = length(args[5]), rows = length(args[6]) - 1;
    Py_ssize_t count = length(args[7]);
    const float *height = flat(&held, args[0], 'f', all, 0);
    const float *looks = flat(&held, args[1], 'f', all, 0);
    const float *of_datum = flat_if_any(&held, args[2], 'f', all);
    float most = (float)PyFloat_AsDouble(args[3]), noise = (float)PyFloat_AsDouble(args[4]);
    const int32_t *cell = flat(&held, args[5], 'i', cells, 0);
    const int64_t *end = flat(&held, args[6], 'q', rows + 1, 0);
    const int64_t *row = flat(&held, args[7], 'q', count, 0);
    double *out = flat(&held, args[8], 'd', count, 1);
    double *values = held.failed || PyErr_Occurred()
        ? NULL : scratch(0, 3 * (cells + 1) * sizeof *values);
    if (!values) return done(&held, NULL);
    for (Py_ssize_t r = 0; r < count; r++) {
        int64_t from, to;
        if (!ends_fit(end, rows, row[r], cells, "cells that there are not", &from, &to)) break;
        if (!all_fit(cell + from, to - from, all, "a cell that there is not")) break;
        Py_ssize_t known = 0;
        for (int64_t k = from; k < to; k++) {
            float part = 1.0f / (looks[cell[k]] < most ? looks[cell[k]] : most);
            part = noise * sqrtf(of_datum ? part + 1.0f / of_datum[cell[k]] : part);
            values[known] = (double)part;
            known += fabsf(height[cell[k]]) <= FLT_MAX && part == part;
        }
        out[r] = known ? middle(values, values + cells + 1, known, known, 1) : INFINITY;
    }
    Py_INCREF(Py_None);
    return done(&held, Py_None);
}

/* ---- crest --------------------------------------------------------------------------------- */

/* Of some sections. */
static PyObject *figures(const double *height, const double *offset, const double *spread,
                         const double *target, double tolerance, Py_ssize_t count)
{
    Py_ssize_t seen = 0, within = 0;
    double total[3] = {0.0}, least = INFINITY, greatest = -INFINITY;
    for (Py_ssize_t k = 0; k < count; k++) {
        double own = height[k];
        if (!(fabs(own) <= DBL_MAX)) continue;
        seen++;
        within += fabs(own - target[k]) <= tolerance;
        total[0] += own, total[1] += offset[k], total[2] += spread[k];
        least = own < least ? own : least;
        greatest = own > greatest ? own : greatest;
    }
    double many = seen ? (double)seen : 1.0;
    return Py_BuildValue("nnnddddd", seen, within, count, total[0] / many, total[1] / many,
                         total[2] / many, least, greatest);
}

/*
 * along(height, offset, spread, target (m,), tolerance, ends (rows + 1,), rows (r,)) -> list
 *
 * Of some of the rows, whose sections go from one end to the next: how many of those have a crest, are
 * within the tolerance, and there are; mean height, offset and spread of those that have one, added up
 * in order and zero where there is none, least and greatest height.
 */
static PyObject *along(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 7)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t sections = length(args[0]), rows = length(args[5]) - 1, count = length(args[6]);
    const double *height = flat(&held, args[0], 'd', sections, 0);
    const double *offset = flat(&held, args[1], 'd', sections, 0);
    const double *spread = flat(&held, args[2], 'd', sections, 0);
    const double *target = flat(&held, args[3], 'd', sections, 0);
    double tolerance = PyFloat_AsDouble(args[4]);
    const int64_t *end = flat(&held, args[5], 'q', rows + 1, 0);
    const int64_t *row = flat(&held, args[6], 'q', count, 0);
    PyObject *out = held.failed || PyErr_Occurred() ? NULL : PyList_New(count);
    if (!out) return done(&held, NULL);
    for (Py_ssize_t r = 0; r < count; r++) {
        int64_t from, to;
        if (!ends_fit(end, rows, row[r], sections, "sections that there are not", &from, &to)) break;
        PyObject *own = figures(height + from, offset + from, spread + from, target + from,
                                tolerance, to - from);
        if (!own) break;
        PyList_SET_ITEM(out, r, own);
    }
    return done(&held, out);
}

/* ---- turns --------------------------------------------------------------------------------- */

/* The longest power of two, up to a limit, that a wait is no shorter than. */
static int64_t period_of(double wait, int64_t most)
{
    int64_t period = 1;
    while (period < most && wait >= 2.0 * (double)period) period *= 2;
    return period;
}

/*
 * turns(seen, looks (n,), cells (k,), ends (rows + 1,), moved, least, block (rows,), look, most looks,
 *       most moved, waiting, turn (rows,))
 *
 * Which rows wait since any of their cells from one end to the next was seen, and whose turn it is:
 * the mean has moved by as much as it may, or enough of its cells were pulled over.
 */
static PyObject *turns(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 12)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t all = length(args[0]), cells = length(args[2]), rows = length(args[6]);
    const uint8_t *seen = flat(&held, args[0], '?', all, 0);
    const float *looks = flat(&held, args[1], 'f', all, 0);
    const int32_t *cell = flat(&held, args[2], 'i', cells, 0);
    const int64_t *end = flat(&held, args[3], 'q', rows + 1, 0);
    const int64_t *moved = flat(&held, args[4], 'q', rows, 0);
    const double *least = flat(&held, args[5], 'd', rows, 0);
    const int64_t *block = flat(&held, args[6], 'q', rows, 0);
    int64_t look = PyLong_AsLongLong(args[7]), most_looks = PyLong_AsLongLong(args[8]);
    double most_moved = PyFloat_AsDouble(args[9]);
    uint8_t *waiting = flat(&held, args[10], '?', rows, 1);
    uint8_t *turn = flat(&held, args[11], '?', rows, 1);
    if (held.failed || PyErr_Occurred() || !all_fit(cell, cells, all, "a cell that there is not"))
        return done(&held, NULL);
    for (Py_ssize_t row = 0; row < rows; row++) {
        if (end[row] < 0 || end[row + 1] > cells) {
            PyErr_SetString(PyExc_ValueError, "a cell that there is not");
            break;
        }
        double count = 0.0, gain = 0.0;
        for (int64_t k = end[row]; k < end[row + 1]; k++) {
            /* Each is on a line of the cache of its own: ask for it early. */
            if (k + AHEAD < cells && seen[cell[k + AHEAD]]) fetch(looks + cell[k + AHEAD]);
            if (!seen[cell[k]]) continue;
            count += 1.0;
            gain += 1.0 / (double)(looks[cell[k]] + 1.0f);
        }
        double wait = most_moved * count / (gain > 1e-9 ? gain : 1e-9);
        waiting[row] |= count > 0.0;
        turn[row] = (waiting[row] && (look + block[row]) % period_of(wait, most_looks) == 0)
            || (double)moved[row] >= least[row];
    }
    Py_INCREF(Py_None);
    return done(&held, Py_None);
}

/* ---- layers -------------------------------------------------------------------------------- */

/*
 * laid_out(values (n,), runs (k, 4), out (r, c) of the same kind)
 *
 * Values of cells at their places on the lattice: row, column, first value and how many of each run.
 */
static PyObject *laid_out(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 3)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t runs = length(args[1]);
    Py_buffer *values = view_of(&held, args[0], 0, PyBUF_C_CONTIGUOUS);
    const int32_t *run = flat(&held, args[1], 'i', 4 * runs, 0);
    Py_buffer *out = view_of(&held, args[2], 0, PyBUF_C_CONTIGUOUS | PyBUF_WRITABLE);
    if (held.failed) return done(&held, NULL);
    if (values->ndim != 1 || out->ndim != 2 || values->itemsize != out->itemsize) {
        PyErr_SetString(PyExc_ValueError, "wanted values of cells, and a lattice of such");
        return done(&held, NULL);
    }
    Py_ssize_t size = out->itemsize, count = values->shape[0];
    Py_ssize_t rows = out->shape[0], cols = out->shape[1];
    for (Py_ssize_t k = 0; k < runs; k++, run += 4) {
        Py_ssize_t row = run[0], col = run[1], first = run[2], many = run[3];
        if (row < 0 || row >= rows || col < 0 || first < 0 || many < 0 || col + many > cols
            || first + many > count) {
            PyErr_SetString(PyExc_ValueError, "a run that does not fit");
            break;
        }
        memcpy((char *)out->buf + (row * cols + col) * size,
               (const char *)values->buf + first * size, (size_t)(many * size));
    }
    Py_INCREF(Py_None);
    return done(&held, Py_None);
}

static PyMethodDef methods[] = {
    {"volumes", (PyCFunction)(void (*)(void))volumes, METH_FASTCALL, NULL},
    {"spread", (PyCFunction)(void (*)(void))spread, METH_FASTCALL, NULL},
    {"turns", (PyCFunction)(void (*)(void))turns, METH_FASTCALL, NULL},
    {"along", (PyCFunction)(void (*)(void))along, METH_FASTCALL, NULL},
    {"laid_out", (PyCFunction)(void (*)(void))laid_out, METH_FASTCALL, NULL},
    {NULL, NULL, 0, NULL},
};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_readings", NULL, -1, methods};

PyMODINIT_FUNC PyInit__readings(void)
{
    return PyModule_Create(&module);
}
