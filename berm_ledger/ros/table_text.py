# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The books as a table for a person: plain text, aligned, no wider than 100 columns."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timezone
import math
import textwrap

from ..books import Books, Flag, Row, State
from ..books.rows import whole_percent
from ..books.statement import FIRST_DATE_NS
from ..wording import counted

WIDTH = 100
UNKNOWN = '-'


@dataclass(frozen=True)
class Column:
    """
    One column of the table.

    Parameters
    ----------
    title, unit : str
        Two lines of heading.
    width : int
        Characters, one of them the gap to the left.
    text : callable
        Makes the text of a row; its second argument is the newest stamp [ns].

    """

    title: str
    unit: str
    width: int
    text: Callable[[Row, int], str]


def figure(value: float, digits: int = 0, scale: float = 1.0, sign: str = '') -> str:
    """
    Return a figure with fixed decimals; NaN is unknown, and no zero has a sign.

    Examples
    --------
    >>> figure(0.0123, 1, 1000.0), figure(-0.0001, 1), figure(math.nan), figure(0.5, 1, sign='+')
    ('12.3', '0.0', '-', '+0.5')

    """
    if not math.isfinite(value):
        return UNKNOWN
    text = f'{value * scale:{sign}.{digits}f}'
    return text.lstrip('+-') if float(text) == 0.0 else text


def age_text(stamp_ns: int, then_ns: int | None) -> str:
    """
    Return how long ago something was, in the largest unit that keeps two figures.

    Examples
    --------
    >>> [age_text(int(s * 1e9), 0) for s in (0.4, 59.0, 600.0, 90000.0)]
    ['0.4s', '59s', '10min', '25h']

    """
    if then_ns is None:
        return UNKNOWN
    age_s = max(0.0, (stamp_ns - then_ns) / 1e9)
    if age_s < 9.95:
        return f'{age_s:.1f}s'
    if age_s < 120.0:
        return f'{age_s:.0f}s'
    return f'{age_s / 60.0:.0f}min' if age_s < 5970.0 else f'{age_s / 3600.0:.0f}h'


def time_text(stamp_ns: int) -> str:
    """
    Return a stamp as a time of day, or as seconds where it counts from a start.

    Examples
    --------
    >>> time_text(1_767_225_605_200_000_000), time_text(97_600_000_000)
    ('00:00:05 UTC', '97.6 s')

    """
    if stamp_ns < FIRST_DATE_NS:
        return f'{stamp_ns / 1e9:.1f} s'
    return f'{datetime.fromtimestamp(stamp_ns // 1_000_000_000, timezone.utc):%H:%M:%S} UTC'


def loads_text(rows: Sequence[Row]) -> str:
    """
    Return how many loads are left on some segments, in words.

    Examples
    --------
    >>> row = Row('west', 0, 1, 0.0, 0.4, 0.2, dumps_remaining=1)
    >>> loads_text([row]), loads_text([row, row]), loads_text([Row('w', 0, 1, 0, 1, math.nan)])
    ('1 load left', '2 loads left', 'loads left unknown')

    """
    count = sum(row.loads_left for row in rows)
    if math.isnan(count):
        return 'loads left unknown'
    return f'{counted(round(count), "load")} left'


def station_text(row: Row) -> str:
    """Return a station interval [m], with decimals as long as they fit."""
    digits = 2 if row.station_to_m < 100.0 else 1
    return f'{row.station_from_m:.{digits}f}-{row.station_to_m:.{digits}f}'


COLUMNS = (
    Column('seg', '', 4, lambda row, _: str(row.segment)),
    Column('station', 'm', 12, lambda row, _: station_text(row)),
    Column('target', 'm', 7, lambda row, _: figure(row.target_height_m, 3)),
    Column('height', 'm', 7, lambda row, _: figure(row.height_m, 3)),
    Column('+-', 'mm', 4, lambda row, _: figure(row.height_se_m, 1, 1e3)),
    Column('low', 'm', 7, lambda row, _: figure(row.low_m, 3)),
    # Where all is below the datum the sign takes the place of the last decimal.
    Column('high', 'm', 6, lambda row, _: figure(row.high_m, 2 if row.high_m < 0.0 else 3)),
    Column('seen', '%', 5, lambda row, _: figure(row.coverage, 0, 100.0)),
    Column('done', '%', 5, lambda row, _: figure(whole_percent(row.at_grade))),
    Column('short', 'mm', 6, lambda row, _: figure(row.deficit_height_m, 0, 1e3)),
    Column('short', 'l', 6, lambda row, _: figure(row.deficit_volume_m3, 1, 1e3)),
    Column('left', '', 5, lambda row, _: figure(row.loads_left)),
    Column('made', '', 5, lambda row, _: str(row.dumps_made)),
    Column('line', 'mm', 5, lambda row, _: figure(row.line_offset_m, 0, 1e3)),
    Column('age', '', 6, lambda row, now: age_text(now, row.last_seen_ns)),
)


def table_text(
    books: Books, stamp_ns: int, borrow: str = '', *, silence: str = ''
) -> str:
    """
    Return the table: what matters at the top, then one line per segment.

    Parameters
    ----------
    books : Books
        Books as they stand.
    stamp_ns : int
        Newest message time [ns]; ages count from it.
    borrow : str
        Line about the borrow side, below those at the top; empty for none.
    silence : str
        Line that says for how long no look has come in; empty when that is nothing to tell.

    Returns
    -------
    str
        Lines of at most 100 characters, no newline at the end.

    """
    head, *warnings = head_lines(books, stamp_ns)
    lines = [_clip(head), *(part for line in (silence, *warnings, borrow) for part in _wrap(line))]
    for name in dict.fromkeys(row.berm for row in books.rows):
        rows = books.rows_of(name)
        lines += ['', _clip(berm_line(books, name, rows))]
        lines += [''.join(c.title.rjust(c.width) for c in COLUMNS) + '  state',
                  ''.join(c.unit.rjust(c.width) for c in COLUMNS)]
        lines += [_clip(_row_line(row, stamp_ns)) for row in rows]
    return '\n'.join(line.rstrip() for line in lines)


def head_lines(books: Books, stamp_ns: int) -> list[str]:
    """Return the lines at the top: loads left, flags, age of data; then hold and flags."""
    seen = [row.last_seen_ns for row in books.rows if row.last_seen_ns is not None]
    done = sum(row.state == State.AT_GRADE for row in books.rows)
    parts = [
        f'{done} of {len(books.rows)} segments at grade',
        loads_text(books.rows),
        f'{len(books.dumps)} dumped',
        f'{len(books.flags)} flagged',
        f'last look {age_text(stamp_ns, max(seen))} ago' if seen else 'nothing seen yet',
        *([time_text(stamp_ns)] if stamp_ns else []),
    ]
    first = ' | '.join(parts)
    # With counts of many figures the time, which stands last, would be cut.
    lines = [first if len(first) <= WIDTH else first.replace(' segments', '', 1)]
    if books.datum_seq is None:
        lines.append('NO DATUM: the natural ground has not been surveyed yet')
    if books.on_hold:
        lines.append(f'ON HOLD, no target is given: {books.hold_text}')
    return lines + [flag_line(flag, stamp_ns) for flag in books.flags]


def flag_line(flag: Flag, stamp_ns: int) -> str:
    """Return one line about a flagged segment."""
    return (f'REWORK {flag.berm}, segment {flag.segment}: lost {figure(flag.volume_m3, 1, 1e3)} l '
            f'at station {figure(flag.station_from_m, 2)} to {figure(flag.station_to_m, 2)} m, '
            f'{age_text(stamp_ns, flag.since_ns)} ago')


def berm_line(books: Books, name: str, rows: tuple[Row, ...]) -> str:
    """Return the line above the table of one berm."""
    flagged = sum(row.state == State.REWORK for row in rows)
    share = whole_percent(books.share_at_grade(name))
    return (f'berm {name}: {share:.0f} % of its length at grade, '
            f'{loads_text(rows)}, {flagged} flagged')


def _row_line(row: Row, stamp_ns: int) -> str:
    """Return the line of one segment."""
    cells = ''.join(column.text(row, stamp_ns).rjust(column.width) for column in COLUMNS)
    return f'{cells}  {row.state.name.replace("_", " ").lower()}'


def _wrap(line: str) -> list[str]:
    """Return a line in parts, as what to do stands at its end; one that is empty in none."""
    if len(line) <= WIDTH:
        return [line] if line else []
    return textwrap.wrap(line, WIDTH, subsequent_indent='  ', max_lines=3, placeholder=' ...')


def _clip(line: str) -> str:
    """Cut a line that a long name makes too wide."""
    return line if len(line) <= WIDTH else line[:WIDTH - 3] + '...'
