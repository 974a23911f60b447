/* Copyright 2026 The berm_ledger authors */
/* SPDX-License-Identifier: Apache-2.0 */
/* Loops over many arrays at once, block by block. */
#ifndef BERM_LEDGER_AHEAD_H
#define BERM_LEDGER_AHEAD_H
#include "held.h"

/* Cells that a loop works on at once, and how many blocks it asks for before it comes to them. */
enum { BLOCK = 128, AHEAD = 2 };

/* Some cells in order, which have places of their own among others. */
typedef struct {
    Py_ssize_t of, own, count;
} Block;

/* How many pieces from the first on follow each other without a gap; cells of these are added up. */
OWN Py_ssize_t joined(const int32_t *piece, Py_ssize_t pieces, Py_ssize_t *cells)
{
    Py_ssize_t k = 1;
    for (*cells = piece[2]; k < pieces; *cells += piece[3 * k++ + 2])
        if (piece[3 * k] != piece[0] + *cells || piece[3 * k + 1] != piece[1] + *cells) break;
    return k;
}

/*
 * Cut pieces (k, 3), as `pieces_fit` takes them, into blocks; with AHEAD more at the end, the last
 * one again, so that a loop may look ahead. NULL with an error set where there is no memory.
 */
OWN Block *blocks_of(const int32_t *piece, Py_ssize_t pieces, int place, Py_ssize_t *blocks)
{
    Py_ssize_t count = 0;
    for (Py_ssize_t k = 0; k < pieces; k++) count += (piece[3 * k + 2] + BLOCK - 1) / BLOCK;
    Block *out = scratch(place, (size_t)(count + AHEAD) * sizeof *out), *next = out;
    if (!out) return NULL;
    for (Py_ssize_t cells, some; pieces > 0; pieces -= some, piece += 3 * some) {
        some = joined(piece, pieces, &cells);
        for (Py_ssize_t first = 0; first < cells; first += BLOCK)
            *next++ = (Block){piece[0] + first, piece[1] + first,
                              cells - first < BLOCK ? cells - first : BLOCK};
    }
    *blocks = next - out;
    for (int k = 0; *blocks && k < AHEAD; k++) next[k] = out[*blocks - 1];
    return out;
}

/* Of values from one place up to another, which no piece holds, nothing is known. */
static inline void blank_between(float *values, Py_ssize_t first, Py_ssize_t past)
{
    for (; first < past; first++) values[first] = NAN;
}

/* Ask for a whole block of cells from a place on in some arrays. */
static inline void fetch_block(const float *const *arrays, size_t many, Py_ssize_t first)
{
    for (size_t k = 0; k < many; k++) fetch_on(arrays[k] + first, BLOCK * sizeof(float));
}

#endif
