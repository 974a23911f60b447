# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Where the robot was: straight lines between poses, and honest slack after the last."""

import math

from berm_ledger.geometry import Pose2, PoseTrack, StampedPose
from hypothesis import given
from hypothesis import strategies as st
import pytest

SECOND_NS = 1_000_000_000


def track_of(*poses: tuple[float, float, float, float]) -> PoseTrack:
    """Return a track of (second, x, y, yaw)."""
    track = PoseTrack()
    for second, x_m, y_m, yaw_rad in poses:
        track.add(StampedPose(round(second * SECOND_NS), 'map', Pose2(x_m, y_m, yaw_rad)))
    return track


@given(st.floats(0.0, 4.0))
def test_steady_motion_is_found_again_at_any_time(second: float) -> None:
    """Closed form: x = 0.5 t, y = -0.2 t, yaw = 3 + 0.3 t, through the jump at pi."""
    track = track_of(*((t, 0.5 * t, -0.2 * t, math.remainder(3.0 + 0.3 * t, 2 * math.pi))
                       for t in range(5)))
    was = track.at(round(second * SECOND_NS))
    assert was.pose.xy == pytest.approx([0.5 * second, -0.2 * second], abs=1e-6)
    turned = math.remainder(was.pose.yaw_rad - 3.0 - 0.3 * second, 2 * math.pi)
    assert turned == pytest.approx(0.0, abs=1e-6)
    assert was.slack_m == 0.0


def test_after_the_last_pose_it_may_have_gone_on() -> None:
    """It went 0.4 m a second; a quarter second later it may be 0.1 m off."""
    was = track_of((0.0, 0.0, 0.0, 0.0), (1.0, 0.4, 0.0, 0.0)).at(1_250_000_000)
    assert was.pose == Pose2(0.4, 0.0, 0.0)
    assert was.slack_m == pytest.approx(0.1)


def test_a_jump_of_the_map_is_no_speed() -> None:
    """A pose 3 m off after 0.1 s is a localisation that jumped."""
    was = track_of((0.0, 0.0, 0.0, 0.0), (0.1, 3.0, 0.0, 0.0)).at(600_000_000)
    assert was.slack_m == pytest.approx(2.0 * 0.5)


def test_before_the_first_pose_it_was_there() -> None:
    """Nothing earlier is known."""
    assert track_of((5.0, 1.0, 2.0, 0.3)).at(SECOND_NS).pose == Pose2(1.0, 2.0, 0.3)


def test_two_poses_of_one_stamp_are_no_division_by_zero() -> None:
    """The later of them stands."""
    track = track_of((1.0, 0.0, 0.0, 0.0), (1.0, 0.5, 0.0, 0.0))
    assert track.at(2 * SECOND_NS).slack_m == 0.0
    assert track.at(SECOND_NS).pose.x_m == 0.5


def test_it_does_not_grow_without_end() -> None:
    """A pose of long ago is forgotten: the oldest known stands for it."""
    track = track_of(*((t, float(t), 0.0, 0.0) for t in range(100)))
    assert track.at(0).pose.x_m >= 90.0
