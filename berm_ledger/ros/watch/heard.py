# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
What the screen has heard so far, as one value; each message makes a new one.

Knows no ROS and no site file: all it shows is in the messages. The names of the berms are read
from the table for a person, which is the only topic that has all of them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
import math
import re
from typing import Any

import numpy as np

from ..messages import hold_from_rework, stamp_ns_from, Status, status_from
from ..messages.common import NS_PER_S
from ..messages.crests import FLOAT_FIELDS
from ..messages.point_clouds import cloud_columns, NUMBERS
from ..messages.tables import COUNTS, FIGURES
from ...books.profile import CrestProfile
from ...books.rows import Row, State
from ...errors import MessageError

BORROW_LINE = re.compile(r'^borrow: .*', re.MULTILINE)
NO_LOOK_LINE = re.compile(r'^NO LOOK .*', re.MULTILINE)
BERM_LINE = re.compile(r'^berm (.*): \d+ % of its length at grade', re.MULTILINE)
# More than this on one site is taken for a broken message.
MOST_SEGMENTS = 100_000


@dataclass(frozen=True, eq=False)
class Heard:
    """
    The last message of each topic, in the words of the books.

    Parameters
    ----------
    stamp_ns : int or None
        Stamp of the last segments [ns]; None before the first.
    rows : tuple of Row
        One per segment.
    crest : tuple of CrestProfile
        One per berm that has any cross-section.
    names : tuple of str
        Names of the berms, in the order of the site; empty before the first table.
    flags : tuple of Status
        Flagged segments, without the hold.
    hold_text : str or None
        Why there is a hold; None when there is none.
    target : Status or None
        What the target node says.
    health : tuple of Status
        What the ledger says of its health, under short names.
    borrow : str
        Line about the borrow side; empty where there is none.
    no_look : str
        Line that says for how long no look could be used; empty where one could.

    """

    stamp_ns: int | None = None
    rows: tuple[Row, ...] = ()
    crest: tuple[CrestProfile, ...] = ()
    names: tuple[str, ...] = ()
    flags: tuple[Status, ...] = ()
    hold_text: str | None = None
    target: Status | None = None
    health: tuple[Status, ...] = ()
    borrow: str = ''
    no_look: str = ''

    def name_of(self, berm_index: int) -> str:
        """Return the name of a berm, its number where no table has come in."""
        if 0 <= berm_index < len(self.names):
            return self.names[berm_index]
        return f'berm {berm_index + 1}'

    def index_of(self, name: str) -> int | None:
        """Return the place of a berm by name; None where it is not known."""
        return self.names.index(name) if name in self.names else None


def take(heard: Heard, kind: str, msg: Any, *, prefix: str = 'ledger: ') -> Heard:
    """
    Return what is known after one more message.

    Parameters
    ----------
    heard : Heard
        What was known before.
    kind : str
        ``segments``, ``crest``, ``table``, ``rework``, ``target`` or ``diagnostics``.
    msg : message
        The message.
    prefix : str
        How the statuses of the watched ledger begin in the diagnostics.

    Returns
    -------
    Heard
        What is known now.

    Raises
    ------
    MessageError
        Not a message of this package.

    """
    if kind == 'diagnostics':
        # Others report there too; what is not of the ledger changes nothing.
        statuses = tuple(status_from(item) for item in msg.status)
        own = tuple(replace(status, name=status.name[len(prefix):])
                    for status in statuses if status.name.startswith(prefix))
        return replace(heard, health=own) if own else heard
    takers: dict[str, Callable[[Any], dict[str, Any]]] = {
        'segments': _segments, 'crest': _crest, 'table': _table, 'rework': _rework,
        'target': lambda message: {'target': status_from(message)}}
    return replace(heard, **takers[kind](msg))


def _segments(msg: Any) -> dict[str, Any]:
    """Return rows and their stamp."""
    if int(msg.height) * int(msg.width) > MOST_SEGMENTS:
        text = f'segments table has {int(msg.height)} x {int(msg.width)} points'
        raise MessageError(text)
    stamp_ns = stamp_ns_from(msg.header)
    names = (*FIGURES, 'age')
    figures = dict(zip(names, cloud_columns(msg, names, (NUMBERS['f4'],))))
    counts = dict(zip(COUNTS, cloud_columns(msg, tuple(COUNTS), (NUMBERS['u4'],))))
    if int(counts['state'].max(initial=0)) >= len(State):
        text = f'segments table has state {counts["state"].max()}'
        raise MessageError(text)
    columns = {**figures, **counts}
    rows = tuple(
        _row({name: values.flat[i].item() for name, values in columns.items()}, stamp_ns)
        for i in range(figures['age'].size))
    return {'stamp_ns': stamp_ns, 'rows': rows}


def _row(values: dict[str, Any], stamp_ns: int) -> Row:
    """Return one row; it has no name, the berm's number is enough."""
    age_s = values['age']
    known = {attribute: values[name] for name, attribute in {**FIGURES, **COUNTS}.items()}
    known['state'] = State(values['state'])
    last_seen_ns = stamp_ns - round(age_s * NS_PER_S) if math.isfinite(age_s) else None
    return Row(berm='', last_seen_ns=last_seen_ns, **known)


def _crest(msg: Any) -> dict[str, Any]:
    """Return the crest profiles."""
    station, offset, height, target = (
        values.ravel() for values in cloud_columns(msg, FLOAT_FIELDS, (NUMBERS['f4'],)))
    berm = cloud_columns(msg, ('berm',), (NUMBERS['u4'],))[0].ravel()
    return {'crest': tuple(
        CrestProfile(int(index), *(values[berm == index].astype(float)
                                   for values in (station, height, offset, target)))
        for index in np.unique(berm))}


def _table(msg: Any) -> dict[str, Any]:
    """Return the names of the berms, and the lines about the borrow side and missing looks."""
    text = str(msg.data)
    borrow, no_look = BORROW_LINE.search(text), NO_LOOK_LINE.search(text)
    return {'names': tuple(BERM_LINE.findall(text)), 'borrow': borrow[0] if borrow else '',
            'no_look': no_look[0] if no_look else ''}


def _rework(msg: Any) -> dict[str, Any]:
    """Return flags and hold."""
    on_hold, text = hold_from_rework(msg)
    statuses = tuple(status_from(item) for item in msg.status)
    return {'flags': tuple(status for status in statuses if 'segment' in status.values),
            'hold_text': text if on_hold else None}
