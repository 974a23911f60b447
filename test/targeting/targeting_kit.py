# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Small sites and rows for the tests of targeting."""

from dataclasses import replace
import math

from berm_ledger.books.rows import Row, State
from berm_ledger.design import (
    Berm,
    BorrowArea,
    Material,
    NamedArea,
    Rover,
    segments_of_site,
    Site,
    Yard,
)
from berm_ledger.geometry import Polygon, Polyline
from berm_ledger.targeting import dumps_remaining, ReadyChoice

SLOPE_DEG = 34.0


def rectangle(x0, y0, x1, y1):
    return Polygon([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


def berm_of(line, *, name='west', height_m=0.15, segment_m=0.4, slope_deg=SLOPE_DEG):
    return Berm(name, line, height_m, None, 0.0, math.radians(slope_deg), segment_m, 0.02, 0.06)


def rover_of(*, drop=(0.75, 0.0), half_width_m=0.2, length_m=0.6, turning_radius_m=0.5,
             payload_kg=8.0, drum_width_m=0.36, run_up_m=0.5):
    half = 0.5 * length_m
    outline = rectangle(-half, -half_width_m, half, half_width_m)
    return Rover(outline, drop, drum_width_m, payload_kg, turning_radius_m, run_up_m, 0.05)


def site_of(*berms, yard=None, rover=None, keep_outs=(), borrow=(), repose_deg=SLOPE_DEG):
    named = tuple(NamedArea(f'post {k + 1}', area) for k, area in enumerate(keep_outs))
    areas = tuple(BorrowArea(f'pit {k + 1}', area, None) for k, area in enumerate(borrow))
    yard = rectangle(-5.0, -5.0, 9.0, 5.0) if yard is None else yard
    return Site('map', tuple(berms), None, Material(1500.0, math.radians(repose_deg)),
                rover_of() if rover is None else rover, Yard(yard, named, areas))


def straight(length_m, **options):
    return berm_of(Polyline([[0.0, 0.0], [length_m, 0.0]]), **options)


def ring(radius_m, centre=(0.0, 0.0), *, from_rad=0.0, sweep_rad=2.0 * math.pi, **options):
    return berm_of(Polyline.arc(centre, radius_m, from_rad, sweep_rad), **options)


def bare_rows(site, *, seen=True, loads=None):
    """Return rows of a site where nothing stands; loads per row are solved unless given."""
    rows = []
    for segment in segments_of_site(site):
        target = site.berms[segment.berm_index].crest_height_m
        known = {'height_m': 0.0, 'high_m': 0.0, 'low_m': 0.0, 'coverage': 1.0,
                 'deficit_height_m': target, 'state': State.SHORT} if seen else {}
        rows.append(Row(segment.berm, segment.berm_index, segment.number,
                        segment.station_from_m, segment.station_to_m, target, **known))
    return with_loads(site, rows, loads)


def with_loads(site, rows, loads=None):
    counts = dumps_remaining(site, rows, site.load_volume_m3) if loads is None else loads
    if isinstance(counts, int):
        counts = [counts] * len(rows)
    return tuple(replace(row, dumps_remaining=n) for row, n in zip(rows, counts))


def choose_target(site, rows, ground, robot, **texts):
    """Return the answer to somebody who asks for the first time."""
    return ReadyChoice()(site, rows, ground, robot, **texts)


def raised(row, height_m, **changes):
    """Return the row as read at a height: a full ridge at the design slope."""
    tangent = math.tan(math.radians(SLOPE_DEG))
    length = row.station_to_m - row.station_from_m
    missing = length * (row.target_height_m ** 2 - height_m ** 2) / tangent
    short = row.target_height_m - height_m
    state = State.SHORT if short > 0.02 else State.HIGH if short < -0.02 else State.AT_GRADE
    figures = {
        'height_m': height_m, 'low_m': height_m, 'high_m': height_m, 'coverage': 1.0,
        'at_grade': float(state == State.AT_GRADE), 'deficit_height_m': short,
        'deficit_volume_m3': missing, 'line_offset_m': 0.0, 'state': state}
    return replace(row, **{**figures, **changes})
