# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""From where a segment is looked at that cannot be planned for before it was seen."""

from __future__ import annotations

from collections.abc import Sequence
import math

import numpy as np
from numpy.typing import NDArray

from .approach import approach_for, footprint_hull, pose_array, SIDES
from .dump_line import Drop
from .obstacles import Obstacles
from .reach import ReachMap
from .standing import standing_segments
from .values import Ground, NoTarget
from ..books.rows import Row
from ..design import Site
from ..geometry import Pose2

# Headings that are tried, off the square to the line [rad]: the stretch stays ahead.
TURNS_RAD = tuple(math.radians(turn) for turn in (0.0, 20.0, -20.0, 40.0, -40.0))


def look_at_unknown(
    site: Site, rows: Sequence[Row], ground: Ground | None, robot: Pose2 | None
) -> NoTarget | None:
    """
    Propose a look at a segment of unknown design height, None where there is none.

    A level crest has a height above the ground only once its ground was surveyed. Of several
    such segments the one nearest to the robot comes first, else the first along the berm.

    Parameters
    ----------
    site : Site
        The site.
    rows : sequence of Row
        All rows.
    ground : Ground or None
        Measured ground.
    robot : Pose2 or None
        Where the robot is.

    Returns
    -------
    NoTarget or None
        With code ``look``; its pose is where the run-up to the segment's middle would start, from
        the side with the shorter way. Without a pose where the footprint is clear on neither
        side or no way leads there, and the reason says so.

    """
    unknown = [k for k, row in enumerate(rows) if math.isnan(row.target_height_m)]
    if not unknown:
        return None
    index = unknown[0] if robot is None else min(
        unknown, key=lambda k: float(np.hypot(*(_middle_xy(site, rows[k]) - robot.xy))))
    row = rows[index]
    pose = look_pose(site, rows, index, ground, robot)
    text = (f'how high {row.berm} segment {row.segment} is to stand is not known before its '
            f'ground was surveyed; look at it')
    if pose is None:
        text += ' (there is no free place on a run-up to it that can be reached)'
    return NoTarget('look', text, row.berm, row.segment, pose)


def look_pose(
    site: Site, rows: Sequence[Row], index: int, ground: Ground | None, robot: Pose2 | None
) -> Pose2 | None:
    """Return a free and reachable pose that faces a segment's middle, None where there is none."""
    berm = site.berms[rows[index].berm_index]
    drop = Drop(0.5 * (rows[index].station_from_m + rows[index].station_to_m), 0.0)
    poses = [approach_for(berm, site.rover, drop, side, turn).run_up_start
             for turn in TURNS_RAD for side in SIDES]
    stands = standing_segments(site, rows)
    built = tuple(row for row, here in zip(rows, stands) if here)
    obstacles = Obstacles.of_site(site, built, ground, [True] * len(built))
    free = ~obstacles.hits(footprint_hull(site.rover), pose_array(poses)).any(axis=1)
    if not free.any():
        return None
    standing = np.ones(len(built), dtype=bool)
    reach = ReachMap(site, obstacles).with_standing(standing, robot)
    way_m = reach.field(np.zeros(len(built), dtype=bool)).distance_m
    cells = reach.cells_of(np.array([pose.xy for pose in poses]))
    cost = np.where(free & (cells >= 0), way_m[cells], np.inf)
    # The square comes first: a turned look is for where that is not free.
    for first in range(0, len(poses), len(SIDES)):
        best = first + int(np.argmin(cost[first:first + len(SIDES)]))
        if math.isfinite(cost[best]):
            return poses[best]
    return None


def _middle_xy(site: Site, row: Row) -> NDArray[np.float64]:
    """Return the middle of a segment on the centreline [m]."""
    line = site.berms[row.berm_index].centreline
    middle: NDArray[np.float64] = line.point_at(0.5 * (row.station_from_m + row.station_to_m))
    return middle
