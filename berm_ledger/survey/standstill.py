# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Grids that show the same heights again and again: nothing is measured any more.

A mapper that hangs, or a sensor, is told from a robot that looks away from the berm by all that
the grids show, not only by the berm, and for certain by a robot that moves among what they show.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .carried import is_no_chance, moved_cells, SAMPLE_CELLS, shared
from .grid import ElevationGrid
from ..findings import Finding, Severity
from ..geometry import GridAxes, Pose2

# Nobody moves so far and so long within a grid of which nothing is measured anew [m, ns]; some
# mappers publish the same between two scans.
MOVED_M = 1.0
MOVED_NS = 10_000_000_000
# These fit into a line of the table.
NOTHING_NEW = 'nothing_new'
NOTHING_NEW_TEXT = 'nothing new of the berm: looking away, or sensor or mapper stuck?'
STANDS_STILL = 'stands_still'
STANDS_STILL_TEXT = 'the same heights on and on while driving: sensor or mapper stuck'


class _Sample(NamedTuple):
    """
    Every so many cells of a grid, along rows and columns.

    Parameters
    ----------
    axes : GridAxes
        Where the cells of the grid lie [m].
    every : int
        How many rows and columns of the grid it is from one to the next.
    first : tuple of int
        Row and column that it begins with.
    height_m : array
        Shape (r, c) [m]; a copy, since the sender may write over the grid.

    """

    axes: GridAxes
    every: int
    first: tuple[int, int]
    height_m: NDArray[np.float32]

    @classmethod
    def of_grid(cls, grid: ElevationGrid, every: int, first: tuple[int, int]) -> _Sample:
        """Return the sample of a grid."""
        rows, cols = (slice(start, None, every) for start in first)
        return cls(grid.axes, every, first, grid.height_m[rows, cols].copy())


class Standstill:
    """Compares a sample of every grid with the one before."""

    def __init__(self) -> None:
        """Begin with no grid."""
        self._last: _Sample | None = None
        # Where the rover stood when something new was seen last, if it has been in view since.
        self._from: Pose2 | None = None
        self._from_ns = 0

    def findings(
        self, grid: ElevationGrid, rover: Pose2, seen: NDArray[np.bool_]
    ) -> tuple[Finding, ...]:
        """
        Tell whether a grid that was used has shown nothing new.

        Parameters
        ----------
        grid : ElevationGrid
            The grid, as it came.
        rover : Pose2
            Where the rover stood.
        seen : array
            Which of the surveyed cells it has shown anew, shape (n,).

        Returns
        -------
        tuple of Finding
            ``nothing_new``, or ``stands_still`` once the rover has moved among what it shows.

        """
        if seen.any():
            # Most grids end here; what shows nothing anew is held against the next such.
            self._last = None
            return ()
        still = self._repeats(grid)
        if not still or self._from is None or not _within(rover, grid):
            self._from, self._from_ns = rover if _within(rover, grid) else None, grid.stamp_ns
        if not still:
            return ()
        if (self._from is not None and grid.stamp_ns - self._from_ns >= MOVED_NS
                and math.dist(self._from.xy, rover.xy) >= MOVED_M):
            return (Finding(STANDS_STILL, STANDS_STILL_TEXT, Severity.WARNING, grid.stamp_ns),)
        return (Finding(NOTHING_NEW, NOTHING_NEW_TEXT, Severity.NOTE, grid.stamp_ns),)

    def _repeats(self, grid: ElevationGrid) -> bool:
        """Tell whether a grid, known to have noise, shows the heights of the one before."""
        was = self._last
        moved = None if was is None else moved_cells(grid.axes, was.axes)
        if was is None or moved is None:
            every = max(1, math.isqrt(grid.height_m.size // SAMPLE_CELLS))
            self._last = _Sample.of_grid(grid, every, (0, 0))
            return False
        row, col = ((first - step) % was.every for first, step in zip(was.first, moved))
        self._last = now = _Sample.of_grid(grid, was.every, (row, col))
        steps = [(start + step - first) // was.every
                 for start, step, first in zip(now.first, moved, was.first)]
        own, other = zip(*(shared(*each) for each in zip(
            steps, now.height_m.shape, was.height_m.shape)))
        now_m = now.height_m[own]
        known = np.isfinite(now_m)
        return bool(known.any() and (now_m == was.height_m[other])[known].all()
                    and is_no_chance(now_m[known], grid.height_m[row::was.every]))


def _within(rover: Pose2, grid: ElevationGrid) -> bool:
    """Tell whether the rover stands in what a grid shows."""
    index = grid.axes.index_from_world(rover.xy)
    return bool((index >= 0.0).all() and (index <= np.subtract(grid.height_m.shape, 1)).all())
