# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Where a load is to land."""

from dataclasses import replace
import math

from berm_ledger.targeting.approach import approach_for, footprint_hull, pose_array, SIDES
from berm_ledger.targeting.dump_line import (
    drop_of_row,
    drop_stations,
    drops_of_row,
    pulled_offset,
    room_m,
)
from berm_ledger.targeting.obstacles import MARGIN_M, Obstacles
import pytest
from targeting_kit import bare_rows, raised, ring, rover_of, site_of, SLOPE_DEG, straight


def test_bare_segment_is_dumped_on_its_centreline_in_the_middle():
    site = site_of(straight(2.0))
    drop = drop_of_row(site, bare_rows(site), 1)
    assert (drop.station_m, drop.offset_m) == (pytest.approx(0.6), 0.0)
    assert math.isnan(drop.crest_offset_m)


def test_long_segment_takes_its_places_in_turn():
    site = site_of(straight(2.0, segment_m=1.0))
    rows = bare_rows(site)
    places = drop_stations(rows[0], 0.36)
    assert len(places) == 3
    seen = [drop_of_row(site, [replace(rows[0], dumps_made=n), rows[1]], 0).station_m
            for n in range(4)]
    assert sorted(seen[:3]) == list(places)
    assert seen[3] == seen[0]


def test_the_loads_to_come_go_on_from_the_last_place_that_had_one():
    # The first segment's only neighbour lies at its far end, where the loads begin.
    site = site_of(straight(2.0, segment_m=1.0))
    rows = [replace(row, dumps_made=1) for row in bare_rows(site)]
    near, middle, far = drop_stations(rows[0], 0.36)
    stations = [drop.station_m for drop in drops_of_row(site, rows, 0, 4)]
    assert stations == [middle, near, far, middle]


def test_lower_neighbour_is_fed_first():
    site = site_of(straight(2.0, segment_m=1.0))
    rows = [raised(row, height) for row, height in zip(bare_rows(site), (0.12, 0.05))]
    assert drop_of_row(site, rows, 0).station_m == drop_stations(rows[0], 0.36)[-1]


@pytest.mark.parametrize('crest', [0.01, 0.03, 0.06, 0.09, 0.2])
def test_load_lands_near_the_crest_and_never_out_of_tolerance(crest):
    for side in (1.0, -1.0):
        offset = pulled_offset(side * crest, 0.06)
        assert abs(offset) <= 0.06
        assert 0.0 <= side * offset <= crest
        assert abs(offset - side * crest) <= max(0.03, crest - 0.06) + 1e-12


def test_dump_line_follows_a_crest_off_the_design_line():
    site = site_of(straight(2.0))
    rows = [raised(row, 0.1, line_offset_m=0.05) for row in bare_rows(site)]
    drop = drop_of_row(site, rows, 2)
    assert drop.offset_m == pytest.approx(0.02)
    assert drop.crest_offset_m == pytest.approx(0.05)
    assert drop.crest_turn_rad == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize('side', [1.0, -1.0])
@pytest.mark.parametrize('shift', [0.01, 0.04])
def test_a_crest_is_followed_no_farther_than_the_toe_allows(side, shift):
    # The drop point is little more than the toe and the margin ahead of the footprint: every
    # corner stays off the toe with the margin, from either side, wherever the crest lies.
    toe = 0.15 / math.tan(math.radians(SLOPE_DEG))
    rover = rover_of(drop=(0.3 + toe + 0.05, 0.0))
    site = site_of(straight(2.0), rover=rover)
    rows = [raised(row, 0.1, line_offset_m=side * (0.05 + shift * k))
            for k, row in enumerate(bare_rows(site))]
    for index in range(1, len(rows) - 1):
        drop = drop_of_row(site, rows, index)
        assert abs(drop.crest_turn_rad) == pytest.approx(math.atan(shift / 0.4))
        for stands in SIDES:
            pose = approach_for(site.berms[0], rover, drop, stands).pose
            gaps = stands * pose.apply(rover.footprint.corners_xy)[:, 1] - toe
            assert gaps.min() >= MARGIN_M - 1e-9


@pytest.mark.parametrize('line_offset_m', [0.2, -0.2])
@pytest.mark.parametrize('berm', [straight(2.0), ring(1.0), ring(0.8, sweep_rad=2.0)])
def test_a_crest_that_cannot_be_followed_is_still_served_from_both_sides(berm, line_offset_m):
    # The load goes as far as the footprint stays off the toe, by the planner's own check.
    toe = 0.15 / math.tan(math.radians(SLOPE_DEG))
    rover = rover_of(drop=(0.3 + toe + 0.08, 0.0))
    site = site_of(berm, rover=rover)
    rows = [raised(row, 0.1, line_offset_m=line_offset_m) for row in bare_rows(site)]
    obstacles = Obstacles.of_site(site, rows, None)
    for index in range(len(rows)):
        drop = drop_of_row(site, rows, index)
        poses = [approach_for(berm, rover, drop, side).pose for side in SIDES]
        hits = obstacles.hits(footprint_hull(rover), pose_array(poses))
        assert not hits[:, :len(rows)].any()


@pytest.mark.parametrize('station_m', [0.85, 1.0, 1.15])
def test_off_the_middle_of_a_segment_a_slanting_crest_is_followed(station_m):
    # It leaves the line by 1 cm in every 10, and has come so far where the load is to land.
    site = site_of(straight(2.0))
    rows = [raised(row, 0.1, line_offset_m=0.1 * (row.station_from_m + 0.2))
            for row in bare_rows(site)]
    rows[2] = replace(rows[2], low_station_m=station_m)
    drop = drop_of_row(site, rows, 2)
    assert (drop.station_m, drop.crest_offset_m) == pytest.approx((station_m, 0.1 * station_m))


@pytest.mark.parametrize(('ahead_m', 'share'), [(0.05, 0.5), (0.5, None)])
def test_a_slanting_crest_is_turned_with_as_far_as_half_of_the_room_allows(ahead_m, share):
    # Turned by an angle, a front of half width 0.2 m comes nearer by 0.2 m times its sine.
    toe = 0.15 / math.tan(math.radians(SLOPE_DEG))
    site = site_of(straight(2.0), rover=rover_of(drop=(0.3 + toe + ahead_m, 0.0)))
    rows = [raised(row, 0.1, line_offset_m=0.08 * (k - 2))
            for k, row in enumerate(bare_rows(site))]
    drop = drop_of_row(site, rows, 2)
    assert drop.crest_turn_rad == pytest.approx(math.atan(0.08 / 0.4))
    turned_rad = drop.crest_turn_rad if share is None else (
        math.asin(share * room_m(site, rows[2]) / 0.2))
    assert drop.turn_rad == pytest.approx(turned_rad)
    assert room_m(site, rows[2]) == pytest.approx(ahead_m - MARGIN_M, abs=0.002)


@pytest.mark.parametrize('radius_m', [1.0, 2.5])
def test_a_bend_takes_so_much_of_the_room(radius_m):
    # On a circle of radius R - D, half a chord a stands off the arc by a^2 / (2 (R - D)), the
    # sagitta, for small a; as much again is kept for a line of straight pieces.
    rover = rover_of(drop=(0.3 + 0.35, 0.0))
    line, bend = (site_of(berm, rover=rover) for berm in (straight(2.0), ring(radius_m)))
    straight_m = room_m(line, bare_rows(line)[0])
    for row in bare_rows(bend):
        assert straight_m - room_m(bend, row) == pytest.approx(
            0.2**2 / (radius_m - 0.35), rel=0.02)


def test_crest_that_turns_away_is_told_as_an_angle():
    site = site_of(straight(2.0))
    rows = [raised(row, 0.1, line_offset_m=0.02 * k) for k, row in enumerate(bare_rows(site))]
    assert drop_of_row(site, rows, 2).crest_turn_rad == pytest.approx(math.atan(0.05))


@pytest.mark.parametrize('index', [0, -1])
def test_turn_of_the_crest_reaches_over_the_seam_of_a_ring(index):
    site = site_of(ring(1.0))
    rows = [raised(row, 0.1) for row in bare_rows(site)]
    rows[(index + 1) % len(rows)] = raised(rows[index + 1], 0.1, line_offset_m=0.02)
    rows[index - 1] = raised(rows[index - 1], 0.1, line_offset_m=-0.04)
    step = rows[0].station_to_m
    assert drop_of_row(site, rows, index % len(rows)).crest_turn_rad == pytest.approx(
        math.atan(0.06 / 2 / step))
