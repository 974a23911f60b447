# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Where a grid fits the surface best: about where it is expected, after a jump, or far off.

A linearised fit finds its way over some 0.15 m, about the width of what it goes by. A grid that
lies much further off is fitted to the wrong slopes, and leaves far more than noise, or more of the
ground in disagreement than others do; where it does, the whole neighbourhood is searched for a
place that leaves far less.
"""

from __future__ import annotations

from itertools import product
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .attitude import Attitude, AttitudeOfGrids, fitted_attitude, FittedAttitude, UPRIGHT
from .grid import ElevationGrid
from .middle import median
from .resample import differences
from .shift_fit import Fit, shift_between
from .symmetric import inverse, square_by

Floats = NDArray[np.float64]

# How far the map may have jumped, or moved while nobody looked [m], and from how many standard
# deviations on a step is taken for a jump.
JUMP_SPREAD_M = 0.03
JUMP_SIGMAS = 3.0
# Differences count as such from this size on, and from so many times the noise of a look [m].
DIFFERS_M, DIFFERS_SIGMAS = 0.02, 5.0
# What is left is more than noise from so many times that on; it is about two thirds of it.
SUSPECT_SIGMAS = 2.0
# So is what disagrees from this share beyond the usual on: where most of what is seen is flat.
SUSPECT_SHARE = 0.04
# A grid that is tilted or turned is fitted so often with that known better.
FURTHER_FITS = 2
# How far around and how close together places are tried then [m], and by how many points.
SEARCH_M, STEP_M = 1.0, 0.1
SEARCH_POINTS = 1000
# A place is the better one where no more than this share of the spread is left, or of what
# disagrees; to find it, a difference counts no more than this [m].
BETTER_SHARE, AGREEING_SHARE = 0.5, 0.25
MOST_DIFFERENCE_M = 0.06


class Placed(NamedTuple):
    """
    A grid laid on the surface.

    Parameters
    ----------
    fit : Fit
        The shift.
    information : array
        What was expected is worth, shape (3, 3) [1/m2].
    residual_m : float
        Robust spread of the differences left over [m].
    disagreeing : float
        Share of them that is more than noise.
    cells : int
        How many there are.
    attitude : Attitude
        Tilt and yaw of the grid, taken off before.
    found : FittedAttitude or None
        All that the fit says of them.

    """

    fit: Fit
    information: Floats
    residual_m: float
    disagreeing: float
    cells: int
    attitude: Attitude
    found: FittedAttitude | None


class Fitting(NamedTuple):
    """
    A grid, what it is held against as ``shift_between`` takes it, and what grids are like.

    The noise of a look is ``noise_m``, how far they are tilted and turned ``attitudes``, and of
    ``usual_share`` of the ground they disagree; NaN is unknown.
    """

    grid: ElevationGrid
    points_xy: Floats
    height_m: Floats
    slope: Floats
    noise_m: float
    per_independent: float
    attitudes: AttitudeOfGrids
    usual_share: float = float('nan')

    def about(self, expected: Floats, spread: Floats) -> Placed | None:
        """Return the fit about a shift (3,) [m] of which so much is unsure, (3, 3) [m2]."""
        information = inverse(spread)
        upright = self._upright(UPRIGHT, expected, information)
        attitude, fit = UPRIGHT, upright
        found: FittedAttitude | None = None
        # Again with the attitude that the fit before has shown.
        for _ in range(FURTHER_FITS):
            if fit is None:
                break
            found = fitted_attitude(self.points_xy, fit, self.per_independent, attitude)
            better = self.attitudes.believed(found)
            if better.is_like(attitude):
                break
            attitude, fit = better, self._upright(better, expected, information)
        if fit is None or upright is None:
            return None
        placed = self._placed(fit, information, attitude, found)
        if attitude is UPRIGHT or self.attitudes.expect(attitude):
            return placed
        # Soil that has gone on one side is no tilt, which would leave less than none does. Where
        # grids are tilted and turned as a rule it is not asked: of flat ground as much is left.
        level = self._placed(upright, information, UPRIGHT, None)
        return placed if placed.residual_m < level.residual_m else level

    def _placed(
        self, fit: Fit, information: Floats, attitude: Attitude, found: FittedAttitude | None
    ) -> Placed:
        """Return the grid as a fit lays it, with what that leaves."""
        left = fit.left_over(max(DIFFERS_M, DIFFERS_SIGMAS * self.noise_m))
        return Placed(fit, information, *left, attitude, found)

    def _upright(
        self, attitude: Attitude, expected: Floats, information: Floats
    ) -> Fit | None:
        """Return the fit of a grid that is so tilted and turned."""
        (tilt, yaw), points = attitude, self.points_xy
        height_m = self.height_m + tilt.up_m(points) if tilt else self.height_m
        return shift_between(
            self.grid, yaw.moved_xy(points) if yaw else points, height_m, self.slope,
            expected=expected, information=information, noise_m=self.noise_m,
            per_independent=self.per_independent)

    def best(self, expected: Floats, spread: Floats) -> Placed | None:
        """
        Return the best fit, wherever it is.

        Parameters
        ----------
        expected : array
            Shift that is expected, shape (3,) [m].
        spread : array
            How unsure that is, shape (3, 3) [m2].

        Returns
        -------
        Placed or None
            None when the grid shows too few of the points.

        """
        placed = self.about(expected, spread)
        if placed is not None and square_by(
                placed.information, placed.fit.mean - expected) > JUMP_SIGMAS**2:
            # A walk does not explain a jump of the localisation: look again with an open mind.
            placed = self.about(expected, np.eye(3) * JUMP_SPREAD_M**2)
        if placed is None or not self._is_suspect(placed):
            return placed
        start = self._searched(expected)
        other = None if start is None else self.about(start, np.eye(3) * STEP_M**2)
        return other if other is not None and _is_better(other, placed) else placed

    def _is_suspect(self, placed: Placed) -> bool:
        """Tell whether more than noise is left, or more disagrees than usual."""
        return (placed.residual_m > SUSPECT_SIGMAS * self.noise_m
                or placed.disagreeing > self.usual_share + SUSPECT_SHARE)

    def _searched(self, expected: Floats) -> Floats | None:
        """Return the shift around an expected one that leaves the least differences, (3,) [m]."""
        some = slice(None, None, max(1, len(self.height_m) // SEARCH_POINTS))
        points, height = self.points_xy[some], self.height_m[some]
        _, enough = differences(self.grid, points, height, expected)
        steps = np.arange(-SEARCH_M, SEARCH_M + 0.5 * STEP_M, STEP_M)
        best_m, best = np.inf, None
        for x_m, y_m in product(steps, steps):
            start = expected + np.array([x_m, y_m, 0.0])
            left, shown = differences(self.grid, points, height, start)
            if shown < max(1, enough // 2):
                continue
            level_m = median(left)
            left_m = float(np.nanmean(np.minimum(np.abs(left - level_m), MOST_DIFFERENCE_M)))
            if left_m < best_m:
                best_m, best = left_m, start + np.array([0.0, 0.0, level_m])
        return best


def _is_better(other: Placed, placed: Placed) -> bool:
    """Tell whether another place leaves far less."""
    return (other.residual_m <= BETTER_SHARE * placed.residual_m
            or other.disagreeing <= AGREEING_SHARE * placed.disagreeing)
