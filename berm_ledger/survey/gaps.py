# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Grids that know single cells with gaps between them, as mappers make of single scans.

A height between cells wants all four of them, so that of a grid that knows every third cell, here
and there, hardly any cell of the site would be seen. Small gaps with known cells all around are
therefore filled from a plane through these; what such a grid shows is that of a coarser one. A
dense grid is left as it is, holes and all.
"""

from __future__ import annotations

from itertools import product
import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..findings import Finding, Severity
from ..kernels import compiled

# Rows that tell whether a grid is sparse, and the known cells in them that it takes. It is dense
# where so large a share of these begins a whole neighbourhood: of four cells in five known here
# and there half do, and loads are still measured.
SAMPLE_ROWS = 8
LEAST_KNOWN = 50
DENSE_SHARE = 0.5
# How far around a gap cells have a say and how far they have much of one [cells].
REACH = 2
NEARNESS = 1.0
# A plane must be known so well in the middle, in variances of a cell that lies right there, and be
# that of so many cells: neither one beside the gap nor all to one side are enough.
MOST_UNSURE = 0.9
LEAST_CELLS = 4
# What three of them at least span is more than this, unless they lie in a line.
LEAST_SIZE = 1e-6
# No soil is steeper over all of these cells than 45 degrees; noise comes on top [m].
NOISE_M = 0.04
# A filled cell is the mean of cells so many squares of a cell away from it, along either axis; an
# interpolation between cells of edge c is one of a sixth of its square. Whole builds are least
# biased with a little less than the weights below have (1.1).
SPREAD_CELLS2 = 0.85
# The surface is made of so many looks, and coarser by steps of a quarter that are taken when it is
# that much off: whatever leans on the cell is worked out anew then.
MEMORY_LOOKS = 32
STEP, SLACK = 0.25, 0.2
# Loads are measured where so much of what a grid knows comes to have a whole neighbourhood; what
# is filled elsewhere is too little of the surface to follow it. Grids may be dense near the robot
# and sparse further off: this is judged by tiles of so many cells.
LEAST_OF_USE = 0.67
TILE_CELLS = 16
# That they are not is told when so many looks running were too sparse, and none since the start
# was not, or none for that long: from afar grids are sparse [ns].
RUNNING_LOOKS = 10
RUNNING_NS = 300_000_000_000
SPARSE_GRID = 'sparse_grid'
SPARSE_GRID_TEXT = (
    'too sparse to measure loads: gather more scans into each grid, or use larger cells')

_STEPS = [at for at in product(range(-REACH, REACH + 1), repeat=2) if at != (0, 0)]


class Gaps(NamedTuple):
    """
    What the gaps of a sparse grid are.

    Parameters
    ----------
    filled : float
        Share of the heights in whole neighbourhoods that were filled in, 0 to 1.
    of_use : float
        Share of the cells that were known which then have a whole neighbourhood, 0 to 1.

    """

    filled: float
    of_use: float

    @property
    def enough(self) -> bool:
        """Whether that will do to measure loads by."""
        return self.of_use >= LEAST_OF_USE


def is_sparse(height_m: NDArray[np.float32]) -> bool:
    """
    Tell whether hardly any of the known cells of a grid (r, c) begin a whole neighbourhood.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> height_m = np.zeros((40, 40), dtype=np.float32)
    >>> is_sparse(height_m)
    False
    >>> is_sparse(np.where(rng.random((40, 40)) < 0.5, height_m, np.float32('nan')))
    True

    """
    every = max(1, (len(height_m) - 1) // SAMPLE_ROWS)
    known, whole = _counted(height_m, every)
    return known >= LEAST_KNOWN and whole < DENSE_SHARE * known


def _counted(height_m: NDArray[np.float32], every: int) -> tuple[int, int]:
    """Return how many cells of every so many rows are known, and begin a whole neighbourhood."""
    if compiled.gaps is not None:
        known, whole = compiled.gaps.counted(height_m, every)
        return known, whole
    near, far = height_m[:-1:every], height_m[1::every]
    # A sum with NaN in it is none.
    four = near[:, :-1] + near[:, 1:] + far[:, :-1] + far[:, 1:]
    own = near[:, :-1]
    return int(np.count_nonzero(own == own)), int(np.count_nonzero(four == four))


def without_gaps(
    height_m: NDArray[np.float32], cell_m: float
) -> tuple[NDArray[np.float32], Gaps]:
    """
    Return heights with small gaps filled in.

    Parameters
    ----------
    height_m : array
        Heights, shape (rows, cols) [m]; NaN is unknown.
    cell_m : float
        Edge of a cell [m].

    Returns
    -------
    array
        Shape (rows, cols) [m]; what was known is as it was. Nothing is filled where that would not
        do to measure by.
    Gaps
        What the gaps were.

    Examples
    --------
    Every other cell of a plane; the last gap has nothing beyond it.

    >>> height_m = np.add.outer(np.arange(5.0), 2.0 * np.arange(5.0)).astype(np.float32) / 100
    >>> height_m[::2, 1::2] = height_m[1::2, ::2] = np.nan
    >>> filled_m, gaps = without_gaps(height_m, 0.02)
    >>> filled_m[2].round(4).tolist()
    [0.02, 0.04, 0.06, 0.08, 0.1]

    """
    rows, cols = height_m.shape
    padded = np.full((rows + 2 * REACH, cols + 2 * REACH), np.nan, dtype=np.float32)
    padded[REACH:-REACH, REACH:-REACH] = height_m
    steps = np.array([row * padded.shape[1] + col for row, col in _STEPS], dtype=np.int64)
    steep_m = 2.0 * REACH * math.sqrt(2.0) * cell_m + NOISE_M
    out = height_m.copy(order='C')
    if compiled.gaps is not None:
        compiled.gaps.fill(
            padded, REACH, steps, _TERMS, LEAST_CELLS, MOST_UNSURE, LEAST_SIZE, steep_m, out)
    else:
        _fill(padded, steps, np.float32(steep_m), out)
    known = np.isfinite(height_m)
    out = np.where(_where_enough(known, known & _beside_whole(np.isfinite(out))), out, height_m)
    used = _beside_whole(np.isfinite(out))
    measured, count, of_all = (
        int(np.count_nonzero(each)) for each in (known & used, used, known))
    return out, Gaps((count - measured) / max(1, count), measured / max(1, of_all))


def _where_enough(known: NDArray[np.bool_], used: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Tell where so much of what is known (r, c) is of use that loads are measured, by tiles."""
    firsts = [np.arange(0, count, TILE_CELLS) for count in known.shape]
    of_all, measured = (
        np.add.reduceat(np.add.reduceat(each, firsts[0], axis=0, dtype=int), firsts[1], axis=1)
        for each in (known, used))
    enough = measured >= LEAST_OF_USE * np.maximum(1, of_all)
    tall = np.repeat(enough, TILE_CELLS, axis=0)[:known.shape[0]]
    return np.repeat(tall, TILE_CELLS, axis=1)[:, :known.shape[1]]


def _terms() -> NDArray[np.float64]:
    """Return weight, times row and column, and times their squares, of all around, (k, 6)."""
    row, col = np.array(_STEPS, dtype=float).T
    weight = np.exp(-(row * row + col * col) / (2.0 * NEARNESS**2))
    return np.stack([weight, weight * row, weight * col, weight * row * row,
                     weight * row * col, weight * col * col], axis=1)


_TERMS = _terms()


def _fill(
    padded_m: NDArray[np.float32], steps: NDArray[np.int64], steep_m: np.float32,
    out_m: NDArray[np.float32],
) -> None:
    """Fill ``out_m`` (r, c) from heights with a border around them [m]."""
    flat = padded_m.ravel()
    row, col = np.nonzero(~np.isfinite(out_m))
    gaps = (row + REACH) * padded_m.shape[1] + col + REACH
    count = np.zeros(len(gaps), dtype=int)
    high, low = np.full(len(gaps), -np.inf, np.float32), np.full(len(gaps), np.inf, np.float32)
    sums, by = np.zeros((6, len(gaps))), np.zeros((3, len(gaps)))
    for step, term in zip(steps, _TERMS):
        there = flat[gaps + step]
        known = np.isfinite(there)
        there = np.where(known, there, np.float32(0.0))
        count += known
        high = np.where(known, np.maximum(high, there), high)
        low = np.where(known, np.minimum(low, there), low)
        sums += term[:, None] * known
        by += term[:3, None] * there.astype(float)
    with np.errstate(invalid='ignore', divide='ignore', over='ignore'):
        w, r, c, rr, rc, cc = sums
        own, by_row, by_col = rr * cc - rc * rc, rc * c - r * cc, r * rc - rr * c
        size = w * own + r * by_row + c * by_col
        value = ((own * by[0] + by_row * by[1] + by_col * by[2]) / size).astype(np.float32)
        good = (count >= LEAST_CELLS) & (high - low <= steep_m)
        good &= (size > LEAST_SIZE) & (own <= MOST_UNSURE * size) & np.isfinite(value)
    out_m[row[good], col[good]] = value[good]


def _beside_whole(known: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Tell which cells (r, c) are one of four known ones that lie together."""
    whole = known[1:, 1:] & known[1:, :-1] & known[:-1, 1:] & known[:-1, :-1]
    out = np.zeros_like(known)
    for rows, cols in product((slice(1, None), slice(None, -1)), repeat=2):
        out[rows, cols] |= whole
    return out


class Sparseness:
    """Follows how sparse the grids are."""

    def __init__(self) -> None:
        """Begin with no grid."""
        # Mean share that was filled in, None before the first grid, and what it makes of a cell.
        self._filled: float | None = None
        self._coarser = 1.0
        # Looks running of which too little was of use, since when, and whether others were before.
        self._running, self._since_ns = 0, 0
        self._was_dense = False

    def coarser(self, gaps: Gaps | None) -> float:
        """
        Return by how much the cells of grids are in effect wider than they are, after one more.

        Parameters
        ----------
        gaps : Gaps or None
            What ``without_gaps`` found; None for a dense grid.

        Returns
        -------
        float
            1 as long as all are dense.

        """
        share = gaps.filled if gaps else 0.0
        was = share if self._filled is None else self._filled
        self._filled = was + (share - was) / MEMORY_LOOKS
        wanted = math.sqrt(1.0 + 6.0 * SPREAD_CELLS2 * self._filled)
        if abs(wanted - self._coarser) > SLACK:
            self._coarser = STEP * round(wanted / STEP)
        return self._coarser

    def findings(self, gaps: Gaps | None, stamp_ns: int) -> tuple[Finding, ...]:
        """
        Tell whether the grids have been too sparse for long.

        Parameters
        ----------
        gaps : Gaps or None
            What ``without_gaps`` found; None for a dense grid.
        stamp_ns : int
            Time of the grid [ns].

        Returns
        -------
        tuple of Finding
            ``sparse_grid``, as long as it is so.

        """
        if gaps is None or gaps.enough:
            self._running, self._was_dense = 0, True
            return ()
        if not self._running:
            self._since_ns = stamp_ns
        self._running += 1
        if self._running < RUNNING_LOOKS or (
                self._was_dense and stamp_ns - self._since_ns < RUNNING_NS):
            return ()
        return (Finding(SPARSE_GRID, SPARSE_GRID_TEXT, Severity.WARNING, stamp_ns),)
