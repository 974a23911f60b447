# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""One message into the pipeline: the same step for the live node and for a replay."""

from __future__ import annotations

from typing import Any

from .messages import (
    current_from_msg,
    grid_from_grid_map,
    grid_from_point_cloud,
    mass_from_msg,
    pose_from_msg,
    stamp_ns_from,
)
from ..errors import MessageError

POSE, DUMP, ELEVATION = 'pose', 'dump', 'elevation'
DRUM_CURRENT = 'drum_current'
# Order in which messages of one instant are taken: a dump takes its place from the pose before
# it, a grid is judged by both; a drum current belongs to the load before the dump.
INPUTS = (POSE, DRUM_CURRENT, DUMP, ELEVATION)


def feed(pipeline: Any, kind: str, msg: Any, *, layer: str = 'elevation') -> Any:
    """
    Convert a message and hand it to the pipeline; one that cannot be read is refused there.

    Parameters
    ----------
    pipeline : Pipeline
        Where it goes.
    kind : str
        One of ``INPUTS``.
    msg : object
        Message of any type the topic may have, from rclpy or from a bag reader.
    layer : str
        Layer of a grid map that holds the heights.

    Returns
    -------
    Update
        What the pipeline made of it.

    """
    try:
        if kind == POSE:
            return pipeline.add_pose(pose_from_msg(msg))
        if kind == DRUM_CURRENT:
            return pipeline.add_drum_current(current_from_msg(msg))
        if kind == DUMP:
            return pipeline.add_dump(mass_from_msg(msg))
        if hasattr(msg, 'layers'):
            return pipeline.add_grid(grid_from_grid_map(msg, layer))
        return pipeline.add_grid(grid_from_point_cloud(msg))
    except MessageError as exc:
        return pipeline.refuse('bad_message', f'{kind}: {exc}', _stamp_ns(msg, pipeline))


def _stamp_ns(msg: Any, pipeline: Any) -> int:
    """Return the stamp of an unreadable message [ns], or the newest one known."""
    try:
        return stamp_ns_from(msg.header)
    except (AttributeError, MessageError):
        return int(pipeline.stamp_ns or 0)
