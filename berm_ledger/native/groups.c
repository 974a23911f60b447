/* Copyright 2026 The berm_ledger authors */
/* SPDX-License-Identifier: Apache-2.0 */
/* Groups of cells whose charts alarm; what lies near cells. */
#include "held.h"

/*
 * Cells on their lattice, of which a rectangle counts: first row and column, and those after it. Of
 * each place with a rim of two `marks` says what is known, and `touched` where it says anything.
 */
typedef struct {
    const float *sums;
    const uint8_t *open;
    const int64_t *at, *flat, *place;
    uint8_t *marks;
    int32_t *touched;
    Py_ssize_t touches;
    Py_ssize_t cells, all, rows, cols;
    Py_ssize_t top, left, bottom, right;
    float edge;
} Field;

enum { RIM = 2, CROSS = 5 };
enum { UNKNOWN = 0, CORE = 1, OUTSIDE = 2, TAKEN = 3 };
static const int cross[CROSS][2] = {{0, 0}, {0, 1}, {0, -1}, {1, 0}, {-1, 0}};

typedef struct {
    Py_ssize_t row, col;
} Spot;

static Spot spot_of(const Field *field, Py_ssize_t cell)
{
    /* Both fit 32 bits, of which a division is far quicker. */
    int32_t place = (int32_t)field->flat[cell], cols = (int32_t)field->cols;
    return (Spot){place / cols, place % cols};
}

static inline Py_ssize_t place_of(const Field *field, Py_ssize_t row, Py_ssize_t col)
{
    return (row + RIM) * (field->cols + 2 * RIM) + col + RIM;
}

/* The cell at a row and column, -1 where there is none or none that counts. */
static inline Py_ssize_t cell_at(const Field *field, Py_ssize_t row, Py_ssize_t col)
{
    if (row < field->top || row >= field->bottom || col < field->left || col >= field->right)
        return -1;
    int64_t cell = field->place[place_of(field, row, col)];
    return cell >= 0 && cell < field->cells ? (Py_ssize_t)cell : -1;
}

/* Whether a cell may be judged: no dump is open there. */
static inline int is_judged(const Field *field, Py_ssize_t cell)
{
    if (!field->open) return 1;
    int64_t of = field->at[cell];
    return of >= 0 && of < field->all && !field->open[of];
}

/* Whether a place holds a cell judged whose sum is above the edge. */
static inline int is_above(const Field *field, Py_ssize_t row, Py_ssize_t col)
{
    Py_ssize_t cell = cell_at(field, row, col);
    return cell >= 0 && field->sums[cell] > field->edge && is_judged(field, cell);
}

/* Whether a cross of five cells above the edge covers a place. */
static int in_core(const Field *field, Py_ssize_t row, Py_ssize_t col)
{
    for (int middle = 0; middle < CROSS; middle++) {
        int whole = 1;
        for (int arm = 0; arm < CROSS && whole; arm++)
            whole = is_above(field, row + cross[middle][0] + cross[arm][0],
                             col + cross[middle][1] + cross[arm][1]);
        if (whole) return 1;
    }
    return 0;
}

/* Take a cell of the core that no group has yet; -1 where there is none. */
static Py_ssize_t take(Field *field, Py_ssize_t row, Py_ssize_t col)
{
    Py_ssize_t cell = cell_at(field, row, col);
    if (cell < 0) return -1;
    uint8_t *mark = field->marks + place_of(field, row, col);
    if (*mark == UNKNOWN) {
        *mark = is_above(field, row, col) && in_core(field, row, col) ? CORE : OUTSIDE;
        field->touched[field->touches++] = (int32_t)(mark - field->marks);
    }
    if (*mark != CORE) return -1;
    *mark = TAKEN;
    return cell;
}

static int by_number(const void *one, const void *other)
{
    int32_t a = *(const int32_t *)one, b = *(const int32_t *)other;
    return (a > b) - (a < b);
}

/*
 * Write the cells of the core that hang together with one of them, in order; how many. They do
 * where they lie within so many steps.
 */
static Py_ssize_t gather(Field *field, Py_ssize_t seed, int steps, int32_t *members)
{
    Py_ssize_t count = 1;
    members[0] = (int32_t)seed;
    for (Py_ssize_t k = 0; k < count; k++) {
        Spot own = spot_of(field, members[k]);
        for (int up = -steps; up <= steps; up++) {
            int wide = steps - abs(up);
            for (int along = -wide; along <= wide; along++) {
                Py_ssize_t cell = take(field, own.row + up, own.col + along);
                if (cell >= 0) members[count++] = (int32_t)cell;
            }
        }
    }
    qsort(members, (size_t)count, sizeof *members, by_number);
    return count;
}

/* Where a group begins once it is grown by so many steps: its first place, row by row. */
static Py_ssize_t begin_of(const Field *field, const int32_t *members, Py_ssize_t count, int steps)
{
    Py_ssize_t least = PY_SSIZE_T_MAX;
    for (Py_ssize_t k = 0; k < count; k++) {
        Spot own = spot_of(field, members[k]);
        Py_ssize_t up = own.row - steps < field->top ? field->top : own.row - steps;
        Py_ssize_t wide = steps - (own.row - up);
        Py_ssize_t from = own.col - wide < field->left ? field->left : own.col - wide;
        least = up * field->cols + from < least ? up * field->cols + from : least;
    }
    return least;
}

/* The cells judged whose sum is above a limit, in order; mostly a whole block holds none. */
static Py_ssize_t all_above(const Field *field, float limit, int32_t *out)
{
    enum { AT_ONCE = 32 };
    Py_ssize_t found = 0;
    for (Py_ssize_t first = 0; first < field->cells; first += AT_ONCE) {
        Py_ssize_t count = field->cells - first < AT_ONCE ? field->cells - first : AT_ONCE;
        const float *sums = field->sums + first;
        if (!any_beyond(sums, limit, count)) continue;
        for (Py_ssize_t k = 0; k < count; k++) {
            out[found] = (int32_t)(first + k);
            found += sums[k] > limit && is_judged(field, first + k);
        }
    }
    return found;
}

/* Some of the members, and where they begin. */
typedef struct {
    Py_ssize_t begins, first, count;
} Group;

static int by_begin(const void *one, const void *other)
{
    Py_ssize_t a = ((const Group *)one)->begins, b = ((const Group *)other)->begins;
    return (a > b) - (a < b);
}

static PyObject *list_of(const int32_t *members, Py_ssize_t count)
{
    PyObject *out = PyList_New(count);
    for (Py_ssize_t k = 0; out && k < count; k++) {
        PyObject *cell = PyLong_FromLong(members[k]);
        if (cell) PyList_SET_ITEM(out, k, cell);
        else Py_CLEAR(out);
    }
    return out;
}

/* Of groups, in the order in which they begin, the cells. */
static PyObject *lists_of(Group *group, Py_ssize_t groups, const int32_t *members)
{
    qsort(group, (size_t)groups, sizeof *group, by_begin);
    PyObject *out = PyList_New(0);
    for (Py_ssize_t k = 0; out && k < groups; k++) {
        PyObject *list = list_of(members + group[k].first, group[k].count);
        if (!list || PyList_Append(out, list) < 0) Py_CLEAR(out);
        Py_XDECREF(list);
    }
    return out;
}

/* What makes a group: how far its cells are joined, least cells, least of them above a limit. */
typedef struct {
    int joined;
    double least;
    Py_ssize_t least_sure;
    float limit;
} Wanted;

/* The groups around cells above the limit that are large and sure enough, as lists of cells. */
static PyObject *groups_around(Field *field, const int32_t *above, Py_ssize_t count, Wanted by,
                               int32_t *members)
{
    Group *group = calloc((size_t)count + 1, sizeof *group);
    if (!group) return PyErr_NoMemory();
    Py_ssize_t groups = 0, used = 0;
    for (Py_ssize_t k = 0; k < count; k++) {
        Spot own = spot_of(field, above[k]);
        if (take(field, own.row, own.col) < 0) continue;
        int32_t *found = members + used;
        Py_ssize_t cells = gather(field, above[k], 2 * by.joined + 1, found), sure = 0;
        for (Py_ssize_t i = 0; i < cells; i++) sure += field->sums[found[i]] > by.limit;
        if ((double)cells < by.least || sure < by.least_sure) continue;
        group[groups++] = (Group){begin_of(field, found, cells, by.joined), used, cells};
        used += cells;
    }
    PyObject *out = lists_of(group, groups, members);
    free(group);
    return out;
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
        Spot own = spot_of(field, above[k]);
        sure += in_core(field, own.row, own.col);
    }
    return sure >= least_sure;
}

/* Let the field be what lies around some cells. */
static void narrow(Field *field, const int32_t *above, Py_ssize_t count, Py_ssize_t reach)
{
    Py_ssize_t top = field->rows, left = field->cols, bottom = 0, right = 0;
    for (Py_ssize_t k = 0; k < count; k++) {
        Spot own = spot_of(field, above[k]);
        top = own.row < top ? own.row : top, bottom = own.row >= bottom ? own.row + 1 : bottom;
        left = own.col < left ? own.col : left, right = own.col >= right ? own.col + 1 : right;
    }
    field->top = top > reach ? top - reach : 0, field->left = left > reach ? left - reach : 0;
    field->bottom = field->rows - bottom > reach ? bottom + reach : field->rows;
    field->right = field->cols - right > reach ? right + reach : field->cols;
}

/*
 * groups(sums (m,), open (n,), at, flat (m,), place (r + 4, c + 4), limit, edge, reach, joined, least,
 *        least_sure) -> list of lists of cells
 *
 * As `Scene.groups`: cells above `edge` that a cross of such cells covers, within `reach` of some
 * above `limit`, that hang together once grown by `joined` steps; of these those that hold enough
 * above `limit`. One that holds none is never looked for. None is open where `open` is None, and `at`
 * too.
 */
static PyObject *groups(PyObject *self, PyObject *const *args, Py_ssize_t given)
{
    if (!wanted(given, 11)) return NULL;
    Held held = {.count = 0};
    Py_ssize_t cells = length(args[0]), all = args[1] == Py_None ? 0 : length(args[1]);
    Field field = {.sums = flat(&held, args[0], 'f', cells, 0), .cells = cells, .all = all};
    field.open = flat_if_any(&held, args[1], '?', all);
    field.at = field.open ? flat(&held, args[2], 'q', cells, 0) : NULL;
    field.flat = flat(&held, args[3], 'q', cells, 0);
    Py_buffer *place = view_of(&held, args[4], 'q', PyBUF_C_CONTIGUOUS);
    Wanted by = {.limit = (float)PyFloat_AsDouble(args[5])};
    field.edge = (float)PyFloat_AsDouble(args[6]);
    Py_ssize_t reach = PyLong_AsSsize_t(args[7]);
    by.joined = (int)PyLong_AsLong(args[8]);
    by.least = PyFloat_AsDouble(args[9]);
    by.least_sure = PyLong_AsSsize_t(args[10]);
    if (held.failed || PyErr_Occurred()) return done(&held, NULL);
    if (place->ndim != 2 || place->shape[0] <= 2 * RIM || place->shape[1] <= 2 * RIM
        || by.joined < 0 || by.joined > 99 || reach < 0 || cells >= INT32_MAX
        || place->len / place->itemsize >= INT32_MAX) {
        PyErr_SetString(PyExc_ValueError, "the cells do not fit their lattice");
        return done(&held, NULL);
    }
    field.place = place->buf;
    field.rows = place->shape[0] - 2 * RIM, field.cols = place->shape[1] - 2 * RIM;
    field.bottom = field.rows, field.right = field.cols;
    int32_t *some = scratch(1, ((size_t)cells + 1) * sizeof *some);
    if (!some) return done(&held, NULL);
    Py_ssize_t above = all_above(&field, by.limit, some);
    if (!on_lattice(&field, some, above)) return done(&held, NULL);
    /* Mostly noise has raised a few, and that is all there is to see. */
    if (!enough_sure(&field, some, above, by.least_sure)) return done(&held, PyList_New(0));
    narrow(&field, some, above, reach);
    size_t places = (size_t)(place->len / place->itemsize);
    int32_t *members = scratch(0, (places + 1) * sizeof *members);
    field.touched = members ? scratch(2, (places + 1) * sizeof *field.touched) : NULL;
    field.marks = field.touched ? scratch(3, places) : NULL;
    if (!field.marks) return done(&held, NULL);
    PyObject *out = groups_around(&field, some, above, by, members);
    /* The marks are left all zero, for the next call. */
    for (Py_ssize_t k = 0; k < field.touches; k++) field.marks[field.touched[k]] = UNKNOWN;
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
