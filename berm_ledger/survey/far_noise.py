# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
How noise grows with the distance from the robot, and from where on it is too much to judge by.

Stereo cameras see the ground the worse the further off it lies. One look is taken to have one
noise everywhere; where it truly has much more, chance looks like soil that came or went. It is
learned in rings about the robot, on ground that stands as it was known.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from .robust import Floats
from .surface import cells_told, SiteSurface
from ..geometry import Pose2

# Width of a ring and how many there are [m]; what lies further belongs to the last.
RING_M, RINGS = 0.25, 32
# Every so manieth look is learned from, at cells known by so many looks.
EVERY, LEAST_LOOKS = 8, 5.0
# Fewer cells of a ring tell nothing, weight of the newest look, and what a difference counts at
# most, in times the noise that is assumed.
LEAST_CELLS, WEIGHT, MOST_SIGMAS = 20, 0.2, 8.0
# What a look counts at most, in times what was known of its ring: soil that has just gone from
# much of it is no noise, and must be told. The surface follows before many more are learned from.
MOST_GROWTH = 1.25
# Mean size of normal values per standard deviation.
MEAN_PER_SD = math.sqrt(2.0 / math.pi)
# Cells are too noisy from so many times the noise that is assumed for all.
TOO_NOISY = 1.15


class NoiseByDistance:
    """
    Noise of looks in rings about the robot.

    Parameters
    ----------
    points_xy : array
        The surveyed cells, shape (n, 2) [m].

    """

    def __init__(self, points_xy: Floats) -> None:
        """Nothing is known yet."""
        self._points_xy = points_xy
        self._picked = cells_told(len(points_xy))
        #: Noise of each ring, NaN where it is not known [m].
        self.noise_m = np.full(RINGS, np.nan)
        self._looks = 0
        #: Up to which distance from the robot cells can be judged by [m]; may be infinite.
        self.within_m = math.inf

    def learn(
        self, measured_m: NDArray[np.float32], surface: SiteSurface, worked: NDArray[np.bool_],
        robot: Pose2, assumed_m: float,
    ) -> None:
        """
        Take a look into account.

        Parameters
        ----------
        measured_m : array
            Heights of the look, shape (n,) [m]; NaN is not seen.
        surface : SiteSurface
            The surface before it.
        worked : array
            Cells where change is expected, shape (n,).
        robot : Pose2
            Where the robot is.
        assumed_m : float
            Noise of one look as it is assumed [m].

        """
        self._looks += 1
        if self._looks % EVERY:
            return
        at = self._picked
        size = np.abs(surface.left_over_m(measured_m, at, worked, LEAST_LOOKS))
        usable = np.isfinite(size)
        size = np.minimum(size[usable], MOST_SIGMAS * assumed_m)
        apart = self._points_xy[at][usable] - robot.xy
        ring = np.minimum(np.hypot(*apart.T) / RING_M, RINGS - 1).astype(np.intp)
        cells = np.bincount(ring, minlength=RINGS)
        told = cells >= LEAST_CELLS
        newest = np.bincount(ring, size, RINGS)[told] / cells[told] / MEAN_PER_SD
        before = self.noise_m[told]
        self.noise_m[told] = np.where(
            np.isnan(before), newest,
            before + WEIGHT * (np.minimum(newest, MOST_GROWTH * before) - before))
        self.within_m = self._reach_m(assumed_m)

    def resume(self, noise_m: Floats, assumed_m: float) -> None:
        """Go on from the noise of rings of an earlier run, shape (RINGS,) [m]."""
        self.noise_m = noise_m
        self.within_m = self._reach_m(assumed_m)

    def _reach_m(self, assumed_m: float) -> float:
        """Return where the rings begin that are all too noisy [m]; infinite for none."""
        known = np.flatnonzero(np.isfinite(self.noise_m))
        good = known[self.noise_m[known] <= TOO_NOISY * assumed_m]
        beyond = known[known > good[-1]] if len(good) else known
        return RING_M * float(beyond[0]) if len(beyond) else math.inf

    def too_noisy(self, robot: Pose2) -> NDArray[np.bool_] | None:
        """Return the cells too far from the robot to be judged by, shape (n,); None for none."""
        if self.within_m == math.inf:
            return None
        out: NDArray[np.bool_] = np.hypot(*(self._points_xy - robot.xy).T) >= self.within_m
        return out
