# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The shift of a grid against heights at points: robust least squares in a few steps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .grid import ElevationGrid
from .middle import median, median_size, SD_FROM_MAD
from .resample import differences
from .robust import explained_m, weighed
from .symmetric import solved, times
from ..kernels import compiled

# Fewer points tell nothing.
LEAST_CELLS = 150
# Neighbouring differences are correlated: how many cells, every third one, are worth one.
CELLS_PER_INDEPENDENT = 10.0
# Half widths of the robust weights, step by step [m]; the last is in noise sigmas.
ROBUST_STEPS_M = (0.10, 0.05, 0.03)
LAST_STEP_SIGMAS = 4.0
# A wide step is left out when differences lie closer than this share of it to the expected place.
WIDE_SHARE = 0.25


@dataclass(frozen=True, eq=False)
class Fit:
    """
    Best shift of a grid against heights at points.

    Parameters
    ----------
    mean : array
        dx, dy, dz, shape (3,) [m].
    normal : array
        Information on them from the heights alone, shape (3, 3) [1/m2].
    left_m : array
        Differences before the last step, shape (n,) [m]; NaN where the grid shows nothing.
    slope : array
        Slopes there, shape (2, n) [m/m].
    step : array
        The last step, shape (3,) [m].

    """

    mean: NDArray[np.float64]
    normal: NDArray[np.float64]
    left_m: NDArray[np.float64]
    slope: NDArray[np.float64]
    step: NDArray[np.float64]

    def left_over(self, most_m: float) -> tuple[float, float, int]:
        """Return robust spread [m] of what is left, share of it beyond a size [m], points."""
        if compiled.fits is not None:
            size, share, count = compiled.fits.left_over(
                self.left_m, self.slope, self.step, most_m)
            return SD_FROM_MAD * float(size), float(share), int(count)
        left = self.left_m - explained_m(self.slope, self.step)
        left = left[np.isfinite(left)]
        spread = SD_FROM_MAD * median_size(left, median(left))
        return spread, float(np.mean(np.abs(left) > most_m)), len(left)


def shift_between(
    grid: ElevationGrid, points_xy: NDArray[np.float64], height_m: NDArray[np.float64],
    slope: NDArray[np.float64], *, expected: NDArray[np.float64],
    information: NDArray[np.float64], noise_m: float,
    per_independent: float = CELLS_PER_INDEPENDENT,
) -> Fit | None:
    """
    Return the shift of a grid against a surface, robust weights tightening step by step.

    Parameters
    ----------
    grid : ElevationGrid
        The grid.
    points_xy, height_m : array
        Points of the surface (n, 2) and its heights there (n,) [m].
    slope : array
        Slopes of the surface along x and y, shape (2, n) [m/m].
    expected, information : array
        Shift expected beforehand, shape (3,) [m], and the information that is worth, shape
        (3, 3) [1/m2]; zero for none.
    noise_m : float
        Standard deviation of a height of the grid [m].
    per_independent : float
        How many of the points are worth one that shares nothing with the others.

    Returns
    -------
    Fit or None
        None when the grid shows too few of the points.

    """
    slope = np.ascontiguousarray(slope)
    variance = noise_m**2 * per_independent
    last = max(0.012, LAST_STEP_SIGMAS * noise_m)
    widths = [*ROBUST_STEPS_M, last]
    if compiled.fits is not None:
        left, out = np.empty(len(height_m)), np.empty((5, 3))
        enough = compiled.fits.shift(
            grid.height_m, np.ascontiguousarray(points_xy, dtype=np.float64),
            np.array(grid.axes.origin_xy), grid.axes.index_from_step, height_m, slope, expected,
            information, np.array(widths), variance, WIDE_SHARE, LEAST_CELLS, left, out)
        return Fit(out[0], out[1:4], left, slope, out[4]) if enough else None
    mean = expected.astype(np.float64)
    while widths:
        left, shown = differences(grid, points_xy, height_m, mean)
        if shown < LEAST_CELLS:
            return None
        centre = median(left)
        if len(widths) > len(ROBUST_STEPS_M):
            # Where all lie close by, the first step may be as narrow as the last two.
            near_m = abs(centre) + 3.0 * median_size(left, centre, as_far=True)
            wide = [width for width in ROBUST_STEPS_M if near_m > WIDE_SHARE * width]
            widths = [*wide, last] if wide else [last, last]
        normal, toward = weighed(left, slope, centre, widths.pop(0))
        normal, toward = normal / variance, toward / variance
        step = solved(normal + information, toward + times(information, expected - mean))
        mean = mean + step
    return Fit(mean, normal, left, slope, step)
