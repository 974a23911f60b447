# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Plane poses and the one quaternion rule.

Conventions (REP 103): x forward, y left, yaw counter-clockwise from the x axis [rad].
A name ``a_from_b`` holds a pose that turns coordinates in frame b into coordinates in frame a.
"""

from __future__ import annotations

from dataclasses import dataclass
import math

import numpy as np
from numpy.typing import ArrayLike, NDArray
from transforms3d.euler import quat2euler

from ..errors import GeometryError

# How far from 1 the length of a quaternion may be, as of one sent in single precision.
QUAT_NORM_TOLERANCE = 0.01
# No wheeled robot stands more askew: the frame is another one, or the order of the numbers.
MAX_TILT_RAD = math.radians(45.0)


def wrap_rad(angle_rad: float) -> float:
    """
    Return the angle in the half-open range [-pi, pi).

    Parameters
    ----------
    angle_rad : float
        Any angle [rad].

    Returns
    -------
    float
        The same direction [rad].

    Examples
    --------
    >>> wrap_rad(math.pi * 3 / 2) == -math.pi / 2
    True

    """
    wrapped = (angle_rad + math.pi) % (2.0 * math.pi) - math.pi
    return wrapped if wrapped < math.pi else -math.pi


@dataclass(frozen=True)
class Pose2:
    """
    A pose in the plane, also used as the transform out of its own frame.

    Parameters
    ----------
    x_m, y_m : float
        Position [m].
    yaw_rad : float
        Heading [rad], counter-clockwise.

    Examples
    --------
    >>> map_from_base = Pose2(1.0, 2.0, math.pi / 2)
    >>> map_from_base.apply([[1.0, 0.0]]).round(12).tolist()
    [[1.0, 3.0]]

    """

    x_m: float
    y_m: float
    yaw_rad: float = 0.0

    def __post_init__(self) -> None:
        """Refuse numbers that are no pose."""
        if not all(math.isfinite(v) for v in (self.x_m, self.y_m, self.yaw_rad)):
            msg = f'pose ({self.x_m}, {self.y_m}, {self.yaw_rad}) is not finite'
            raise GeometryError(msg)

    @property
    def xy(self) -> NDArray[np.float64]:
        """Position as an array of shape (2,) [m]."""
        return np.array([self.x_m, self.y_m])

    def apply(self, points_xy: ArrayLike) -> NDArray[np.float64]:
        """Turn points (n, 2) [m] of this pose's frame into the parent frame."""
        points = np.asarray(points_xy, dtype=float)
        cos, sin = math.cos(self.yaw_rad), math.sin(self.yaw_rad)
        out: NDArray[np.float64] = points @ np.array([[cos, sin], [-sin, cos]]) + self.xy
        return out

    def inverse(self) -> Pose2:
        """Return the transform the other way."""
        cos, sin = math.cos(self.yaw_rad), math.sin(self.yaw_rad)
        x_m = -cos * self.x_m - sin * self.y_m
        y_m = sin * self.x_m - cos * self.y_m
        return Pose2(x_m, y_m, wrap_rad(-self.yaw_rad))

    def __matmul__(self, other: Pose2) -> Pose2:
        """Chain: ``(a_from_b @ b_from_c)`` is ``a_from_c``."""
        x_m, y_m = self.apply([[other.x_m, other.y_m]])[0]
        return Pose2(float(x_m), float(y_m), wrap_rad(self.yaw_rad + other.yaw_rad))


@dataclass(frozen=True)
class StampedPose:
    """
    Where base_link is at one time.

    Parameters
    ----------
    stamp_ns : int
        Message time [ns].
    frame_id : str
        Frame the pose is given in.
    pose : Pose2
        frame_from_base.
    std_xy_m, std_yaw_rad : float
        Standard deviations from the message's covariance; NaN where it gives none.

    """

    stamp_ns: int
    frame_id: str
    pose: Pose2
    std_xy_m: float = math.nan
    std_yaw_rad: float = math.nan


def yaw_from_quat_xyzw(
    x: float, y: float, z: float, w: float, *, max_tilt_rad: float = MAX_TILT_RAD
) -> float:
    """
    Return the yaw of a quaternion after checking that it is one.

    Parameters
    ----------
    x, y, z, w : float
        Quaternion in the order of ROS messages.
    max_tilt_rad : float
        Largest roll or pitch accepted [rad].

    Returns
    -------
    float
        Yaw [rad].

    Raises
    ------
    GeometryError
        Not finite, not of unit length, or tilted beyond the limit.

    Examples
    --------
    >>> round(yaw_from_quat_xyzw(0.0, 0.0, math.sqrt(0.5), math.sqrt(0.5)), 12)
    1.570796326795

    """
    norm = math.sqrt(x * x + y * y + z * z + w * w)
    if not math.isfinite(norm) or abs(norm - 1.0) > QUAT_NORM_TOLERANCE:
        msg = f'quaternion ({x}, {y}, {z}, {w}) is not of unit length; normalise it'
        raise GeometryError(msg)
    roll, pitch, yaw = quat2euler((w, x, y, z), axes='sxyz')
    if max(abs(roll), abs(pitch)) > max_tilt_rad:
        msg = (f'quaternion ({x}, {y}, {z}, {w}) is tilted by more than '
               f'{math.degrees(max_tilt_rad):.3g} degrees')
        raise GeometryError(msg)
    return float(yaw)
