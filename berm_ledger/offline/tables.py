# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The tables that are handed over, as text: the same books give the same bytes.

Unknown is an empty field (null in JSON). Stamps are seconds with nine decimals, exact. Fields are
quoted where RFC 4180 asks for it; lines end with a line feed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
import csv
import io
import json
import math
from typing import Any

import numpy as np

from .borrow_summary import borrow_summary
from ..books import Books, DumpRecord, Entry, Row
from ..books.acceptance import (
    acceptance,
    crest_from_rows,
    crest_lines,
    CrestSummary,
    summarise_crest,
)
from ..books.booking import digits_of
from ..books.statement import window_text
from ..design import Site
from ..survey.snapshot import NamedSurface
from ..wording import counted

SEGMENT_COLUMNS = (
    'berm', 'segment', 'station_from_m', 'station_to_m', 'target_height_m', 'height_m',
    'height_se_m', 'low_m', 'high_m', 'coverage', 'at_grade', 'deficit_height_m',
    'deficit_volume_m3', 'deficit_mass_kg', 'dumps_remaining', 'dumps_made', 'line_offset_m',
    'state', 'last_seen_s')
EVENT_COLUMNS = (
    'stamp_s', 'kind', 'berm', 'segment', 'station_from_m', 'station_to_m', 'volume_m3', 'detail')
EVENT_KINDS = (
    'datum', 'dump', 'stray_dump', 'unbooked_fill', 'at_grade', 'disturbed', 'slump', 'reworked',
    'map_shift', 'refused', 'hold', 'resume', 'void', 'imbalance', 'site')
SUMMARY_KEYS = (
    'crest_length_m', 'longest_gap_m', 'mean_height_m', 'line_deviation_m', 'placed_volume_m3',
    'missing_volume_m3', 'placed_mass_kg', 'dumps', 'yield_m3', 'accepted', 'why', 'berms')
CLEARED = 'cleared by operator'


def figure(name: str, value: float | None) -> str:
    """
    Return a figure as a field: with the digits that are booked, unknown as nothing.

    Examples
    --------
    >>> figure('height_m', 0.25), figure('coverage', 1.0), figure('low_m', float('nan'))
    ('0.25000', '1.0000', '')

    """
    if value is None or not math.isfinite(value):
        return ''
    text = f'{value:.{digits_of(name)}f}'
    return text[1:] if text.startswith('-') and float(text) == 0.0 else text


def seconds(stamp_ns: int | None) -> str:
    """
    Return a stamp in seconds, without going through a float.

    Examples
    --------
    >>> seconds(1_700_000_000_000_000_001), seconds(-1), seconds(None)
    ('1700000000.000000001', '-0.000000001', '')

    """
    if stamp_ns is None:
        return ''
    whole, part = divmod(abs(stamp_ns), 1_000_000_000)
    return f'{"-" if stamp_ns < 0 else ""}{whole}.{part:09d}'


def segments_csv(books: Books) -> str:
    """
    Return the table of the segments.

    Parameters
    ----------
    books : Books
        Books as they stand, with the loads still called for.

    Returns
    -------
    str
        Text with one line per segment below the heading.

    """
    return _csv(SEGMENT_COLUMNS, map(_segment, books.rows))


def _segment(row: Row) -> list[str]:
    """Return the fields of one segment."""
    fields = {'state': row.state.name, 'last_seen_s': seconds(row.last_seen_ns)}
    if math.isnan(row.loads_left):
        fields['dumps_remaining'] = ''
    for name in SEGMENT_COLUMNS:
        if name not in fields:
            value = getattr(row, name)
            fields[name] = figure(name, value) if isinstance(value, float) else str(value)
    return [fields[name] for name in SEGMENT_COLUMNS]


def events_csv(entries: Iterable[Entry], books: Books) -> str:
    """
    Return the table of the events, in the order of time.

    Parameters
    ----------
    entries : iterable of Entry
        All entries, in the order of booking.
    books : Books
        Books after them.

    Returns
    -------
    str
        Text with one line per event below the heading.

    """
    rows = {(row.berm, row.segment): row for row in books.rows}
    dumps = {record.seq: record for record in books.dumps}
    events = sorted(_events(entries), key=lambda entry: entry.sort_key)
    return _csv(EVENT_COLUMNS, (_event(entry, dumps, rows) for entry in events))


def _events(entries: Iterable[Entry]) -> Iterator[Entry]:
    """Yield the events; what an operator clears becomes one for each segment flagged then."""
    flagged: dict[tuple[str | None, int | None], None] = {}
    for entry in entries:
        key = (entry.berm, entry.segment)
        if entry.kind == 'disturbed' and entry.data.get('rework'):
            flagged[key] = None
        elif entry.kind == 'reworked':
            flagged.pop(key, None)
        if entry.kind == 'cleared':
            for berm, segment in list(flagged):
                if entry.berm in (None, berm) and entry.segment in (None, segment):
                    del flagged[berm, segment]
                    yield Entry(
                        entry.seq, entry.stamp_ns, 'reworked', berm, segment, {'text': CLEARED})
        elif entry.kind in EVENT_KINDS:
            yield entry


def _event(
    entry: Entry, dumps: Mapping[int, DumpRecord], rows: Mapping[tuple[str, int], Row]
) -> list[str]:
    """Return the fields of one event."""
    data = entry.data
    row = rows.get((entry.berm or '', entry.segment or 0))
    station = [data.get('station_from_m'), data.get('station_to_m')]
    if entry.kind == 'dump':
        station = [data.get('station_m')] * 2
    elif station == [None, None] and row is not None:
        station = [row.station_from_m, row.station_to_m]
    volume, details = data.get('volume_m3'), [_detail(entry)]
    if entry.kind == 'dump' and entry.seq in dumps:
        volume = dumps[entry.seq].volume_m3
        details.append(dumps[entry.seq].doubt)
    return [
        # A refusal before the first usable stamp has none, which is 0.
        seconds(entry.stamp_ns or None), entry.kind, entry.berm or '',
        '' if entry.segment is None else str(entry.segment),
        figure('station_m', station[0]), figure('station_m', station[1]),
        figure('volume_m3', volume), ' '.join('; '.join(filter(None, details)).split())]


def _detail(entry: Entry) -> str:
    """Return in words what the other fields of an event do not say."""
    data, kind = entry.data, entry.kind
    text = str(data.get('text') or '')
    if kind == 'dump':
        mass_kg = data.get('mass_kg')
        load = 'not weighed' if mass_kg is None else f'{mass_kg:.3f} kg'
        return (f'no. {entry.seq}, {load}, at x {figure("x_m", data.get("x_m"))} '
                f'y {figure("y_m", data.get("y_m"))}')
    if kind == 'stray_dump':
        return f'dump no. {data.get("dump_seq")}: {text}'
    if kind == 'datum':
        seen = data.get('seen_fraction')
        return f'from {data.get("source")}' + ('' if seen is None else f', {seen:.1%} seen')
    if kind == 'map_shift':
        shift = ', '.join(f'{name} {figure(name + "_m", data.get(name + "_m"))} m'
                          for name in ('dx', 'dy', 'dz'))
        return f'{shift}: {text}'
    if kind == 'refused':
        count = int(data.get('count') or 1)
        return f'{data.get("code")}: {text}' + (f' ({count} times)' if count > 1 else '')
    if kind in ('at_grade', 'reworked') and not text:
        dumps = data.get('dumps')
        height = f'height {figure("height_m", data.get("height_m"))} m'
        return height if dumps is None else f'{height} after {counted(dumps, "dump")}'
    call = 'rework called for' if kind == 'disturbed' and data.get('rework') else ''
    return '; '.join(part for part in (text, call, window_text(data)) if part)


def summary_dict(
    site: Site, books: Books, surfaces: Iterable[NamedSurface] = (),
    entries: Iterable[Entry] = (),
) -> dict[str, Any]:
    """
    Return the figures of the whole site, and the same for each berm under ``berms``.

    Volumes are sums over the segments that were seen. Lengths are sums over the berms, the
    longest gap is the longest of all, mean height and deviation are means over the crest seen.

    Parameters
    ----------
    site : Site
        Design.
    books : Books
        Books as they stand.
    surfaces : iterable of NamedSurface
        Layers kept with the entries; for a berm without its crest line the crest figures come
        from the readings, and its longest gap is unknown.
    entries : iterable of Entry
        All entries; left out, nothing is said of the borrow side.

    Returns
    -------
    dict
        With the keys ``SUMMARY_KEYS``, and ``borrow`` where anything was booked on that side;
        unknown is None.

    """
    lines = crest_lines(site, surfaces)
    crests = {
        berm.name: (summarise_crest(berm, lines[berm.name]) if berm.name in lines
                    else crest_from_rows(books.rows_of(berm.name)))
        for berm in site.berms}
    accepted, why = acceptance(site, books, crests)
    found = books.dump_yield
    borrow = borrow_summary(entries, books)
    return {
        **_crest_figures(list(crests.values())), **_soil_figures(site, books.rows),
        'dumps': len(books.dumps),
        'yield_m3': _rounded('yield_m3', found.value_m3) if found.count > 0 else None,
        'accepted': accepted, 'why': why,
        'berms': [_berm(site, books, name, crest) for name, crest in crests.items()],
        **({} if borrow is None else {'borrow': borrow})}


def summary_json(summary: Mapping[str, Any]) -> str:
    """Return a summary as JSON text."""
    return json.dumps(summary, indent=2, allow_nan=False, ensure_ascii=False) + '\n'


def _berm(
    site: Site, books: Books, name: str, crest: CrestSummary
) -> dict[str, Any]:
    """Return the figures of one berm."""
    rows = books.rows_of(name)
    return {
        'berm': name, **_crest_figures([crest]),
        **_soil_figures(site, rows), 'dumps': sum(row.dumps_made for row in rows),
        'share_at_grade': _rounded('share', books.share_at_grade(name))}


def _crest_figures(crests: Sequence[CrestSummary]) -> dict[str, float | None]:
    """Return the crest figures of some berms together."""
    seen = [crest for crest in crests if crest.seen_m > 0.0]

    def mean(name: str) -> float:
        total = sum(crest.seen_m for crest in seen)
        return sum(getattr(c, name) * c.seen_m for c in seen) / total if seen else math.nan

    figures = {
        'crest_length_m': sum(c.crest_length_m for c in crests),
        'longest_gap_m': float(np.max([c.longest_gap_m for c in crests])),
        'mean_height_m': mean('mean_height_m'),
        'line_deviation_m': mean('line_deviation_m')}
    return {name: _rounded(name, value) for name, value in figures.items()}


def _soil_figures(site: Site, rows: Sequence[Row]) -> dict[str, float | None]:
    """Return the volumes of some segments together, of those that were seen."""
    figures = {}
    for name, key in (('placed_m3', 'placed_volume_m3'), ('missing_m3', 'missing_volume_m3')):
        known = [v for v in (getattr(row, name) for row in rows) if not math.isnan(v)]
        figures[key] = math.fsum(known) if known else math.nan
    figures['placed_mass_kg'] = figures['placed_volume_m3'] * site.material.loose_density_kg_m3
    return {name: _rounded(name, value) for name, value in figures.items()}


def _rounded(name: str, value: float) -> float | None:
    """Return a figure with as many digits as its field would have."""
    text = figure(name, value)
    return float(text) if text else None


def _csv(columns: Sequence[str], lines: Iterable[Sequence[str]]) -> str:
    """Return text in the form of RFC 4180, but for the ends of the lines."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator='\n')
    writer.writerow(columns)
    writer.writerows(lines)
    return out.getvalue()
