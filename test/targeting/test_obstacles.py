# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What a footprint touches, judged by shapely."""

from dataclasses import replace

from berm_ledger.geometry import Lattice, Pose2
from berm_ledger.targeting.approach import approach_for, footprint_hull, pose_array, swept_hull
from berm_ledger.targeting.dump_line import Drop
from berm_ledger.targeting.obstacles import (
    blocked_points,
    distance_to_hull,
    half_base_m,
    MARGIN_M,
    Obstacles,
)
from berm_ledger.targeting.values import Ground
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
from plan_oracle import design_footprint, footprint_at
import pytest
from shapely.geometry import MultiPoint, Point, Polygon
from targeting_kit import bare_rows, rectangle, ring, rover_of, site_of, straight

SITE = site_of(ring(1.5), keep_outs=[rectangle(2.5, 1.0, 3.2, 2.0)])
ROWS = bare_rows(SITE, loads=1)
OBSTACLES = Obstacles.of_site(SITE, ROWS, None)
poses = st.builds(Pose2, st.floats(-5.5, 9.5), st.floats(-5.5, 5.5), st.floats(-3.1, 3.1))


@given(poses)
def test_hits_are_those_of_shapely(pose):
    hits = OBSTACLES.hits(footprint_hull(SITE.rover), pose_array([pose]))[0]
    outline = footprint_at(SITE.rover, pose)
    slack = 2.0 * MARGIN_M + 0.03
    for k, row in enumerate(ROWS):
        gap = outline.distance(design_footprint(SITE, row))
        if gap == 0.0 or gap > slack:
            assert hits[k] == (gap == 0.0)
    post = Polygon(SITE.yard.keep_outs[0].polygon.corners_xy)
    gap = outline.distance(post)
    if gap == 0.0 or gap > slack:
        assert hits[len(ROWS)] == (gap == 0.0)
    boundary = Polygon(SITE.yard.boundary.corners_xy)
    inside = boundary.contains(outline)
    if not inside or outline.distance(boundary.exterior) > slack:
        assert hits[len(ROWS) + 1] == (not inside)


def test_keep_out_larger_than_the_footprint_is_not_overlooked():
    site = site_of(straight(1.0), keep_outs=[rectangle(3.0, 1.0, 7.0, 4.5)])
    hits = Obstacles.of_site(site, bare_rows(site, loads=1), None).hits(
        footprint_hull(site.rover), pose_array([Pose2(5.0, 2.7, 0.3)]))
    assert hits[0, 3]


@given(st.lists(st.tuples(st.floats(-2, 2), st.floats(-2, 2)), min_size=1, max_size=20))
def test_distance_to_a_hull_is_shapelys(points):
    hull = swept_hull(rover_of())
    expected = [Polygon(hull).distance(Point(p)) for p in points]
    npt.assert_allclose(distance_to_hull(np.array(points), hull), expected, atol=1e-9)


@pytest.mark.parametrize('side', [1, -1])
def test_swept_outline_covers_dump_pose_and_run_up(side):
    rover = rover_of()
    berm = straight(2.0)
    way = approach_for(berm, rover, Drop(1.0, 0.0), side, 0.2)
    swept = Polygon(way.pose.apply(swept_hull(rover)))
    both = MultiPoint(np.concatenate([
        p.apply(rover.footprint.corners_xy) for p in (way.pose, way.run_up_start)])).convex_hull
    assert swept.symmetric_difference(both).area == pytest.approx(0.0, abs=1e-12)


def test_half_base_is_that_of_the_design():
    # DESIGN: the shape meets the datum at w/2 + H/tan(slope) from the centreline.
    row = ROWS[0]
    assert half_base_m(SITE, row) == pytest.approx(0.15 / SITE.berms[0].side_slope)


@pytest.mark.parametrize(('height_m', 'stands_m'), [
    (0.1, 0.15), (0.17, 0.15), (0.19, 0.17), (float('nan'), 0.15)])
def test_half_base_of_a_crest_within_tolerance_is_that_of_the_design(height_m, stands_m):
    # The tolerance is 0.02 m.
    row = replace(ROWS[0], height_m=height_m)
    assert half_base_m(SITE, row) == pytest.approx(stands_m / SITE.berms[0].side_slope)


def test_half_base_of_a_design_of_unknown_height_is_that_of_what_stands():
    row = replace(ROWS[0], target_height_m=float('nan'), height_m=0.1)
    assert half_base_m(SITE, row) == pytest.approx(0.1 / SITE.berms[0].side_slope)


def test_soil_on_a_standing_segment_is_its_own_and_elsewhere_an_obstacle():
    site = site_of(straight(2.0))
    rows = bare_rows(site, loads=1)
    lattice = Lattice(-1.0, -1.0, 0.02, 101, 201)
    blocked = np.zeros(lattice.shape, dtype=bool)
    blocked[50, 60:90] = True     # on the centreline
    blocked[90, 100] = True       # 0.8 m off it
    ground = Ground(lattice, blocked)
    bare = Obstacles.of_site(site, rows, ground)
    built = Obstacles.of_site(site, rows, ground, [True] * len(rows))
    assert len(bare.soil_xy) > len(built.soil_xy) == 1
    npt.assert_allclose(built.soil_xy[0], [1.0, 0.8], atol=0.03)


@given(st.integers(0, 10 ** 6))
def test_coarse_cells_cover_all_blocked_ones(seed):
    rng = np.random.default_rng(seed)
    lattice = Lattice(0.3, -0.7, 0.015, 17, 23)
    ground = Ground(lattice, rng.random(lattice.shape) < 0.05)
    centres, edge = blocked_points(ground)
    for point in lattice.centres_xy()[ground.blocked]:
        assert (np.abs(centres - point).max(axis=1) <= 0.5 * edge + 1e-9).any()


GROUND = Ground(Lattice(-1.0, -1.0, 0.05, 4, 6), np.arange(24).reshape(4, 6) % 5 == 0)


def made(rows=ROWS, ground=GROUND, standing=None, before=None):
    return Obstacles.of_site(SITE, rows, ground, standing, before=before)


def test_obstacles_are_kept_while_a_table_tells_nothing_new_of_them():
    before = made()
    rows = [replace(row, height_m=0.07, dumps_remaining=3, dumps_made=2) for row in ROWS]
    assert made(rows, before=before) is before


@pytest.mark.parametrize('other', [
    {'ground': Ground(GROUND.lattice, ~GROUND.blocked)}, {'ground': None},
    {'standing': (True,) + (False,) * (len(ROWS) - 1)},
    {'rows': [replace(ROWS[0], height_m=0.4), *ROWS[1:]]}])
def test_obstacles_are_made_anew_where_anything_is_another(other):
    before = made()
    after, alone = made(**other, before=before), made(**other)
    assert after is not before
    for name in ('points_xy', 'radius_m', 'owner', 'soil_xy'):
        npt.assert_array_equal(getattr(after, name), getattr(alone, name))


@pytest.mark.parametrize(('x_m', 'y_m', 'kept'), [
    (1.0, 0.1, True), (1.0, 0.9, False), (-0.9, 0.0, False)])
def test_obstacles_are_kept_while_cells_come_and_go_on_standing_segments_only(x_m, y_m, kept):
    site = site_of(straight(2.0))
    rows, lattice = bare_rows(site, loads=1), Lattice(-1.0, -1.0, 0.02, 101, 201)
    few, many = (np.zeros(lattice.shape, dtype=bool) for _ in range(2))
    many[tuple(np.rint(lattice.index_from_xy([[x_m, y_m]])[0]).astype(int))] = True
    for was, now in ((few, many), (many, few)):
        before = Obstacles.of_site(site, rows, Ground(lattice, was), [True] * len(rows))
        after = Obstacles.of_site(
            site, rows, Ground(lattice, now), [True] * len(rows), before=before)
        assert (after is before) == kept
        alone = Obstacles.of_site(site, rows, Ground(lattice, now), [True] * len(rows))
        npt.assert_array_equal(after.soil_xy, alone.soil_xy)


def test_cells_on_segments_that_do_not_stand_are_obstacles_of_their_own():
    site = site_of(straight(2.0))
    rows, lattice = bare_rows(site, loads=1), Lattice(-1.0, -1.0, 0.02, 101, 201)
    few, many = np.zeros(lattice.shape, dtype=bool), np.zeros(lattice.shape, dtype=bool)
    many[50, 100] = True
    before = Obstacles.of_site(site, rows, Ground(lattice, few))
    after = Obstacles.of_site(site, rows, Ground(lattice, many), before=before)
    assert after is not before
    assert len(after.soil_xy) == 1
