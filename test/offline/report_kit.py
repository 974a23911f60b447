# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Books made by hand, of a straight berm whose every figure is known in closed form."""

from __future__ import annotations

from collections.abc import Sequence
import math
from pathlib import Path
from typing import Any

from berm_ledger.books import Entry
from berm_ledger.books.journal import Journal
from berm_ledger.design import half_width_m, height_at_distance_m
from berm_ledger.design.site_file import site_from_text
from berm_ledger.geometry import Lattice
from berm_ledger.site_source import text_digest
from berm_ledger.survey.area import survey_area
from berm_ledger.survey.snapshot import NamedSurface
import numpy as np

SECOND_NS = 1_000_000_000
START_NS = 1_767_225_600 * SECOND_NS
HEIGHT_M, SLOPE = 0.15, math.tan(math.radians(33.0))
# The natural ground falls along the line.
GROUND = (-0.02, 0.0, 0.10)
SITE_TEXT = """\
format: 1
frame: map
berms:
  - name: {name}
    centreline: [[0, 0], [2, 0]]
    crest_height_m: 0.15
    side_slope_deg: 33
    segment_length_m: 0.4
    height_tolerance_m: 0.02
    line_tolerance_m: 0.06
material:
  loose_density_kg_m3: 1500
  repose_deg: 33
rover:
  footprint: [[-0.4, -0.3], [0.4, -0.3], [0.4, 0.3], [-0.4, 0.3]]
  drop_point: [0.75, 0.0]
  drum_width_m: 0.36
  payload_kg: 7.5
  turning_radius_m: 1.0
  run_up_m: 0.5
yard:
  boundary: [[-3, -3], [5, -3], [5, 3], [-3, 3]]
  keep_outs: [{{name: {name}, polygon: [[3, 1], [4, 1], [4, 2], [3, 2]]}}]
  borrow_areas: [{{name: pit, polygon: [[-2.5, -2.5], [-1, -2.5], [-1, -1], [-2.5, -1]]}}]
cell_m: 0.02
"""
SEGMENTS = 5


def site_text(name: str = 'west arc') -> str:
    """Return a site file; the name as it stands in YAML, quoted if need be."""
    return SITE_TEXT.format(name=name)


def reading(height_m: float | None = 0.15, **changes: Any) -> dict[str, Any]:
    """Return the data of a reading at grade."""
    return {
        'height_m': height_m, 'height_se_m': 0.001, 'low_m': 0.14, 'high_m': 0.16,
        'coverage': 1.0, 'at_grade': 1.0, 'line_offset_m': 0.01, 'placed_m3': 0.0150,
        'placed_se_m3': 0.0003, 'missing_m3': 0.0010, 'over_m3': 0.0004, 'spilled_m3': 0.0006,
        **changes}


def dump(**changes: Any) -> dict[str, Any]:
    """Return the data of a dump."""
    return {'mass_kg': 7.5, 'x_m': 0.6, 'y_m': 0.02, 'yaw_rad': 1.57, 'station_m': 0.6,
            'offset_m': 0.02, **changes}


def change(volume_m3: float = 0.003, **changes: Any) -> dict[str, Any]:
    """Return the data of a disturbance, a slump or unbooked fill."""
    return {
        'volume_m3': volume_m3, 'volume_se_m3': 0.0003, 'station_from_m': 0.5,
        'station_to_m': 0.7, 'offset_from_m': -0.1, 'offset_to_m': 0.15,
        'first_seen_ns': START_NS, 'confirmed_ns': START_NS + SECOND_NS,
        'window_from_ns': START_NS - SECOND_NS, **changes}


def datum(**changes: Any) -> dict[str, Any]:
    """Return the data of a datum."""
    return {'source': 'survey', 'seen_fraction': 0.98, 'filled_fraction': 0.02,
            'targets': [HEIGHT_M] * SEGMENTS, 'volumes': [0.015] * SEGMENTS, **changes}


def numbered(*facts: tuple[Any, ...]) -> list[Entry]:
    """Return entries of (kind, berm, segment, data), one every ten seconds."""
    return [Entry(seq, START_NS + 10 * seq * SECOND_NS, *fact)
            for seq, fact in enumerate(facts, 1)]


def finished(berm: str = 'west arc') -> list[Entry]:
    """Return the entries of a berm that was built and stands at grade."""
    return numbered(
        ('datum', None, None, datum()),
        *[('dump', berm, n, dump(x_m=0.4 * n - 0.2, station_m=0.4 * n - 0.2))
          for n in range(1, SEGMENTS + 1)],
        *[('reading', berm, n, reading()) for n in range(1, SEGMENTS + 1)])


def eventful(berm: str = 'west arc') -> list[Entry]:
    """Return the entries of a berm with one of everything that a report tells of."""
    return numbered(
        ('refused', None, None, {'code': 'wrong_frame', 'text': 'in <odom>', 'count': 3}),
        ('datum', None, None, datum()),
        ('reading', berm, 2, reading(0.02, at_grade=0.0)),
        ('dump', berm, 2, dump(mass_kg=7.2)),
        ('rise', berm, 2, {'dump_seq': 4, 'volume_m3': 0.0045, 'volume_se_m3': 0.0004,
                           'shares': {'2': 0.0045}, 'text': 'some stayed in the drum'}),
        ('reading', berm, 2, reading(0.15)),
        ('at_grade', berm, 2, {'height_m': 0.15}),
        ('dump', None, None, dump(mass_kg=None, x_m=1.0, y_m=0.6, station_m=None, offset_m=None)),
        ('stray_dump', None, None, {'dump_seq': 8, 'volume_m3': None, 'text': 'off every berm'}),
        ('unbooked_fill', berm, 1, change(0.0012, station_from_m=0.0, station_to_m=0.0,
                                          offset_from_m=0.05, offset_to_m=0.2)),
        ('slump', berm, 4, change(0.0008, station_from_m=1.3, station_to_m=1.5)),
        ('disturbed', berm, 2, change(0.003, rework=True)),
        ('hold', None, None, {'text': 'people may be in the yard'}),
        ('reading', berm, 2, reading(0.09, at_grade=0.2)),
        ('map_shift', None, None, {'dx_m': 0.01, 'dy_m': 0.0, 'dz_m': -0.02, 'text': 'shifted'}),
        ('resume', None, None, {'text': 'all clear'}),
        ('reading', berm, 3, reading(None, coverage=0.0, at_grade=0.0, placed_m3=None,
                                     placed_se_m3=None, height_se_m=None, low_m=None,
                                     high_m=None, line_offset_m=None, missing_m3=None,
                                     over_m3=None, spilled_m3=None)),
        ('reading', berm, 4, reading(0.19, at_grade=0.0)))


# Error of a section that the others do not share.
OWN_ERROR_M = 0.004


def layers(text: str, lowered_m: float = 0.01) -> list[NamedSurface]:
    """Return layers of a berm that stands lower than its design by so much, 3 cm to the left."""
    site = site_from_text(text, 'site.yaml')
    berm = site.berms[0]
    lattice = survey_area(site).lattice
    points = lattice.centres_xy()
    ground = GROUND[0] * points[..., 0] + GROUND[2]
    moved = berm.centreline.station_offset((points - [0.0, 0.03]).reshape(-1, 2))[1]
    design = berm.centreline.station_offset(points.reshape(-1, 2))[1]
    soil = np.maximum(0.0, height_at_distance_m(berm, moved) - lowered_m).reshape(lattice.shape)
    surface = ground + soil
    surface[0, 0] = np.nan
    line = Lattice(0.01, 0.0, 0.02, 1, 100)
    ones = np.ones((1, 100))
    values = {
        'height_m': (lattice, surface), 'datum_m': (lattice, ground),
        'design_m': (lattice, height_at_distance_m(berm, design).reshape(lattice.shape)),
        f'crest:{berm.name}': (line, (HEIGHT_M - lowered_m) * ones),
        f'crest_offset:{berm.name}': (line, 0.03 * ones),
        f'crest_error_m:{berm.name}': (line, OWN_ERROR_M * ones),
        f'crest_target:{berm.name}': (line, HEIGHT_M * ones)}
    assert float(half_width_m(berm)) < 0.3
    return [NamedSurface(name, START_NS + 60 * SECOND_NS, where, array.astype(np.float32))
            for name, (where, array) in values.items()]


def books_file(
    path: Path, entries: Sequence[Entry] = (), surfaces: Sequence[NamedSurface] = (),
    text: str = '', name: str = 'site.yaml',
) -> Path:
    """Write a books file and return its path."""
    text = text or site_text()
    with Journal.create(path, text_digest(text), name, text, durable=False) as journal:
        journal.append(list(entries), list(surfaces))
    return path
