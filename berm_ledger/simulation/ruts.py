# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Ruts: the wheels of a rover press loose soil down, less with every pass."""

from __future__ import annotations

import numpy as np

from .soil import Patch, Soil
from ..design import Rover
from ..geometry import Pose2

# What a wheel of a small rover stands on, along and across; how much of what is left to the
# greatest depth it presses down at each step, so that a few passes make the rut (common practice:
# the first pass sinks most, no source).
TREAD_M = 0.10
SHARE = 0.25


class Ruts:
    """
    Presses the soil under four wheels, one in each corner of the footprint.

    Parameters
    ----------
    soil : Soil
        The soil.
    rover : Rover
        Its footprint.
    depth_m : float
        Greatest depth of a rut, however many passes make it [m].

    """

    def __init__(self, soil: Soil, rover: Rover, depth_m: float) -> None:
        """Nothing is pressed yet."""
        self._soil, self._depth_m = soil, depth_m
        low, high = (pick(rover.footprint.corners_xy, axis=0) for pick in (np.min, np.max))
        low, high = low + TREAD_M / 2.0, high - TREAD_M / 2.0
        self._wheels_xy = np.array([(x, y) for x in (low[0], high[0]) for y in (low[1], high[1])])
        #: How far each cell was pressed down, shape of the lattice [m].
        self.pressed_m = np.zeros(soil.lattice.shape)

    def press(self, pose: Pose2) -> None:
        """Stand at a true pose; the rim of a rut slides to the angle of repose."""
        soil = self._soil
        for x_m, y_m in pose.apply(self._wheels_xy).tolist():
            patch = Patch(x_m, y_m, pose.yaw_rad, TREAD_M, TREAD_M)
            window, apart_m = soil.around(patch, patch.reach_m + self._depth_m / soil.slope)
            deepest_m = self._depth_m - soil.slope * apart_m
            sunk_m = SHARE * np.maximum(0.0, deepest_m - self.pressed_m[window])
            self.pressed_m[window] += sunk_m
            soil.height_m[window] -= sunk_m
