# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
How far neighbours share their errors, learned on ground that stands as it was known.

A camera that matches windows, a mapper that smooths and a lens that warps make errors of their own
width. Taken for narrower than they are, they seem to average out over a heap, and what is left
looks like soil that came or went.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from .area import SurveyArea
from .error_budget import likeness
from .noise import GridNoise, RANGE_CELLS, RANGE_M
from .robust import Floats
from .surface import SiteSurface

# How far apart errors are compared [m], and the ranges they are held against.
LAGS_M = (0.075, 0.15, 0.225, 0.3, 0.45, 0.6)
RANGES_M = np.geomspace(RANGE_M, 1.2, 32)
# Every so manieth look is learned from, until the range is known and then, at about so many cells,
# known by so many looks.
OPENING_EVERY, EVERY, CELLS, LEAST_LOOKS = 4, 16, 2000, 8.0
# Fewer pairs of a lag tell nothing; what is further off is soil that came or went [times the
# noise].
LEAST_PAIRS, MOST_SIGMAS = 100, 4.0
# Weight of the newest look, how many tell a range, and the least share of the variance in common
# at the first lag that has any.
WEIGHT, LEAST_LEARNED, LEAST_SHARE = 0.1, 5, 0.05


class NoiseRange:
    """
    Follows the range of what neighbours share.

    Parameters
    ----------
    area : SurveyArea
        The surveyed cells.

    """

    def __init__(self, area: SurveyArea) -> None:
        """Pick the cells to compare; nothing is known yet."""
        cells = np.arange(0, len(area), max(1, len(area) // CELLS))
        steps = [max(1, round(lag_m / area.lattice.cell_m)) for lag_m in LAGS_M]
        # Those picked, and for each lag those north of them and those east of them.
        self._cells = np.stack([cells, *(
            area.neighbours(cells, *way) for step in steps for way in ((step, 0), (0, step)))])
        lags_m = np.array(steps) * area.lattice.cell_m
        self._likeness = likeness(lags_m / RANGES_M[:, None])
        self._looks = self._learned = 0
        # Mean square of the errors, and mean product of those so far apart, (1 + lags,) [m2].
        self._alike_m2 = np.zeros(1 + len(LAGS_M))
        #: Range of the spherical variogram that fits best, as far as it is known [m].
        self.range_m = RANGE_M

    def figures(self) -> tuple[float, ...]:
        """Return how many looks there were and were learned from, and what those told [m2]."""
        return self._looks, self._learned, *self._alike_m2.tolist()

    def resume(self, looks: float, learned: float, *alike_m2: float) -> None:
        """Go on from what ``figures`` has told in an earlier run."""
        self._looks, self._learned = int(looks), int(learned)
        self._alike_m2 = np.array(alike_m2)
        self.range_m = self._fitted_m()

    def _fitted_m(self) -> float:
        """Return the range by what was learned [m]."""
        own, *shared = self._alike_m2.tolist()
        if self._learned < LEAST_LEARNED or shared[0] < LEAST_SHARE * own:
            return RANGE_M
        # Least squares with a free sill: the fit that takes off most.
        along = np.maximum(self._likeness @ shared, 0.0)
        best = np.argmax(along * along / (self._likeness * self._likeness).sum(axis=1))
        return float(RANGES_M[best])

    def learned(
        self, noise: GridNoise, measured_m: NDArray[np.float32], surface: SiteSurface,
        worked: NDArray[np.bool_],
    ) -> GridNoise:
        """
        Take a look into account.

        Parameters
        ----------
        noise : GridNoise
            Noise of one look.
        measured_m : array
            Heights of the look, shape (n,) [m]; NaN is not seen.
        surface : SiteSurface
            The surface before it.
        worked : array
            Cells where change is expected, shape (n,).

        Returns
        -------
        GridNoise
            With the range as it is known.

        """
        self._looks += 1
        if self._looks % (EVERY if self._learned >= LEAST_LEARNED else OPENING_EVERY) == 0:
            self._compare(measured_m, surface, worked, noise.total_m)
        return self.of(noise)

    def of(self, noise: GridNoise) -> GridNoise:
        """Return a noise with the range that is known."""
        range_m = max(self.range_m, RANGE_CELLS * noise.cell_m)
        return noise if range_m == noise.range_m else replace(noise, range_m=range_m)

    def _compare(
        self, measured_m: NDArray[np.float32], surface: SiteSurface, worked: NDArray[np.bool_],
        total_m: float,
    ) -> None:
        """Learn from a look."""
        left_m = surface.left_over_m(
            measured_m, self._cells, worked, LEAST_LOOKS).astype(float)
        near = (self._cells >= 0) & (np.abs(left_m) <= MOST_SIGMAS * total_m)
        left_m[~near] = np.nan
        newest = _mean_products(left_m)
        if newest is not None:
            self._learned += 1
            self._alike_m2 += max(WEIGHT, 1.0 / self._learned) * (newest - self._alike_m2)
            self.range_m = self._fitted_m()


def _mean_products(left_m: Floats) -> Floats | None:
    """
    Return the mean products of errors with themselves and with those of each lag [m2].

    Parameters
    ----------
    left_m : array
        Errors at k cells, and two rows of those beside for each lag, shape (1 + 2 lags, k) [m];
        NaN is unknown.

    Returns
    -------
    array or None
        Shape (1 + lags,); None where there are too few.

    """
    products = left_m[0] * left_m
    count = np.isfinite(products).sum(axis=1)
    total = np.where(np.isfinite(products), products, 0.0).sum(axis=1)
    pairs = np.append(count[0], count[1::2] + count[2::2])
    if (pairs < LEAST_PAIRS).any():
        return None
    out: Floats = np.append(total[0], total[1::2] + total[2::2]) / pairs
    return out
