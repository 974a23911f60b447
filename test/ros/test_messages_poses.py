# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Poses, paths, masses and stamps, both ways."""

import math

from berm_ledger.errors import MessageError
from berm_ledger.geometry import Pose2, StampedPose
from berm_ledger.ros.messages import (
    fill_header,
    fill_path,
    fill_pose,
    mass_from_msg,
    pose_from_msg,
    poses_from_path,
    stamp_ns_from,
)
from hypothesis import given
from hypothesis import strategies as st
from messages_kit import bag_kit, KITS
import numpy as np
import pytest

POSE = 'geometry_msgs/msg/PoseStamped'
WITH_COVARIANCE = 'geometry_msgs/msg/PoseWithCovarianceStamped'
ODOMETRY = 'nav_msgs/msg/Odometry'


@pytest.fixture(name='kit', params=sorted(KITS), scope='module')
def make_kit(request):
    return KITS[request.param]()


@pytest.mark.parametrize('name', [POSE, WITH_COVARIANCE, ODOMETRY])
def test_pose_over_the_wire(kit, name):
    before = StampedPose(1_700_000_000_123_456_789, 'map', Pose2(1.5, -2.5, 2.0), 0.02, 0.03)
    msg = kit.blank(name)
    fill_pose(msg, before, z_m=0.4)
    after = pose_from_msg(kit.over_the_wire(msg, name))
    assert (after.stamp_ns, after.frame_id) == (before.stamp_ns, 'map')
    np.testing.assert_allclose(
        (after.pose.x_m, after.pose.y_m, after.pose.yaw_rad), (1.5, -2.5, 2.0), atol=1e-12)
    expected = (math.nan, math.nan) if name == POSE else (0.02, 0.03)
    np.testing.assert_allclose((after.std_xy_m, after.std_yaw_rad), expected)


# REP 103: yaw is counter-clockwise and zero facing +x; a yaw of 90 degrees faces +y.
@pytest.mark.parametrize(('z', 'w', 'yaw_rad'), [
    (0.0, 1.0, 0.0), (math.sqrt(0.5), math.sqrt(0.5), math.pi / 2),
    (-math.sqrt(0.5), -math.sqrt(0.5), math.pi / 2), (1.0, 0.0, math.pi),
])
def test_yaw_by_rep_103(kit, z, w, yaw_rad):
    msg = kit.blank(POSE)
    msg.pose.orientation.z, msg.pose.orientation.w = z, w
    turn = pose_from_msg(msg).pose.yaw_rad - yaw_rad
    assert abs(math.remainder(turn, 2.0 * math.pi)) < 1e-12


def test_covariance_of_the_worst_direction(kit):
    msg = kit.blank(ODOMETRY)
    covariance = np.zeros(36)
    # REP 103 order x, y, z, rotations, row by row. Eigenvalues of [[5, 4], [4, 5]] are 1 and 9.
    covariance[[0, 7]], covariance[[1, 6]], covariance[35] = 5.0, 4.0, 0.25
    covariance[[14, 21, 28]] = 1e6
    msg.pose.covariance = covariance
    pose = pose_from_msg(kit.over_the_wire(msg, ODOMETRY))
    np.testing.assert_allclose((pose.std_xy_m, pose.std_yaw_rad), (3.0, 0.5))


def test_covariance_of_zeros_is_none(kit):
    pose = pose_from_msg(kit.blank(WITH_COVARIANCE))
    assert math.isnan(pose.std_xy_m)
    assert math.isnan(pose.std_yaw_rad)


@pytest.mark.parametrize(('index', 'value'), [
    (0, math.nan), (7, math.inf), (1, math.nan), (0, -1.0), (7, -1e-3), (35, -1.0),
])
def test_covariance_that_is_none(kit, index, value):
    msg = kit.blank(ODOMETRY)
    covariance = np.eye(6).reshape(-1)
    covariance[index] = value
    msg.pose.covariance = covariance
    with pytest.raises(MessageError, match='must be finite and not negative'):
        pose_from_msg(msg)


@pytest.mark.parametrize(('part', 'name', 'value', 'match'), [
    ('position', 'x', math.nan, 'not finite'),
    ('position', 'y', -math.inf, 'not finite'),
    ('orientation', 'w', 0.0, 'not of unit length'),
    ('orientation', 'w', 2.0, 'not of unit length'),
    ('orientation', 'z', math.nan, 'not of unit length'),
])
def test_poses_that_are_none(kit, part, name, value, match):
    msg = kit.blank(POSE)
    setattr(getattr(msg.pose, part), name, value)
    with pytest.raises(MessageError, match=f'pose: .*{match}'):
        pose_from_msg(msg)


def test_a_robot_on_its_side_is_no_pose(kit):
    msg = kit.blank(POSE)
    msg.pose.orientation.x = msg.pose.orientation.w = math.sqrt(0.5)
    with pytest.raises(MessageError, match='tilted by more than 45 degrees'):
        pose_from_msg(msg)


@given(st.integers(-2 ** 31 * 10 ** 9, 2 ** 31 * 10 ** 9 - 1))
def test_stamp_there_and_back(stamp_ns):
    header = bag_kit().blank('std_msgs/msg/Header')
    fill_header(header, stamp_ns, 'map')
    assert stamp_ns_from(header) == stamp_ns
    assert header.frame_id == 'map'


@pytest.mark.parametrize('nanosec', [10 ** 9, 2 ** 32 - 1])
def test_nanoseconds_beyond_a_second(kit, nanosec):
    msg = kit.blank(POSE)
    msg.header.stamp.nanosec = nanosec
    with pytest.raises(MessageError, match=f'nanosec is {nanosec}'):
        pose_from_msg(msg)


def test_path_there_and_back(kit):
    msg = kit.blank('nav_msgs/msg/Path')
    before = (Pose2(1.0, 2.0, 0.5), Pose2(3.0, 4.0, -1.0))
    fill_path(msg, before, frame_id='map', stamp_ns=5_000_000_001, types=kit.types)
    msg = kit.over_the_wire(msg, 'nav_msgs/msg/Path')
    assert [item.header.frame_id for item in msg.poses] == ['map', 'map']
    after = poses_from_path(msg)
    for a, b in zip(after, before):
        np.testing.assert_allclose(
            (a.x_m, a.y_m, a.yaw_rad), (b.x_m, b.y_m, b.yaw_rad), atol=1e-12)
    fill_path(msg, (), frame_id='map', stamp_ns=6, types=kit.types)
    assert poses_from_path(msg) == ()


def test_mass(kit):
    msg = kit.blank('std_msgs/msg/Float32')
    msg.data = 7.5
    assert mass_from_msg(kit.over_the_wire(msg, 'std_msgs/msg/Float32')) == 7.5
    msg.data = math.nan
    assert math.isnan(mass_from_msg(msg))
