# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Ground that the rover has driven over: its wheels press loose soil down, some millimetres a pass.

What was known of it tells nothing of what it looks like now. Held against the looks to come, ruts
in much of the ground would seem to be a map that has sunk, and raise the berm.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from .area import SurveyArea
from .registration import Shift
from .sampling import under_rover
from ..geometry import Pose2, StampedPose

# Who has moved or turned by less still stands where he stood [m, rad].
MOVED_M, TURNED_RAD = 0.02, 0.03


class Trodden:
    """
    Follows where a rover goes.

    Parameters
    ----------
    area : SurveyArea
        The surveyed cells.
    pad_m : float
        How much further than its footprint it may reach, by the error of its pose [m].

    """

    def __init__(self, area: SurveyArea, pad_m: float) -> None:
        """Nobody has gone anywhere."""
        self._area, self._pad_m = area, pad_m
        self._last: Pose2 | None = None
        # Poses and the cells under them since they were asked for.
        self._passes: list[tuple[int, NDArray[np.intp]]] = []

    def note(self, pose: StampedPose, shift: Shift) -> None:
        """Follow the rover to a pose, in the frame of the grids, which lie shifted."""
        last, now = self._last, pose.pose
        if last is not None and math.dist(last.xy, now.xy) < MOVED_M and (
                abs(math.remainder(now.yaw_rad - last.yaw_rad, 2.0 * math.pi)) < TURNED_RAD):
            return
        self._last = now
        cells = under_rover(self._area, shift, now, self._pad_m)
        if last is not None and len(cells):
            self._passes.append((pose.stamp_ns, cells))

    def until(self, stamp_ns: int) -> NDArray[np.intp]:
        """Return the cells that it has gone over up to a time [ns] since this was asked last."""
        gone = [cells for when_ns, cells in self._passes if when_ns <= stamp_ns]
        self._passes = self._passes[len(gone):]
        return np.unique(np.concatenate(gone)) if gone else np.empty(0, dtype=np.intp)
