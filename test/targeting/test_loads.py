# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Rows know where their crest is lowest, and the loads follow from it."""

import math

from berm_ledger.books import fold
from berm_ledger.books.profile import CrestProfile
from berm_ledger.targeting.loads import with_loads, with_stretches
import numpy as np
import pytest
from targeting_kit import bare_rows, raised, ring, site_of, straight

STATION = np.arange(0.01, 1.2, 0.02)
WIDE = np.arange(0.01, 1.8, 0.02)


def profile(height_m):
    target = np.full_like(STATION, 0.15)
    return CrestProfile(0, STATION.copy(), height_m, np.zeros_like(STATION), target)


def test_the_low_stretch_comes_from_the_crest_of_the_berm():
    site = site_of(straight(1.2))
    crest = profile(np.where(np.abs(STATION - 0.6) < 0.18, 0.10, 0.15))
    rows = with_stretches(site, bare_rows(site), [crest])
    assert rows[1].low_station_m == pytest.approx(0.6, abs=0.05)
    assert rows[1].low_short_m == pytest.approx(0.05, abs=0.005)
    assert rows[0].low_short_m < rows[1].low_short_m


@pytest.mark.parametrize('backwards', [False, True])
def test_no_load_where_a_neighbour_still_to_come_fills_the_slope(backwards):
    # Two thirds of the berm are not built; the crest of the segment at its other end slopes down
    # to them at the angle of repose and cannot stand there before the neighbour does.
    site = site_of(straight(1.2))
    slope = site.berms[0].side_slope
    from_end = 1.2 - STATION if backwards else STATION
    height = np.minimum(0.15, np.maximum(0.03, slope * (0.54 - from_end)))
    rows = [raised(row, 0.03) for row in bare_rows(site)]
    first = 2 if backwards else 0
    rows[first] = raised(rows[first], float(height[from_end < 0.4].mean()))

    alone = with_stretches(site, rows, [profile(height)])[first]
    assert alone.low_station_m == pytest.approx(1.0 if backwards else 0.2, abs=0.03)
    assert alone.low_short_m == pytest.approx(
        0.15 - height[np.abs(STATION - alone.low_station_m) <= 0.18].mean(), abs=0.003)

    # Once the neighbour stands the slope is a dip like any other.
    rows[1] = raised(rows[1], 0.145)
    both = with_stretches(site, rows, [profile(height)])[first]
    assert (1.2 - both.low_station_m if backwards else both.low_station_m) > 0.35
    assert both.low_short_m > 2.0 * alone.low_short_m


@pytest.mark.parametrize('backwards', [False, True])
def test_half_a_drum_off_a_neighbour_still_to_come_a_dip_is_found(backwards):
    # A dip as wide as the drum, 0.36 m, whose middle lies 0.24 m into the segment.
    site = site_of(straight(1.8, segment_m=0.6))
    from_end = 1.8 - WIDE if backwards else WIDE
    height = np.where(np.abs(from_end - 0.84) < 0.18, 0.138, 0.15)
    rows = [raised(row, 0.148) for row in bare_rows(site)]
    begun = 2 if backwards else 0
    rows[begun] = raised(rows[begun], 0.03)
    crest = CrestProfile(0, WIDE.copy(), height, np.zeros_like(WIDE), np.full_like(WIDE, 0.15))
    row = with_stretches(site, rows, [crest])[1]
    assert 0.78 <= (1.8 - row.low_station_m if backwards else row.low_station_m) < 0.9


@pytest.mark.parametrize(('depth_m', 'wants_load'), [(0.03, True), (0.12, None)])
def test_a_ring_has_no_ends(depth_m, wants_load):
    # A dip where the first segment begins, or where any other does, tells that one the same.
    site = site_of(ring(1.0))
    rows = [raised(row, 0.14) for row in bare_rows(site)]
    station = (np.arange(20 * len(rows)) + 0.5) * rows[0].station_to_m / 20
    plain = np.full(len(station), 0.15)
    told = []
    for index in (0, 3):
        height = plain.copy()
        height[np.arange(20 * index - 9, 20 * index + 2)] -= depth_m
        crest = CrestProfile(0, station, height, np.zeros_like(height), plain)
        row = with_stretches(site, rows, [crest])[index]
        assert row.wants_load is wants_load
        told.append((row.low_station_m - row.station_from_m, row.low_short_m))
    assert told[0] == pytest.approx(told[1])
    assert told[0][1] > 0.5 * depth_m


def test_without_a_crest_rows_stay_as_they_are():
    site = site_of(straight(1.2))
    rows = with_stretches(site, bare_rows(site), [])
    assert all(math.isnan(row.low_station_m) for row in rows)


def test_an_untouched_berm_calls_for_the_loads_of_its_design():
    site = site_of(straight(1.2))
    books = with_loads(fold(site, ()))
    # Volume of the design over that of a load, by closed form: V = L H^2 / t + pi H^3 / (3 t^2).
    slope = site.berms[0].side_slope
    design = 1.2 * 0.15**2 / slope + math.pi * 0.15**3 / (3.0 * slope**2)
    assert books.dumps_remaining == pytest.approx(design / site.load_volume_m3, abs=2.0)
