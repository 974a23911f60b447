# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
How noisy the grids are, learned from what registration leaves over on ground nobody works on.

The spread splits into a part that is independent from cell to cell and one that neighbours share
(spherical variogram); only the first averages out within a segment.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
import math

import numpy as np
from numpy.typing import NDArray

from .error_budget import likeness
from .middle import median_size, SD_FROM_MAD
from .robust import Floats, lane_sums
from ..kernels import compiled

# Assumed until the grids have shown what they are [m].
OPENING_NOISE_M = 0.005
OPENING_SHARED = 0.2
LEAST_NOISE_M = 0.0005
MOST_NOISE_M = 0.05
# Range of the shared part until it is known, and at least [m], and the fewest cells of the grid
# that it spans: what a coarse grid's neighbours share they share over a wider area.
RANGE_M = 0.15
RANGE_CELLS = 4.0
# Weight of the newest grid, and the fewest cells that say anything.
WEIGHT = 0.1
LEAST_CELLS = 200


@dataclass(frozen=True)
class GridNoise:
    """
    Noise of one look at one cell, after interpolation.

    Parameters
    ----------
    total_m : float
        Standard deviation [m].
    shared : float
        Share of the variance that neighbours have in common, 0 to 1.
    range_m : float
        How far they share it (range of a spherical variogram) [m].
    cell_m : float
        Edge of a cell of the grids, 0 before the first [m].
    staying_m : float
        Part of the standard deviation that stays from look to look while the robot stands [m].
    wrong_share : float
        Share of the cells that a look shows wrong beside that, 0 to 1.
    kept, kept_se : float
        Share of each height that a mapper keeps from the grid before, 0 to 1, which looks are
        freed of, and its standard error.

    """

    total_m: float = OPENING_NOISE_M
    shared: float = OPENING_SHARED
    range_m: float = RANGE_M
    cell_m: float = 0.0
    staying_m: float = 0.0
    wrong_share: float = 0.0
    kept: float = 0.0
    kept_se: float = 0.0

    @property
    def white_m(self) -> float:
        """Independent part of the standard deviation [m]."""
        return self.total_m * math.sqrt(1.0 - self.shared)

    @property
    def correlated_m(self) -> float:
        """Shared part of the standard deviation [m]."""
        return self.total_m * math.sqrt(self.shared)

    def of_cell(self, cell_m: float) -> GridNoise:
        """Return the noise of grids of such cells [m], all else being equal."""
        if cell_m == self.cell_m:
            return self
        return replace(self, range_m=max(RANGE_M, RANGE_CELLS * cell_m), cell_m=cell_m)

    def learned(
        self, left_m: NDArray[np.float64], beside_m: NDArray[np.float64], looks: float,
        spacing_m: float, wrong_share: float = 0.0,
    ) -> GridNoise:
        """
        Return the noise after one more grid.

        Parameters
        ----------
        left_m, beside_m : array
            Differences to the surface at cells and at cells beside them, shape (n,) [m]; NaN is
            unknown.
        looks : float
            Looks the surface is worth there; its own spread is taken off.
        spacing_m : float
            Distance between the two [m].
        wrong_share : float
            Share of the cells that looks show wrong, by now.

        Returns
        -------
        GridNoise
            Moving average with the new evidence; unchanged when there is too little of it.

        """
        squares, products, near, pairs = _alike(left_m, beside_m).tolist()
        if pairs < LEAST_CELLS:
            return self
        variance, common = squares / near, products / pairs
        alike = max(0.1, float(likeness(np.array(spacing_m / self.range_m))))
        shared = min(0.9, max(0.0, common / alike / max(variance, 1e-12)))
        variance /= 1.0 + 1.0 / max(1.0, looks)
        total = math.sqrt(self.total_m**2 + WEIGHT * (variance - self.total_m**2))
        total = min(MOST_NOISE_M, max(LEAST_NOISE_M, total))
        shared = self.shared + WEIGHT * (shared - self.shared)
        return replace(self, total_m=total, shared=shared, wrong_share=wrong_share)


def _alike(left_m: Floats, beside_m: Floats) -> Floats:
    """
    Return what neighbours have in common, shape (4,).

    The sum of the squares of differences (n,) near zero, that of the products of those beside each
    other, and how many of each there are.
    """
    if compiled.fits is not None:
        sums = np.empty(4)
        compiled.fits.alike(left_m, beside_m, sums)
        return sums
    most_m = 4.0 * (SD_FROM_MAD * median_size(left_m))
    if not math.isfinite(most_m):
        return np.zeros(4)
    near = np.abs(left_m) <= most_m
    pair = near & (np.abs(beside_m) <= most_m)
    own, other = np.where(near, left_m, 0.0), np.where(pair, beside_m, 0.0)
    return lane_sums(np.stack([own * own, own * other, near, pair]))
