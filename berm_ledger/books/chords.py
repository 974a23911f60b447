# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
What a coarse grid cannot show: the surface between its cells.

Between two cells of a grid the surface is taken for the chord. Where it bends, at crest and toe,
the chord lies off it by up to half the second difference over half a cell on either side, and by
how much depends on where the cells happen to lie: a map that drifts by half a cell moves the
crest of a berm up and down although nobody has touched it. On cells hardly greater than those
of the site this is part of the noise; on greater ones it must be allowed for.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .accepted import MEMORY_LOOKS
from .charts import Canvas
from .detection import level_of_detection
from ..survey.crest_lines import CELL_TOLERANCE_M


def chord_error_m(
    canvas: Canvas, surface_m: NDArray[np.floating], grid_cell_m: float
) -> NDArray[np.float32]:
    """
    Return how far chords over the cells of a grid may lie off a surface.

    Parameters
    ----------
    canvas : Canvas
        Cells of the surface on their lattice.
    surface_m : array
        Heights, shape (n,) [m]; NaN is unknown.
    grid_cell_m : float
        Edge of a cell of the grid [m].

    Returns
    -------
    array
        Shape (n,) [m]; zero for a grid whose half cell is less than a cell of the surface, and
        where nothing is known on both sides.

    """
    half_cells = grid_cell_m / 2.0 / canvas.lattice.cell_m
    steps = int(half_cells)
    if steps == 0:
        return np.zeros(len(surface_m), dtype=np.float32)
    surface = np.full(canvas.lattice.shape, np.nan)
    surface.ravel()[canvas.flat_index] = surface_m
    bend = np.zeros(surface.shape)
    for axis in (0, 1):
        beside = np.pad(surface, [(steps, steps) if axis == a else (0, 0) for a in (0, 1)],
                        constant_values=np.nan)
        before, after = (
            np.take(beside, np.arange(surface.shape[axis]) + by, axis) for by in (0, 2 * steps))
        bend += np.nan_to_num(np.abs(before + after - 2.0 * surface)) / 2.0
    out: NDArray[np.float32] = (bend.ravel()[canvas.flat_index] * half_cells / steps).astype(
        np.float32)
    return out


def beyond_chord(
    smooth_m: NDArray[np.float32], chord_m: NDArray[np.float32] | np.float32
) -> NDArray[np.float32]:
    """
    Return by how much differences are more than a coarse grid may be off, zero below, (n,) [m].

    What is left goes to the charts, which take their own allowance off: the sum of both is.
    """
    allowed = level_of_detection(0.0, 0.0, shared_m=chord_m).astype(np.float32)
    out: NDArray[np.float32] = smooth_m - np.clip(smooth_m, -allowed, allowed)
    return out


class ChordErrors:
    """
    How far looks may be off between the cells of their grid, worked out when it is asked for.

    Parameters
    ----------
    canvas : Canvas
        Cells of the surface on their lattice.

    """

    def __init__(self, canvas: Canvas) -> None:
        """Start with none."""
        self._canvas = canvas
        # Cell of a grid, and the errors for it [m].
        self._last: tuple[float, NDArray[np.float32]] | None = None
        # Coarsest cell of the grids that the surface is still made of [m], and how many finer ones
        # have come since.
        self._coarse_m, self._finer = 0.0, 0

    def forget(self) -> None:
        """Work them out anew: the surface has moved."""
        self._last = None

    def of(
        self, grid_cell_m: float, surface_m: NDArray[np.float32], at: NDArray[np.intp]
    ) -> NDArray[np.float32] | None:
        """
        Return those of a surface that looks are held against; None for fine grids.

        Parameters
        ----------
        grid_cell_m : float
            Cell of the grid of a look [m]; what the surface has of coarser ones counts, too.
        surface_m : array
            The surface, shape (n,) [m].
        at : array
            The cells of the canvas among them, shape (m,).

        Returns
        -------
        array or None
            Shape (m,) [m].

        """
        cell_m = self._coarsest_m(grid_cell_m)
        if cell_m < 2.0 * self._canvas.lattice.cell_m:
            return None
        if self._last is None or abs(self._last[0] - cell_m) > CELL_TOLERANCE_M:
            self._last = cell_m, chord_error_m(self._canvas, surface_m[at], cell_m)
        return self._last[1]

    def _coarsest_m(self, cell_m: float) -> float:
        """Return the coarsest cell of a look and of those before that still count [m]."""
        self._finer = self._finer + 1 if cell_m < self._coarse_m else 0
        if not self._finer or self._finer > MEMORY_LOOKS:
            self._coarse_m, self._finer = cell_m, 0
        return self._coarse_m
