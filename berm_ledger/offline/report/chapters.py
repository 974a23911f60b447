# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The tables of the report."""

from __future__ import annotations

from collections.abc import Callable, Iterator
import math
from typing import Any

from .facts import (
    CHANGE_WORDS,
    entries_digest,
    Facts,
    layers_digest,
)
from .markup import breakable, figure, LITRES, MM, table, text, UNKNOWN, with_error
from .palette import STATE_STYLES
from .quantities import Amount, Quantities, quantities_of
from ..bag_records import BagRecord, KEY, records_of
from ... import __version__
from ...books import Entry, Row
from ...books.acceptance import off_line_m
from ...books.rows import whole_percent
from ...books.statement import FIRST_DATE_NS, stamp_text, window_text
from ...design import Berm
from ...wording import counted

# Longest tables that a page shows; the rest is in the books and in events.csv.
MOST_LINES = 400
SEGMENT_HEADS = (
    'seg.', 'station<br>[m]', 'design<br>[m]', 'height<br>[m]', 'lowest<br>[m]',
    'highest<br>[m]', 'at grade<br>[%]', 'off line<br>[mm]', 'placed<br>[l]', 'missing<br>[l]',
    'over<br>[l]', 'spilled<br>[l]', 'loads', 'left', 'state')
EVENT_WORDS = {
    **CHANGE_WORDS, 'datum': 'natural ground taken', 'at_grade': 'reached grade',
    'reworked': 'rework done', 'cleared': 'accepted by the operator', 'hold': 'hold',
    'resume': 'hold ended', 'map_shift': 'map shifted', 'stray_dump': 'dump missed',
    'void': 'lane closed', 'imbalance': 'soil does not add up', 'site': 'site file changed'}


def title_block(facts: Facts) -> str:
    """Return the table at the head of the report."""
    books = facts.books
    datum = 'not taken'
    if books.datum_stamp_ns is not None:
        entry = next(e for e in facts.entries if e.seq == books.datum_seq)
        seen = entry.data.get('seen_fraction')
        share = '' if seen is None else f', {figure(seen, 1, 100.0)} % of it seen'
        source = text(entry.data.get('source'))
        datum = f'{source}, {text(stamp_text(books.datum_stamp_ns))}{share}'
    # Looks that told nothing new are no entries.
    last_ns = max(facts.last_ns, facts.surface_ns or 0)
    lines = [
        ('Site file', text(facts.meta.get('site_name', UNKNOWN))),
        ('Berms', '; '.join(
            f'{text(berm.name)} ({figure(berm.centreline.length_m, 2)} m, '
            f'{counted(len(facts.rows_of(berm)), "segment")})' for berm in facts.site.berms)),
        ('Period', f'{text(stamp_text(facts.first_ns))} to {text(stamp_text(last_ns))}'
         if facts.entries else 'no entries'),
        ('Natural ground', datum),
        ('Books', (f'{counted(books.last_seq, "entry", "entries")}, SHA-256 '
                   f'<code>{entries_digest(facts.entries)[:16]}…</code>')),
        ('Frame', f'{text(facts.site.frame)}; metres; times are those of the messages'),
        ('Software', f'berm_ledger {text(__version__)}'),
    ]
    return table('', (), lines, 'll', kind='title')


def specification(facts: Facts) -> str:
    """Return what was asked for and what was measured, berm by berm."""
    lines = []
    for index, berm in enumerate(facts.site.berms):
        rows = facts.rows_of(berm)
        found = facts.summary['berms'][index]
        name = breakable(berm.name)
        done = sum(row.state.name == 'AT_GRADE' for row in rows)
        rework = sum(row.state.name == 'REWORK' for row in rows)
        off = [off_m for off_m in map(off_line_m, rows) if math.isfinite(off_m)]
        worst = max(off, default=math.nan)
        lines += [
            (name, 'segments at grade', f'all {len(rows)}', str(done), _met(done == len(rows))),
            (name, 'segments flagged for rework', 'none', str(rework), _met(rework == 0)),
            (name, 'mean crest of a segment off the line, at most',
             f'{figure(berm.line_tolerance_m, 0, MM)} mm',
             f'{figure(worst, 1, MM)} mm' if off else UNKNOWN,
             _met(worst <= berm.line_tolerance_m) if off else UNKNOWN),
            (name, (f'crest within {figure(berm.height_tolerance_m, 0, MM)} mm of '
                    f'{_crest_words(berm)}'), 'for information',
             f'{figure(found["crest_length_m"], 2)} of {figure(berm.centreline.length_m, 2)} m',
             UNKNOWN),
            (name, 'longest stretch outside of it', 'for information',
             f'{figure(found["longest_gap_m"], 2)} m', UNKNOWN)]
    return table('Specification and measurement',
                 ('berm', 'requirement', 'required', 'measured', 'met'), lines, 'lllll')


def _crest_words(berm: Berm) -> str:
    """Return the design crest in words."""
    if berm.crest_level_m is not None:
        return f'the level {figure(berm.crest_level_m, 3)} m'
    return f'{figure(berm.crest_height_m, 3)} m above natural ground'


def _met(met: bool) -> str:
    """Return a judgement in one word."""
    return 'yes' if met else '<b>no</b>'


def segments(facts: Facts, berm: Berm) -> str:
    """Return the table of the segments of one berm."""
    return table(
        f'Segments of {text(berm.name)}', SEGMENT_HEADS,
        (_segment(row) for row in facts.rows_of(berm)), 'rt' + 'r' * 12 + 't', kind='wide')


def _segment(row: Row) -> tuple[str, ...]:
    """Return the cells of one segment."""
    return (
        str(row.segment),
        f'{figure(row.station_from_m, 2)}–{figure(row.station_to_m, 2)}',
        figure(row.target_height_m, 3), with_error(row.height_m, row.height_se_m, 3),
        figure(row.low_m, 3), figure(row.high_m, 3), figure(whole_percent(row.at_grade), 0),
        figure(row.line_offset_m, 0, MM), with_error(row.placed_m3, row.placed_se_m3, 1, LITRES),
        figure(row.missing_m3, 1, LITRES), figure(row.over_m3, 1, LITRES),
        figure(row.spilled_m3, 1, LITRES), str(row.dumps_made), figure(row.loads_left, 0),
        STATE_STYLES[row.state].word)


def quantities(facts: Facts) -> str:
    """Return the table of quantities: a column for each berm, and one for all."""
    berms = list(facts.site.berms)
    columns = [quantities_of(facts, berm) for berm in berms]
    heads = ['quantity', 'unit', *(breakable(berm.name) for berm in berms)]
    if len(berms) > 1 or facts.books.dumps != tuple(
            dump for dump in facts.books.dumps if dump.berm is not None):
        columns.append(quantities_of(facts, None))
        heads.append('all')
    density = facts.site.material.loose_density_kg_m3
    per_column = [list(_quantity_lines(column, density)) for column in columns]
    lines = [(*line[0][:2], *(part[2] for part in line)) for line in zip(*per_column)]
    found = facts.books.dump_yield
    measured = found.count > 0
    lines.append((
        'yield of one dump', 'l',
        *[''] * (len(columns) - 1),
        with_error(found.value_m3, found.se_m3, 2, LITRES) if measured else UNKNOWN))
    lines.append((
        'spread from load to load (standard deviation)', 'l', *[''] * (len(columns) - 1),
        figure(found.spread_m3, 2, LITRES) if measured else UNKNOWN))
    return table('Quantities of loose soil, ± standard error where it is known', heads, lines,
                 'll' + 'r' * len(columns))


def _quantity_lines(q: Quantities, density: float) -> Iterator[tuple[str, str, str]]:
    """Yield name, unit and figure of each quantity of one column."""
    def litres(amount: Amount) -> str:
        return with_error(amount.value, amount.error, 1, LITRES)

    yield 'design volume', 'l', litres(q.design_m3)
    yield 'placed in the corridor', 'l', litres(q.placed_m3)
    yield '– of it over the design shape', 'l', litres(q.over_m3)
    yield '– of it spilled outside the footprint', 'l', litres(q.spilled_m3)
    yield 'missing in the design shape', 'l', litres(q.missing_m3)
    if q.unseen:
        yield 'segments not seen, left out of the sums', '', str(q.unseen)
    mass = q.placed_m3.times(density)
    yield 'mass placed', 'kg', with_error(mass.value, mass.error, 1)
    yield 'mass missing', 'kg', figure(q.missing_m3.value * density, 1)
    yield 'loads dumped', '', str(q.loads)
    yield '– of them weighed', '', str(q.weighed)
    yield '– of them missed the berm', '', str(q.missed)
    yield 'mass of the weighed loads', 'kg', figure(q.weighed_kg if q.weighed else math.nan, 1)
    yield 'loads still called for', '', figure(q.loads_left, 0)
    yield ('delivered (loads over density, those not weighed as full)', 'l',
           litres(q.delivered_m3))
    yield 'rises measured around the dumps', 'l', litres(q.risen_m3)
    yield 'loss, delivered less placed', 'l', litres(q.loss_m3)
    share = q.loss_m3.value / q.delivered_m3.value if q.delivered_m3.value > 0.0 else math.nan
    yield '– share of the delivered soil', '%', figure(share, 1, 100.0)
    yield 'lost without a dump (D)', 'l', litres(q.lost_m3)
    yield 'slid within the berm (S)', 'l', litres(q.slid_m3)
    yield 'added without a dump (F)', 'l', litres(q.added_m3)


def events(facts: Facts) -> str:
    """Return the table of what happened, dumps and refused messages left out."""
    signs = {event.entry.seq: event for event in facts.events}
    shown = sorted((e for e in facts.entries if e.kind in EVENT_WORDS), key=lambda e: e.sort_key)
    day, when = clock_of(facts)
    lines = [(
        text(when(entry.stamp_ns)),
        text(signs[entry.seq].sign) if entry.seq in signs else '',
        text(EVENT_WORDS[entry.kind]), breakable(entry.berm or ''),
        '' if entry.segment is None else str(entry.segment),
        _extent(entry.data), _volume(entry), _detail(entry.kind, entry.data))
        for entry in shown[:MOST_LINES]]
    if not lines:
        return '<p>Nothing was booked but readings.</p>'
    return table(f'Events{day}{_cut(len(shown))}', (
        'time', 'sign', 'event', 'berm', 'seg.', 'station<br>[m]', 'volume<br>[l]', 'detail'),
        lines, 'tttlrtrl')


def clock_of(facts: Facts) -> tuple[str, Callable[[int], str]]:
    """Return the day, for headings, and how stamps are written; long only over several days."""
    first, last = stamp_text(facts.first_ns), stamp_text(facts.last_ns)
    if facts.first_ns >= FIRST_DATE_NS and first[:10] == last[:10]:
        return f', {text(first[:10])}, UTC', lambda stamp_ns: stamp_text(stamp_ns)[11:21]
    return '', stamp_text


def _cut(count: int) -> str:
    """Return what to say of a table that was cut."""
    return '' if count <= MOST_LINES else f' (the first {MOST_LINES} of {count})'


def _extent(data: Any) -> str:
    """Return the extent of an event along the line."""
    ends = [data.get(name) for name in ('station_from_m', 'station_to_m')]
    return '' if None in ends else f'{figure(ends[0], 2)}–{figure(ends[1], 2)}'


def _volume(entry: Entry) -> str:
    """Return the volume of a change, or of what is unexplained, with its error."""
    if entry.kind not in (*CHANGE_WORDS, 'imbalance'):
        return ''
    volume_m3, error_m3 = (
        math.nan if entry.data.get(name) is None else float(entry.data[name])
        for name in ('volume_m3', 'volume_se_m3'))
    return with_error(volume_m3, error_m3, 2, LITRES)


def _detail(kind: str, data: Any) -> str:
    """Return what else an event says."""
    words = [str(data['text'])] if data.get('text') else []
    if data.get('rework'):
        words.append('rework called for')
    if when := window_text(data):
        words.append(when)
    if data.get('height_m') is not None:
        words.append(f'height {data["height_m"]:.3f} m')
    if data.get('dumps') is not None:
        words.append(f'after {counted(data["dumps"], "dump")}')
    if kind == 'map_shift':
        shift = ', '.join(f'{name} {figure(data.get(name + "_m"), 0, MM)} mm'
                          for name in ('dx', 'dy', 'dz'))
        words.insert(0, shift)
    if kind == 'stray_dump':
        words.insert(0, f'dump no. {data.get("dump_seq")}')
    return text('; '.join(words))


def loads(facts: Facts) -> str:
    """Return the table of the dumps."""
    dumps = facts.books.dumps
    if not dumps:
        return '<p>No dump was announced.</p>'
    day, when = clock_of(facts)
    lines = [(
        str(dump.seq), text(when(dump.stamp_ns)),
        breakable(dump.berm or 'none'), '' if dump.segment is None else str(dump.segment),
        figure(dump.station_m, 2), figure(dump.offset_m, 0, MM), figure(dump.x_m, 3),
        figure(dump.y_m, 3), figure(dump.mass_kg, 2),
        'missed' if dump.stray else with_error(dump.volume_m3, dump.volume_se_m3, 2, LITRES))
        for dump in dumps[:MOST_LINES]]
    doubts = [f'no. {dump.seq}: {dump.doubt}' for dump in dumps[:MOST_LINES] if dump.doubt]
    return table(f'Dumps{day}{_cut(len(dumps))}', (
        'entry', 'time', 'berm', 'seg.', 'station<br>[m]', 'off line<br>[mm]', 'x [m]', 'y [m]',
        'mass<br>[kg]', 'rise<br>[l]'), lines, 'rtlrrrrrrr') + (
            f'\n<p>In doubt: {text("; ".join(doubts))}.</p>' if doubts else '')


def refusals(facts: Facts) -> str:
    """Return the table of messages that were not used."""
    counts = sorted(facts.books.refusals.items())
    if not counts:
        return '<p>No message was refused.</p>'
    return table('Messages refused or masked', ('reason', 'messages'),
                 [(text(code), str(count)) for code, count in counts], 'lr')


def settings(facts: Facts) -> str:
    """Return the site file, and how often it was another before."""
    count = sum(entry.kind == 'site' for entry in facts.entries)
    changed = '' if not count else (
        f' It was changed {"once" if count == 1 else f"{count} times"} while the books were kept: '
        f'the events tell the first of the values, these entries all of them '
        f'(<code>changes</code>) and the whole text that held until then '
        f'(<code>former_text</code>).')
    return (f'<p>The site file, as it was when the books were last opened to go on with.{changed}'
            f'</p>\n<pre>{text(facts.meta.get("site_text", ""))}</pre>')


def provenance(facts: Facts) -> str:
    """Return where the figures come from, for whoever checks them."""
    bags = records_of(facts.meta, 'the books')
    lines = [
        ('software', f'berm_ledger {text(__version__)}'),
        *((text(name), f'<code>{breakable(value[:400])}</code>')
          for name, value in sorted(facts.meta.items())
          if name != 'site_text' and not name.startswith(KEY)),
        *((f'bag {number}', _bag(record)) for number, record in enumerate(bags, 1)),
        ('entries', f'<code>{breakable(entries_digest(facts.entries))}</code>'),
        ('layers', f'<code>{breakable(layers_digest(facts.layers))}</code>')]
    return table('Input and its SHA-256', ('what', 'value'), lines, 'll')


def _bag(record: BagRecord) -> str:
    """Return what was read of a bag: recorded when, how many messages, digest."""
    return (f'{text(stamp_text(record.first_ns))} to {text(stamp_text(record.last_ns))}, '
            f'{counted(record.messages, "message")}, <code>{breakable(record.sha256)}</code>')
