# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The history of one account, read like a bank statement: when, what, change, balance.

The balance is the soil placed on the segment, as it was measured, and the changes add up to it;
what a dump or a disturbance did to it stands in words beside. The time is that of the messages.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
import textwrap
from typing import Any

from .entries import Entry
from .rows import whole_percent

NS_PER_S = 1_000_000_000
S_PER_DAY = 86_400
# Stamps below count from the start of a clock of their own, not from 1970.
FIRST_DATE_NS = 1_000_000_000_000_000_000
WIDTH = 100
HEADING = f'{{:21}} {"entry":13} {"change":>8} {"balance":>8} {"height":>6}  detail'
UNITS = f'{"":21} {"":13} {"l":>8} {"l":>8} {"m":>6}'
# Facts of the whole site that every account shows.
COMMON = ('datum', 'hold', 'resume', 'site')


@dataclass(frozen=True)
class Line:
    """
    One line of a statement.

    Parameters
    ----------
    stamp_ns : int
        When [ns].
    what : str
        Kind of the entry.
    change_l : float or None
        Soil more than at the reading before, less if negative [l].
    balance_l : float or None
        Soil placed after it, where it was measured [l].
    height_m : float or None
        Crest height after it, where it was measured [m].
    detail : str
        The rest, in words.

    """

    stamp_ns: int
    what: str
    change_l: float | None = None
    balance_l: float | None = None
    height_m: float | None = None
    detail: str = ''


def utc_text(stamp_ns: int) -> str:
    """
    Return date and time of a stamp in UTC, to the tenth of a second.

    The calendar is that of H. Hinnant, chrono-compatible low-level date algorithms: years begin
    in March, so that the leap day is the last.

    Parameters
    ----------
    stamp_ns : int
        Time since 1970-01-01 [ns].

    Returns
    -------
    str
        Year-month-day and time.

    Examples
    --------
    >>> utc_text(1_700_000_000_123_456_789)
    '2023-11-14 22:13:20.1'

    """
    seconds, part_ns = divmod(stamp_ns, NS_PER_S)
    days, second = divmod(seconds, S_PER_DAY)
    era, day_of_era = divmod(days + 719_468, 146_097)
    year_of_era = (
        day_of_era - day_of_era // 1460 + day_of_era // 36_524 - day_of_era // 146_096) // 365
    day_of_year = day_of_era - (365 * year_of_era + year_of_era // 4 - year_of_era // 100)
    month = (5 * day_of_year + 2) // 153
    day = day_of_year - (153 * month + 2) // 5 + 1
    month = month + 3 if month < 10 else month - 9
    year = 400 * era + year_of_era + (month <= 2)
    return (f'{year:04d}-{month:02d}-{day:02d} {second // 3600:02d}:{second // 60 % 60:02d}:'
            f'{second % 60:02d}.{part_ns // 100_000_000}')


def stamp_text(stamp_ns: int) -> str:
    """
    Return a stamp for people: date and time, or seconds where it counts from a start.

    Examples
    --------
    >>> stamp_text(1_767_225_605_200_000_000), stamp_text(97_600_000_000)
    ('2026-01-01 00:00:05.2 UTC', '97.6 s')

    """
    if stamp_ns < FIRST_DATE_NS:
        return f'{stamp_ns / NS_PER_S:.1f} s'
    return f'{utc_text(stamp_ns)} UTC'


def window_text(data: Mapping[str, Any]) -> str:
    """
    Return when soil came or went: after it was last seen as before, and before the first sight.

    Parameters
    ----------
    data : mapping
        Of an entry that tells of a change.

    Returns
    -------
    str
        In words; empty where that is not known.

    Examples
    --------
    >>> window_text({'window_from_ns': 1_767_225_605_200_000_000,
    ...              'first_seen_ns': 1_767_225_608_000_000_000})
    'between 2026-01-01 00:00:05.2 and 00:00:08.0 UTC'

    """
    ends = [int(data.get(name) or 0) for name in ('window_from_ns', 'first_seen_ns')]
    if not all(ends):
        return ''
    first, last = map(stamp_text, ends)
    if first.endswith(' UTC') and first[:10] == last[:10]:
        first, last = first.removesuffix(' UTC'), last[11:]
    return f'between {first} and {last}'


def statement_lines(
    entries: Iterable[Entry], berm: str, segment: int, *, every_reading: bool = False
) -> list[Line]:
    """
    Return the history of one account.

    Parameters
    ----------
    entries : iterable of Entry
        Entries in the order of booking.
    berm : str
        Name of the berm.
    segment : int
        Number of the segment.
    every_reading : bool
        Whether to keep all readings; otherwise only the last of those in a row.

    Returns
    -------
    list of Line
        In the order of booking.

    """
    lines: list[Line] = []
    balance_l: float | None = None
    joined = 0
    for entry in _of_account(entries, berm, segment):
        if entry.kind != 'reading':
            lines.append(_event(entry, segment))
            joined = 0
            continue
        line = _reading(entry, balance_l)
        balance_l = line.balance_l if line.balance_l is not None else balance_l
        if joined and not every_reading:
            last = lines.pop()
            total = (line.change_l or 0.0) + (last.change_l or 0.0)
            known = line.change_l is not None or last.change_l is not None
            line = replace(line, change_l=total if known else None)
        joined += 1
        if joined > 1 and not every_reading:
            line = replace(line, detail=f'{line.detail}, last of {joined} readings')
        lines.append(line)
    return lines


def statement_text(
    entries: Iterable[Entry], berm: str, segment: int, *, every_reading: bool = False
) -> str:
    """
    Return the history of one account as text of at most 100 columns.

    Parameters
    ----------
    entries, berm, segment, every_reading
        As for ``statement_lines``.

    Returns
    -------
    str
        Heading and one line per entry, a long text going on below itself; no newline at the end.

    """
    lines = statement_lines(entries, berm, segment, every_reading=every_reading)
    body = [_line_text(line) for line in lines] or ['nothing booked yet']
    dated = not lines or lines[-1].stamp_ns >= FIRST_DATE_NS
    heading = HEADING.format('time (UTC)' if dated else 'time')
    return '\n'.join([f'{berm}, segment {segment}', heading, UNITS, *body])


def _of_account(entries: Iterable[Entry], berm: str, segment: int) -> Iterator[Entry]:
    """Yield the entries that concern one account."""
    own_dumps: set[int] = set()
    for entry in entries:
        own = (entry.berm, entry.segment) == (berm, segment)
        if entry.kind == 'dump' and own:
            own_dumps.add(entry.seq)
        if (own and entry.kind != 'rise') or entry.kind in COMMON or (
            entry.kind == 'rise' and entry.berm == berm
            and (str(segment) in _shares(entry) or entry.data.get('dump_seq') in own_dumps)
        ) or (
            entry.kind == 'stray_dump' and entry.data.get('dump_seq') in own_dumps
        ) or (
            entry.kind == 'cleared' and entry.berm in (None, berm)
            and entry.segment in (None, segment)
        ):
            yield entry


def _shares(entry: Entry) -> dict[str, float]:
    """Return what a rise added to each segment [m3]."""
    return dict(entry.data.get('shares') or {})


def _litres(volume_m3: Any) -> float | None:
    """Return litres; unknown stays unknown."""
    return None if volume_m3 is None else 1e3 * float(volume_m3)


def _reading(entry: Entry, balance_l: float | None) -> Line:
    """Return the line of a reading; its change is against the last balance."""
    data = entry.data
    placed_l = _litres(data.get('placed_m3'))
    change_l = None if placed_l is None else placed_l - (balance_l or 0.0)
    detail = f'{whole_percent(data.get("at_grade") or 0.0):.0f} % at grade'
    coverage = data.get('coverage') or 0.0
    if coverage < 0.995:
        detail += f', {100.0 * coverage:.0f} % seen'
    return Line(entry.stamp_ns, 'reading', change_l, placed_l, data.get('height_m'), detail)


def _event(entry: Entry, segment: int) -> Line:
    """Return the line of any other entry."""
    data, kind = entry.data, entry.kind
    detail, height_m = str(data.get('text') or ''), None
    if kind == 'dump':
        mass_kg = data.get('mass_kg')
        load = 'not weighed' if mass_kg is None else f'{mass_kg:.1f} kg'
        detail = f'no. {entry.seq}, {load}{_place(data)}'
    elif kind == 'rise':
        here = _litres(_shares(entry).get(str(segment), 0.0))
        doubt = f'; {detail}' if detail else ''
        detail = (f'no. {data.get("dump_seq")}: {_figure(here)} of '
                  f'{_figure(_litres(data.get("volume_m3")))} l fell here{doubt}')
    elif kind == 'stray_dump':
        detail = f'dump no. {data.get("dump_seq")}: {detail}'
    elif kind == 'datum':
        detail = f'natural ground from {data.get("source")}'
    elif kind in ('at_grade', 'reworked'):
        height_m = data.get('height_m')
    elif 'volume_m3' in data:
        call = ', rework' if data.get('rework') else ''
        when = window_text(data)
        detail = (f'{_figure(_litres(data["volume_m3"]))} l{call}: {detail}'
                  f'{", " if when else ""}{when}')
    return Line(entry.stamp_ns, kind, height_m=height_m, detail=detail)


def _place(data: Any) -> str:
    """Return where a dump landed along its segment."""
    if data.get('station_m') is None or data.get('offset_m') is None:
        return ''
    return f' at {data["station_m"]:.2f} m, {1e3 * data["offset_m"]:+.0f} mm off'


def _figure(value: float | None, form: str = '.1f') -> str:
    """Return a figure as text; unknown is a dash, and no zero is negative."""
    if value is None:
        return '-'
    text = format(value, form)
    return text.replace('-', '+' if '+' in form else '') if float(text) == 0.0 else text


def _line_text(line: Line) -> str:
    """Return a line as text, what is too wide for it below."""
    change = '' if line.change_l is None else _figure(line.change_l, '+.1f')
    balance = '' if line.balance_l is None else _figure(line.balance_l)
    height = '' if line.height_m is None else _figure(line.height_m, '.3f')
    time = stamp_text(line.stamp_ns).removesuffix(' UTC')
    head = f'{time:21} {line.what:13} {change:>8} {balance:>8} {height:>6}  '
    first, *more = textwrap.wrap(line.detail, WIDTH - len(head)) or ['']
    return '\n'.join([f'{head}{first}'.rstrip(), *(' ' * len(head) + rest for rest in more)])
