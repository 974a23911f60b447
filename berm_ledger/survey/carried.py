# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Heights that a grid carries over from the one before: nobody has measured them anew.

Most mappers publish all that they remember. What the sensor does not see at the moment comes again
as it was, to the last bit, with the noise and the drift of the map of when it was seen; taken for
looks these would agree with each other on any error.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from .grid import ElevationGrid
from .map_memory import GridBefore
from .middle import median_size, SD_FROM_MAD
from .noise import LEAST_NOISE_M
from ..geometry import GridAxes

# Cells that are compared first; where hardly any is the same, none was carried over.
SAMPLE_CELLS = 1024
LEAST_SHARE = 0.02
# Heights rounded to some step are the same by chance: of those carried over most differ from each
# other.
LEAST_DISTINCT = 0.5
# Where two grids lie on one lattice their cells match to this [cells], and their steps to that
# share: clouds tell where cells lie in single precision.
ON_LATTICE_CELLS = 0.05
SAME_STEP = 1e-4
# Of a smooth surface the fourth difference is next to nothing, of noise it is this many times as
# wide as the noise.
FOURTH = np.array([1.0, -4.0, 6.0, -4.0, 1.0])
WIDER = math.sqrt(float(FOURTH @ FOURTH))
LEAST_RUNS = 100


class CarriedOver:
    """Compares every grid with the one before."""

    def __init__(self) -> None:
        """Begin with no grid."""
        self._axes: GridAxes | None = None
        # Heights of the grid before, none while one lattice does not follow another.
        self._height_m: NDArray[np.float32] | None = None
        #: Of the last grid the one before; None where that lies on another lattice.
        self.before: GridBefore | None = None

    def fresh(self, grid: ElevationGrid) -> NDArray[np.bool_] | None:
        """
        Tell which cells of the next grid were measured anew, and keep it for the one after.

        Parameters
        ----------
        grid : ElevationGrid
            The grid, as it came.

        Returns
        -------
        array or None
            Known cells that are not as before, shape (rows, cols); None where all may be new:
            none is as before, or that cannot be told of grids without noise, of heights rounded
            to some step, and of another lattice.

        """
        moved = None if self._axes is None else moved_cells(grid.axes, self._axes)
        before_m, self._axes = self._height_m, grid.axes
        # A copy: the sender may write the next one over it.
        self._height_m = None if moved is None else grid.height_m.copy()
        self.before = None
        if moved is None or before_m is None:
            return None
        both = [shared(*each) for each in zip(moved, grid.height_m.shape, before_m.shape)]
        own, other = zip(*both)
        self.before = GridBefore(moved, own, other, before_m)
        now_m, was_m = grid.height_m[own], before_m[other]
        if not _is_carried(now_m, was_m):
            return None
        fresh: NDArray[np.bool_] = np.isfinite(grid.height_m)
        fresh[own] &= now_m != was_m
        return fresh


def without_carried(
    height_m: NDArray[np.float32], fresh: NDArray[np.bool_] | None
) -> NDArray[np.float32]:
    """
    Return heights without those that were not measured anew, nor anything beside them.

    Parameters
    ----------
    height_m : array
        Heights, shape (rows, cols) [m].
    fresh : array or None
        Which were measured anew, as ``CarriedOver.fresh`` gives it.

    Returns
    -------
    array
        Shape (rows, cols) [m]; NaN where nothing is fresh within one cell.

    """
    return height_m if fresh is None else np.where(_and_beside(fresh), height_m, np.float32('nan'))


def moved_cells(axes: GridAxes, before: GridAxes) -> tuple[int, int] | None:
    """
    Return by how many rows and columns a grid begins after another one on the same lattice.

    None where the cells of one do not lie on those of the other.

    Examples
    --------
    >>> axes = GridAxes((0.0, 0.0), (0.0, 0.5), (0.5, 0.0))
    >>> moved_cells(GridAxes((1.0, -0.5), (0.0, 0.5), (0.5, 0.0)), axes)
    (-1, 2)
    >>> moved_cells(GridAxes((1.2, -0.5), (0.0, 0.5), (0.5, 0.0)), axes)

    """
    # Plain numbers are quicker than arrays of two.
    x_m, y_m = (now - was for now, was in zip(axes.origin_xy, before.origin_xy))
    size_m2 = axes.cell_m**2
    out = []
    for now, was in ((axes.row_step_xy, before.row_step_xy),
                     (axes.col_step_xy, before.col_step_xy)):
        if max(abs(now[0] - was[0]), abs(now[1] - was[1])) > SAME_STEP * axes.cell_m:
            return None
        cells = (x_m * now[0] + y_m * now[1]) / size_m2
        if abs(cells - round(cells)) > ON_LATTICE_CELLS:
            return None
        out.append(round(cells))
    return out[0], out[1]


def shared(moved: int, count: int, before: int) -> tuple[slice, slice]:
    """
    Return which of so many rows or columns two grids share, of one and the other.

    Examples
    --------
    >>> shared(2, 5, 6)
    (slice(0, 4, None), slice(2, 6, None))

    """
    first, past = max(0, -moved), max(0, min(count, before - moved))
    return slice(first, past), slice(first + moved, max(0, past + moved))


def _and_beside(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return a mask (rows, cols) grown by the eight cells around each."""
    # Many times as quick as a dilation by ndimage.
    tall = mask.copy()
    tall[1:] |= mask[:-1]
    tall[:-1] |= mask[1:]
    out = tall.copy()
    out[:, 1:] |= tall[:, :-1]
    out[:, :-1] |= tall[:, 1:]
    return out


def _is_carried(now_m: NDArray[np.float32], was_m: NDArray[np.float32]) -> bool:
    """Tell by a sample whether some heights are those of before, and have noise."""
    every = max(1, math.isqrt(now_m.size // SAMPLE_CELLS))
    own = now_m[::every, ::every]
    same = own == was_m[::every, ::every]
    least = LEAST_SHARE * same.size
    if np.count_nonzero(same) <= least:
        return False
    rows_m = now_m[::every]
    carried_m = np.where(rows_m == was_m[::every], rows_m, np.float32('nan'))
    # Of cells carried over here and there no five lie in a row: then all must tell of the noise.
    return (is_no_chance(own[same], carried_m, least=least)
            or is_no_chance(own[same], now_m, least=least))


def is_no_chance(
    same_m: NDArray[np.float32], rows_m: NDArray[np.float32], *, least: float = 0.0
) -> bool:
    """
    Tell whether heights that are as before can only be those of before.

    Parameters
    ----------
    same_m : array
        A sample of them, shape (n,) [m].
    rows_m : array
        Whole rows of the grid, shape (r, c) [m]; NaN where they are not as before.
    least : float
        More than so many are needed.

    Returns
    -------
    bool
        False where they are rounded, or of a perfect sensor, and may be the same by chance.

    """
    counts = np.unique(same_m, return_counts=True)[1]
    # One height may stand for what was never seen.
    count = int(counts.sum() - counts.max())
    if count <= least or len(counts) - 1 < LEAST_DISTINCT * count:
        return False
    return _noise_m(rows_m) > LEAST_NOISE_M


def _noise_m(rows_m: NDArray[np.float32]) -> float:
    """Return the noise of heights along rows, NaN between [m]; NaN where too few are known."""
    rows = rows_m.astype(float)
    width = max(0, rows.shape[1] - len(FOURTH) + 1)
    bent = np.zeros((len(rows), width))
    for k, weight in enumerate(FOURTH.tolist() if width else ()):
        bent += weight * rows[:, k:k + width]
    # Where one height stands for what was never seen there is no noise at all.
    bent = bent[np.isfinite(bent) & (bent != 0.0)]
    if len(bent) < LEAST_RUNS:
        return math.nan
    return SD_FROM_MAD * median_size(bent) / WIDER
