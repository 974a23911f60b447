# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""One message into the pipeline: the same step for the live node and for a replay."""

from __future__ import annotations

from typing import Any

from .book_clock import BookClock
from .messages import (
    current_from_msg,
    grid_from_grid_map,
    grid_from_point_cloud,
    mass_from_msg,
    pose_from_msg,
    stamp_ns_from,
)
from ..errors import MessageError
from ..geometry import StampedPose
from ..inputs import DRUM_CURRENT, DUMP, ELEVATION, POSE
from ..survey import ElevationGrid


def feed(
    pipeline: Any, role: str, msg: Any, *, layer: str = 'elevation',
    clock: BookClock | None = None,
) -> Any:
    """
    Convert a message and hand it to the pipeline; one that cannot be read is refused there.

    Parameters
    ----------
    pipeline : Pipeline
        Where it goes.
    role : str
        What it is, one of ``inputs``.
    msg : object
        Message of any type the topic may have, from rclpy or from a bag reader.
    layer : str
        Layer of a grid map that holds the heights.
    clock : BookClock, optional
        Keeps the time of the books over a clock that is set back.

    Returns
    -------
    Update
        What the pipeline made of it.

    """
    try:
        value = value_from_msg(role, msg, layer)
    except MessageError as exc:
        stamp_ns = _stamp_ns(msg)
        return pipeline.refuse_unread(
            role, str(exc), stamp_ns if clock is None else clock.of_books_ns(stamp_ns))
    return take(pipeline, role, value) if clock is None else take_dated(
        pipeline, role, value, clock)


def value_from_msg(role: str, msg: Any, layer: str) -> StampedPose | ElevationGrid | float:
    """
    Return what a message says.

    Parameters
    ----------
    role, msg, layer : str, object, str
        As for ``feed``.

    Returns
    -------
    StampedPose, ElevationGrid or float
        Of a dump the mass [kg], of the drum its current [A].

    Raises
    ------
    MessageError
        It cannot be read.

    """
    if role == POSE:
        return pose_from_msg(msg)
    if role == DRUM_CURRENT:
        return current_from_msg(msg)
    if role == DUMP:
        return mass_from_msg(msg)
    if hasattr(msg, 'layers'):
        return grid_from_grid_map(msg, layer)
    return grid_from_point_cloud(msg)


def take_dated(pipeline: Any, role: str, value: Any, clock: BookClock) -> Any:
    """Hand on what a message says in the time of the books, or refuse a pose by its time."""
    if role not in (POSE, ELEVATION):
        return take(pipeline, role, value)
    objection = (clock.objection(value.stamp_ns, pipeline.stamp_ns) if role == POSE
                 else clock.waiting)
    if objection is not None:
        return pipeline.turn_down(objection)
    return take(pipeline, role, clock.dated(value))


def take(pipeline: Any, role: str, value: Any) -> Any:
    """Hand what a message of a role says to the pipeline; return its update."""
    if role == POSE:
        return pipeline.add_pose(value)
    if role == DRUM_CURRENT:
        return pipeline.add_drum_current(value)
    if role == DUMP:
        return pipeline.add_dump(value)
    return pipeline.add_grid(value)


def _stamp_ns(msg: Any) -> int:
    """Return the stamp of an unreadable message [ns], 0 where it has none."""
    try:
        return stamp_ns_from(msg.header)
    except (AttributeError, MessageError):
        return 0
