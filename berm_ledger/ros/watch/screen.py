# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The screen as lines of text, for any size; knows no ROS and draws on nothing by itself.

What matters comes first and is said in words as well as in colour. What does not fit is left out
from the least important end: old events, then rows of the table away from the target.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from rich.text import Text

from .advice import nothing_heard_lines, Surroundings
from .heard import Heard
from .lines import (
    axis_line,
    berm_line,
    borrow_lines,
    columns_for,
    event_line,
    heading_line,
    health_lines,
    section_lines,
    table_line,
    target_lines,
    title_line,
    warning_lines,
)
from .news import Event
from .section import Glyphs, UNICODE
from ...books.rows import Row, State

LEAST_WIDTH, LEAST_HEIGHT = 40, 12
KEYS = 'q quit   b next berm   up/down scroll'
LEAST_ROWS, LEAST_EVENTS = 3, 3
MOST_SECTION = 12


@dataclass(frozen=True, eq=False)
class View:
    """
    All that the screen shows.

    Parameters
    ----------
    heard : Heard
        What the topics say.
    events : sequence of Event
        What happened, oldest first.
    around : Surroundings
        Who is there, and for how long nothing has come in.
    berm_index : int or None
        The berm to show; None: the one that is worked on.
    scroll : int
        Rows of the table further down than it would show by itself.
    glyphs : Glyphs
        What to draw the long section with.

    """

    heard: Heard
    events: Sequence[Event] = ()
    around: Surroundings = field(default_factory=Surroundings)
    berm_index: int | None = None
    scroll: int = 0
    glyphs: Glyphs = UNICODE


def berm_shown(view: View) -> int:
    """Return the berm to show: as asked for, else of the target, flagged, or not done."""
    heard = view.heard
    berms = sorted({row.berm_index for row in heard.rows})
    if view.berm_index is not None and view.berm_index in berms:
        return view.berm_index
    named = [] if heard.target is None else [str(heard.target.values.get('berm', ''))]
    named += [str(flag.values.get('berm', '')) for flag in heard.flags]
    for name in named:
        index = heard.index_of(name)
        if index in berms:
            return int(index or 0)
    open_rows = [row.berm_index for row in heard.rows if row.state != State.AT_GRADE]
    return min(open_rows, default=berms[0] if berms else 0)


def next_berm(view: View) -> int:
    """Return the berm after the one shown, the first one after the last."""
    berms = sorted({row.berm_index for row in view.heard.rows}) or [0]
    return berms[(berms.index(berm_shown(view)) + 1) % len(berms)] if (
        berm_shown(view) in berms) else berms[0]


def target_segment(heard: Heard, berm_index: int) -> int | None:
    """Return the segment of that berm that the target is on; None for none."""
    status = heard.target
    if status is None or status.values.get('code', 'target') != 'target':
        return None
    number = str(status.values.get('segment', ''))
    named = heard.index_of(str(status.values.get('berm', '')))
    return int(number) if number.isdecimal() and named in (None, berm_index) else None


def screen_lines(view: View, width: int, height: int) -> list[Text]:
    """
    Return the screen.

    Parameters
    ----------
    view : View
        What to show.
    width, height : int
        Characters and lines of the terminal.

    Returns
    -------
    list of Text
        At most ``height`` lines of at most ``width`` characters; the last one names the keys.

    """
    width, space = max(1, width), view.around.topic.rpartition('/')[0]
    keys = Text(KEYS + (f'   watching {space}' if space else ''), style='dim')
    if view.heard.stamp_ns is None:
        lines = [Text(line) for line in nothing_heard_lines(view.around, width)]
        lines[0].stylize('bold yellow')
    elif width < LEAST_WIDTH or height < LEAST_HEIGHT:
        lines = _small(view)
    else:
        lines = _full(view, width, height)
    lines = lines[:max(0, height - 1)]
    lines += [Text()] * (height - 1 - len(lines))
    shown = [*lines, keys][:height]
    for line in shown:
        line.truncate(width, overflow='ellipsis')
    return shown


def _small(view: View) -> list[Text]:
    """Return what matters most, for a terminal too small for the rest."""
    return [title_line(view.heard), *warning_lines(view.heard, view.around, 200),
            *target_lines(view.heard, 200, 1)]


def _full(view: View, width: int, height: int) -> list[Text]:
    """Return all parts, each with the lines that are its due."""
    heard, berm = view.heard, berm_shown(view)
    rows = tuple(row for row in heard.rows if row.berm_index == berm)
    here = target_segment(heard, berm)
    top = [title_line(heard), *warning_lines(heard, view.around, width)[:4],
           *target_lines(heard, width, 2), *borrow_lines(heard),
           berm_line(heard, berm, rows)]
    health = health_lines(heard, width, 1 if height < 30 else 3)
    # One line each for the axis, the heading of the table and the keys.
    rest = height - len(top) - len(health) - 3
    news = min(LEAST_EVENTS, len(view.events))
    least = LEAST_EVENTS + min(LEAST_ROWS, len(rows))
    drawn = max(0, min(MOST_SECTION, round(0.3 * rest), rest - least))
    listed = max(1, min(len(rows), rest - drawn - news))
    told = max(0, rest - drawn - listed)
    drawing: list[Text] = []
    if drawn >= 2:
        drawing = [*section_lines(heard, berm, rows, width, drawn, view.glyphs),
                   axis_line(heard, rows, here, width, view.glyphs)]
    events = list(view.events)[len(view.events) - told:] if told < len(view.events) else list(
        view.events)
    columns = columns_for(width)
    return [
        *top, *drawing, heading_line(columns),
        *(table_line(row, here, heard.stamp_ns or 0, columns)
          for row in window(rows, here, listed, view.scroll)),
        *health, *(event_line(event) for event in events)]


def window(rows: Sequence[Row], here: int | None, count: int, scroll: int) -> Sequence[Row]:
    """
    Return the rows that fit: around the target, or else around the first that is not done.

    Parameters
    ----------
    rows : sequence of Row
        Rows of one berm.
    here : int or None
        Segment of the target.
    count : int
        How many fit.
    scroll : int
        How many further down to show.

    Returns
    -------
    sequence of Row
        At most ``count``.

    """
    middle = next((k for k, row in enumerate(rows) if row.segment == here), None)
    if middle is None:
        middle = next((k for k, row in enumerate(rows) if row.state != State.AT_GRADE), 0)
    first = middle - count // 2 + scroll
    first = max(0, min(first, len(rows) - count))
    return rows[first:first + count]
