# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Events for the screen: what is different after a message, in plain words; knows no ROS.

There is no topic of events: dumps, states, flags, hold and target are told from the change of what
is published, and what leaves no trace there is taken from the ledger's log.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
import re

from .heard import Heard
from ..messages import Status
from ..messages.diagnostics import LEVEL_NAMES
from ..table_text import figure
from ...books.rows import Row, State

PLAIN, GOOD, BAD = 'plain', 'good', 'bad'
# Booked by the ledger, told by its log only.
LOGGED_KINDS = ('datum', 'stray_dump', 'unbooked_fill', 'slump', 'map_shift', 'refused', 'void',
                'imbalance')
LOG_LINE = re.compile(r'booked (\w+)(.*)', re.DOTALL)


@dataclass(frozen=True)
class Event:
    """One line of news: ``stamp_ns`` of the books [ns], ``text``, and whether it is good."""

    stamp_ns: int | None
    text: str
    mood: str = PLAIN


def news(before: Heard, after: Heard) -> tuple[Event, ...]:
    """
    Tell what changed between two states.

    Parameters
    ----------
    before, after : Heard
        Before and after one message; what comes in for the first time is no news.

    Returns
    -------
    tuple of Event
        In order.

    """
    found: list[tuple[str, str]] = []
    if before.stamp_ns is not None and after.rows is not before.rows:
        found += _of_rows(before, after)
    found += _of_flags(before, after)
    found += _of_target(before.target, after.target)
    found += _of_health(before, after)
    return tuple(Event(after.stamp_ns, text, mood) for text, mood in found)


def event_from_log(text: str, stamp_ns: int | None) -> Event | None:
    """
    Return a line of the ledger's log as an event; None where it is none or told otherwise.

    Examples
    --------
    >>> event_from_log('booked slump west segment 2: slid', 5)
    Event(stamp_ns=5, text='slump west segment 2: slid', mood='bad')
    >>> event_from_log('booked dump west segment 2', 5) is None
    True

    """
    match = LOG_LINE.fullmatch(text)
    if match is None or match[1] not in LOGGED_KINDS:
        return None
    words = f'{match[1].replace("_", " ")}{match[2]}'
    return Event(stamp_ns, ' '.join(words.split()), GOOD if match[1] == 'datum' else BAD)


def _of_rows(before: Heard, after: Heard) -> Iterator[tuple[str, str]]:
    """Tell dumps and changes of state."""
    old = {(row.berm_index, row.segment): row for row in before.rows}
    for row in after.rows:
        was = old.get((row.berm_index, row.segment))
        if was is None:
            continue
        where = f'{after.name_of(row.berm_index)} segment {row.segment}'
        made = row.dumps_made - was.dumps_made
        if made > 0:
            loads = 'a load' if made == 1 else f'{made} loads'
            yield f'{loads} dumped on {where}', PLAIN
        # What is to be reworked is told by its flag, with what was lost.
        if row.state not in (was.state, State.REWORK):
            yield _state_text(where, was, row), _state_mood(row)


def _state_text(where: str, was: Row, row: Row) -> str:
    """Return a change of state in words."""
    height = f', {figure(row.height_m, 3)} of {figure(row.target_height_m, 3)} m'
    if was.state == State.UNSEEN:
        return f'{where} seen for the first time{height}'
    words = {State.SHORT: 'is short', State.AT_GRADE: 'is at grade', State.HIGH: 'is too high',
             State.UNSEEN: 'is no longer seen'}
    return f'{where} {words[row.state]}{height}'


def _state_mood(row: Row) -> str:
    """Return whether a state is good news."""
    return {State.AT_GRADE: GOOD, State.HIGH: BAD}.get(row.state, PLAIN)


def _of_flags(before: Heard, after: Heard) -> Iterator[tuple[str, str]]:
    """Tell new and ended flags, and the hold."""
    old, new = (
        {f'{s.values["berm"]} segment {s.values["segment"]}': s for s in heard.flags}
        for heard in (before, after))
    for where, status in new.items():
        if where not in old:
            yield f'{where}: {status.message}', BAD
    for where in old.keys() - new.keys():
        yield f'{where} is no longer flagged', GOOD
    if after.hold_text is not None and before.hold_text is None:
        yield f'ON HOLD: {after.hold_text}', BAD
    elif after.hold_text is None and before.hold_text is not None:
        yield 'the hold has ended', GOOD


def _of_target(before: Status | None, after: Status | None) -> Iterator[tuple[str, str]]:
    """Tell another target, or that there is none any more."""
    if after is None or before is after:
        return
    old, new = (
        None if s is None else (s.values.get('berm'), s.values.get('segment'),
                                s.values.get('code')) for s in (before, after))
    if old != new and after.values.get('segment') and after.values.get('code') == 'target':
        yield f'next load: {after.values.get("berm")} segment {after.values["segment"]}', PLAIN
    elif old is not None and old != new:
        yield f'no target: {after.message}', PLAIN


def _of_health(before: Heard, after: Heard) -> Iterator[tuple[str, str]]:
    """Tell what became better or worse; the state of the books is told by the rest."""
    old = {status.name: status.level for status in before.health}
    for status in after.health:
        level = old.get(status.name, status.level)
        if status.level == level or status.name in ('books', 'refusals'):
            continue
        yield (f'{status.name} {LEVEL_NAMES[status.level]}: {status.message}',
               GOOD if status.level == 0 else BAD)
