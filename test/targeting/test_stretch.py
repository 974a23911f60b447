# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The lowest stretch of a crest, by hand."""

import math

from berm_ledger.geometry import Polyline
from berm_ledger.targeting.stretch import lowest_stretch, stretch_middles
import numpy as np
import pytest

STATIONS = np.arange(0.01, 2.0, 0.02)
LINE = Polyline([[0.0, 0.0], [2.0, 0.0]])
RING = Polyline([[0.0, 0.0], [0.5, 0.0], [0.5, 0.5], [0.0, 0.5]], closed=True)
OPEN = {'drum_width_m': 0.3, 'line': LINE}


def test_the_dip_is_found_with_its_mean():
    short = np.where(np.abs(STATIONS - 0.75) < 0.15, 0.04, 0.0)
    station, mean = lowest_stretch(STATIONS, short, from_m=0.4, to_m=1.0, **OPEN)
    assert station == pytest.approx(0.75, abs=0.05)
    assert mean == pytest.approx(0.04, abs=0.01)


def test_the_drum_reaches_half_past_an_open_end_and_no_farther():
    # The round end is to be filled, but the middle of a load stays on the berm.
    short = np.where(STATIONS < 0.1, 0.05, 0.0)
    station, _ = lowest_stretch(STATIONS, short, from_m=0.0, to_m=0.4, **OPEN)
    assert 0.0 <= station <= 0.03


def test_a_closed_line_is_looked_at_over_its_seam():
    short = np.where((STATIONS < 0.1) | (STATIONS > 1.9), 0.05, 0.0)
    station, mean = lowest_stretch(
        STATIONS, short, from_m=1.6, to_m=2.0, drum_width_m=0.2, line=RING)
    assert station > 1.9
    assert mean > 0.04


def test_unseen_stretches_are_no_place_and_high_ones_are_negative():
    short = np.full(len(STATIONS), np.nan)
    unseen = lowest_stretch(STATIONS, short, from_m=0.4, to_m=1.0, **OPEN)
    assert all(math.isnan(value) for value in unseen)
    short[:] = -0.01
    short[20:30] = np.nan
    assert lowest_stretch(STATIONS, short, from_m=0.4, to_m=1.0, **OPEN)[1] == pytest.approx(-0.01)


@pytest.mark.parametrize(('seen', 'known'), [(7, False), (8, True)])
def test_a_stretch_is_known_where_half_of_its_sections_were_seen(seen, known):
    # 15 or 16 sections lie under a drum of 0.3 m.
    short = np.full(len(STATIONS), np.nan)
    short[31:31 + seen] = 0.02
    station, mean = lowest_stretch(STATIONS, short, from_m=0.4, to_m=1.0, **OPEN)
    assert math.isfinite(station) == known
    assert not known or mean == pytest.approx(0.02)


def section_by_section(short, from_m, to_m, drum_width_m, line):
    best = math.nan, -math.inf
    for middle in stretch_middles(from_m, to_m):
        near = []
        for station, value in zip(STATIONS, short):
            gap = abs(station - middle)
            gap = min(gap, line.length_m - gap) if line.closed else gap
            if gap <= 0.5 * drum_width_m + 1e-9:
                near.append(value)
        known = [value for value in near if not math.isnan(value)]
        if known and 2 * len(known) >= len(near) and math.fsum(known) / len(known) > best[1]:
            best = middle, math.fsum(known) / len(known)
    return best


@pytest.mark.parametrize('line', [LINE, RING])
@pytest.mark.parametrize(('from_m', 'to_m'), [(0.0, 0.4), (0.8, 1.2), (1.6, 2.0)])
def test_each_crest_gets_its_own_answer_also_where_little_has_changed(line, from_m, to_m):
    chance = np.random.default_rng(7)
    short = chance.normal(0.0, 0.01, len(STATIONS))
    short[chance.random(len(STATIONS)) < 0.2] = np.nan
    for place in (10, 45, 50, 55, 97):
        for value in (0.05, np.nan):
            short[place] = value
            found = lowest_stretch(STATIONS, short, from_m=from_m, to_m=to_m,
                                   **{**OPEN, 'line': line})
            assert found == pytest.approx(
                section_by_section(short, from_m, to_m, **{**OPEN, 'line': line}), abs=1e-12)
