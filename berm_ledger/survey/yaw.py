# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The yaw of a grid against the site surface, and how far grids are turned as a rule.

A heading that is off by half a degree shows a flank a metre away 9 mm beside where it is. Over
level ground that is not seen, and does nothing. What is believed is learned as that of a tilt
(`tilt.py`).
"""

from __future__ import annotations

from dataclasses import dataclass
import math
from typing import NamedTuple

import numpy as np

from .attitude_fit import ENOUGH_POINTS, fitted, SOME_POINTS
from .habit import Habit
from .robust import Floats
from .shift_fit import Fit
from ..geometry import Pose2

# What is usual before anything is.
NO_YAWS = Habit()
# Grids lie straight where they are turned by less than this as a rule [rad].
LEAST_YAW_RAD = 0.0005


@dataclass(frozen=True)
class Yaw:
    """By what angle a grid is turned [rad], and about which place (2,) [m]."""

    yaw_rad: float = 0.0
    about_xy_m: tuple[float, float] = (0.0, 0.0)

    def __bool__(self) -> bool:
        """Tell whether there is any."""
        return self.yaw_rad != 0.0

    def is_like(self, other: Yaw) -> bool:
        """Tell whether another is nearly the same."""
        return abs(self.yaw_rad - other.yaw_rad) <= LEAST_YAW_RAD

    def moved_xy(self, points_xy: Floats) -> Floats:
        """Return where a grid that is turned so shows points, shape (n, 2) [m]."""
        cos, sin = math.cos(self.yaw_rad), math.sin(self.yaw_rad)
        (x_m, y_m), out = self.about_xy_m, np.empty_like(points_xy)
        east, north = points_xy[:, 0] - x_m, points_xy[:, 1] - y_m
        out[:, 0] = east * cos - north * sin + x_m
        out[:, 1] = east * sin + north * cos + y_m
        return out

    def turned_back(self, pose: Pose2, shift_xy: Floats) -> Pose2:
        """Return a pose in a grid that is turned so and then shifted (2,) [m], not turned."""
        x_m, y_m = (np.array(self.about_xy_m) + shift_xy).tolist()
        back = Yaw(-self.yaw_rad, (x_m, y_m)).moved_xy(pose.xy[None, :])
        return Pose2(float(back[0, 0]), float(back[0, 1]), pose.yaw_rad - self.yaw_rad)


STRAIGHT = Yaw()


class FittedYaw(NamedTuple):
    """A fit: angle [rad], its variance [rad2], and about which place (2,) [m]."""

    yaw_rad: float
    variance: float
    about_xy_m: Floats


def fitted_yaw(
    points_xy: Floats, fit: Fit, per_independent: float, taken_off: Yaw
) -> FittedYaw | None:
    """
    Return the yaw of a grid in what its shift leaves.

    Parameters
    ----------
    points_xy, fit, per_independent
        As ``attitude_fit.fitted`` takes them.
    taken_off : Yaw
        By what the grid was turned back before; it is part of what is returned.

    Returns
    -------
    FittedYaw or None
        None where too little ground that slopes is seen.

    """
    many = ENOUGH_POINTS if taken_off else SOME_POINTS
    of = fitted(points_xy, fit, per_independent, of_yaw=True, many=many)
    return None if of is None else FittedYaw(
        float(of.found[0]) + taken_off.yaw_rad, float(of.covariance[0, 0]), of.about_xy)


@dataclass(frozen=True)
class YawOfGrids:
    """
    How far grids are turned.

    Parameters
    ----------
    habit : Habit
        What is usual of their yaw.

    """

    habit: Habit = NO_YAWS

    def believed(self, fit: FittedYaw) -> Yaw:
        """Return what is believed of a fit."""
        square = fit.yaw_rad**2
        variance = self.habit.now(square, square / fit.variance)
        if not variance:
            return STRAIGHT
        x_m, y_m = fit.about_xy_m.tolist()
        return Yaw(fit.yaw_rad * variance / (variance + fit.variance), (x_m, y_m))

    def learned(self, fit: FittedYaw) -> YawOfGrids:
        """Return how far they are after one more."""
        square = fit.yaw_rad**2
        return YawOfGrids(self.habit.learned(
            square, fit.variance, square / fit.variance, LEAST_YAW_RAD))
