# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The apron of ground around a borrow area, where nobody digs: how a look lies against it."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..survey.attitude import Attitude
from ..survey.error_budget import effective_sample_size
from ..survey.noise import GridNoise
from ..survey.registration import Shift
from ..survey.robust import Floats, tukey
from ..survey.shift_fit import Fit
from ..survey.surface import SiteSurface
from ..survey.tilt import fitted_tilt, FittedTilt, LEVEL, TiltOfGrids

# Fewer cells than this do not tell the level.
LEAST_CELLS = 60
# Ground over which differences share so much that they are worth one [m2].
INDEPENDENT_M2 = 0.02
# The level of one look may be off by this, however many cells there are [m].
LEVEL_FLOOR_M = 0.0002
# Beyond this a look does not show the same ground at all [m].
MOST_LEVEL_M = 0.15


class PlacedLook(NamedTuple):
    """How much higher, and tilted, a look shows the ground; error of that in the area [m]."""

    left: Shift
    error_m: float


class Apron:
    """
    The apron of one borrow area.

    Parameters
    ----------
    points_xy : array
        All cells around the area, shape (n, 2) [m].
    cells : array
        Those of the apron, shape (k,).
    cell_m : float
        Edge of a cell [m].
    inside : array
        Cells of the area, shape (n,).

    """

    def __init__(
        self, points_xy: Floats, cells: NDArray[np.intp], cell_m: float,
        inside: NDArray[np.bool_],
    ) -> None:
        """Nothing is known of how grids are tilted yet."""
        self._cells = cells
        self._points_xy = points_xy[cells]
        self._cell_area_m2 = cell_m * cell_m
        self._area_xy = points_xy[inside].mean(axis=0)
        self._tilts = TiltOfGrids()

    def placed(
        self, measured_m: NDArray[np.float32], surface: SiteSurface, noise: GridNoise
    ) -> PlacedLook | None:
        """
        Return where a look lies against the surface, as the apron shows it.

        Parameters
        ----------
        measured_m : array
            Heights of the look at all cells, shape (n,) [m]; NaN is not seen.
        surface : SiteSurface
            The surface so far.
        noise : GridNoise
            Noise of one look.

        Returns
        -------
        PlacedLook or None
            None where too little of the apron is seen, or lies too far off.

        """
        seen = measured_m[self._cells]
        count = int(np.isfinite(seen).sum())
        if not (surface.looks[self._cells] > 0.0).any():
            return PlacedLook(Shift(), self._level_error_m(count, noise)) if (
                count >= LEAST_CELLS) else None
        left_m = (seen - surface.height_m[self._cells]).astype(float)
        level_m = level_of(left_m, noise)
        if level_m is None:
            return None
        found, tilt, tilt_error_m = self._tilt(left_m, level_m), LEVEL, 0.0
        if found is not None:
            tilt = self._tilts.believed(found)
            tilt_error_m = self._tilts.error_m(found, self._area_xy)
            self._tilts = self._tilts.learned(found)
        if tilt:
            level_m = level_of(left_m - tilt.up_m(self._points_xy), noise)
        return None if level_m is None else PlacedLook(
            Shift(dz_m=level_m, attitude=Attitude(tilt)),
            math.hypot(self._level_error_m(count, noise), tilt_error_m))

    def _tilt(self, left_m: Floats, level_m: float) -> FittedTilt | None:
        """Return the tilt that differences (k,) [m] show; None where too few are known."""
        up = np.array([0.0, 0.0, level_m])
        fit = Fit(up, np.zeros((3, 3)), left_m, np.zeros((2, len(left_m))), up)
        return fitted_tilt(self._points_xy, fit, INDEPENDENT_M2 / self._cell_area_m2, LEVEL)

    def _level_error_m(self, cells: int, noise: GridNoise) -> float:
        """Return the standard error of the level of one look that shows so many cells [m]."""
        area_m2 = cells * self._cell_area_m2
        return math.hypot(
            noise.correlated_m / math.sqrt(effective_sample_size(area_m2, noise.range_m)),
            noise.white_m / math.sqrt(max(1, cells)), LEVEL_FLOOR_M)


def level_of(left_m: Floats, noise: GridNoise) -> float | None:
    """Return the level of differences, NaN where not known [m]; None for too few or too high."""
    left = left_m[np.isfinite(left_m)]
    if len(left) < LEAST_CELLS:
        return None
    level_m = float(np.median(left))
    for _ in range(3):
        weight = tukey(left - level_m, max(0.012, 4.0 * noise.total_m))
        level_m = float((weight * left).sum() / max(float(weight.sum()), 1e-9))
    return level_m if abs(level_m) <= MOST_LEVEL_M else None
