# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The plain choice of the next dump: the nearest segment that can be reached square on."""

from __future__ import annotations

from collections.abc import Sequence
import math

from .approach import Approach, approach_for, pose_array, SIDE_NAMES, SIDES, swept_hull
from .dump_line import drop_of_row
from .obstacles import Obstacles, segment_name
from .values import Ground, NoTarget, Target
from ..books.rows import Row, State
from ..design import Site
from ..geometry import Pose2


def choose_target(
    site: Site,
    rows: Sequence[Row],
    ground: Ground | None,
    robot: Pose2 | None,
    *,
    hold_text: str | None = None,
    stale_text: str | None = None,
) -> Target | NoTarget:
    """
    Return the next dump target, or why there is none.

    Parameters
    ----------
    site : Site
        The site.
    rows : sequence of Row
        Rows of all berms with ``dumps_remaining`` filled in.
    ground : Ground or None
        Measured ground; None when nothing is known beyond the site file.
    robot : Pose2 or None
        Where base_link is.
    hold_text : str or None
        Why the target is on hold; None when it is not.
    stale_text : str or None
        Which input is stale or uncertain; None when none is.

    Returns
    -------
    Target or NoTarget
        Segments to be reworked come first, then the nearest.

    """
    refused = refusal(rows, hold_text=hold_text, stale_text=stale_text)
    if refused is not None:
        return refused
    wanted = [k for k, row in enumerate(rows) if row.dumps_remaining > 0]
    obstacles = Obstacles.of_site(site, rows, ground)
    hull = swept_hull(site.rover)
    standing = {k for k, row in enumerate(rows) if is_standing(site, row)}
    best: tuple[tuple[bool, float, int], Approach, Row] | None = None
    blocked: list[str] = []
    for k in wanted:
        row = rows[k]
        berm = site.berms[row.berm_index]
        drop = drop_of_row(site, rows, k)
        ways = [approach_for(berm, site.rover, drop, side) for side in SIDES]
        touched = obstacles.hits(hull, pose_array([way.pose for way in ways]))
        why = []
        for way, hit in zip(ways, touched):
            culprits = [name for j, name in enumerate(obstacles.names)
                        if hit[j] and (j >= len(rows) or j == k or j in standing)]
            if culprits:
                why.append(f'from the {SIDE_NAMES[way.side]} by {culprits[0]}')
                continue
            rank = (row.state != State.REWORK, _distance_m(robot, way.run_up_start), k)
            if best is None or rank < best[0]:
                best = rank, way, row
        if len(why) == len(ways):
            blocked.append(f'{segment_name(row)} is blocked {" and ".join(why)}')
    if best is None:
        row = rows[wanted[0]]
        return NoTarget('blocked', '; '.join(blocked), row.berm, row.segment)
    return target_from(best[1], best[2], _why(best[2]))


def refusal(
    rows: Sequence[Row], *, hold_text: str | None, stale_text: str | None
) -> NoTarget | None:
    """Return why no target may be given at all, None when one may."""
    if hold_text is not None:
        return NoTarget('hold', f'on hold: {hold_text}; resume when the yard is clear')
    if stale_text is not None:
        return NoTarget('stale', stale_text)
    if not rows:
        return NoTarget('stale', 'no table of segments has come in yet')
    if not any(row.dumps_remaining > 0 for row in rows):
        return NoTarget('done', 'no segment calls for another load')
    return None


def is_standing(site: Site, row: Row) -> bool:
    """Tell whether a segment holds soil that a robot must keep off."""
    if row.state in (State.AT_GRADE, State.HIGH):
        return True
    heights = [h for h in (row.height_m, row.high_m) if math.isfinite(h)]
    return max(heights, default=0.0) > site.rover.clearance_m


def target_from(way: Approach, row: Row, reason: str) -> Target:
    """Return the target for one approach to one segment."""
    return Target(
        row.berm, row.berm_index, row.segment, way.pose, way.run_up_start, way.drop_xy,
        way.drop.station_m, way.drop.offset_m, row.dumps_remaining,
        way.drop.crest_offset_m, way.drop.crest_turn_rad, reason)


def _distance_m(robot: Pose2 | None, goal: Pose2) -> float:
    """Return the straight distance to a pose [m], 0 when the robot is not known."""
    if robot is None:
        return 0.0
    return math.hypot(goal.x_m - robot.x_m, goal.y_m - robot.y_m)


def _why(row: Row) -> str:
    """Say why a segment was chosen."""
    loads = f'{row.dumps_remaining} load{"s" if row.dumps_remaining != 1 else ""} to go'
    if row.state == State.REWORK:
        return f'{segment_name(row)} is to be reworked, {loads}'
    if not math.isfinite(row.height_m):
        return f'{segment_name(row)} was not seen yet and counts as bare, {loads}'
    return f'{segment_name(row)} is {row.deficit_height_m:.3f} m low, {loads}'
