# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Ground that the rover has driven over: its wheels press loose soil down, some millimetres a pass.

What was known of it tells nothing of what it looks like now. Held against the looks to come, ruts
in much of the ground would seem to be a map that has sunk, and raise the berm. Firm ground stays,
and what is known of it holds grids in their place: which it is the looks after a pass tell.
"""

from __future__ import annotations

from collections.abc import Iterable
import math

import numpy as np
from numpy.typing import NDArray

from .area import SurveyArea
from .registration import Shift
from .sampling import under_rover
from .surface import SiteSurface
from ..geometry import Pose2, StampedPose

# Who has moved or turned by less still stands where he stood [m, rad].
MOVED_M, TURNED_RAD = 0.02, 0.03
# Ground sinks if that under a footprint, of which the wheels press a part, falls by more than this
# on average, and is firm again below the other; what is assumed until passes tell [m].
SINKS_M, FIRM_M, OPENING_SUNK_M = 0.001, 0.0005, 0.0007
# They tell of so many cells, known by so many looks, that have not changed altogether [m].
MOST_M = 0.025
LEAST_CELLS, LEAST_LOOKS = 100, 8.0
# Weight of the newest pass; that ground sinks at all is believed beyond so many standard errors.
WEIGHT, SURE_SIGMAS = 0.15, 4.0
# Poses kept one by one until a grid comes; where none does for long they are taken together.
MOST_PASSES = 64


def stays(last: Pose2, now: Pose2) -> bool:
    """Tell whether a pose is so near the last one that it goes over nothing else."""
    turned_rad = abs(math.remainder(now.yaw_rad - last.yaw_rad, 2.0 * math.pi))
    return math.dist(last.xy, now.xy) < MOVED_M and turned_rad < TURNED_RAD


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
        # Cells that no look has shown since, and how far such have sunk.
        self._unseen = np.empty(0, dtype=np.intp)
        self._sunk_m = OPENING_SUNK_M
        # Variance of that from pass to pass, to begin with a guess [m2].
        self._variance_m2 = SINKS_M**2
        #: Whether the ground sinks where it goes.
        self.sinks = True
        #: Whether it was ever seen to sink there: where it does no longer it may elsewhere.
        self.has_sunk = False

    def note(self, pose: StampedPose, shift: Shift) -> None:
        """Follow the rover to a pose, in the frame of the grids, which lie shifted."""
        last, now = self._last, pose.pose
        if last is not None and stays(last, now):
            return
        self._last = now
        cells = under_rover(self._area, shift, now, self._pad_m)
        if last is not None and len(cells):
            self._passes.append((pose.stamp_ns, cells))
        if len(self._passes) > MOST_PASSES:
            self._passes = [(pose.stamp_ns, self._together(cells for _, cells in self._passes))]

    def figures(self) -> tuple[float, float, float]:
        """Return how far the ground sinks [m]; 1 or 0: if it counts as sinking, if it ever did."""
        return self._sunk_m, float(self.sinks), float(self.has_sunk)

    def resume(self, sunk_m: float, sinks: float, has_sunk: float = 0.0) -> None:
        """Go on from what ``figures`` has told in an earlier run."""
        self._sunk_m, self.sinks, self.has_sunk = sunk_m, bool(sinks), bool(has_sunk)

    def until(self, stamp_ns: int, surface: SiteSurface) -> NDArray[np.intp]:
        """
        Return the cells that it has gone over up to a time since this was asked last.

        Parameters
        ----------
        stamp_ns : int
            The time [ns].
        surface : SiteSurface
            The surface as it was known before.

        Returns
        -------
        array
            Shape (k,).

        """
        gone = [cells for when_ns, cells in self._passes if when_ns <= stamp_ns]
        self._passes = self._passes[len(gone):]
        if not gone:
            return self._unseen[:0]
        cells = self._together(gone)
        known = surface.looks[cells] >= LEAST_LOOKS
        self._unseen = self._together((self._unseen, cells[known]))
        return cells

    def _together(self, passes: Iterable[NDArray[np.intp]]) -> NDArray[np.intp]:
        """Return the cells of some passes, each once."""
        gone = np.zeros(len(self._area), dtype=bool)
        for cells in passes:
            gone[cells] = True
        return np.flatnonzero(gone)

    def learn(
        self, measured_m: NDArray[np.float32], surface: SiteSurface, worked: NDArray[np.bool_]
    ) -> None:
        """
        Learn from a look how far the ground has sunk where it has gone.

        Parameters
        ----------
        measured_m : array
            Heights of the look, shape (n,) [m]; NaN is not seen.
        surface : SiteSurface
            The surface before it.
        worked : array
            Cells where other change is expected, shape (n,).

        """
        cells = self._unseen
        if not len(cells):
            return
        fall_m = (surface.height_m[cells] - measured_m[cells]).astype(float)
        self._unseen = cells[np.isnan(fall_m)]
        told = (np.abs(fall_m) <= MOST_M) & ~worked[cells]
        if np.count_nonzero(told) >= LEAST_CELLS:
            apart_m = float(fall_m[told].mean()) - self._sunk_m
            self._sunk_m += WEIGHT * apart_m
            self._variance_m2 = (1.0 - WEIGHT) * (self._variance_m2 + WEIGHT * apart_m**2)
            self.sinks = self._sunk_m > (FIRM_M if self.sinks else SINKS_M)
            # Errors that stay for a while make a mean of a few passes, too.
            error_m = math.sqrt(self._variance_m2 * WEIGHT / (2.0 - WEIGHT))
            self.has_sunk |= self._sunk_m > max(SINKS_M, SURE_SIGMAS * error_m)
