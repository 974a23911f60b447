# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
From which pose a load is dumped: sides, headings, the straight run-up.

The robot stands so that its drop point lies on the dump line, its drum along the crest. It came
there in a straight line of the run-up's length, forwards: the load leaves ahead of base_link.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
import math

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

from .dump_line import Drop
from ..design import Berm, Rover
from ..geometry import Pose2
from ..geometry.poses import wrap_rad

# Left and right of the centreline, in the sense of its stations.
SIDES = (1, -1)
SIDE_NAMES = {1: 'left', -1: 'right'}

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Approach:
    """
    One way to dump a load at one place.

    Parameters
    ----------
    pose : Pose2
        base_link at the dump.
    run_up_start : Pose2
        base_link where the straight run-up starts.
    side : int
        1 when the robot stands left of the centreline, -1 right of it.
    drop : Drop
        Where the load lands.
    drop_xy : tuple of float
        The same in the site frame [m].
    turn_rad : float
        Turn of the heading away from square to the standing crest [rad].
    shift_m : float
        Shift of the landing along the segment [m].

    """

    pose: Pose2
    run_up_start: Pose2
    side: int
    drop: Drop
    drop_xy: tuple[float, float]
    turn_rad: float = 0.0
    shift_m: float = 0.0


def approach_for(
    berm: Berm, rover: Rover, drop: Drop, side: int, turn_rad: float = 0.0,
    shift_m: float = 0.0,
) -> Approach:
    """
    Return the approach from one side of the berm.

    Parameters
    ----------
    berm : Berm
        The berm.
    rover : Rover
        The machine.
    drop : Drop
        Where the load lands.
    side : int
        1 from the left of the centreline, -1 from the right.
    turn_rad : float
        Turn of the heading away from square to the standing crest [rad].
    shift_m : float
        Shift of the landing along the centreline [m].

    Returns
    -------
    Approach
        Pose and run-up.

    """
    drop = replace(drop, station_m=drop.station_m + shift_m)
    drop_xy = berm.centreline.point_at(drop.station_m, drop.offset_m)
    along = float(berm.centreline.heading_at(drop.station_m)) + drop.turn_rad
    toward = along - side * 0.5 * math.pi
    yaw = wrap_rad(toward + turn_rad)
    offset = Pose2(0.0, 0.0, yaw).apply([rover.drop_point_xy])[0]
    pose = Pose2(float(drop_xy[0] - offset[0]), float(drop_xy[1] - offset[1]), yaw)
    start = Pose2(pose.x_m - rover.run_up_m * math.cos(yaw),
                  pose.y_m - rover.run_up_m * math.sin(yaw), yaw)
    landing = (float(drop_xy[0]), float(drop_xy[1]))
    return Approach(pose, start, side, drop, landing, turn_rad, shift_m)


def footprint_hull(rover: Rover) -> Floats:
    """Return the convex outline of the footprint in base_link, counter-clockwise [m]."""
    return _hull(rover.footprint.corners_xy)


def swept_hull(rover: Rover) -> Floats:
    """Return the convex outline of footprint and run-up in base_link at the dump pose [m]."""
    corners = rover.footprint.corners_xy
    return _hull(np.concatenate([corners, corners - np.array([rover.run_up_m, 0.0])]))


def _hull(points_xy: Floats) -> Floats:
    """Return the corners of the convex hull, counter-clockwise."""
    out: Floats = np.asarray(points_xy)[ConvexHull(points_xy).vertices]
    return out


def chained(first: Pose2, poses: Floats) -> Floats:
    """Return poses (n, 3) given in the frame of a pose, in that pose's own frame."""
    out = np.empty_like(poses)
    out[:, :2] = first.apply(poses[:, :2])
    out[:, 2] = poses[:, 2] + first.yaw_rad
    return out


def pose_array(poses: list[Pose2]) -> Floats:
    """Return poses as an array of shape (n, 3)."""
    return np.array([[p.x_m, p.y_m, p.yaw_rad] for p in poses]).reshape(-1, 3)
