# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""How a grid is turned against the site surface: its tilt and its yaw together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

from .robust import Floats
from .shift_fit import Fit
from .tilt import fitted_tilt, FittedTilt, LEVEL, NO_TILTS, Tilt, TiltOfGrids
from .yaw import fitted_yaw, FittedYaw, NO_YAWS, STRAIGHT, Yaw, YawOfGrids


class Attitude(NamedTuple):
    """What is taken off a grid beside its shift."""

    tilt: Tilt = LEVEL
    yaw: Yaw = STRAIGHT

    def is_like(self, other: Attitude) -> bool:
        """Tell whether another is nearly the same."""
        return self.tilt.is_like(other.tilt) and self.yaw.is_like(other.yaw)


UPRIGHT = Attitude()


class FittedAttitude(NamedTuple):
    """All that a fit says of it; None where too little was seen."""

    tilt: FittedTilt | None
    yaw: FittedYaw | None


def fitted_attitude(
    points_xy: Floats, fit: Fit, per_independent: float, taken_off: Attitude
) -> FittedAttitude:
    """
    Return tilt and yaw of a grid in what its shift leaves.

    Parameters
    ----------
    points_xy, fit, per_independent
        As ``attitude_fit.fitted`` takes them.
    taken_off : Attitude
        What was taken off the grid before; it is part of what is returned.

    Returns
    -------
    FittedAttitude
        Both as far as they are seen.

    """
    return FittedAttitude(
        fitted_tilt(points_xy, fit, per_independent, taken_off.tilt),
        fitted_yaw(points_xy, fit, per_independent, taken_off.yaw))


class AttitudeOfGrids(NamedTuple):
    """How far grids are tilted and turned as a rule."""

    tilts: TiltOfGrids = TiltOfGrids()
    yaws: YawOfGrids = YawOfGrids()

    @classmethod
    def of_figures(cls, figures: Sequence[float]) -> AttitudeOfGrids:
        """Return what ``figures`` has told."""
        tilt, tilt_excess, yaw, yaw_excess = figures
        return cls(TiltOfGrids(replace(NO_TILTS, variance=tilt, excess=tilt_excess)),
                   YawOfGrids(replace(NO_YAWS, variance=yaw, excess=yaw_excess)))

    def figures(self) -> tuple[float, float, float, float]:
        """Return variance and excess of tilts, and of yaws."""
        tilt, yaw = self.tilts.habit, self.yaws.habit
        return tilt.variance, tilt.excess, yaw.variance, yaw.excess

    def believed(self, found: FittedAttitude) -> Attitude:
        """Return what is believed of a fit."""
        return Attitude(
            LEVEL if found.tilt is None else self.tilts.believed(found.tilt),
            STRAIGHT if found.yaw is None else self.yaws.believed(found.yaw))

    def expect(self, attitude: Attitude) -> bool:
        """Tell whether grids are tilted and turned as a rule where one is."""
        return all(habit.variance > 0.0 for habit, part in (
            (self.tilts.habit, attitude.tilt), (self.yaws.habit, attitude.yaw)) if part)

    def learned(self, found: FittedAttitude) -> AttitudeOfGrids:
        """Return how far they are after one more."""
        return AttitudeOfGrids(
            self.tilts if found.tilt is None else self.tilts.learned(found.tilt),
            self.yaws if found.yaw is None else self.yaws.learned(found.yaw))
