# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Statuses: health, flagged segments, the hold, the choice of target.

Texts go into messages as they are; whoever shows them escapes them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
import math
from typing import Any

from .common import fill_stamp, MessageTypes, NS_PER_S
from ...books import Flag

OK, WARN, ERROR, STALE = range(4)
LEVEL_NAMES = ('OK', 'WARN', 'ERROR', 'STALE')
SOURCE = 'berm_ledger'
HOLD_NAME = f'{SOURCE}: hold'
LOOKS_NAME = f'{SOURCE}: looks'
PEOPLE = 'people may be in the yard'
HOLD_CAUTION = 'no target is given until an operator has looked and called resume'


@dataclass(frozen=True)
class Status:
    """
    One line of diagnostics.

    Parameters
    ----------
    name : str
        What it is about.
    message : str
        One sentence.
    level : int
        ``OK``, ``WARN``, ``ERROR`` or ``STALE``.
    values : mapping
        Figures by name, unit in the name.

    """

    name: str
    message: str
    level: int = OK
    values: Mapping[str, object] = field(default_factory=dict)


def seconds_text(stamp_ns: int) -> str:
    """
    Return nanoseconds as a decimal number of seconds, without rounding.

    Parameters
    ----------
    stamp_ns : int
        Time [ns].

    Returns
    -------
    str
        Seconds with nine decimals.

    Examples
    --------
    >>> seconds_text(1_700_000_000_000_000_001)
    '1700000000.000000001'

    """
    sign = '-' if stamp_ns < 0 else ''
    seconds, rest = divmod(abs(stamp_ns), NS_PER_S)
    return f'{sign}{seconds}.{rest:09d}'


def value_text(value: object) -> str:
    """Return a value as text: floats short and without noise, the rest as it is."""
    return f'{value:.6g}' if isinstance(value, float) else str(value)


def fill_status(msg: Any, status: Status, types: MessageTypes) -> None:
    """
    Write a status into a message.

    Parameters
    ----------
    msg : diagnostic_msgs/DiagnosticStatus
        Filled in place.
    status : Status
        The status.
    types : MessageTypes
        Maker of ``KeyValue``.

    """
    # The level is a byte: rclpy wants bytes, a bag library a number; the constants know.
    msg.level = getattr(msg, LEVEL_NAMES[status.level])
    msg.name, msg.message = status.name, status.message
    # There is no hardware; the field says whose word it is.
    msg.hardware_id = SOURCE
    msg.values = []
    for key, value in status.values.items():
        pair = types.KeyValue()
        pair.key, pair.value = key, value_text(value)
        msg.values.append(pair)


def status_from(msg: Any) -> Status:
    """Return a diagnostic_msgs/DiagnosticStatus as a value; its values are texts."""
    level = msg.level[0] if isinstance(msg.level, (bytes, bytearray)) else int(msg.level)
    values = {str(pair.key): str(pair.value) for pair in msg.values}
    return Status(str(msg.name), str(msg.message), level, values)


def fill_diagnostics(
    msg: Any, statuses: Iterable[Status], *, stamp_ns: int, types: MessageTypes
) -> None:
    """
    Write statuses into an array, in order.

    Parameters
    ----------
    msg : diagnostic_msgs/DiagnosticArray
        Filled in place.
    statuses : iterable of Status
        The statuses.
    stamp_ns : int
        Stamp [ns].
    types : MessageTypes
        Makers of ``DiagnosticStatus`` and ``KeyValue``.

    """
    fill_stamp(msg.header.stamp, stamp_ns)
    msg.status = []
    for status in statuses:
        item = types.DiagnosticStatus()
        fill_status(item, status, types)
        msg.status.append(item)


def flag_status(flag: Flag) -> Status:
    """Return the status of one flagged segment."""
    volume = f'{flag.volume_m3:.4f} m3' if math.isfinite(flag.volume_m3) else 'an unknown volume'
    message = (f'lost {volume} between {flag.station_from_m:.2f} and {flag.station_to_m:.2f} m: '
               f'to be reworked')
    return Status(f'{SOURCE}: {flag.berm} segment {flag.segment}', message, WARN, {
        'berm': flag.berm,
        'segment': flag.segment,
        'since': seconds_text(flag.since_ns),
        'lost_volume_m3': float(flag.volume_m3),
        'station_from_m': float(flag.station_from_m),
        'station_to_m': float(flag.station_to_m),
        'dumps_since': flag.dumps_since,
    })


def fill_rework(
    msg: Any, flags: Iterable[Flag], *, on_hold: bool, hold_text: str, stamp_ns: int,
    types: MessageTypes, blind_text: str = '',
) -> None:
    """
    Write the flagged segments into an array; it is empty where there is nothing to tell.

    Parameters
    ----------
    msg : diagnostic_msgs/DiagnosticArray
        Filled in place.
    flags : iterable of Flag
        Open flags of the books.
    on_hold : bool
        Whether the target is on hold; one further status says so.
    hold_text : str
        Why.
    stamp_ns : int
        Stamp [ns].
    types : MessageTypes
        Makers of ``DiagnosticStatus`` and ``KeyValue``.
    blind_text : str
        Why no grid could be used for long; one further status says so. Empty when some could.

    """
    statuses = [flag_status(flag) for flag in flags]
    if on_hold:
        known = [hold_text] if hold_text else []
        text = '; '.join([*known, *([] if PEOPLE in hold_text else [PEOPLE]), HOLD_CAUTION])
        statuses.append(Status(HOLD_NAME, text, WARN, {'reason': hold_text}))
    if blind_text:
        statuses.append(Status(LOOKS_NAME, blind_text, WARN))
    fill_diagnostics(msg, statuses, stamp_ns=stamp_ns, types=types)


def hold_from_rework(msg: Any) -> tuple[bool, str]:
    """
    Return whether there is a hold, and why.

    Parameters
    ----------
    msg : diagnostic_msgs/DiagnosticArray
        As written by ``fill_rework``.

    Returns
    -------
    tuple of bool and str
        On hold or not, and the reason without the caution.

    """
    for item in msg.status:
        status = status_from(item)
        if status.name == HOLD_NAME:
            return True, str(status.values.get('reason', status.message))
    return False, ''


def blind_text_from_rework(msg: Any) -> str:
    """Return why the ledger could use no grid for long, as ``fill_rework`` wrote it, or empty."""
    known = (status_from(item) for item in msg.status)
    return next((status.message for status in known if status.name == LOOKS_NAME), '')


def flagged_from_rework(msg: Any) -> tuple[tuple[str, int], ...]:
    """Return berm and number of the segments that a rework message flags."""
    statuses = [status_from(item) for item in msg.status]
    return tuple(
        (str(s.values['berm']), int(str(s.values['segment']))) for s in statuses
        if 'berm' in s.values and str(s.values.get('segment', '')).isdecimal())


def fill_target_status(
    msg: Any, *, segment: int | None, berm: str | None, reason: str, loads_remaining: int,
    on_hold: bool, types: MessageTypes, values: Mapping[str, object] | None = None,
    caution: str = '',
) -> None:
    """
    Write what the target node has chosen and why.

    Parameters
    ----------
    msg : diagnostic_msgs/DiagnosticStatus
        Filled in place: ``OK`` with a target or when all is done, ``WARN`` without one, when
        some segment cannot be served, and when the last load fell far from its target.
    segment : int or None
        Segment of the target, or that the reason is about; None when there is none.
    berm : str or None
        Its berm.
    reason : str
        Why this one, or why none.
    loads_remaining : int
        Loads left on the whole site.
    on_hold : bool
        Whether it is on hold.
    types : MessageTypes
        Maker of ``KeyValue``.
    values : mapping, optional
        Further figures, unit in the name; ``code`` other than ``target`` means that there is
        none.
    caution : str
        What is to be said besides; empty for nothing.

    """
    content: dict[str, object] = {
        'segment': '' if segment is None else segment,
        'berm': berm or '',
        'reason': reason,
        'loads_remaining': loads_remaining,
        'hold': 'true' if on_hold else 'false',
    }
    content.update(values or {})
    given = segment is not None and content.get('code', 'target') == 'target'
    done = segment is None and loads_remaining == 0 and not on_hold
    fine = (given or done) and not content.get('unserved') and not caution
    gap = ' And ' if reason.endswith('?') else '; '
    message = f'{reason}{gap}{caution}' if caution else reason
    fill_status(msg, Status(f'{SOURCE}: target', message, OK if fine else WARN, content), types)
