# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The tilt of a grid against the site surface, and how far grids are tilted as a rule.

A sensor mounted a little askew, or an attitude that is off by part of a degree, shows level ground
as a slope: 0.3 degrees are 10 mm at two metres. The slope is a robust fit to the differences that
the shift of a grid leaves on ground that nobody works on. How much of it is believed is learned
from grid to grid (a ridge estimate; its prior variance is what the squares of fitted slopes have
in excess of their own errors): grids that come level are left as they are.
"""

from __future__ import annotations

from dataclasses import dataclass
import math
from typing import NamedTuple

from .attitude_fit import ENOUGH_POINTS, fitted, SOME_POINTS
from .habit import Habit
from .robust import Floats
from .shift_fit import Fit

# What is usual of slopes along x and along y, before anything is.
NO_TILTS = Habit(parts=2)
# Grids are level where they are tilted by less than this as a rule [m/m].
LEAST_TILT = 0.0003


@dataclass(frozen=True)
class Tilt:
    """
    By how much more a grid shows, the further one goes.

    Parameters
    ----------
    slope_xy : tuple of float
        Along x and y [m/m].
    about_xy_m : tuple of float
        Where it shows neither more nor less [m].

    """

    slope_xy: tuple[float, float] = (0.0, 0.0)
    about_xy_m: tuple[float, float] = (0.0, 0.0)

    def __bool__(self) -> bool:
        """Tell whether there is any."""
        return self.slope_xy != (0.0, 0.0)

    def is_like(self, other: Tilt) -> bool:
        """Tell whether another is nearly the same."""
        (x, y), (other_x, other_y) = self.slope_xy, other.slope_xy
        return math.hypot(x - other_x, y - other_y) <= LEAST_TILT

    def part(self, share: float) -> Tilt:
        """Return a share of it."""
        x, y = self.slope_xy
        return Tilt((share * x, share * y), self.about_xy_m)

    def less(self, other: Tilt) -> Tilt:
        """Return what is left when another about the same place is taken off."""
        (x, y), (other_x, other_y) = self.slope_xy, other.slope_xy
        return Tilt((x - other_x, y - other_y), self.about_xy_m)

    def up_m(self, points_xy: Floats) -> Floats:
        """Return by how much more the grid shows at points (n, 2), shape (n,) [m]."""
        (east, north), (x_m, y_m) = self.slope_xy, self.about_xy_m
        out: Floats = (points_xy[:, 0] - x_m) * east
        out += (points_xy[:, 1] - y_m) * north
        return out


LEVEL = Tilt()


class FittedTilt(NamedTuple):
    """A fit: slopes along x and y (2,) [m/m], covariance (2, 2), about which place (2,) [m]."""

    slope_xy: Floats
    covariance: Floats
    about_xy_m: Floats


def fitted_tilt(
    points_xy: Floats, fit: Fit, per_independent: float, taken_off: Tilt
) -> FittedTilt | None:
    """
    Return the tilt of a grid in what its shift leaves.

    Parameters
    ----------
    points_xy, fit, per_independent
        As ``attitude_fit.fitted`` takes them.
    taken_off : Tilt
        What was taken off the grid before; it is part of what is returned.

    Returns
    -------
    FittedTilt or None
        None where too few of the points are seen.

    """
    many = ENOUGH_POINTS if taken_off else SOME_POINTS
    of = fitted(points_xy, fit, per_independent, of_yaw=False, many=many)
    return None if of is None else FittedTilt(
        of.found[:2] + taken_off.slope_xy, of.covariance[:2, :2], of.about_xy)


@dataclass(frozen=True)
class TiltOfGrids:
    """
    How far grids are tilted.

    Parameters
    ----------
    habit : Habit
        What is usual of their slopes along x and along y.

    """

    habit: Habit = NO_TILTS

    def believed(self, fit: FittedTilt) -> Tilt:
        """Return what is believed of a fit."""
        variance = self.habit.now(*_size(fit))
        if not variance:
            return LEVEL
        (xx, xy), (_, yy) = fit.covariance.tolist()
        x, y = fit.slope_xy.tolist()
        xx, yy = xx + variance, yy + variance
        scale = variance / (xx * yy - xy * xy)
        about_x_m, about_y_m = fit.about_xy_m.tolist()
        return Tilt((scale * (yy * x - xy * y), scale * (xx * y - xy * x)),
                    (about_x_m, about_y_m))

    def error_m(self, fit: FittedTilt, at_xy: Floats) -> float:
        """Return what is not known of a tilt comes to at a place (2,) [m]."""
        variance = self.habit.now(*_size(fit))
        if not variance:
            return 0.0
        (xx, xy), (_, yy) = fit.covariance.tolist()
        x_m, y_m = (at_xy - fit.about_xy_m).tolist()
        # What is left of the variance v once a fit of covariance C is known: v - v (v + C)^-1 v.
        whole_x, whole_y = xx + variance, yy + variance
        known = (whole_y * x_m * x_m - 2.0 * xy * x_m * y_m + whole_x * y_m * y_m) / (
            whole_x * whole_y - xy * xy)
        return math.sqrt(max(0.0, variance * (x_m * x_m + y_m * y_m) - variance**2 * known))

    def learned(self, fit: FittedTilt) -> TiltOfGrids:
        """Return how far they are after one more."""
        (xx, _), (_, yy) = fit.covariance.tolist()
        square, ratio = _size(fit)
        return TiltOfGrids(self.habit.learned(square, (xx + yy) / 2.0, ratio, LEAST_TILT))


def _size(fit: FittedTilt) -> tuple[float, float]:
    """Return the mean square of the slopes of a fit, and the same over their errors."""
    (xx, xy), (_, yy) = fit.covariance.tolist()
    x, y = fit.slope_xy.tolist()
    ratio = (yy * x * x - 2.0 * xy * x * y + xx * y * y) / (xx * yy - xy * xy) / 2.0
    return (x * x + y * y) / 2.0, ratio
