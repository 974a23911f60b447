# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
What one look says against the accepted surface: differences freed of what all cells share.

A registration leaves a small shift, and no map is the same for ever. Both show as one planar and
vertical shift of all cells that nobody has touched, and are taken off here before any cell is
judged; what single cells do is down-weighted (Tukey), so that soil lost cannot hide in it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..geometry import Lattice
from ..survey.registration import tukey
from ..survey.surface import without_nan

Floats = NDArray[np.float64]

# What registration may leave (standard deviations) [m], and cells that are worth one.
LEFT_XY_M = 0.005
LEFT_Z_M = 0.003
CELLS_PER_INDEPENDENT = 10.0
LEAST_CELLS = 200
THINNING = 5
# More cells than this tell nothing new of a shift, or of a spread.
ENOUGH_CELLS = 6000
ENOUGH_FOR_SPREAD = 20000
# Half widths of the robust weights, step by step [spreads].
ROBUST_SPREADS = (6.0, 4.0)
LEAST_SPREAD_M = 0.001
# Reach of the slope estimate on either side, in cells.
REACH = 2
# Cells of a 3 x 3 window that must be seen for a mean.
LEAST_OF_NINE = 4


@dataclass(frozen=True, eq=False)
class Canvas:
    """
    Surveyed cells spread over their lattice and back.

    Parameters
    ----------
    lattice : Lattice
        The lattice.
    flat_index : array
        Place of each cell in the flattened lattice, shape (n,).

    """

    lattice: Lattice
    flat_index: NDArray[np.intp]

    def spread(self, values: NDArray[np.floating]) -> Floats:
        """Return cells (n,) on the lattice, zero elsewhere."""
        out = np.zeros(self.lattice.rows * self.lattice.cols)
        out[self.flat_index] = values
        return out.reshape(self.lattice.shape)

    def mask(self, cells: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Spread a mask of the cells, shape (n,), over the lattice; False elsewhere."""
        out = np.zeros(self.lattice.rows * self.lattice.cols, dtype=bool)
        out[self.flat_index] = cells
        return out.reshape(self.lattice.shape)

    def back(self, values: NDArray[np.generic]) -> NDArray[np.generic]:
        """Return a lattice array at the cells, shape (n,)."""
        return values.ravel()[self.flat_index]

    def near(self, cells: NDArray[np.bool_], steps: int) -> NDArray[np.bool_]:
        """Return cells within so many steps of a mask, both of shape (n,)."""
        grown = ndimage.binary_dilation(self.mask(cells), iterations=steps)
        out: NDArray[np.bool_] = grown.ravel()[self.flat_index]
        return out

    @cached_property
    def _place(self) -> NDArray[np.intp]:
        """Return the cell at each place of the lattice and of a rim; n where there is none."""
        rows, cols = self.lattice.shape
        out = np.full((rows + 2 * REACH, cols + 2 * REACH), len(self.flat_index), dtype=np.intp)
        inner = np.full(rows * cols, len(self.flat_index), dtype=np.intp)
        inner[self.flat_index] = np.arange(len(self.flat_index))
        out[REACH:REACH + rows, REACH:REACH + cols] = inner.reshape(rows, cols)
        return out

    def stepped(
        self, cells: NDArray[np.intp], row_step: int, col_step: int
    ) -> NDArray[np.intp]:
        """Return the cells up to ``REACH`` steps from given ones, n where there is none."""
        row, col = np.divmod(self.flat_index[cells], self.lattice.cols)
        out: NDArray[np.intp] = self._place[row + row_step + REACH, col + col_step + REACH]
        return out

    def square(self, x_m: float, y_m: float, reach_m: float) -> NDArray[np.intp]:
        """Return, in order, the cells of a square that reaches so far around a point [m]."""
        middle = self.lattice.index_from_xy([[x_m, y_m]])[0]
        steps = reach_m / self.lattice.cell_m
        # The next whole step, for whatever the rounding of the indices may do to the border.
        shape = np.add(self.lattice.shape, REACH)
        (top, left), (bottom, right) = (
            np.clip(np.floor(middle + side * steps) + more + REACH, REACH, shape).astype(int)
            for side, more in ((-1.0, 0), (1.0, 2)))
        near = self._place[top:bottom, left:right].ravel()
        return np.sort(near[near < len(self.flat_index)])

    @cached_property
    def _beside(self) -> tuple[NDArray[np.intp], ...]:
        """Return the cells one step to the east, west, north and south of each."""
        every = np.arange(len(self.flat_index))
        return tuple(self.stepped(every, *step) for step in ((0, 1), (0, -1), (1, 0), (-1, 0)))

    @cached_property
    def _across(self) -> tuple[NDArray[np.intp], ...]:
        """Return the cells at the reach of the slope to the east, west, north and south."""
        every = np.arange(len(self.flat_index))
        steps = ((0, REACH), (0, -REACH), (REACH, 0), (-REACH, 0))
        return tuple(self.stepped(every, *step) for step in steps)

    def _box_sum(self, values: NDArray[Any]) -> NDArray[Any]:
        """Return the sum over 3 x 3 cells, along rows and then along columns, shape (n,)."""
        east, west, north, south = self._beside
        padded = np.append(values, values.dtype.type(0))
        along: NDArray[Any] = values + padded.take(east)
        along += padded.take(west)
        padded[:-1] = along
        along += padded.take(north)
        along += padded.take(south)
        return along

    def box_mean(self, values: NDArray[np.floating]) -> NDArray[Any]:
        """Return the mean over 3 x 3 cells, NaN where too few are known, shape (n,)."""
        # Of up to nine cells: whole numbers that fit into a byte.
        count = self._box_sum(np.isfinite(values).view(np.int8))
        total = self._box_sum(without_nan(values))
        total /= np.maximum(count, 1)
        total[np.flatnonzero(count < LEAST_OF_NINE)] = np.nan
        return total

    def slopes(self, height_m: NDArray[np.floating]) -> NDArray[Any]:
        """Return slopes along x and y, shape (2, n) [m/m]; zero where not known."""
        east, west, north, south = self._across
        padded = np.append(height_m, height_m.dtype.type(np.nan))
        out = np.stack([padded.take(east), padded.take(north)])
        out[0] -= padded.take(west)
        out[1] -= padded.take(south)
        out /= 2.0 * REACH * self.lattice.cell_m
        out[:, np.flatnonzero(~np.isfinite(out[0] + out[1]))] = 0.0
        return out

    def in_core(
        self, cells: NDArray[np.intp], mask: NDArray[np.bool_]
    ) -> NDArray[np.bool_]:
        """
        Tell of a few cells whether an opening of a mask keeps them.

        Parameters
        ----------
        cells : array
            The cells, shape (k,).
        mask : array
            Mask of all cells, shape (n,).

        Returns
        -------
        array
            Shape (k,): whether a cross of five cells of the mask covers the cell.

        """
        padded = np.append(mask, False)
        cross = ((0, 0), (0, 1), (0, -1), (1, 0), (-1, 0))
        out = np.zeros(len(cells), dtype=bool)
        for down, right in cross:
            whole = np.ones(len(cells), dtype=bool)
            for row, col in cross:
                whole &= padded[self.stepped(cells, down + row, right + col)]
            out |= whole
        return out


def robust_spread(values: NDArray[np.floating]) -> float:
    """
    Return the standard deviation about zero that most values tell; NaN is left out.

    Examples
    --------
    >>> round(robust_spread(np.array([-1.0, 1.0, 1.0, -1.0, 50.0])), 4)
    1.4826

    """
    some = values[::max(1, len(values) // ENOUGH_FOR_SPREAD)]
    known = np.abs(some[np.isfinite(some)])
    return 1.4826 * float(np.median(known)) if len(known) else 0.0


def without_shared_shift(
    difference_m: NDArray[Any], slope: NDArray[Any], steady: NDArray[np.bool_]
) -> tuple[NDArray[Any], float]:
    """
    Take off what a small shift of the whole look explains.

    Parameters
    ----------
    difference_m : array
        Look minus accepted surface, shape (n,) [m]; NaN is unknown.
    slope : array
        Slopes of the accepted surface, shape (2, n) [m/m].
    steady : array
        Cells where no change is expected, shape (n,).

    Returns
    -------
    array
        Differences left over, shape (n,) [m].
    float
        Standard error of the planar shift taken off [m].

    """
    thinning = max(THINNING, len(difference_m) // ENOUGH_CELLS)
    picked = np.arange(0, len(difference_m), thinning)
    picked = picked[np.isfinite(difference_m[picked]) & steady[picked]]
    if len(picked) < LEAST_CELLS:
        return difference_m, LEFT_XY_M
    design = np.column_stack(
        [-slope[0, picked], -slope[1, picked], np.ones(len(picked))]).astype(float)
    value = difference_m[picked].astype(float)
    prior = np.diag([LEFT_XY_M**-2, LEFT_XY_M**-2, LEFT_Z_M**-2])
    shift = np.zeros(3)
    for width in ROBUST_SPREADS:
        left = value - design @ shift
        spread = max(LEAST_SPREAD_M, robust_spread(left))
        weighted = design * tukey(left, width * spread)[:, None]
        worth = spread**2 * CELLS_PER_INDEPENDENT / thinning
        normal = weighted.T @ design / max(worth, spread**2) + prior
        shift = np.linalg.solve(normal, weighted.T @ value / max(worth, spread**2))
    error = float(np.sqrt(np.linalg.inv(normal)[:2, :2].diagonal().max()))
    dx, dy, dz = shift.astype(difference_m.dtype)
    out = slope[0] * dx
    out += slope[1] * dy
    out -= dz
    out += difference_m
    return out, error
