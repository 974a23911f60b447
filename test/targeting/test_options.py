# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Ways to serve a segment, and what they cannot stand beside."""

from berm_ledger.geometry import Polyline, Pose2
from berm_ledger.targeting.approach import chained
from berm_ledger.targeting.options import places_of
from berm_ledger.targeting.plan import Yard
import numpy as np
from plan_oracle import design_footprint, footprint_at, sweep_of
import pytest
from targeting_kit import bare_rows, berm_of, rectangle, rover_of, site_of, straight

PIT = rectangle(5.5, -1.0, 7.0, 1.0)


def options_of(site, loads=None):
    rows = bare_rows(site, loads=loads)
    yard = Yard.of(site, rows, None, None, None)
    return rows, yard, yard.builder.build(places_of(site, rows, yard.wanted))


def test_footprint_at_the_dump_notes_the_segments_it_could_not_stand_beside():
    # A short leg: the run-up starts beyond it, the footprint at the dump lies beside it.
    corner = berm_of(Polyline([[0.0, 0.7], [0.0, 0.0], [2.0, 0.0]]), segment_m=0.3)
    site = site_of(corner, borrow=[PIT])
    rows, _, options = options_of(site)
    noted = 0
    for n, place in enumerate(options.place.tolist()):
        way = options.approaches[options.approach[n]]
        own = options.places[place].row
        sweep = sweep_of(site.rover, type('Step', (), {'approach': way}))
        for k, row in enumerate(rows):
            if k != own and design_footprint(site, row).intersects(sweep):
                assert options.conflict[n, k]
                noted += 1
    assert noted > 0


def test_square_approaches_do_where_nothing_is_near():
    _, _, options = options_of(site_of(straight(2.0), borrow=[PIT]))
    assert not options.conflict.any()
    assert not options.refused
    assert {way.turn_rad for way in options.approaches} == {0.0}
    assert {way.side for way in options.approaches} == {1, -1}


def test_headings_and_shifts_are_tried_where_the_square_one_is_blocked():
    site = site_of(straight(0.8), borrow=[PIT], keep_outs=[rectangle(0.3, 0.6, 0.5, 3.0)])
    _, _, options = options_of(site)
    from_left = [way for way in options.approaches if way.side == 1]
    assert any(way.turn_rad != 0.0 or way.shift_m != 0.0 for way in from_left)
    assert 'post 1' in options.refused[0, 1]


def test_long_segments_have_a_place_per_drum_width_with_its_loads():
    site = site_of(straight(1.0, segment_m=1.0), borrow=[PIT])
    _, _, options = options_of(site, loads=7)
    assert [len(place.loads) for place in options.places] == [3, 2, 2]
    assert sorted(n for place in options.places for n in place.loads) == list(range(1, 8))


def test_whole_footprint_on_the_curve_is_judged_as_shapely_does():
    site = site_of(straight(2.0), borrow=[PIT])
    rows, yard, options = options_of(site)
    assert yard.builder.tightened(options, []) is None
    found = yard.builder.tightened(options, range(len(options.place)))
    assert (found.conflict & ~options.conflict).any()
    shapes = [design_footprint(site, row) for row in rows]
    for n, place in enumerate(options.place.tolist()):
        way = options.approaches[options.approach[n]].run_up_start
        poses = chained(way, yard.builder.fan[options.entry[n]].poses)
        outlines = [footprint_at(site.rover, Pose2(*pose)) for pose in poses]
        for k, shape in enumerate(shapes):
            if any(outline.intersects(shape) for outline in outlines):
                own = k == options.places[place].row
                assert np.isinf(found.extra_m[n]) if own else found.conflict[n, k]


@pytest.mark.parametrize('turning_radius_m', [0.0, 0.3, 1.0])
def test_ways_in_end_at_the_run_up_and_keep_the_radius(turning_radius_m):
    site = site_of(straight(2.0), borrow=[PIT],
                   rover=rover_of(turning_radius_m=turning_radius_m))
    _, yard, options = options_of(site)
    assert len(options.place)
    for entry in yard.builder.fan:
        np.testing.assert_allclose(entry.poses[-1, :2], 0.0, atol=1e-9)
        assert entry.length_m >= np.hypot(*entry.poses[0, :2]) - 1e-9
        assert entry.curve.radius_m >= turning_radius_m
