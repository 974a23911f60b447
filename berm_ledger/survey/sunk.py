# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
How far the natural ground has sunk under wheels beside the berm since the datum was taken.

A rut is no lack of soil: outside of the design footprint soil stands on the ground as it was
trodden. A cell goes on counting as it stood before it was driven over, until soil comes or goes.
Inside the footprint the design stands on the datum, and all volumes with it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from .datum import Datum
from .trodden import MOST_M

# What stands no further than this from how it stood, or than so much noise of one look, is the
# same soil, by three looks or more [m].
SAME_M, SAME_NOISE = 0.008, 2.0


class SunkGround:
    """
    How far each of n surveyed cells has sunk.

    Parameters
    ----------
    count : int
        Number of cells.

    """

    def __init__(self, count: int) -> None:
        """Start with ground that has not sunk."""
        #: How far the ground lies below the datum, shape (n,) [m].
        self.depth_m = np.zeros(count, dtype=np.float32)
        #: What stood on it before it was driven over, and does so still; NaN elsewhere [m].
        self.stood_m = np.full(count, np.nan, dtype=np.float32)
        # Cells of which it is to be told yet how they stand since.
        self._open = np.zeros(count, dtype=bool)
        # Which cells have sunk.
        self._sunk = np.empty(0, dtype=np.intp)

    @property
    def open_cells(self) -> NDArray[np.intp]:
        """Cells of which it is to be told yet how they stand since a pass, shape (k,)."""
        return np.flatnonzero(self._open)

    def put_back(self, depth_m: NDArray[np.float32], stood_m: NDArray[np.float32]) -> None:
        """Go on from what an earlier run has kept, shape (n,) each [m]."""
        self.depth_m, self.stood_m = np.nan_to_num(depth_m), stood_m
        self._sunk = np.flatnonzero(self.depth_m)

    def raise_by(self, step_m: NDArray[np.float32]) -> None:
        """Raise what stood on the cells (n,) [m]: the frame itself was found to lie lower."""
        self.stood_m += step_m

    def driven_over(
        self, cells: NDArray[np.intp], height_m: NDArray[np.float32], noise_m: float
    ) -> None:
        """
        Note that the rover has gone over some cells.

        Parameters
        ----------
        cells : array
            The cells, shape (k,).
        height_m : array
            How they stood above the datum before, shape (k,) [m]; NaN is not known.
        noise_m : float
            Noise of one look [m].

        """
        known = np.isfinite(height_m)
        cells, stood_m = cells[known], height_m[known] + self.depth_m[cells[known]]
        # Of the same soil the first measure holds for all passes: errors do not add up.
        other = ~(np.abs(stood_m - self.stood_m[cells]) <= _same_m(noise_m))
        self.stood_m[cells[other]] = stood_m[other]
        self._open[cells] = True

    def settle(
        self, cells: NDArray[np.intp], height_m: NDArray[np.float32], noise_m: float
    ) -> None:
        """
        Take in how cells stand since they were driven over.

        Parameters
        ----------
        cells : array
            The cells, shape (k,).
        height_m : array
            How they stand above the datum, shape (k,) [m]; NaN is not known yet.
        noise_m : float
            Noise of one look [m].

        """
        known = np.isfinite(height_m)
        cells, height_m = cells[known], height_m[known]
        self._open[cells] = False
        fall_m = self.stood_m[cells] - height_m - self.depth_m[cells]
        sunk = (fall_m >= -_same_m(noise_m)) & (fall_m <= MOST_M)
        self.depth_m[cells[sunk]] += fall_m[sunk]
        # Where soil came on top, or was dug out, wheels alone have not made the difference.
        self.stood_m[cells[~sunk]] = np.nan
        self._sunk = np.flatnonzero(self.depth_m)

    def under(
        self, datum: Datum, design_m: NDArray[np.float64], height_m: NDArray[np.float32],
        noise_m: float,
    ) -> Datum:
        """
        Return a datum as it has sunk outside of the design footprint.

        Parameters
        ----------
        datum : Datum
            The datum.
        design_m : array
            Design height over it, shape (n,) [m].
        height_m : array
            The surface, shape (n,) [m].
        noise_m : float
            Noise of one look [m].

        Returns
        -------
        Datum
            The same where nothing has sunk.

        """
        cells = self._sunk[design_m[self._sunk] <= 0.0]
        if not len(cells):
            return datum
        level_m = datum.level_m.copy()
        sunk_m = level_m[cells] - self.depth_m[cells]
        # The surface, a mean of many looks, comes down more slowly than the ground.
        as_before_m = height_m[cells] - self.stood_m[cells]
        same = np.abs(as_before_m - sunk_m) <= _same_m(noise_m)
        level_m[cells] = np.where(same, as_before_m, sunk_m)
        return replace(datum, level_m=level_m)


def _same_m(noise_m: float) -> float:
    """Return how far off the same soil may be shown [m]."""
    return max(SAME_M, SAME_NOISE * noise_m)
