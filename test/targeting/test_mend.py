# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""One more load where it brings more of a crest into tolerance than it takes out, by hand."""

from dataclasses import replace

from berm_ledger.books.profile import CrestProfile
from berm_ledger.books.rows import State
from berm_ledger.geometry import Polyline
from berm_ledger.targeting.dump_plan import dumps_remaining
from berm_ledger.targeting.loads import with_stretches
from berm_ledger.targeting.mend import _in_tolerance, Load, mending_place
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import pytest
from scipy import stats
from targeting_kit import bare_rows, raised, site_of, straight

STATION = np.arange(0.01, 2.0, 0.02)
LINE = Polyline([[0.0, 0.0], [2.0, 0.0]])
RING = Polyline([[0.0, 0.0], [0.5, 0.0], [0.5, 0.5], [0.0, 0.5]], closed=True)
LOAD = Load(0.02, 0.3)


def dip(depth_m, *, middle_m=0.75, width_m=0.16, else_m=0.0):
    return np.where(np.abs(STATION - middle_m) < 0.5 * width_m, depth_m, else_m)


def test_a_dip_below_the_tolerance_gets_a_load_where_its_sides_can_take_it():
    # 8 of 15 sections under the drum are 30 mm low, the others 6 mm: after a load of 20 mm they
    # are 10 mm low and 14 mm high, all of them within 20 mm.
    place = mending_place(STATION, dip(0.03, else_m=0.006), LOAD, 0.02, from_m=0.4, to_m=1.0,
                          line=LINE)
    assert place == pytest.approx(0.75, abs=0.08)


@pytest.mark.parametrize('short', [
    dip(0.03, width_m=0.08, else_m=-0.01),  # its sides would rise to 30 mm
    dip(0.03, width_m=0.02, else_m=-0.005),  # one section of fifteen
    np.full(len(STATION), 0.008),  # all of it within tolerance
    np.full(len(STATION), -0.03),  # high: soil is not taken away by dumping
    np.full(len(STATION), np.nan)])
def test_no_load_where_it_takes_more_out_of_tolerance(short):
    assert mending_place(STATION, short, LOAD, 0.02, from_m=0.4, to_m=1.0, line=LINE) is None


@given(st.floats(-0.1, 0.1), st.floats(0.005, 0.05), st.floats(0.001, 0.03))
def test_a_section_lies_within_tolerance_by_the_normal_law(short_m, tolerance_m, spread_m):
    chance = stats.norm(short_m, spread_m)
    assert _in_tolerance(np.array([short_m]), tolerance_m, spread_m) == pytest.approx(
        chance.cdf(tolerance_m) - chance.cdf(-tolerance_m), abs=1e-9)


def test_over_the_seam_of_a_ring():
    short = np.where((STATION < 0.08) | (STATION > 1.92), 0.03, 0.004)
    place = mending_place(STATION, short, LOAD, 0.02, from_m=1.6, to_m=2.0, line=RING)
    assert place is not None
    assert place > 1.9


@pytest.mark.parametrize('line', [LINE, RING])
def test_only_the_crest_that_a_load_reaches_has_a_say(line):
    short = dip(0.03, else_m=0.006)
    alone = mending_place(STATION, short, LOAD, 0.02, from_m=0.4, to_m=1.0, line=line)
    for depth_m in (0.03, -0.3, np.nan):
        # A drum ends 0.15 m from its middle, a load 0.05 m farther.
        far = (STATION > 1.25) & (STATION < 1.75)
        assert mending_place(STATION, np.where(far, depth_m, short), LOAD, 0.02, from_m=0.4,
                             to_m=1.0, line=line) == alone
    other = mending_place(STATION, dip(0.03, middle_m=0.55, else_m=0.006), LOAD, 0.02, from_m=0.4,
                          to_m=1.0, line=line)
    assert other == pytest.approx(0.55, abs=0.08)


def judged(short, rise_m=0.02):
    """Return what the third of five segments asks for on a berm at 0.25 m but for a shortfall."""
    site = site_of(straight(2.0, height_m=0.25))
    tan, drum = site.berms[0].side_slope, site.rover.drum_width_m
    volume = ((0.25 + rise_m)**2 - 0.25**2) / tan * (drum + rise_m / tan)
    site = replace(site, rover=replace(site.rover, payload_kg=1500.0 * volume))
    rows = [raised(row, 0.25, dumps_made=3) for row in bare_rows(site)]
    own = np.abs(STATION - 1.0) < 0.2
    rows[2] = raised(rows[2], 0.25 - short[own].mean(), low_m=0.25 - short[own].max(),
                     state=State.SHORT, at_grade=float((short[own] <= 0.02).mean()), dumps_made=3)
    target = np.full_like(STATION, 0.25)
    profile = CrestProfile(0, STATION.copy(), 0.25 - short, 0.0 * STATION, target)
    found = with_stretches(site, rows, [profile])
    return found[2], dumps_remaining(site, found, volume)[2]


def test_a_dip_calls_for_a_load_where_its_sides_stay_in_tolerance():
    # Half of the drum lacks 28 mm; a load brings 14 mm, and the rest is 12 mm high then.
    row, loads = judged(dip(0.028, middle_m=1.0, width_m=0.18, else_m=0.002), 0.016)
    assert (row.wants_load, loads) == (True, 1)
    assert row.low_station_m == pytest.approx(1.0, abs=0.1)


def test_no_load_where_the_sides_of_a_dip_leave_the_tolerance():
    # A third of the drum lacks 32 mm, the rest is 1 mm high: 12 mm on the mean is more than half
    # of the 20 mm a load brings, but two thirds would be just above the tolerance.
    row, loads = judged(dip(0.032, middle_m=1.0, width_m=0.14, else_m=-0.001))
    assert row.low_short_m > 0.5 * 0.02
    assert (row.wants_load, loads) == (False, 0)


def test_a_crest_short_by_more_than_a_load_is_not_judged_by_its_tolerance():
    row, loads = judged(np.where(np.abs(STATION - 1.0) < 0.25, 0.05, 0.0))
    assert row.wants_load is None
    assert loads >= 1
