# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The parts of the screen, each as lines of styled text; knows no ROS."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
import math
from operator import itemgetter
import textwrap

from rich.text import Text

from .advice import silence_text, Surroundings
from .heard import Heard
from .news import BAD, Event, GOOD
from .section import columns_of, Glyphs, section_rows, top_m
from ..messages import Status
from ..messages.diagnostics import ERROR, LEVEL_NAMES, OK, STALE, WARN
from ..table_text import age_text, Column, COLUMNS, loads_text, time_text
from ...books.rows import Row, share_at_grade, State, whole_percent

STATE_STYLES = {
    State.UNSEEN: 'dim', State.SHORT: 'yellow', State.AT_GRADE: 'green', State.HIGH: 'magenta',
    State.REWORK: 'bold red'}
LEVEL_STYLES = {OK: 'green', WARN: 'yellow', ERROR: 'bold red', STALE: 'yellow'}
MOOD_STYLES = {GOOD: 'green', BAD: 'red'}
# Of the table for a person, what an operator needs and 80 characters hold.
SHOWN = ('seg', 'station', 'target', 'height', '+-', 'seen', 'done', 'short', 'left', 'made',
         'age')
CHOSEN = tuple(c for c in COLUMNS if c.title in SHOWN and c.unit != 'l')
# Where there is less room, these are left out, the first one first; the state stands last.
LEFT_OUT = ('made', 'seen', '+-', 'target', 'age', 'station', 'done')
MARK_WIDTH, STATE_WIDTH = 1, len('  at grade')
MARGIN = 7


def title_line(heard: Heard) -> Text:
    """Return the first line: how far the work is, and how old the news is."""
    rows, stamp_ns = heard.rows, heard.stamp_ns or 0
    done = sum(row.state == State.AT_GRADE for row in rows)
    seen = [row.last_seen_ns for row in rows if row.last_seen_ns is not None]
    made = sum(row.dumps_made for row in rows)
    look = f'look {age_text(stamp_ns, max(seen))} ago' if seen else 'not seen yet'
    if seen and any(s.name == 'elevation' and s.level == STALE for s in heard.health):
        look = 'looks stopped'
    parts = [
        f'{done} of {len(rows)} at grade', loads_text(rows), f'{len(heard.flags)} flagged',
        f'{made} made', look,
        *([time_text(stamp_ns).removesuffix(' UTC')] if stamp_ns else [])]
    return Text(' | '.join(parts), style='bold reverse')


def warning_lines(heard: Heard, around: Surroundings, width: int) -> list[Text]:
    """Return what somebody must know at once; none when there is nothing."""
    lines = []
    silence = silence_text(around)
    if silence:
        lines.append(Text(silence, style='bold red'))
    if heard.hold_text is not None:
        space = around.topic.rpartition('/')[0]
        order = f'ros2 service call {space}/ledger/resume std_srvs/srv/Trigger'
        words = (f'ON HOLD: {heard.hold_text}', f'  once you have looked: {order}')
        lines += [Text(line, style='bold red') for text in words for line in textwrap.wrap(
            text, width, subsequent_indent='  ', max_lines=2, placeholder=' ...')]
    lines += [Text(line, style='bold red') for line in textwrap.wrap(
        heard.no_look, width, subsequent_indent='  ', max_lines=2, placeholder=' ...')]
    if any(status.values.get('datum') == 'none' for status in heard.health):
        lines.append(Text('NO DATUM: the natural ground has not been surveyed yet',
                          style='bold yellow'))
    for flag in heard.flags:
        what = flag.message.removesuffix(': to be reworked')
        lines.append(Text(f'REWORK {flag.values["berm"]} segment {flag.values["segment"]}: {what}',
                          style='red'))
    return lines


def target_lines(heard: Heard, width: int, most: int) -> list[Text]:
    """Return where the next load goes and why; nothing on hold, which is told above."""
    status = heard.target
    if heard.hold_text is not None and (status is None or not status.values.get('segment')):
        return []
    if status is None:
        return [Text('target   no target node has been heard yet', style='dim')]
    values = status.values
    words = status.message
    if values.get('code', 'target') == 'target' and values.get('segment'):
        words = f'{values.get("berm", "")} segment {values["segment"]}{_place(status)}: {words}'
    wrapped = textwrap.wrap(f'target   {words}', width, max_lines=most, placeholder=' ...',
                            subsequent_indent=' ' * 9)
    return [Text(line, style='cyan' if status.level == OK else 'yellow') for line in wrapped]


def _place(status: Status) -> str:
    """Return where the robot should stand, as far as the status says it."""
    try:
        x_m, y_m, yaw_rad = (float(str(status.values[name])) for name in ('x_m', 'y_m', 'yaw_rad'))
    except (KeyError, ValueError):
        return ''
    return f' from x {x_m:.2f} y {y_m:.2f} yaw {math.degrees(yaw_rad):.0f} deg'


def borrow_lines(heard: Heard) -> list[Text]:
    """Return the line about the borrow side, none where there is nothing to say."""
    if not heard.borrow:
        return []
    loud = 'ADD UP' in heard.borrow or 'closed' in heard.borrow
    return [Text(heard.borrow, style='yellow' if loud else '')]


def berm_line(heard: Heard, berm: int, rows: Sequence[Row]) -> Text:
    """Return the line above the long section."""
    length_m = sum(row.station_to_m - row.station_from_m for row in rows)
    count = len({row.berm_index for row in heard.rows})
    which = f' ({berm + 1} of {count})' if count > 1 else ''
    share = whole_percent(share_at_grade(rows))
    return Text(f'berm {heard.name_of(berm)}{which}: {share:.0f} % of {length_m:.2f} m at grade, '
                f'{loads_text(rows)}', style='bold')


def section_lines(
    heard: Heard, berm: int, rows: Sequence[Row], width: int, height: int, glyphs: Glyphs
) -> list[Text]:
    """Return the long section, coloured by state, with heights on the left."""
    profile = next((part for part in heard.crest if part.berm_index == berm), None)
    if profile is None or width <= MARGIN:
        return [Text(' ' * MARGIN + 'no crest has come in yet', style='dim'),
                *[Text()] * (height - 1)]
    columns = columns_of(profile, width - MARGIN)
    step_m = top_m(columns) / height
    styles = [_style_at(float(station), rows) for station in columns.station_m]
    lines = []
    for k, drawn in enumerate(section_rows(columns, height, glyphs)):
        label = f'{(height - k) * step_m:5.2f}m ' if k % 2 == 0 else ' ' * MARGIN
        line = Text(label, style='dim')
        looks = ['cyan' if character == glyphs.design else style
                 for character, style in zip(drawn, styles)]
        # A style for each character would be ten times as much to send to a terminal far away.
        for style, run in groupby(zip(drawn, looks), key=itemgetter(1)):
            line.append(''.join(character for character, _ in run), style=style)
        lines.append(line)
    return lines


def _style_at(station_m: float, rows: Sequence[Row]) -> str:
    """Return the style of the segment at a station."""
    return next((STATE_STYLES[row.state] for row in rows if station_m <= row.station_to_m),
                STATE_STYLES[rows[-1].state] if rows else '')


def axis_line(
    heard: Heard, rows: Sequence[Row], here: int | None, width: int, glyphs: Glyphs
) -> Text:
    """Return the ground line with the ends and numbers of the segments, and the target."""
    count = width - MARGIN
    cells = [glyphs.line] * count
    start, end = rows[0].station_from_m, rows[-1].station_to_m

    def column(station_m: float) -> int:
        return min(count - 1, max(0, int((station_m - start) / (end - start) * count)))

    for row in rows:
        cells[column(row.station_from_m)] = glyphs.tick
        number, room = str(row.segment), column(row.station_to_m) - column(row.station_from_m) - 1
        if len(number) <= room:
            first = column(0.5 * (row.station_from_m + row.station_to_m)) - len(number) // 2
            cells[first:first + len(number)] = number
    line = Text(f'{start:6.2f} '[:MARGIN] + ''.join(cells[:count]), style='dim')
    place = None if here is None else _drop_station(heard, rows, here)
    if place is not None:
        at = MARGIN + column(place)
        line = line[:at] + Text(glyphs.here, style='bold cyan') + line[at + 1:]
    return line


def _drop_station(heard: Heard, rows: Sequence[Row], here: int) -> float | None:
    """Return where along the berm the next load would land; None where it is not known."""
    row = next((row for row in rows if row.segment == here), None)
    try:
        station_m = float(str(heard.target.values['station_m'])) if heard.target else math.nan
    except (KeyError, ValueError):
        station_m = math.nan
    if not math.isfinite(station_m) and row is not None:
        station_m = 0.5 * (row.station_from_m + row.station_to_m)
    return station_m if math.isfinite(station_m) else None


def columns_for(width: int) -> tuple[Column, ...]:
    """
    Return the columns of the table that so many characters hold, without the least important.

    Examples
    --------
    >>> [column.title for column in columns_for(40)]
    ['seg', 'height', 'done', 'short', 'left']

    """
    chosen = CHOSEN
    for title in LEFT_OUT:
        if MARK_WIDTH + sum(column.width for column in chosen) + STATE_WIDTH <= width:
            break
        chosen = tuple(column for column in chosen if column.title != title)
    return chosen


def heading_line(columns: Sequence[Column]) -> Text:
    """Return the heading of the table."""
    words = [f'{c.title}/{c.unit}' if c.unit in ('mm', '%')
             and len(c.title) + len(c.unit) < c.width - 1 else c.title for c in columns]
    cells = ''.join(word.rjust(column.width) for word, column in zip(words, columns))
    return Text(f'{" " * MARK_WIDTH}{cells}  state', style='bold')


def table_line(
    row: Row, here: int | None, stamp_ns: int, columns: Sequence[Column]
) -> Text:
    """Return one row of the table, marked where the next load goes."""
    cells = ''.join(column.text(row, stamp_ns).rjust(column.width) for column in columns)
    line = Text('>' if row.segment == here else ' ', style='bold cyan')
    line.append(cells, style='')
    line.append(f'  {row.state.name.replace("_", " ").lower()}', style=STATE_STYLES[row.state])
    return line


def health_lines(heard: Heard, width: int, most: int) -> list[Text]:
    """Return every input and part in a word or two, then what is the matter with the worst."""
    shown = [status for status in heard.health if status.name != 'books']
    if not shown:
        return [Text('health: nothing has come in on /diagnostics yet', style='dim')]
    words = [(status, _health_word(status)) for status in shown]
    plain = [status.name for status, word in words if not word]
    parts = [Text(f'{status.name} {word}', style=LEVEL_STYLES.get(status.level, ''))
             for status, word in words if word]
    parts += [Text('ok: ' + ' '.join(plain), style='green')] if plain else []
    lines = [Text()]
    for part in parts:
        if lines[-1].plain and len(lines[-1]) + 2 + len(part) > width:
            lines.append(Text())
        lines[-1].append('  ' if lines[-1].plain else '').append_text(part)
    wrong = sorted((s for s in shown if s.level != OK), key=lambda s: (s.level != ERROR, s.level))
    details = [Text(f'  {LEVEL_NAMES[s.level]} {s.name}: {s.message}',
                    style=LEVEL_STYLES[s.level]) for s in wrong]
    return [*lines, *details[:most]]


def _health_word(status: Status) -> str:
    """Return one status in a word; empty where all is well and there is nothing to count."""
    values = status.values
    if status.level in (ERROR, STALE):
        return LEVEL_NAMES[status.level]
    if values.get('rate_hz', 'unknown') != 'unknown':
        word = f'{float(str(values["rate_hz"])):.1f}Hz'
    elif status.name == 'refusals':
        count = sum(int(str(n)) for n in values.values() if str(n).isdecimal())
        word = str(count) if count else ''
    else:
        word = str(values.get('messages', ''))
    return (word or LEVEL_NAMES[WARN]) + '!' if status.level == WARN else word


def event_line(event: Event) -> Text:
    """Return one event."""
    when = '' if event.stamp_ns is None else time_text(event.stamp_ns).removesuffix(' UTC')
    return Text(f'{when:>8} {event.text}', style=MOOD_STYLES.get(event.mood, ''))
