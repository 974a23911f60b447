/* Copyright 2026 The berm_ledger authors */
/* SPDX-License-Identifier: Apache-2.0 */
/* Loops over many arrays at once, block by block. */
#ifndef BERM_LEDGER_AHEAD_H
#define BERM_LEDGER_AHEAD_H
#include "held.h"

/* Cells that a loop works on at once, and how many it asks for before it comes to them. */
enum { BLOCK = 128, AHEAD = 2 * BLOCK };

/* Ask for the block that comes so many cells after places in some arrays. */
OWN void fetch_blocks(const float *const *places, size_t arrays)
{
    for (size_t k = 0; k < arrays; k++) fetch_on(places[k] + AHEAD, BLOCK * sizeof(float));
}

#endif
