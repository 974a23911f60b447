# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Whether what the target node knows is fresh enough to send a robot anywhere; knows no ROS.

Two things go stale: what has not come in for a while (by a steady clock of the machine, so that
it also works when simulated time stands still), and books and poses that lag behind each other
(by the stamps of the messages, so that a table kept from yesterday is not taken for today's, nor a
pose for one that the ledger would use).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
import math
import re

from ..geometry import StampedPose
from ..survey.gates import is_uncertain


@dataclass(frozen=True)
class Receipt:
    """When a message came in, ``received_s`` by a steady clock [s]; its own ``stamp_ns`` [ns]."""

    received_s: float
    stamp_ns: int


def stale_text(
    *,
    now_s: float,
    segments: Receipt | None,
    pose: Receipt | None,
    rework: Receipt | None,
    no_go: Receipt | None,
    ledgers: int,
    awaited: str,
    mistaken_pose: str,
    books_timeout_s: float,
    pose_timeout_s: float,
    name_of: Callable[[str], str] = str,
) -> str | None:
    """
    Say what is missing or stale, or None when nothing is.

    Parameters
    ----------
    now_s : float
        Steady clock [s].
    segments, pose, rework, no_go : Receipt or None
        Last message of each; None before the first.
    ledgers : int
        How many publish the segments at this moment.
    awaited : str
        What the ledger has not told yet since it came up; empty when nothing.
    mistaken_pose : str
        As what other type the pose is published; empty when it is not.
    books_timeout_s, pose_timeout_s : float
        Limits [s].
    name_of : callable
        Gives the full name of a topic; left out, it is the short one.

    Returns
    -------
    str or None
        One plain sentence.

    """
    if segments is None:
        return f'no segments have come in yet on {name_of("segments")}: is the ledger running?'
    if ledgers != 1:
        return _ledgers_text(ledgers, name_of('segments'))
    if awaited:
        return awaited
    if rework is None:
        return 'nothing is known of holds yet: does the ledger publish rework?'
    if no_go is None:
        return 'nothing is known of the ground yet: does the ledger publish no_go?'
    if pose is None:
        return _no_pose_text(mistaken_pose, name_of('pose'))
    books_age_s = now_s - segments.received_s
    if books_age_s > books_timeout_s:
        return (f'the last segments came {books_age_s:.1f} s ago (limit {books_timeout_s:g} s): '
                f'does the ledger get grids?')
    pose_age_s = now_s - pose.received_s
    if pose_age_s > pose_timeout_s:
        return (f'the last pose came {pose_age_s:.1f} s ago (limit {pose_timeout_s:g} s): is the '
                f'localisation running?')
    lag_s = (pose.stamp_ns - segments.stamp_ns) / 1e9
    if lag_s > books_timeout_s and segments.stamp_ns == 0:
        return 'the ledger has seen nothing yet: does it get grids, and poses with them?'
    if lag_s > books_timeout_s:
        return (f'the books are {lag_s:.1f} s older than the pose (limit {books_timeout_s:g} s): '
                f'let the robot look at the berm')
    if -lag_s > books_timeout_s:
        return (f'the pose is {-lag_s:.1f} s older than the books (limit {books_timeout_s:g} s): '
                f'was a clock set back, or is this an old bag?')
    return None


def several_text(ledgers: int, topic: str) -> str:
    """
    Say that books are told by more than one.

    Examples
    --------
    >>> several_text(2, '/segments')
    '2 nodes publish /segments, so books are mixed up: stop all but one (one that was killed \
counts for half a minute more), or give each rover a namespace of its own'

    """
    return (f'{ledgers} nodes publish {topic}, so books are mixed up: stop all but one (one that '
            f'was killed counts for half a minute more), or give each rover a namespace of its '
            f'own')


def _ledgers_text(ledgers: int, topic: str) -> str:
    """Say that there is no ledger, or more than one."""
    if ledgers:
        return several_text(ledgers, topic)
    return f'nothing publishes {topic} any more: is the ledger running?'


def _no_pose_text(mistaken_pose: str, topic: str) -> str:
    """Say that there is no pose, and why where that is known."""
    if mistaken_pose:
        return f'no pose can come in: {mistaken_pose}; set pose_type'
    return f'no pose has come in yet: does anything publish {topic}?'


def same_reason(text: str | None, other: str | None) -> bool:
    """
    Tell whether two texts say the same, their figures aside, which change all the time.

    Examples
    --------
    >>> same_reason('the last pose came 2.1 s ago', 'the last pose came 12.6 s ago')
    True
    >>> same_reason('no pose has come in yet', None)
    False

    """
    words, others = (None if t is None else re.sub(r'[\d.]+', '', t) for t in (text, other))
    return words == others


def uncertain_text(pose: StampedPose) -> str | None:
    """
    Say that a pose is too uncertain to send the robot anywhere by, or None when it is not.

    The limits are those of the ledger; a pose whose message gives no covariance is believed.

    Examples
    --------
    >>> from berm_ledger.geometry import Pose2
    >>> uncertain_text(StampedPose(0, 'map', Pose2(0.0, 0.0, 0.0), 0.5, 0.1))
    'the pose is uncertain by 0.50 m and 6 degrees: wait for the localisation'

    """
    if not is_uncertain(pose):
        return None
    parts = [f'{pose.std_xy_m:.2f} m'] if math.isfinite(pose.std_xy_m) else []
    if math.isfinite(pose.std_yaw_rad):
        parts.append(f'{math.degrees(pose.std_yaw_rad):.0f} degrees')
    return f'the pose is uncertain by {" and ".join(parts)}: wait for the localisation'
