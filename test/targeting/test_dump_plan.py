# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Loads remaining: closed forms, whole loads, neighbours, what may not get a load."""

from dataclasses import replace
import math

from berm_ledger.books.rows import State
from berm_ledger.design.notes import filled_top_m
from berm_ledger.errors import GeometryError
from berm_ledger.targeting.dump_plan import (
    dumps_remaining,
    load_shares,
    RiseModel,
    whole_loads,
)
from berm_ledger.targeting.ridges import heap_height_m
from hypothesis import given, settings
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest
from targeting_kit import bare_rows, raised, ring, rover_of, site_of, SLOPE_DEG, straight

TAN = math.tan(math.radians(SLOPE_DEG))


def design_volume_m3(length_m, height_m):
    """Return the volume of a straight ridge with round ends, DESIGN's closed form."""
    return length_m * height_m ** 2 / TAN + math.pi * height_m ** 3 / (3.0 * TAN ** 2)


@pytest.mark.parametrize('segment_m', [0.2, 0.4, 0.75])
def test_small_sand_berm_needs_six_loads(segment_m):
    # Common practice, no source: 15 cm high, 75 cm long, 34 degrees, 1500 kg/m3 is about 50 kg,
    # six loads of 8 kg.
    site = site_of(straight(0.75, height_m=0.15, segment_m=segment_m))
    assert design_volume_m3(0.75, 0.15) * 1500.0 == pytest.approx(50.0, abs=1.0)
    assert sum(dumps_remaining(site, bare_rows(site, seen=False), site.load_volume_m3)) == 6


@pytest.mark.parametrize(('length_m', 'height_m'), [(2.0, 0.15), (4.0, 0.25), (6.0, 0.3)])
def test_bare_berm_needs_its_volume_in_loads(length_m, height_m):
    site = site_of(straight(length_m, height_m=height_m))
    loads = sum(dumps_remaining(site, bare_rows(site), site.load_volume_m3))
    expected = design_volume_m3(length_m, height_m) / site.load_volume_m3
    assert loads == pytest.approx(expected, abs=max(1.0, 0.02 * expected))


def test_a_bare_ring_needs_no_soil_for_ends():
    # Pappus: the cross-section times the length of the line; all segments are alike.
    site = site_of(ring(1.5, height_m=0.3))
    loads = dumps_remaining(site, bare_rows(site), site.load_volume_m3)
    soil = 2.0 * math.pi * 1.5 * 0.3 ** 2 / TAN
    assert set(loads) == {round(soil / site.load_volume_m3 / len(loads))}


def test_unseen_segments_count_as_bare():
    site = site_of(straight(2.0))
    seen = dumps_remaining(site, bare_rows(site), 0.005)
    assert dumps_remaining(site, bare_rows(site, seen=False), 0.005) == seen


@pytest.mark.parametrize('segment_m', [0.05, 0.1, 0.15])
@pytest.mark.parametrize('payload_kg', [4.0, 8.0])
def test_segments_narrower_than_a_load_share_it(segment_m, payload_kg):
    """Bare ground calls for its volume in loads, and some more for gaps between whole ones."""
    site = site_of(straight(2.0, height_m=0.1, segment_m=segment_m),
                   rover=rover_of(payload_kg=payload_kg))
    loads = sum(dumps_remaining(site, bare_rows(site), site.load_volume_m3))
    expected = design_volume_m3(2.0, 0.1) / site.load_volume_m3
    assert expected - 1.0 <= loads <= 1.4 * expected + 1.0


@pytest.mark.parametrize(('wide_m', 'loads'), [(0.35, 1), (1.2, 4)])
def test_a_dip_over_narrow_segments_gets_a_load_for_each_width_of_the_drum(wide_m, loads):
    # A load raises 0.36 m; of a dip 1.2 m wide four fill 1.44 m, three would leave 0.12 m.
    site = site_of(straight(2.0, height_m=0.25, segment_m=0.1))
    rows = [raised(row, 0.25) for row in bare_rows(site)]
    rise = RiseModel(site, site.berms[0], site.load_volume_m3).load_rise_m(0.22)
    for k in range(4, 4 + round(wide_m / 0.1 + 0.49)):
        middle = 0.5 * (rows[k].station_from_m + rows[k].station_to_m)
        rows[k] = raised(rows[k], 0.25 - rise, low_short_m=rise, low_station_m=middle,
                         deficit_volume_m3=0.0, state=State.SHORT)
    counts = dumps_remaining(site, rows, site.load_volume_m3)
    assert abs(sum(counts) - loads) <= (0 if loads == 1 else 1)
    assert not any(counts[:4])


def test_design_volume_of_the_row_is_used_where_it_is_known():
    site = site_of(straight(2.0))
    rows = [replace(row, target_volume_m3=0.05) for row in bare_rows(site, seen=False)]
    assert sum(dumps_remaining(site, rows, 0.005)) == pytest.approx(50, abs=1)


@pytest.mark.parametrize('target_m', [0.0, -0.05])
@pytest.mark.parametrize('deficit_m3', [-0.001, math.nan])
def test_where_the_ground_stands_above_a_level_crest_nothing_is_missing(target_m, deficit_m3):
    """Its neighbours spill onto it; they get their own loads all the same."""
    site = site_of(straight(2.0))
    rows = list(bare_rows(site))
    rows[0] = raised(replace(rows[0], target_height_m=target_m), 0.03, dumps_made=0,
                     deficit_volume_m3=deficit_m3)
    counts = dumps_remaining(site, rows, site.load_volume_m3)
    assert counts[0] == 0
    expected = design_volume_m3(1.6, 0.15) / site.load_volume_m3
    assert sum(counts) == pytest.approx(expected, abs=2.0)


def test_finished_berm_needs_none_and_a_high_one_neither():
    site = site_of(straight(2.0))
    done = [raised(row, height) for row, height in zip(
        bare_rows(site), [0.15, 0.145, 0.155, 0.19, 0.15])]
    assert done[3].state == State.HIGH
    assert dumps_remaining(site, done, site.load_volume_m3) == (0, 0, 0, 0, 0)


def test_a_low_segment_between_finished_ones_gets_the_loads():
    site = site_of(straight(2.0, height_m=0.25))
    rows = [raised(row, 0.25) for row in bare_rows(site)]
    rows[2] = raised(rows[2], 0.15)
    counts = dumps_remaining(site, rows, site.load_volume_m3)
    short = 0.4 * (0.25 ** 2 - 0.15 ** 2) / TAN / site.load_volume_m3
    assert counts[0] == counts[4] == 0
    assert sum(counts) == pytest.approx(short, abs=1.0)
    assert counts[2] >= 3


def test_a_crest_lower_than_tolerance_gets_a_load_whatever_the_volume_says():
    site = site_of(straight(2.0, height_m=0.25))
    rows = [raised(row, 0.25) for row in bare_rows(site)]
    rows[2] = raised(rows[2], 0.225, deficit_volume_m3=0.0)
    assert dumps_remaining(site, rows, site.load_volume_m3)[2] == 1


def test_no_load_that_overshoots_more_than_it_is_short():
    # A 5 cm ridge of 0.4 m that lacks 2.1 cm takes dV = L (H^2 - h^2)/tan = 2.2 l; one of 12 l
    # would raise it to sqrt(h^2 + dV tan / L) = 0.13 m, far more than 2.1 cm above the target.
    site = site_of(straight(0.4, height_m=0.071))
    rows = [raised(row, 0.05) for row in bare_rows(site)]
    assert rows[0].state == State.SHORT
    assert dumps_remaining(site, rows, 0.012) == (0,)


def soil_m3(height_m, rise_m, length_m):
    """Return what raises a straight ridge by so much over a length."""
    return length_m * ((height_m + rise_m) ** 2 - height_m ** 2) / TAN


@pytest.mark.parametrize(('share', 'loads'), [(0.98, 1), (1.02, 0)])
def test_a_low_crest_gets_a_load_that_overshoots_by_no_more_than_was_lacking(share, loads):
    # 30 mm are lacking, more than the tolerance of 20.
    site = site_of(straight(2.0))
    row = raised(bare_rows(site)[1], 0.12)
    model = RiseModel(site, site.berms[0], soil_m3(0.12, share * 0.06, 0.4))
    assert model.least_loads(row, 1.0) == loads
    assert model.least_loads(replace(row, state=State.AT_GRADE), 1.0) == 0


@pytest.mark.parametrize(('share', 'at_grade', 'loads'), [
    (0.98, 0.85, 1), (1.02, 0.85, 0), (0.98, 0.9, 0)])
def test_so_does_a_dip_in_a_mean_that_is_near_over_the_width_of_the_drum(share, at_grade, loads):
    # 40 mm are lacking in the dip, 5 mm on average.
    site = site_of(straight(3.0, segment_m=3.0))
    row = raised(bare_rows(site)[0], 0.145, low_m=0.11, at_grade=at_grade, state=State.SHORT)
    model = RiseModel(site, site.berms[0], soil_m3(0.11, share * 0.08, 0.36))
    assert model.least_loads(row, 1.0) == loads


@pytest.mark.parametrize(('share', 'loads'), [(0.98, 1), (1.02, 0)])
def test_unless_the_mean_would_end_more_than_half_the_tolerance_too_high(share, loads):
    site = site_of(straight(2.0))
    row = raised(bare_rows(site)[1], 0.145, low_m=0.05, at_grade=0.8, state=State.SHORT)
    model = RiseModel(site, site.berms[0], soil_m3(0.145, share * (0.005 + 0.01), 0.4))
    assert model.least_loads(row, 1.0) == loads


def test_a_dip_in_an_even_mean_calls_for_a_load():
    site = site_of(straight(2.0, height_m=0.25))
    rows = [raised(row, 0.25) for row in bare_rows(site)]
    rows[1] = raised(rows[1], 0.238, low_m=0.21, at_grade=0.7, state=State.SHORT,
                     deficit_volume_m3=0.001)
    assert dumps_remaining(site, rows, site.load_volume_m3)[1] == 1


@pytest.mark.parametrize(('share', 'loads'), [(0.46, 0), (0.54, 1)])
def test_the_lowest_stretch_gets_a_load_when_it_lacks_half_of_one(share, loads):
    # A load that raises a ridge of height h by r over the drum, with ends that slope down by r,
    # has V = ((h + r)^2 - h^2) / tan (w + r / tan). Where less than half of r is lacking it would
    # be over by more than it was under.
    site = site_of(straight(2.0, height_m=0.25))
    rise = 0.02
    height = 0.25 - share * rise
    load = ((height + rise)**2 - height**2) / TAN * (site.rover.drum_width_m + rise / TAN)
    rows = [raised(row, 0.25) for row in bare_rows(site)]
    rows[2] = raised(rows[2], 0.245, low_short_m=share * rise, low_station_m=1.0,
                     state=State.SHORT)
    assert dumps_remaining(site, rows, load) == (0, 0, loads, 0, 0)


def test_on_level_ground_a_load_rises_as_a_heap_does():
    # The heap's round ends hold pi/3 r^3/tan^2, its ends as slopes r^3/tan^2: 5 % of a small part.
    site = site_of(straight(2.0, height_m=0.25))
    model = RiseModel(site, site.berms[0], 0.005)
    heap = heap_height_m(0.005, site.rover.drum_width_m, TAN)
    assert model.load_rise_m(0.0) == pytest.approx(heap, rel=0.02)


def test_unknown_volume_falls_back_on_the_height():
    site = site_of(straight(2.0, height_m=0.25))
    rows = [raised(row, 0.25) for row in bare_rows(site)]
    rows[2] = raised(rows[2], 0.15)
    blind = [replace(row, deficit_volume_m3=math.nan) for row in rows]
    load = site.load_volume_m3
    assert dumps_remaining(site, blind, load) == dumps_remaining(site, rows, load)


def test_flanks_are_not_filled_over_a_crest_that_is_high_enough():
    site = site_of(straight(2.0, height_m=0.25, slope_deg=25.0))
    rows = [raised(row, 0.25, deficit_volume_m3=0.015) for row in bare_rows(site)]
    assert sum(dumps_remaining(site, rows, site.load_volume_m3)) <= 3


@pytest.mark.parametrize('berm', [straight(2.0), ring(0.8)])
def test_shares_of_a_load_sum_to_one_and_mirror(berm):
    site = site_of(berm)
    shares = load_shares(site, berm, bare_rows(site), 0.005)
    npt.assert_allclose(shares.sum(axis=1), 1.0, atol=1e-12)
    npt.assert_allclose(shares, shares[::-1, ::-1], atol=1e-9)
    assert (np.diag(shares) > 0.5).all()


def test_closed_line_feeds_over_its_seam():
    berm = ring(0.8)
    site = site_of(berm)
    shares = load_shares(site, berm, bare_rows(site), 0.005)
    npt.assert_allclose(shares[0, -1], shares[1, 0], atol=1e-9)
    assert shares[0, -1] > 0.05


def spilling(n, spill):
    """Return the shares of loads of which a part falls on the segments beside."""
    shares = np.eye(n) * (1.0 - spill)
    for k in range(n):
        for j in (k - 1, k + 1):
            shares[k, j if 0 <= j < n else k] += 0.5 * spill
    return shares


def test_whole_loads_are_all_but_as_good_as_brute_force():
    # Load by load one may end beside the best: [0.5, 0.5, 0.625] with a quarter spilled is served
    # by the last two, better by the first and the last. So it went in 11 of 20000.
    chance = np.random.default_rng(1)
    behind = []
    for _ in range(400):
        need, spill = chance.uniform(-1.0, 3.0, chance.integers(2, 5)), chance.uniform(0.0, 0.3)
        shares = spilling(len(need), spill)
        every = np.array(list(np.ndindex(*[5] * len(need))))
        best = ((need - every @ shares) ** 2).sum(axis=1).min()
        count = whole_loads(need, shares, np.zeros(len(need), dtype=int))
        behind.append(((need - count @ shares) ** 2).sum() - best)
    assert np.quantile(behind, 0.99) <= 0.1
    assert max(behind) <= 0.3


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-1.0, 3.0), min_size=2, max_size=4), st.floats(0.0, 0.3))
def test_no_single_load_more_or_less_is_better(need, spill):
    n = len(need)
    shares = spilling(n, spill)
    count = whole_loads(np.array(need), shares, np.zeros(n, dtype=int))

    def misfit(loads):
        return float(((np.array(need) - np.array(loads) @ shares) ** 2).sum())
    for k in range(n):
        for step in (-1, 1):
            other = count.copy()
            other[k] += step
            assert other[k] < 0 or misfit(count) <= misfit(other) + 1e-6


@pytest.mark.parametrize('yield_m3', [0.0, -0.005, math.nan, math.inf])
def test_a_load_of_nothing_is_refused(yield_m3):
    site = site_of(straight(2.0))
    with pytest.raises(GeometryError, match='adds nothing'):
        dumps_remaining(site, bare_rows(site, loads=0), yield_m3)


def test_two_berms_are_solved_apart():
    one = straight(0.8, name='one')
    two = straight(1.6, name='two', height_m=0.25)
    load = 0.005
    both = site_of(one, two)
    alone = [site_of(one), site_of(two)]
    counts = dumps_remaining(both, bare_rows(both), load)
    assert counts == sum((dumps_remaining(s, bare_rows(s), load) for s in alone), ())


@pytest.mark.parametrize('width_m', [0.2, 0.5, 1.0])
def test_on_a_wide_top_a_load_raises_the_ridge_that_stands(width_m):
    site = site_of(straight(1.2))
    filled = replace(site.berms[0], crest_width_m=filled_top_m(site, site.berms[0]))
    wide = replace(filled, crest_width_m=width_m)
    assert width_m > filled.crest_width_m
    rises = [RiseModel(site, berm, site.load_volume_m3).load_rise_m(0.14)
             for berm in (filled, wide)]
    assert rises[0] == rises[1]


@pytest.mark.parametrize('seen', [True, False])
def test_loads_left_of_a_wide_top_are_those_that_can_be_poured_along_the_line(seen):
    # 0.05 m and twice the tolerance over the slope come within tolerance of a flat top.
    length, height, width = 2.0, 0.15, 0.05 + 2.0 * 0.02 / TAN
    site = site_of(replace(straight(length, height_m=height), crest_width_m=1.0))
    ends = math.pi * width * height * (height / (2.0 * TAN) + width / 4.0)
    poured = design_volume_m3(length, height) + length * width * height + ends
    rows = bare_rows(site, seen=seen)
    if seen:
        rows = [replace(row, deficit_volume_m3=1.2 * poured / len(rows)) for row in rows]
    loads = sum(dumps_remaining(site, rows, site.load_volume_m3))
    assert loads == pytest.approx(poured / site.load_volume_m3, abs=1.0)
