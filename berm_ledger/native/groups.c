/* Copyright 2026 The berm_ledger authors */
/* SPDX-License-Identifier: Apache-2.0 */
/* Groups of cells whose charts alarm; what lies near cells. */
#include "held.h"

/* Cells on their lattice, of which a rectangle counts: first row and column, and those after it. */
typedef struct {
    const float *sums;
    const uint8_t *judged;
    const int64_t *flat, *place;
    /* Which places with a rim of two hold a cell judged whose sum is above the edge. */
    uint8_t *around;
    Py_ssize_t cells, rows, cols;
    Py_ssize_t top, left, bottom, right;
    float edge;
} Field;

enum { RIM = 2, CROSS = 5 };
static const int cross[CROSS][2] = {{0, 0}, {0, 1}, {0, -1}, {1, 0}, {-1, 0}};

/* The cell at a row and column, -1 where there is none or none that counts. */
static inline Py_ssize_t cell_at(const Field *field, Py_ssize_t row, Py_ssize_t col)
{
    if (row < field->top || row >= field->bottom || col < field->left || col >= field->right)
        return -1;
    int64_t cell = field->place[(row + RIM) * (field->cols + 2 * RIM) + col + RIM];
    return cell >= 0 && cell < field->cells ? (Py_ssize_t)cell : -1;
}

static inline int is_around(const Field *field, Py_ssize_t row, Py_ssize_t col)
{
    return row >= field->top && row < field->bottom && col >= field->left && col < field->right
        && field->around[(row + RIM) * (field->cols + 2 * RIM) + col + RIM];
}

/* Whether a place holds a cell judged whose sum is above the edge: looked up, without the marks. */
static int is_above(const Field *field, Py_ssize_t row, Py_ssize_t col)
{
    Py_ssize_t cell = cell_at(field, row, col);
    return cell >= 0 && field->judged[cell] && field->sums[cell] > field->edge;
}

typedef int (*Belongs)(const Field *, Py_ssize_t, Py_ssize_t);

/* Whether a cross of five places that belong covers a place. */
static inline int in_core(const Field *field, Py_ssize_t row, Py_ssize_t col, Belongs belongs)
{
    for (int middle = 0; middle < CROSS; middle++) {
        int whole = 1;
        for (int arm = 0; arm < CROSS && whole; arm++)
            whole = belongs(field, row + cross[middle][0] + cross[arm][0],
                            col + cross[middle][1] + cross[arm][1]);
        if (whole) return 1;
    }
    return 0;
}

static int32_t root_of(int32_t *parent, int32_t k)
{
    while (parent[k] != k) k = parent[k] = parent[parent[k]];
    return k;
}

/* `begins`: where it begins once it is grown; of a group, whichever begins first is its root. */
typedef struct {
    Py_ssize_t cell, row, col, begins;
} Core;

static Core core_of(const Field *field, Py_ssize_t cell)
{
    /* Both fit 32 bits, of which a division is far quicker. */
    int32_t place = (int32_t)field->flat[cell], cols = (int32_t)field->cols;
    return (Core){cell, place / cols, place % cols, 0};
}

static Py_ssize_t begin_of(const Field *field, Py_ssize_t row, Py_ssize_t col, int joined)
{
    Py_ssize_t up = row - joined < field->top ? field->top : row - joined;
    Py_ssize_t wide = joined - (row - up);
    Py_ssize_t from = col - wide < field->left ? field->left : col - wide;
    return up * field->cols + from;
}

/* Whether the first so many of the core hold a cell, and `number` its place among them. */
static inline int numbered(const Core *core, Py_ssize_t count, const int32_t *number,
                           Py_ssize_t cell)
{
    return number[cell] >= 0 && number[cell] < count && core[number[cell]].cell == cell;
}

/* Join cells of the core that lie within so many steps; `number` holds the place of each. */
static void join_cores(const Field *field, const Core *core, Py_ssize_t count, int steps,
                       int32_t *number, int32_t *parent)
{
    for (Py_ssize_t k = 0; k < count; k++) {
        parent[k] = (int32_t)k;
        number[core[k].cell] = (int32_t)k;
        for (int up = 0; up <= steps; up++) {
            for (int along = up - steps; along <= steps - up; along++) {
                Py_ssize_t row = core[k].row - up, col = core[k].col + along;
                /* The marks are at hand, the places far away in memory. */
                Py_ssize_t cell = is_around(field, row, col) ? cell_at(field, row, col) : -1;
                if (cell < 0 || !numbered(core, k + 1, number, cell)) continue;
                int32_t one = root_of(parent, (int32_t)k);
                int32_t other = root_of(parent, number[cell]);
                if (core[one].begins < core[other].begins
                    || (core[one].begins == core[other].begins && one < other))
                    parent[other] = one;
                else
                    parent[one] = other;
            }
        }
    }
}

static PyObject *list_of(const Core *core, Py_ssize_t count, int32_t *parent, int32_t root)
{
    PyObject *out = PyList_New(0);
    for (Py_ssize_t k = 0; out && k < count; k++) {
        if (root_of(parent, (int32_t)k) != root) continue;
        PyObject *cell = PyLong_FromSsize_t(core[k].cell);
        if (!cell || PyList_Append(out, cell) < 0) Py_CLEAR(out);
        Py_XDECREF(cell);
    }
    return out;
}

/* The cells judged whose sum is above a limit, in order; mostly a whole block holds none. */
WIDE static Py_ssize_t all_above(const float *restrict sums, const uint8_t *restrict judged,
                                 float limit, Py_ssize_t cells, int32_t *restrict out)
{
    enum { AT_ONCE = 32 };
    Py_ssize_t found = 0;
    for (Py_ssize_t first = 0; first < cells; first += AT_ONCE) {
        Py_ssize_t count = cells - first < AT_ONCE ? cells - first : AT_ONCE;
        int32_t any = count < AT_ONCE;
        if (!any)
            for (int k = 0; k < AT_ONCE; k++) any |= sums[first + k] > limit;
        for (Py_ssize_t k = first; any && k < first + count; k++) {
            out[found] = (int32_t)k;
            found += (sums[k] > limit) & judged[k];
        }
    }
    return found;
}

typedef struct {
    Py_ssize_t begins;
    int32_t root, cells, sure;
} Group;

static int by_begin(const void *one, const void *other)
{
    Py_ssize_t a = ((const Group *)one)->begins, b = ((const Group *)other)->begins;
    return (a > b) - (a < b);
}

/* The groups of cells of the core that are large and sure enough, as lists of cells. */
static PyObject *groups_of(const Field *field, const Core *core, Py_ssize_t count, int joined,
                           float limit, double least, Py_ssize_t least_sure)
{
    /* Of no use but for cells of the core: `numbered` tells them from what was left there. */
    int32_t *number = scratch(2, ((size_t)field->cells + 1) * sizeof *number);
    int32_t *parent = malloc(((size_t)count + 1) * sizeof *parent);
    Group *group = calloc((size_t)count + 1, sizeof *group);
    PyObject *out = number && parent && group ? PyList_New(0) : PyErr_NoMemory();
    if (out) {
        join_cores(field, core, count, 2 * joined + 1, number, parent);
        for (Py_ssize_t k = 0; k < count; k++) {
            int32_t root = root_of(parent, (int32_t)k);
            group[root].begins = core[root].begins;
            group[root].root = root;
            group[root].cells++;
            group[root].sure += field->sums[core[k].cell] > limit;
        }
        qsort(group, (size_t)count, sizeof *group, by_begin);
        for (Py_ssize_t k = 0; out && k < count; k++) {
            if (!group[k].cells || group[k].cells < least || group[k].sure < least_sure) continue;
            PyObject *list = list_of(core, count, parent, group[k].root);
            if (!list || PyList_Append(out, list) < 0) Py_CLEAR(out);
            Py_XDECREF(list);
        }
    }
    free(parent);
    free(group);
    return out;
}

/* Mark where cells are whose sum is above the edge. */
static void mark(const Field *field, const Core *core, Py_ssize_t count)
{
    for (Py_ssize_t k = 0; k < count; k++)
        field->around[(core[k].row + RIM) * (field->cols + 2 * RIM) + core[k].col + RIM]
            = field->sums[core[k].cell] > field->edge;
}

/* Leave the marks all zero, for the next call. */
static void unmark(const Field *field, const int32_t *cells, Py_ssize_t count)
{
    for (Py_ssize_t k = 0; k < count; k++) {
        Core own = core_of(field, cells[k]);
        field->around[(own.row + RIM) * (field->cols + 2 * RIM) + own.col + RIM] = 0;
    }
}

/* Whether some cells lie on the lattice; sets the error. */
static int on_lattice(const Field *field, const int32_t *cells, Py_ssize_t count)
{
    for (Py_ssize_t k = 0; k < count; k++)
        if (!fits(field->flat[cells[k]], field->rows * field->cols, "a cell lies off the lattice"))
            return 0;
    return 1;
}

/* Tell whether enough of the cells above a limit are in the core. */
static int enough_sure(const Field *field, const int32_t *above, Py_ssize_t count,
                       Py_ssize_t least_sure)
{
    Py_ssize_t sure = 0;
    if (count < least_sure) return 0;
    for (Py_ssize_t k = 0; k < count; k++) {
        Core own = core_of(field, above[k]);
        sure += in_core(field, own.row, own.col, is_above);
    }
    return sure >= least_sure;
}

/* Let the field be what lies around some cells. */
static void narrow(Field *field, const int32_t *above, Py_ssize_t count, Py_ssize_t reach)
{
    Py_ssize_t top = field->rows, left = field->cols, bottom = 0, right = 0;
    for (Py_ssize_t k = 0; k < count; k++) {
        Core own = core_of(field, above[k]);
        top = own.row < top ? own.row : top, bottom = own.row >= bottom ? own.row + 1 : bottom;
        left = own.col < left ? own.col : left, right = own.col >= right ? own.col + 1 : right;
    }
    field->top = top > reach ? top - reach : 0, field->left = left > reach ? left - reach : 0;
    field->bottom = field->rows - bottom > reach ? bottom + reach : field->rows;
    field->right = field->cols - right > reach ? right + reach : field->cols;
}

/* Keep those in the field that are in the core, at the front; return how many. */
static Py_ssize_t keep_cores(const Field *field, Core *core, Py_ssize_t found, int joined)
{
    Py_ssize_t count = 0;
    for (Py_ssize_t k = 0; k < found; k++) {
        Core own = core[k];
        if (!is_around(field, own.row, own.col)
            || !in_core(field, own.row, own.col, is_around)) continue;
        own.begins = begin_of(field, own.row, own.col, joined);
        core[count++] = own;
    }
    return count;
}

/*
 * groups(sums, judged, flat (m,), place (r + 4, c + 4), limit, edge, reach, joined, least,
 *        least_sure) -> list of lists of cells
 *
 * As `Scene.groups`: cells above `edge` that a cross of such cells covers, within `reach` of some
 * above `limit`, that hang together once grown by `joined` steps.
 */
static PyObject *groups(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 10)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t cells = length(args[0]);
    Field field = {.sums = flat(&held, args[0], 'f', cells, 0), .cells = cells};
    field.judged = flat(&held, args[1], '?', cells, 0);
    field.flat = flat(&held, args[2], 'q', cells, 0);
    Py_buffer *place = view_of(&held, args[3], 'q', PyBUF_C_CONTIGUOUS);
    float limit = (float)PyFloat_AsDouble(args[4]);
    field.edge = (float)PyFloat_AsDouble(args[5]);
    Py_ssize_t reach = PyLong_AsSsize_t(args[6]);
    int joined = (int)PyLong_AsLong(args[7]);
    double least = PyFloat_AsDouble(args[8]);
    Py_ssize_t least_sure = PyLong_AsSsize_t(args[9]);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    if (place->ndim != 2 || place->shape[0] <= 2 * RIM || place->shape[1] <= 2 * RIM || joined < 0
        || joined > 99 || reach < 0 || cells >= INT32_MAX
        || place->len / place->itemsize >= INT32_MAX) {
        PyErr_SetString(PyExc_ValueError, "the cells do not fit their lattice");
        return done(&held, NULL);
    }
    field.place = place->buf;
    field.rows = place->shape[0] - 2 * RIM, field.cols = place->shape[1] - 2 * RIM;
    field.bottom = field.rows, field.right = field.cols;
    int32_t *some = scratch(1, ((size_t)cells + 1) * sizeof *some);
    if (!some) return done(&held, NULL);
    Py_ssize_t above = all_above(field.sums, field.judged, limit, cells, some);
    if (!on_lattice(&field, some, above)) return done(&held, NULL);
    /* Mostly noise has raised a few, and that is all there is to see. */
    if (!enough_sure(&field, some, above, least_sure)) return done(&held, PyList_New(0));
    narrow(&field, some, above, reach);
    Core *core = scratch(0, ((size_t)cells + 1) * sizeof *core);
    field.around = core ? scratch(3, (size_t)(place->len / place->itemsize)) : NULL;
    if (!field.around) return done(&held, NULL);
    Py_ssize_t found = all_above(field.sums, field.judged, field.edge < limit ? field.edge : limit,
                                 cells, some);
    if (!on_lattice(&field, some, found)) return done(&held, NULL);
    for (Py_ssize_t k = 0; k < found; k++) core[k] = core_of(&field, some[k]);
    mark(&field, core, found);
    Py_ssize_t count = keep_cores(&field, core, found, joined);
    PyObject *out = groups_of(&field, core, count, joined, limit, least, least_sure);
    unmark(&field, some, found);
    return done(&held, out);
}

/* ---- what lies near ------------------------------------------------------------------------ */

static inline int32_t one_more(int32_t least, int32_t beside)
{
    return beside + 1 < least ? beside + 1 : least;
}

/*
 * grow(mask (r, c), steps, out (r, c))
 *
 * What can be reached in so many steps along rows and columns: the steps to the nearest of the mask,
 * from above and the left first, then from below and the right.
 */
static PyObject *grow(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 3)) return NULL;
    Held held = {.count = 0};
    Py_buffer *mask = view_of(&held, args[0], '?', PyBUF_C_CONTIGUOUS);
    long steps = PyLong_AsLong(args[1]);
    if (!mask || PyErr_Occurred()) return done(&held, NULL);
    if (mask->ndim != 2 || steps < 0 || steps >= INT32_MAX / 2) {
        PyErr_SetString(PyExc_ValueError, "wanted a mask of rows and columns, and steps");
        return done(&held, NULL);
    }
    Py_ssize_t rows = mask->shape[0], cols = mask->shape[1];
    uint8_t *out = flat(&held, args[2], '?', rows * cols, 1);
    int32_t *away = held.failed ? NULL : scratch(1, ((size_t)(rows * cols) + 1) * sizeof *away);
    if (!away) return done(&held, NULL);
    const uint8_t *in = mask->buf;
    int32_t far = (int32_t)steps + 1;
    for (Py_ssize_t r = 0, k = 0; r < rows; r++) {
        for (Py_ssize_t c = 0; c < cols; c++, k++) {
            int32_t least = in[k] ? 0 : far;
            if (r > 0) least = one_more(least, away[k - cols]);
            away[k] = c > 0 ? one_more(least, away[k - 1]) : least;
        }
    }
    for (Py_ssize_t r = rows - 1, k = rows * cols - 1; r >= 0; r--) {
        for (Py_ssize_t c = cols - 1; c >= 0; c--, k--) {
            int32_t least = away[k];
            if (r + 1 < rows) least = one_more(least, away[k + cols]);
            away[k] = c + 1 < cols ? one_more(least, away[k + 1]) : least;
            out[k] = away[k] <= steps;
        }
    }
    Py_INCREF(Py_None);
    return done(&held, Py_None);
}

static PyMethodDef methods[] = {
    {"grow", (PyCFunction)(void (*)(void))grow, METH_FASTCALL, NULL},
    {"groups", (PyCFunction)(void (*)(void))groups, METH_FASTCALL, NULL},
    {NULL, NULL, 0, NULL},
};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_groups", NULL, -1, methods};

PyMODINIT_FUNC PyInit__groups(void)
{
    return PyModule_Create(&module);
}
