# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Poses, paths and masses of loads, both ways."""

from __future__ import annotations

from collections.abc import Iterable
import math
from typing import Any

import numpy as np

from .common import array_from, fill_header, MessageTypes, stamp_ns_from
from ...errors import GeometryError, MessageError
from ...geometry import Pose2, StampedPose, yaw_from_quat_xyzw

# Row-major 6 x 6 in the order x, y, z, rotation about x, y, z (REP 103).
XX, XY, YX, YY, YAW = 0, 1, 6, 7, 35
COVARIANCE_SIZE = 36


def _pose2(pose: Any, what: str) -> Pose2:
    """Return a geometry_msgs/Pose as a pose in the plane."""
    quat = pose.orientation
    try:
        yaw = yaw_from_quat_xyzw(
            float(quat.x), float(quat.y), float(quat.z), float(quat.w))
        return Pose2(float(pose.position.x), float(pose.position.y), yaw)
    except GeometryError as exc:
        msg = f'{what}: {exc}'
        raise MessageError(msg) from exc


def _spreads(covariance: Any) -> tuple[float, float]:
    """Return standard deviations of position [m] and yaw [rad]; NaN where none is given."""
    values = array_from(covariance, np.float64)
    if len(values) != COVARIANCE_SIZE:
        msg = f'pose covariance has {len(values)} numbers, not {COVARIANCE_SIZE}'
        raise MessageError(msg)
    xx, yy, yaw = (float(values[k]) for k in (XX, YY, YAW))
    xy = 0.5 * (float(values[XY]) + float(values[YX]))
    if not all(math.isfinite(v) for v in (xx, xy, yy, yaw)) or min(xx, yy, yaw) < 0.0:
        msg = (f'pose covariance has variances {xx}, {yy} m2 and {yaw} rad2, x-y {xy} m2; they '
               f'must be finite and not negative')
        raise MessageError(msg)
    # Larger eigenvalue of [[xx, xy], [xy, yy]].
    largest = 0.5 * (xx + yy) + math.hypot(0.5 * (xx - yy), xy)
    std_xy = math.sqrt(largest) if largest > 0.0 else math.nan
    return std_xy, math.sqrt(yaw) if yaw > 0.0 else math.nan


def pose_from_msg(msg: Any) -> StampedPose:
    """
    Return the pose that a message holds.

    Parameters
    ----------
    msg : geometry_msgs/PoseStamped, PoseWithCovarianceStamped or nav_msgs/Odometry
        Told apart by their fields.

    Returns
    -------
    StampedPose
        The standard deviation of the position is that of its worst direction; one of zero is
        taken for not given, NaN.

    Raises
    ------
    MessageError
        Not finite, a quaternion that is not of unit length or is tilted, a covariance that is
        none.

    """
    std_xy_m = std_yaw_rad = math.nan
    pose = msg.pose
    if hasattr(pose, 'covariance'):
        std_xy_m, std_yaw_rad = _spreads(pose.covariance)
        pose = pose.pose
    return StampedPose(
        stamp_ns_from(msg.header), str(msg.header.frame_id), _pose2(pose, 'pose'),
        std_xy_m, std_yaw_rad)


def _fill_pose2(msg: Any, pose: Pose2, z_m: float) -> None:
    """Write a pose in the plane into a geometry_msgs/Pose."""
    msg.position.x, msg.position.y, msg.position.z = pose.x_m, pose.y_m, float(z_m)
    msg.orientation.x, msg.orientation.y = 0.0, 0.0
    msg.orientation.z = math.sin(0.5 * pose.yaw_rad)
    msg.orientation.w = math.cos(0.5 * pose.yaw_rad)


def fill_pose(msg: Any, pose: StampedPose, *, z_m: float = 0.0) -> None:
    """
    Write a pose into a message of any of the three pose types.

    Parameters
    ----------
    msg : geometry_msgs/PoseStamped, PoseWithCovarianceStamped or nav_msgs/Odometry
        Filled in place; a covariance gets the known standard deviations, zeros otherwise.
    pose : StampedPose
        The pose.
    z_m : float
        Height to write [m].

    """
    fill_header(msg.header, pose.stamp_ns, pose.frame_id)
    target = msg.pose
    if hasattr(target, 'covariance'):
        covariance = np.zeros(COVARIANCE_SIZE)
        if math.isfinite(pose.std_xy_m):
            covariance[[XX, YY]] = pose.std_xy_m ** 2
        if math.isfinite(pose.std_yaw_rad):
            covariance[YAW] = pose.std_yaw_rad ** 2
        target.covariance = covariance
        target = target.pose
    _fill_pose2(target, pose.pose, z_m)


def fill_no_pose(msg: Any, frame_id: str, stamp_ns: int) -> None:
    """Write that there is no pose: a position of NaN, so that no latched one can mislead."""
    fill_header(msg.header, stamp_ns, frame_id)
    position = msg.pose.position
    position.x = position.y = position.z = math.nan


def fill_path(
    msg: Any, poses: Iterable[Pose2], *, frame_id: str, stamp_ns: int, types: MessageTypes
) -> None:
    """
    Write poses into a path, in order.

    Parameters
    ----------
    msg : nav_msgs/Path
        Filled in place.
    poses : iterable of Pose2
        The poses.
    frame_id : str
        Their frame.
    stamp_ns : int
        Stamp of the path and of each pose [ns].
    types : MessageTypes
        Maker of ``PoseStamped``.

    """
    fill_header(msg.header, stamp_ns, frame_id)
    msg.poses = []
    for pose in poses:
        item = types.PoseStamped()
        fill_pose(item, StampedPose(stamp_ns, frame_id, pose))
        msg.poses.append(item)


def poses_from_path(msg: Any) -> tuple[Pose2, ...]:
    """Return the poses of a nav_msgs/Path, in order."""
    return tuple(
        _pose2(item.pose, f'path pose {i}') for i, item in enumerate(msg.poses))


def current_from_msg(msg: Any) -> float:
    """Return the drum current told by a std_msgs/Float32 [A]."""
    return float(msg.data)


def mass_from_msg(msg: Any) -> float:
    """Return the mass of a dump announced by a std_msgs/Float32 [kg]; NaN is not weighed."""
    return float(msg.data)
