# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The tables that are handed over: columns as promised, unknown left empty, nothing lost."""

import csv
from dataclasses import replace
import io
import json
import math

from berm_ledger.books import Entry, fold
from berm_ledger.design import Berm, Material, Rover, Site, Yard
from berm_ledger.geometry import Lattice, Polygon, Polyline
from berm_ledger.offline.tables import (
    EVENT_KINDS,
    events_csv,
    figure,
    seconds,
    segments_csv,
    summary_dict,
    summary_json,
    SUMMARY_KEYS,
)
from berm_ledger.survey.snapshot import NamedSurface
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import pytest

T0 = 1_700_000_000_000_000_001
WEST, EAST = 'west arc', 'east, "long" one'
SQUARE = [[-5, -5], [5, -5], [5, 5], [-5, 5]]


def a_berm(name: str, y_m: float) -> Berm:
    return Berm(name, Polyline([[0, y_m], [0.8, y_m]]), 0.25, None, 0.0, math.radians(33), 0.4,
                0.02, 0.06)


SITE = Site(
    'map', (a_berm(WEST, 0.0), a_berm(EAST, 2.0)), None, Material(1500.0, math.radians(33)),
    Rover(Polygon([[-0.3, -0.2], [0.3, -0.2], [0.3, 0.2], [-0.3, 0.2]]), (0.7, 0.0), 0.3, 7.5,
          1.0, 0.5, 0.05), Yard(Polygon(SQUARE)))


def reading(**changes):
    return {'height_m': 0.25, 'height_se_m': 0.001, 'low_m': 0.24, 'high_m': 0.262,
            'coverage': 1.0, 'at_grade': 0.95, 'line_offset_m': -0.00001, 'placed_m3': 0.03,
            'placed_se_m3': 0.001, 'missing_m3': 0.0012, 'over_m3': 0.0002, 'spilled_m3': 0.0,
            **changes}


def booked(*facts) -> list[Entry]:
    datum = ('datum', None, None, {'source': 'survey', 'seen_fraction': 0.9,
                                   'targets': [0.25] * 4, 'volumes': [0.04] * 4})
    return [Entry(seq, T0 + seq, *fact) for seq, fact in enumerate((datum, *facts), 1)]


def parsed(text: str) -> list[dict[str, str]]:
    assert '\r' not in text
    assert text.endswith('\n')
    return list(csv.DictReader(io.StringIO(text), strict=True))


# ---- figures


@pytest.mark.parametrize(('name', 'value', 'text'), [
    ('height_m', 0.123456, '0.12346'), ('height_m', -0.000001, '0.00000'),
    ('height_m', math.nan, ''), ('height_m', None, ''), ('height_m', math.inf, ''),
    ('placed_m3', 0.00123456, '0.0012346'), ('deficit_mass_kg', -1.5, '-1.500'),
    ('at_grade', 0.95, '0.9500'),
])
def test_figures_have_the_digits_of_their_name(name: str, value: float, text: str) -> None:
    assert figure(name, value) == text


@given(st.integers(-2 ** 63, 2 ** 63 - 1))
def test_stamps_lose_nothing(stamp_ns: int) -> None:
    text = seconds(stamp_ns)
    assert int(text.replace('.', '')) == stamp_ns
    assert len(text.split('.')[1]) == 9


# ---- segments


def test_segments_table() -> None:
    books = fold(SITE, booked(
        ('dump', WEST, 1, {'mass_kg': 7.0}), ('reading', WEST, 1, reading()),
        ('reading', EAST, 2, reading(height_m=None, coverage=0.2, low_m=None))))
    text = segments_csv(books)
    assert text.splitlines()[0] == (
        'berm,segment,station_from_m,station_to_m,target_height_m,height_m,height_se_m,low_m,'
        'high_m,coverage,at_grade,deficit_height_m,deficit_volume_m3,deficit_mass_kg,'
        'dumps_remaining,dumps_made,line_offset_m,state,last_seen_s')
    assert text.splitlines()[1] == (
        'west arc,1,0.00000,0.40000,0.25000,0.25000,0.00100,0.24000,0.26200,1.0000,0.9500,0.00000,'
        '0.0010000,1.500,0,1,-0.00001,AT_GRADE,1700000000.000000004')
    assert text.splitlines()[2] == (
        'west arc,2,0.40000,0.80000,0.25000,,,,,0.0000,0.0000,,,,0,0,,UNSEEN,')
    assert text.splitlines()[3].startswith('"east, ""long"" one",1,')
    rows = parsed(text)
    assert [row['berm'] for row in rows] == [WEST, WEST, EAST, EAST]
    assert (rows[3]['height_m'], rows[3]['coverage']) == ('', '0.2000')


def test_loads_of_a_level_crest_are_unknown_before_its_ground_is() -> None:
    books = fold(SITE, booked())
    level = replace(books, rows=tuple(replace(r, target_height_m=math.nan) for r in books.rows))
    assert {row['dumps_remaining'] for row in parsed(segments_csv(level))} == {''}


# ---- events


def test_an_event_before_any_stamp_has_no_time() -> None:
    early = Entry(1, 0, 'refused', data={'code': 'no_pose', 'text': 'no pose', 'count': 1})
    assert events_csv([early], fold(SITE, [early])).splitlines()[1] == (
        ',refused,,,,,,no_pose: no pose')


def test_a_change_says_between_which_looks_it_happened() -> None:
    """Over midnight both days are named; a clock that counts from a start has none."""
    second = 1_000_000_000
    for last_s, text in (
            (1_767_225_601, '2025-12-31 23:59:58.0 UTC and 2026-01-01 00:00:01.0 UTC'),
            (1_767_225_599, '2025-12-31 23:59:58.0 and 23:59:59.0 UTC')):
        entries = booked(('slump', WEST, 1, {
            'volume_m3': 0.001, 'text': 'soil slid', 'first_seen_ns': last_s * second,
            'window_from_ns': 1_767_225_598 * second}))
        rows = parsed(events_csv(entries, fold(SITE, entries)))
        assert rows[-1]['detail'] == f'soil slid; between {text}'


EVENTS = booked(
    ('refused', None, None, {'code': 'stale', 'text': 'grid too old', 'count': 3}),
    ('dump', WEST, 1, {'mass_kg': 7.25, 'x_m': 0.1, 'y_m': 0.0, 'station_m': 0.1}),
    ('reading', WEST, 1, reading()),
    ('rise', WEST, 1, {'dump_seq': 3, 'volume_m3': 0.0047, 'text': 'less rose than was weighed'}),
    ('dump', None, None, {'mass_kg': None, 'x_m': 4.0, 'y_m': 0.0, 'station_m': None}),
    ('stray_dump', None, None, {'dump_seq': 6, 'text': 'off every\nberm', 'volume_m3': None}),
    ('at_grade', WEST, 1, {'height_m': 0.25}),
    ('disturbed', WEST, 1, {'rework': True, 'volume_m3': 0.003, 'station_from_m': 0.1,
                            'station_to_m': 0.3, 'text': 'soil is gone'}),
    ('hold', None, None, {'text': 'people, perhaps'}),
    ('reworked', WEST, 1, {'height_m': 0.249, 'dumps': 1}),
    ('disturbed', WEST, 2, {'rework': True, 'volume_m3': 0.001, 'text': 'soil is gone'}),
    ('disturbed', EAST, 1, {'rework': False, 'volume_m3': 0.001, 'text': 'soil is gone'}),
    ('cleared', None, None, {'text': 'the operator accepted what was flagged'}),
    ('resume', None, None, {'text': 'the operator resumed'}),
    ('map_shift', None, None, {'dx_m': 0.02, 'dy_m': 0.0, 'dz_m': -0.01, 'text': 'map moved'}),
)
TABLE = """\
stamp_s,kind,berm,segment,station_from_m,station_to_m,volume_m3,detail
1700000000.000000002,datum,,,,,,"from survey, 90.0% seen"
1700000000.000000003,refused,,,,,,stale: grid too old (3 times)
1700000000.000000004,dump,west arc,1,0.10000,0.10000,0.0047000,"no. 3, 7.250 kg, \
at x 0.10000 y 0.00000; less rose than was weighed"
1700000000.000000007,dump,,,,,,"no. 6, not weighed, at x 4.00000 y 0.00000"
1700000000.000000008,stray_dump,,,,,,dump no. 6: off every berm
1700000000.000000009,at_grade,west arc,1,0.00000,0.40000,,height 0.25000 m
1700000000.000000010,disturbed,west arc,1,0.10000,0.30000,0.0030000,soil is gone; rework called for
1700000000.000000011,hold,,,,,,"people, perhaps"
1700000000.000000012,reworked,west arc,1,0.00000,0.40000,,height 0.24900 m after 1 dump
1700000000.000000013,disturbed,west arc,2,0.40000,0.80000,0.0010000,soil is gone; rework called for
1700000000.000000014,disturbed,"east, ""long"" one",1,0.00000,0.40000,0.0010000,soil is gone
1700000000.000000015,reworked,west arc,2,0.40000,0.80000,,cleared by operator
1700000000.000000016,resume,,,,,,the operator resumed
1700000000.000000017,map_shift,,,,,,"dx 0.02000 m, dy 0.00000 m, dz -0.01000 m: map moved"
"""


def test_events_table() -> None:
    assert events_csv(EVENTS, fold(SITE, EVENTS)) == TABLE


def test_events_are_of_the_promised_kinds_and_in_order_of_time() -> None:
    late = [*EVENTS, Entry(18, T0 + 3, 'dump', WEST, 2, {}),
            Entry(19, T0 + 3, 'datum', None, None, EVENTS[0].data)]
    rows = parsed(events_csv(late, fold(SITE, late)))
    assert {row['kind'] for row in rows} <= set(EVENT_KINDS)
    stamps = [row['stamp_s'] for row in rows]
    assert stamps == sorted(stamps)
    # At one stamp by kind: what was found out about the ground before what was dumped.
    assert [row['kind'] for row in rows if row['stamp_s'].endswith('4')][:3] == [
        'datum', 'dump', 'dump']


def test_clearing_nothing_is_no_event() -> None:
    cleared = ('cleared', None, None, {'text': 'x'})
    lost = ('disturbed', WEST, 1, {'rework': True, 'volume_m3': 0.001})
    entries = booked(cleared, lost, cleared, cleared, lost, ('reworked', WEST, 1, {}), cleared)
    kinds = [row['kind'] for row in parsed(events_csv(entries, fold(SITE, entries)))]
    assert kinds == ['datum', 'disturbed', 'reworked', 'disturbed', 'reworked']


# ---- summary


def layers(name: str, heights, offsets) -> list[NamedSurface]:
    lattice = Lattice(0.1, 0.0, 0.2, 1, 4)
    rows = {'crest:': heights, 'crest_target:': [0.25] * 4, 'crest_offset:': offsets}
    return [NamedSurface(key + name, 1, lattice, np.array([row], dtype=np.float32))
            for key, row in rows.items()]


ALL_GOOD = [('reading', berm, n, reading()) for berm in (WEST, EAST) for n in (1, 2)]
CRESTS = [*layers(WEST, [0.25] * 4, [0.01] * 4),
          *layers(EAST, [0.25, 0.1, 0.1, np.nan], [-0.03, -0.03, -0.03, np.nan])]


def test_summary_of_an_accepted_site() -> None:
    entries = booked(*ALL_GOOD, ('dump', WEST, 1, {'mass_kg': 7.0}),
                     ('rise', WEST, 1, {'dump_seq': 6, 'volume_m3': 0.005}))
    summary = summary_dict(SITE, fold(SITE, entries), CRESTS)
    assert tuple(summary) == SUMMARY_KEYS
    assert summary['crest_length_m'] == pytest.approx(1.0)
    assert summary['longest_gap_m'] == pytest.approx(0.6)
    assert summary['mean_height_m'] == pytest.approx((4 * 0.25 + 0.45) / 7, abs=1e-5)
    assert summary['line_deviation_m'] == pytest.approx((4 * 0.01 + 3 * 0.03) / 7, abs=1e-5)
    assert summary['placed_volume_m3'] == pytest.approx(0.12)
    assert summary['missing_volume_m3'] == pytest.approx(0.0048)
    assert summary['placed_mass_kg'] == pytest.approx(180.0)
    assert (summary['dumps'], summary['yield_m3']) == (1, 0.005)
    assert summary['accepted'] is True
    assert 'segments 1-2 at grade' in summary['why']
    west, east = summary['berms']
    assert (west['berm'], west['longest_gap_m'], west['dumps']) == (WEST, 0.0, 1)
    assert (east['crest_length_m'], east['share_at_grade']) == (0.2, 1.0)


def test_what_is_unknown_is_null() -> None:
    summary = summary_dict(SITE, fold(SITE, ()))
    for name in ('crest_length_m', 'longest_gap_m', 'mean_height_m', 'line_deviation_m',
                 'placed_volume_m3', 'missing_volume_m3', 'placed_mass_kg', 'yield_m3'):
        assert summary[name] is None, name
    assert (summary['dumps'], summary['accepted']) == (0, False)
    text = summary_json(summary)
    assert json.loads(text) == summary
    assert 'NaN' not in text


def test_berm_without_a_crest_line_is_told_from_its_readings() -> None:
    books = fold(SITE, booked(*ALL_GOOD))
    summary = summary_dict(SITE, books, CRESTS[:3])
    assert summary['longest_gap_m'] is None
    west, east = summary['berms']
    assert west['longest_gap_m'] == 0.0
    assert west['crest_length_m'] == pytest.approx(0.8)
    # Readings say 95 % of both segments, and where the crest is on average.
    assert east['crest_length_m'] == pytest.approx(0.95 * 0.8)
    assert (east['mean_height_m'], east['line_deviation_m']) == (0.25, 0.00001)
    assert summary['crest_length_m'] == pytest.approx(0.8 + 0.95 * 0.8)


def test_same_books_give_the_same_bytes() -> None:
    for make in (segments_csv, lambda b: events_csv(EVENTS, b),
                 lambda b: summary_json(summary_dict(SITE, b, CRESTS))):
        assert make(fold(SITE, EVENTS)) == make(fold(SITE, EVENTS))
