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

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..geometry import Lattice
from ..survey.registration import tukey

Floats = NDArray[np.float64]

# What registration may leave (standard deviations) [m], and cells that are worth one.
LEFT_XY_M = 0.005
LEFT_Z_M = 0.003
CELLS_PER_INDEPENDENT = 10.0
LEAST_CELLS = 200
THINNING = 5
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

    def box_mean(self, values: NDArray[np.floating]) -> Floats:
        """Return the mean over 3 x 3 cells, NaN where too few are known, shape (n,)."""
        known = np.isfinite(values)
        shape, flat = self.lattice.shape, self.flat_index
        total = np.zeros(shape[0] * shape[1], dtype=np.float32)
        count = np.zeros(shape[0] * shape[1], dtype=np.float32)
        total[flat], count[flat] = np.where(known, values, 0.0), known
        sums, counts = (
            sum_of_nine(layer.reshape(shape)).ravel()[flat] for layer in (total, count))
        sums[counts < LEAST_OF_NINE - 0.5] = np.nan
        out: Floats = sums / np.maximum(counts, 1.0)
        return out

    def slopes(self, height_m: NDArray[np.floating]) -> Floats:
        """Return slopes along x and y, shape (2, n) [m/m]; zero where not known."""
        grid = np.full(self.lattice.rows * self.lattice.cols, np.nan)
        grid[self.flat_index] = height_m
        grid = grid.reshape(self.lattice.shape)
        run = 2.0 * REACH * self.lattice.cell_m
        out = np.zeros((2, *self.lattice.shape))
        out[0][:, REACH:-REACH] = (grid[:, 2 * REACH:] - grid[:, :-2 * REACH]) / run
        out[1][REACH:-REACH] = (grid[2 * REACH:] - grid[:-2 * REACH]) / run
        cells = out.reshape(2, -1)[:, self.flat_index]
        cells[:, ~np.isfinite(cells).all(axis=0)] = 0.0
        return cells


def sum_of_nine(layer: NDArray[np.float32]) -> NDArray[np.float32]:
    """
    Return the sum over 3 x 3 cells; beyond the edge lies nothing.

    Examples
    --------
    >>> sum_of_nine(np.ones((2, 3), dtype=np.float32)).tolist()
    [[4.0, 6.0, 4.0], [4.0, 6.0, 4.0]]

    """
    rows = layer.copy()
    rows[1:] += layer[:-1]
    rows[:-1] += layer[1:]
    out = rows.copy()
    out[:, 1:] += rows[:, :-1]
    out[:, :-1] += rows[:, 1:]
    return out


def robust_spread(values: NDArray[np.floating]) -> float:
    """
    Return the standard deviation about zero that most values tell; NaN is left out.

    Examples
    --------
    >>> round(robust_spread(np.array([-1.0, 1.0, 1.0, -1.0, 50.0])), 4)
    1.4826

    """
    known = np.abs(values[np.isfinite(values)])
    return 1.4826 * float(np.median(known)) if len(known) else 0.0


def without_shared_shift(
    difference_m: Floats, slope: Floats, steady: NDArray[np.bool_]
) -> tuple[Floats, float]:
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
    picked = np.flatnonzero(np.isfinite(difference_m) & steady)[::THINNING]
    if len(picked) < LEAST_CELLS:
        return difference_m, LEFT_XY_M
    design = np.column_stack([-slope[0, picked], -slope[1, picked], np.ones(len(picked))])
    value = difference_m[picked]
    prior = np.diag([LEFT_XY_M**-2, LEFT_XY_M**-2, LEFT_Z_M**-2])
    shift = np.zeros(3)
    for width in ROBUST_SPREADS:
        left = value - design @ shift
        spread = max(LEAST_SPREAD_M, robust_spread(left))
        weighted = design * tukey(left, width * spread)[:, None]
        worth = spread**2 * CELLS_PER_INDEPENDENT / THINNING
        normal = weighted.T @ design / max(worth, spread**2) + prior
        shift = np.linalg.solve(normal, weighted.T @ value / max(worth, spread**2))
    error = float(np.sqrt(np.linalg.inv(normal)[:2, :2].diagonal().max()))
    out: Floats = difference_m - (shift[2] - slope[0] * shift[0] - slope[1] * shift[1])
    return out, error
