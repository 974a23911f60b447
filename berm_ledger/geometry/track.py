# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Where a robot was at a given time, from the poses of the last few seconds."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
import math

from .poses import Pose2, StampedPose, wrap_rad

# Poses older than this against the newest are forgotten [ns]; and never more of them than that.
KEPT_NS = 6_000_000_000
MOST_KEPT = 3000
# No small wheeled robot is faster [m/s]: a jump of the map is no speed.
MOST_SPEED_M_S = 2.0


@dataclass(frozen=True)
class Whereabouts:
    """
    Where the robot was at one time.

    Parameters
    ----------
    pose : Pose2
        frame_from_base.
    slack_m : float
        How far it may have gone since the pose that is known [m]; 0 between two known poses.

    """

    pose: Pose2
    slack_m: float


class PoseTrack:
    """
    The poses of the last few seconds, in the order of their stamps.

    Grids arrive after newer poses, by the time it took to make them; a rover on its way must not
    be looked for where it is by now.

    Examples
    --------
    >>> track = PoseTrack()
    >>> track.add(StampedPose(0, 'map', Pose2(0.0, 0.0, 0.0)))
    >>> track.add(StampedPose(1_000_000_000, 'map', Pose2(0.5, 0.0, 0.2)))
    >>> track.at(500_000_000)
    Whereabouts(pose=Pose2(x_m=0.25, y_m=0.0, yaw_rad=0.1), slack_m=0.0)
    >>> track.at(1_400_000_000).slack_m
    0.2

    """

    def __init__(self) -> None:
        """Start without a pose."""
        self._poses: deque[StampedPose] = deque(maxlen=MOST_KEPT)

    def add(self, pose: StampedPose) -> None:
        """Add a pose that is not older than the last."""
        self._poses.append(pose)
        while self._poses[0].stamp_ns < pose.stamp_ns - KEPT_NS:
            self._poses.popleft()

    def at(self, stamp_ns: int) -> Whereabouts:
        """
        Return where the robot was.

        Parameters
        ----------
        stamp_ns : int
            The time [ns].

        Returns
        -------
        Whereabouts
            On the straight line between the poses before and after; the first or last pose known
            outside them.

        Raises
        ------
        IndexError
            Nothing was added yet.

        """
        after = self._poses[-1]
        if stamp_ns >= after.stamp_ns:
            age_s = (stamp_ns - after.stamp_ns) / 1e9
            return Whereabouts(after.pose, age_s * self._speed_m_s())
        for before in reversed(self._poses):
            if before.stamp_ns <= stamp_ns:
                return Whereabouts(_between(before, after, stamp_ns), 0.0)
            after = before
        return Whereabouts(after.pose, 0.0)

    def _speed_m_s(self) -> float:
        """Return how fast the robot went between the last two poses [m/s]."""
        if len(self._poses) < 2:
            return 0.0
        last, one_before = self._poses[-1], self._poses[-2]
        taken_s = (last.stamp_ns - one_before.stamp_ns) / 1e9
        gone_m = math.hypot(last.pose.x_m - one_before.pose.x_m,
                            last.pose.y_m - one_before.pose.y_m)
        return min(gone_m / taken_s, MOST_SPEED_M_S) if taken_s > 0.0 else 0.0


def _between(before: StampedPose, after: StampedPose, stamp_ns: int) -> Pose2:
    """Return the pose on the way from one to the next."""
    part = (stamp_ns - before.stamp_ns) / (after.stamp_ns - before.stamp_ns)
    start, end = before.pose, after.pose
    x_m, y_m = start.xy + part * (end.xy - start.xy)
    turned_rad = part * wrap_rad(end.yaw_rad - start.yaw_rad)
    return Pose2(float(x_m), float(y_m), wrap_rad(start.yaw_rad + turned_rad))
