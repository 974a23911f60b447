# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""From which side the simulated rover comes, and from where it looks at a berm."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..design import BorrowArea
from ..geometry import Pose2

if TYPE_CHECKING:
    from .yard import Yard

# Headings off the square that are tried [rad].
SKEWS_RAD = (0.0, 0.2, -0.2, 0.4, -0.4)
# How far off the toe the rover stops to look, and how far apart along the line [m].
STOP_CLEAR_M = 0.7
STOP_SPACING_M = 0.8
# Spacing of the points of its outline that must stand clear [m].
SPACING_M = 0.05
# Places in a borrow area drawn by chance, of which the least dug is taken.
DIG_TRIES = 64


def approach_to(
    yard: Yard, berm: int, station_m: float, drop_xy: NDArray[np.float64]
) -> tuple[Pose2, Pose2]:
    """
    Return the true dump pose and the start of the straight run-up before it.

    Parameters
    ----------
    yard : Yard
        The yard.
    berm : int
        Index of the berm.
    station_m : float
        Station on it [m].
    drop_xy : array
        Where the load is to land, shape (2,) [m].

    Returns
    -------
    tuple of Pose2
        Dump pose and run-up start: square to the line where there is room for it, from the side
        that is nearer to the rover.

    """
    line = yard.site.berms[berm].centreline
    square = float(line.heading_at(station_m)) + math.pi / 2.0
    best = None
    for skew in SKEWS_RAD:
        for side in (0.0, math.pi):
            dump_pose, run_up = _poses(yard, drop_xy, square + side + skew)
            cost = (_blocked(yard, dump_pose) + _blocked(yard, run_up), abs(skew),
                    float(np.hypot(*(run_up.xy - yard.true_pose.xy))))
            if best is None or cost < best[0]:
                best = (cost, dump_pose, run_up)
    assert best is not None
    return best[1], best[2]


def _poses(yard: Yard, drop_xy: NDArray[np.float64], yaw_rad: float) -> tuple[Pose2, Pose2]:
    """Return dump pose and run-up start of one heading."""
    rover = yard.site.rover
    back = Pose2(0.0, 0.0, yaw_rad).apply([rover.drop_point_xy])[0]
    dump_pose = Pose2(float(drop_xy[0] - back[0]), float(drop_xy[1] - back[1]), yaw_rad)
    return dump_pose, dump_pose @ Pose2(-rover.run_up_m, 0.0)


def _blocked(yard: Yard, pose: Pose2) -> float:
    """Return the share of the rover's outline that stands where it must not."""
    corners = pose.apply(yard.site.rover.footprint.corners_xy)
    ends = np.roll(corners, -1, axis=0)
    count = max(2, math.ceil(float(np.hypot(*(ends - corners).T).max()) / SPACING_M))
    share = np.linspace(0.0, 1.0, count, endpoint=False)[:, None, None]
    points = (corners + share * (ends - corners)).reshape(-1, 2)
    bad = ~yard.site.yard.boundary.contains(points)
    for area in yard.site.yard.keep_outs:
        bad |= area.polygon.contains(points)
    for ground in yard.berms:
        _, offset = ground.berm.centreline.station_offset(points)
        bad |= np.abs(offset) < ground.half_width_m
    return round(float(bad.mean()), 2)


def dig_spot(yard: Yard, area: BorrowArea) -> Pose2:
    """
    Return a true pose in a borrow area from which to dig where least was dug so far.

    Parameters
    ----------
    yard : Yard
        The yard.
    area : BorrowArea
        The area; the strip to be dug stays inside it where that is possible.

    Returns
    -------
    Pose2
        One of many drawn by chance.

    """
    outline = area.polygon
    low, high = outline.corners_xy.min(axis=0), outline.corners_xy.max(axis=0)
    best: tuple[float, Pose2] | None = None
    for x, y, yaw in yard.chance.uniform([*low, -math.pi], [*high, math.pi], (DIG_TRIES, 3)):
        pose = Pose2(float(x), float(y), float(yaw))
        corners = yard.dig_patch(pose).corners_xy()
        if not outline.contains(np.vstack([corners, pose.xy])).all():
            continue
        cut_m = float((yard.soil.at(corners, yard.soil.ground_m) - yard.soil.at(corners)).max())
        if best is None or cut_m < best[0]:
            best = (cut_m, pose)
    if best is not None:
        return best[1]
    x, y = outline.corners_xy.mean(axis=0)
    return Pose2(float(x), float(y), 0.0)


def stops_along(yard: Yard, berm: int) -> list[Pose2]:
    """
    Return true poses from which a whole berm can be looked at, on both sides of it.

    Parameters
    ----------
    yard : Yard
        The yard.
    berm : int
        Index of the berm.

    Returns
    -------
    list of Pose2
        Along the left side, then back along the right one; only where the rover has room.

    """
    ground = yard.berms[berm]
    line = ground.berm.centreline
    count = max(2, round(line.length_m / STOP_SPACING_M))
    station = (np.arange(count) + 0.5) * line.length_m / count
    stops = []
    for side, order in ((1.0, station), (-1.0, station[::-1])):
        clear = ground.half_width_m + STOP_CLEAR_M
        points = line.point_at(order, np.full(count, side * clear))
        headings = line.heading_at(order) + (0.0 if side > 0.0 else math.pi)
        for (x, y), heading in zip(points, headings):
            pose = Pose2(float(x), float(y), float(heading))
            if _blocked(yard, pose) == 0.0:
                stops.append(pose)
    return stops
