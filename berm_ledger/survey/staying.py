# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
What of the noise stays from look to look while the robot stands.

A sensor that stands still errs in the same way again: by the angle it sees a spot at, by its lens,
by what a mapper made of earlier scans. Taken for independent, a few such looks seem to agree that
soil came or went. How much stays is learned from the first looks of a robot that has come to stand
at another place, on ground that stands as it was known; later on the surface errs alike.
"""

from __future__ import annotations

from dataclasses import replace
import math

import numpy as np
from numpy.typing import NDArray

from .middle import median_size, SD_FROM_MAD
from .noise import GridNoise
from .surface import cells_told, SiteSurface
from ..geometry import Pose2
from ..geometry.poses import wrap_rad

# Looks are compared at cells known by so many looks, and so many at one place.
LEAST_LOOKS, LOOKS_OF_PLACE = 5.0, 3
# A robot that has moved by less than this stands where it stood [m, rad].
STOOD_M, STOOD_RAD = 0.05, 0.05
# Fewer cells tell nothing; what is further off is soil that came or went [times the noise].
LEAST_CELLS, MOST_SIGMAS = 200, 4.0
# Weight of the newest of many pairs, and how much of the variance of a look one pair may have in
# common by chance: their mean so much less.
WEIGHT, CHANCE_SHARE = 0.1, 0.32
# Once the robot has moved all of the noise may stay, until so many pairs are compared; but not for
# ever, where it never stands still [looks].
LEAST_PAIRS, OPENING_LOOKS = 2, 20


class StayingNoise:
    """
    Follows how much stays.

    Parameters
    ----------
    count : int
        Number of surveyed cells.

    """

    def __init__(self, count: int) -> None:
        """Nothing is known to stay."""
        self._picked = cells_told(count)
        self._pairs = 0
        # Where the robot stands, how many looks came from there, and since it first moved; what
        # the last one has left (k,), and how far that spreads [m].
        self._stands: Pose2 | None = None
        self._looks_here = self._looks_since = 0
        self._left_m: NDArray[np.float32] | None = None
        self._spread_m = 0.0
        #: Variance that two looks from one place share beyond their means [m2].
        self.shared_m2 = 0.0

    def figures(self) -> tuple[float, int]:
        """Return the variance that looks from one place share [m2], and of how many pairs."""
        return self.shared_m2, self._pairs

    def resume(self, shared_m2: float, pairs: float) -> None:
        """Go on from what ``figures`` has told in an earlier run."""
        self.shared_m2, self._pairs = shared_m2, int(pairs)

    def learned(
        self, noise: GridNoise, measured_m: NDArray[np.float32], surface: SiteSurface,
        worked: NDArray[np.bool_], robot: Pose2,
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
        robot : Pose2
            Where the robot is.

        Returns
        -------
        GridNoise
            With what is known to stay.

        """
        self._arrive(robot)
        if self._looks_since and self._looks_here <= LOOKS_OF_PLACE:
            self._compare(measured_m, surface, worked, noise.total_m)
        staying_m = 0.0
        if self._pairs < LEAST_PAIRS and 0 < self._looks_since <= OPENING_LOOKS:
            staying_m = max(noise.total_m, self._spread_m)
        elif self.shared_m2 > self._chance_share() * noise.total_m**2:
            staying_m = math.sqrt(self.shared_m2)
        return noise if staying_m == noise.staying_m else replace(noise, staying_m=staying_m)

    def _chance_share(self) -> float:
        """Return how much of the variance of a look so many pairs may share by chance."""
        # Of many the newest count most: their moving average is worth 2 / WEIGHT - 1 of them.
        return CHANCE_SHARE / math.sqrt(min(max(self._pairs, 1), 2.0 / WEIGHT - 1.0))

    def _arrive(self, robot: Pose2) -> None:
        """Count the looks at a place, and those since there was another."""
        if self._stands is None or not _stood(robot, self._stands):
            self._looks_since += self._stands is not None
            self._stands, self._looks_here = robot, 1
        else:
            self._looks_since += self._looks_since > 0
            self._looks_here += 1

    def _compare(
        self, measured_m: NDArray[np.float32], surface: SiteSurface, worked: NDArray[np.bool_],
        total_m: float,
    ) -> None:
        """Learn from a look and the one before at the same place, if there is any."""
        left_m = surface.left_over_m(measured_m, self._picked, worked, LEAST_LOOKS)
        before_m, self._left_m = self._left_m, left_m
        known_m = left_m[np.isfinite(left_m)]
        self._spread_m = SD_FROM_MAD * median_size(known_m) if len(known_m) else 0.0
        if before_m is None or self._looks_here == 1:
            return
        found_m2 = _in_common_m2(left_m, before_m, MOST_SIGMAS * total_m)
        if math.isfinite(found_m2):
            # Looks that share nothing have no variance in common: the surface errs in both alike,
            # but the first has since gone into it.
            self._pairs += 1
            self.shared_m2 += max(WEIGHT, 1.0 / self._pairs) * (found_m2 - self.shared_m2)


def _stood(robot: Pose2, before: Pose2) -> bool:
    """Tell whether the robot stood still in between."""
    turn = wrap_rad(robot.yaw_rad - before.yaw_rad)
    return math.dist(robot.xy.tolist(), before.xy.tolist()) < STOOD_M and abs(turn) < STOOD_RAD


def _in_common_m2(
    one_m: NDArray[np.float32], other_m: NDArray[np.float32], most_m: float
) -> float:
    """Return the covariance of two looks (k,) [m2]; NaN where too little is near in both."""
    with np.errstate(invalid='ignore'):
        near = (np.abs(one_m) <= most_m) & (np.abs(other_m) <= most_m)
    if np.count_nonzero(near) < LEAST_CELLS:
        return math.nan
    one, other = one_m[near].astype(float), other_m[near].astype(float)
    return float(np.mean((one - one.mean()) * (other - other.mean())))
