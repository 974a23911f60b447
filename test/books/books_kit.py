# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A small site and entries of every kind for the tests of the books."""

from __future__ import annotations

from dataclasses import fields
import math
from typing import Any

from berm_ledger.books import Books, Entry, Row
from berm_ledger.design import Berm, Material, Rover, Site, Yard
from berm_ledger.geometry import Polygon, Polyline

SECOND_NS = 1_000_000_000
START_NS = 1_700_000_000 * SECOND_NS


def a_berm(
    name: str = 'west arc', length_m: float = 2.4, y_m: float = 0.0, **changes: Any
) -> Berm:
    """Return a straight berm of sand, cut into segments of 0.4 m."""
    values: dict[str, Any] = {
        'name': name, 'centreline': Polyline([[0.0, y_m], [length_m, y_m]]),
        'crest_height_m': 0.25, 'crest_level_m': None, 'crest_width_m': 0.0,
        'side_slope_rad': math.radians(33.0), 'segment_length_m': 0.4,
        'height_tolerance_m': 0.02, 'line_tolerance_m': 0.06, **changes}
    return Berm(**values)


def a_site(*berms: Berm) -> Site:
    """Return a site of the berms; left out, one of six segments."""
    rover = Rover(
        footprint=Polygon([[-0.35, -0.3], [0.45, -0.3], [0.45, 0.3], [-0.35, 0.3]]),
        drop_point_xy=(0.75, 0.0), drum_width_m=0.36, payload_kg=7.5, turning_radius_m=1.0,
        run_up_m=0.5, clearance_m=0.05)
    boundary = Polygon([[-9.0, -9.0], [9.0, -9.0], [9.0, 9.0], [-9.0, 9.0]])
    return Site('map', berms or (a_berm(),), None, Material(1500.0, math.radians(33.0)), rover,
                Yard(boundary))


def reading(height_m: float | None = 0.25, **changes: Any) -> dict[str, Any]:
    """Return the data of a reading."""
    return {
        'height_m': height_m, 'height_se_m': 0.001, 'low_m': 0.24, 'high_m': 0.26,
        'coverage': 1.0, 'at_grade': 1.0, 'line_offset_m': 0.01, 'placed_m3': 0.03,
        'placed_se_m3': 0.0005, 'missing_m3': 0.002, 'over_m3': 0.0005, 'spilled_m3': 0.001,
        **changes}


def dump(**changes: Any) -> dict[str, Any]:
    """Return the data of a dump."""
    return {'mass_kg': None, 'x_m': 0.6, 'y_m': 0.0, 'yaw_rad': 1.57, 'station_m': 0.6,
            'offset_m': 0.0, **changes}


def change(volume_m3: float = 0.003, **changes: Any) -> dict[str, Any]:
    """Return the data of a disturbance, a slump or unbooked fill."""
    return {
        'volume_m3': volume_m3, 'volume_se_m3': 0.0003, 'station_from_m': 0.5,
        'station_to_m': 0.7, 'offset_from_m': -0.1, 'offset_to_m': 0.2,
        'first_seen_ns': START_NS, 'confirmed_ns': START_NS + SECOND_NS,
        'window_from_ns': START_NS - SECOND_NS, 'text': 'soil went', **changes}


def numbered(*facts: tuple[Any, ...]) -> list[Entry]:
    """Return entries of (kind, berm, segment, data), one a second."""
    return [Entry(seq, START_NS + seq * SECOND_NS, *fact) for seq, fact in enumerate(facts, 1)]


def a_build() -> list[Entry]:
    """Return a short history with an entry of every kind."""
    west = 'west arc'
    return numbered(
        ('refused', None, None, {'code': 'wrong_frame', 'text': 'frame odom', 'count': 1}),
        ('datum', None, None, {
            'source': 'survey', 'seen_fraction': 0.9, 'filled_fraction': 0.1,
            'targets': [0.25, 0.25, 0.26, 0.25, 0.25, 0.24], 'volumes': [0.04] * 6}),
        ('dump', west, 2, dump(mass_kg=7.4)),
        ('reading', west, 2, reading(0.11, at_grade=0.0, missing_m3=0.03, over_m3=0.0)),
        ('rise', west, None, {'dump_seq': 3, 'volume_m3': 0.0047, 'volume_se_m3': 0.0002,
                              'shares': {'2': 0.004, '3': 0.0007}}),
        ('dump', None, None, dump(x_m=4.0, station_m=None, offset_m=None)),
        ('stray_dump', None, None, {'dump_seq': 6, 'text': 'missed the berm', 'volume_m3': 0.0}),
        ('map_shift', None, None, {'dx_m': 0.02, 'dy_m': 0.0, 'dz_m': -0.01, 'text': 'map moved'}),
        ('reading', west, 2, reading()),
        ('at_grade', west, 2, {'height_m': 0.25}),
        ('disturbed', west, 2, change(rework=True)),
        ('hold', None, None, {'text': 'segment 2 of west arc was disturbed'}),
        ('reading', west, 2, reading(0.15, at_grade=0.3)),
        ('resume', None, None, {'text': 'operator'}),
        ('dump', west, 2, dump()),
        ('rise', west, None, {'dump_seq': 15, 'volume_m3': 0.0049, 'volume_se_m3': 0.0002,
                              'shares': {'2': 0.0049}}),
        ('reading', west, 2, reading(0.249)),
        ('reworked', west, 2, {'height_m': 0.249, 'dumps': 1}),
        ('unbooked_fill', west, 4, change(0.002, text='soil came')),
        ('slump', west, 2, change(0.001, text='soil slid')),
        ('disturbed', west, 5, change(rework=True, station_from_m=1.7, station_to_m=1.9)),
        ('cleared', None, None, {'text': 'accepted as it stands'}),
    )


def figures(row: Row) -> tuple[Any, ...]:
    """Return the figures of a row with None for unknown, so that rows can be compared."""
    values = [getattr(row, field.name) for field in fields(row)]
    return tuple(None if isinstance(v, float) and math.isnan(v) else v for v in values)


def assert_books_equal(actual: Books, expected: Books) -> None:
    """Raise AssertionError unless two books say the same, unknown figures included."""
    assert [figures(row) for row in actual.rows] == [figures(row) for row in expected.rows]
    assert repr(actual) == repr(expected)
