# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A target in the words of the topics and services; knows no ROS."""

from __future__ import annotations

from collections.abc import Sequence
import json
import math

from ..books.rows import Row
from ..geometry import Pose2
from ..targeting import NoTarget, Target

PATH_STEP_M = 0.1
DIGITS = 6


def loads_left(rows: Sequence[Row]) -> int:
    """Return the whole loads still called for on all berms."""
    return sum(row.dumps_remaining for row in rows)


def run_up_m(target: Target) -> float:
    """Return the length of the straight run-up [m]."""
    start, end = target.run_up_start, target.pose
    return math.hypot(end.x_m - start.x_m, end.y_m - start.y_m)


def target_json(choice: Target | NoTarget, rows: Sequence[Row]) -> str:
    """
    Return a choice as one line of JSON.

    Parameters
    ----------
    choice : Target or NoTarget
        The choice.
    rows : sequence of Row
        Rows it was made from.

    Returns
    -------
    str
        Keys ``segment``, ``berm``, ``x``, ``y`` [m] and ``yaw`` [rad] of base_link when it dumps,
        ``run_up`` [m], ``loads_remaining`` on all berms, ``reason``, ``code``; ``crest_offset``
        [m] and ``crest_turn`` [rad] of the standing crest against the centreline, null where none
        stands; ``unserved``, the segments that no order of work serves; ``look``, where to look
        from: ``berm``, ``segment``, ``x``, ``y``, ``yaw``, null without code ``look``. Without a
        target all of the target's own are null.

    """
    content: dict[str, object] = dict.fromkeys(('segment', 'berm', 'x', 'y', 'yaw', 'run_up'))
    crest: dict[str, object] = dict.fromkeys(('crest_offset', 'crest_turn'))
    if isinstance(choice, Target):
        if math.isfinite(choice.crest_offset_m):
            crest = {'crest_offset': round(choice.crest_offset_m, DIGITS),
                     'crest_turn': round(choice.crest_turn_rad, DIGITS)}
        content = {
            'segment': choice.segment, 'berm': choice.berm,
            'x': round(choice.pose.x_m, DIGITS), 'y': round(choice.pose.y_m, DIGITS),
            'yaw': round(choice.pose.yaw_rad, DIGITS), 'run_up': round(run_up_m(choice), DIGITS)}
    content['loads_remaining'] = loads_left(rows)
    content['reason'] = choice.reason
    content['code'] = code_of(choice)
    content.update(crest)
    content['unserved'] = list(choice.unserved) if isinstance(choice, Target) else []
    content['look'] = look_of(choice)
    return json.dumps(content, allow_nan=False)


def code_of(choice: Target | NoTarget) -> str:
    """Return ``target``, or the code of why there is none."""
    return 'target' if isinstance(choice, Target) else choice.code


def look_of(choice: Target | NoTarget) -> dict[str, object] | None:
    """Return what is to be looked at and from where; None when nothing is."""
    if isinstance(choice, Target) or choice.code != 'look':
        return None
    pose = choice.look_pose
    where = (None, None, None) if pose is None else (
        round(pose.x_m, DIGITS), round(pose.y_m, DIGITS), round(pose.yaw_rad, DIGITS))
    return {'berm': choice.berm, 'segment': choice.segment, **dict(zip(('x', 'y', 'yaw'), where))}


def approach_poses(choice: Target | NoTarget) -> tuple[Pose2, ...]:
    """
    Return the straight run-up in steps, from its start to the dump pose; empty for none.

    Parameters
    ----------
    choice : Target or NoTarget
        The choice.

    Returns
    -------
    tuple of Pose2
        Steps of at most 0.1 m.

    """
    if not isinstance(choice, Target):
        return ()
    start, end = choice.run_up_start, choice.pose
    count = max(1, math.ceil(run_up_m(choice) / PATH_STEP_M - 1e-9))
    inner = (
        Pose2(start.x_m + (end.x_m - start.x_m) * n / count,
              start.y_m + (end.y_m - start.y_m) * n / count, end.yaw_rad)
        for n in range(1, count))
    return (start, *inner, end)


def target_values(choice: Target | NoTarget) -> dict[str, object]:
    """Return the further figures of a choice, unit in the name."""
    if isinstance(choice, NoTarget):
        pose = choice.look_pose
        return {'code': choice.code} if pose is None else {
            'code': choice.code, 'look_x_m': pose.x_m, 'look_y_m': pose.y_m,
            'look_yaw_rad': pose.yaw_rad}
    stands = math.isfinite(choice.crest_offset_m)
    return {
        'code': 'target', 'x_m': choice.pose.x_m, 'y_m': choice.pose.y_m,
        'yaw_rad': choice.pose.yaw_rad, 'run_up_m': run_up_m(choice),
        'drop_x_m': choice.drop_xy[0], 'drop_y_m': choice.drop_xy[1],
        'station_m': choice.station_m, 'drop_offset_m': choice.drop_offset_m,
        'segment_loads_remaining': choice.loads_remaining,
        'crest_offset_m': choice.crest_offset_m,
        'crest_turn_rad': choice.crest_turn_rad if stands else math.nan,
        'unserved': '; '.join(choice.unserved)}
