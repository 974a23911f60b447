# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Stations and offsets, with shapely as the reference, and the laws they keep."""

import math

from berm_ledger.errors import GeometryError
from berm_ledger.geometry import Polygon, Polyline, Pose2
from geometry_kit import motions, points, star, zigzag
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest
import shapely

BEND = Polyline([[0, 0], [2, 0], [2, 1]])


def apart_m(line, first, second):
    """Return the distance of stations, across the seam of a closed line too."""
    gap = np.abs(np.asarray(first) - second)
    return np.minimum(gap, line.length_m - gap) if line.closed else gap


@pytest.mark.parametrize('count', [2, 3, 30, 400])
@pytest.mark.parametrize('closed', [False, True])
def test_station_and_distance_are_shapelys(count, closed):
    rng = np.random.default_rng(count)
    corners = star(rng, max(3, count)) if closed else zigzag(rng, count)
    line = Polyline(corners, closed)
    reference = shapely.LineString(np.vstack([corners, corners[:1]]) if closed else corners)
    low, high = corners.min(axis=0) - 2.0, corners.max(axis=0) + 2.0
    where = rng.uniform(low, high, (5000, 2))

    station, offset = line.station_offset(where)

    npt.assert_allclose(
        np.abs(offset), shapely.distance(reference, shapely.points(where)), atol=1e-12)
    expected = shapely.line_locate_point(reference, shapely.points(where))
    assert apart_m(line, station, expected).max() < 1e-9
    assert line.length_m == pytest.approx(reference.length)


@pytest.mark.parametrize('count', [3, 7, 60, 300])
def test_left_of_a_ring_is_inside_it(count):
    # Counter-clockwise: left is inside, also where the nearest place is a sharp corner.
    rng = np.random.default_rng(count)
    corners = star(rng, count)
    where = rng.uniform(-2.5, 2.5, (20000, 2))
    _, offset = Polyline(corners, True).station_offset(where)
    inside = shapely.contains(shapely.Polygon(corners), shapely.points(where))
    npt.assert_array_equal(offset > 0.0, inside)
    _, mirrored = Polyline(corners[::-1], True).station_offset(where)
    npt.assert_array_equal(mirrored < 0.0, inside)


@pytest.mark.parametrize(('point', 'station', 'offset'), [
    ((1.0, 0.5), 1.0, 0.5),       # left of the first piece
    ((1.0, -0.5), 1.0, -0.5),     # right of it
    ((3.0, 0.5), 2.5, -1.0),      # right of the second piece
    ((2.3, -0.4), 2.0, -0.5),     # beyond the corner: outside of a left turn is right
    ((-3.0, 4.0), 0.0, 5.0),      # beyond the start: distance to it, not to its extension
    ((-3.0, -4.0), 0.0, -5.0),
    ((2.3, 1.4), 3.0, -0.5),      # beyond the end
    ((2.0, 2.0), 3.0, 1.0),       # straight ahead counts as left
    ((1.5, 0.0), 1.5, 0.0),       # on the line
])
def test_station_and_offset_by_hand(point, station, offset):
    found = BEND.station_offset([point])
    npt.assert_allclose(np.ravel(found), [station, offset], atol=1e-12)


def test_outside_of_a_hairpin_is_right_of_its_left_turn():
    # The way back passes so close that the point is to the left of the first piece's extension.
    hairpin = Polyline([[0, 0], [1, 0], [0, 0.2]])
    station, offset = hairpin.station_offset([[1.1, 0.05]])
    assert station[0] == 1.0
    assert offset[0] == pytest.approx(-math.hypot(0.1, 0.05))


def test_unknown_points_stay_unknown():
    station, offset = BEND.station_offset([[math.nan, 0.0], [1.0, 0.5], [0.0, math.inf]])
    npt.assert_array_equal(np.isnan(station), [True, False, True])
    npt.assert_array_equal(np.isnan(offset), [True, False, True])


def test_no_points_no_stations():
    station, offset = BEND.station_offset(np.zeros((0, 2)))
    assert station.shape == offset.shape == (0,)


@pytest.mark.parametrize('yaw', [0.0, 0.3, 1.9])
def test_stations_of_a_ring_stay_below_its_length(yaw):
    # Outside its first corner the last piece is as near as the first, but for rounding.
    turn = Pose2(0.1, 0.2, yaw)
    ring = Polyline(turn.apply([[0, 0], [1, 0], [1, 1], [0, 1]]), True)
    where = turn.apply(np.random.default_rng(3).uniform(-1.0, 0.0, (2000, 2)))
    station, offset = ring.station_offset(where)
    npt.assert_allclose(station, 0.0, atol=1e-12)
    assert (offset < 0.0).all()


@given(motions(), st.lists(points(4.0), min_size=1, max_size=300))
def test_rigid_motion_changes_no_station_and_no_offset(motion, where):
    line = Polyline([[0, 0], [1, 0.2], [1.3, 1.5], [-0.5, 2.0], [-1.2, 0.8]])
    where = [*where, (-4.0, -4.0)]  # straight ahead of the end
    station, offset = line.station_offset(where)
    moved = Polyline(motion.apply(line.points_xy))
    station_moved, offset_moved = moved.station_offset(motion.apply(where))
    npt.assert_allclose(np.abs(offset_moved), np.abs(offset), atol=1e-9)
    # Equally near to two places: either is right. Elsewhere the place is the same.
    back = line.point_at(station_moved)
    npt.assert_allclose(np.hypot(*(back - where).T), np.abs(offset), atol=1e-9)
    alike = np.hypot(*(back - line.point_at(station)).T) < 1e-6
    certain = alike & (np.abs(offset) > 1e-9)
    npt.assert_allclose(offset_moved[certain], offset[certain], atol=1e-9)


@given(st.floats(0.01, 3.69), st.floats(-0.3, 0.3))
def test_point_at_goes_back_to_station_and_offset(station, offset):
    # Closer to the line than half the radius of the arc: each place has one station.
    line = Polyline.arc([1, 2], 1.0, 0.5, -3.7)
    length = line.length_m
    point = line.point_at([station / 3.7 * length], [offset])
    found = np.ravel(line.station_offset(point))
    # An arc of chords has small corners; a point in one belongs to the corner or beside it.
    npt.assert_allclose(found, [station / 3.7 * length, offset], atol=0.02)
    assert found[1] == pytest.approx(offset, abs=2e-4)


def test_point_at_runs_on_straight_beyond_open_ends_and_round_closed_ones():
    npt.assert_allclose(BEND.point_at([-1.0, 4.0]), [[-1.0, 0.0], [2.0, 2.0]])
    square = Polyline([[0, 0], [1, 0], [1, 1], [0, 1]], True)
    npt.assert_allclose(square.point_at([4.5, -0.5]), [[0.5, 0.0], [0.0, 0.5]])
    npt.assert_allclose(square.heading_at([0.5, 1.5, 4.5]), [0.0, math.pi / 2, 0.0])


@pytest.mark.parametrize('radius', [0.05, 1.0, 50.0])
@pytest.mark.parametrize('sweep_deg', [5.0, -90.0, 359.0, 360.0, -360.0])
def test_arc_stays_within_a_tenth_of_a_millimetre(radius, sweep_deg):
    line = Polyline.arc([3.0, 4.0], radius, 0.3, math.radians(sweep_deg))
    station = np.linspace(0.0, line.length_m, 3001)
    out = np.hypot(*(line.point_at(station) - [3.0, 4.0]).T)
    assert np.abs(out - radius).max() <= 1.01e-4
    assert line.length_m == pytest.approx(radius * math.radians(abs(sweep_deg)), rel=4e-3)
    assert line.closed == (abs(sweep_deg) == 360.0)
    # Counter-clockwise has its centre on the left.
    _, offset = line.station_offset([[3.0, 4.0]])
    assert math.copysign(1.0, offset[0]) == math.copysign(1.0, sweep_deg)


def test_a_repeated_first_point_closes_nothing_twice():
    line = Polyline([[0, 0], [1, 0], [1, 1], [0, 0]], True)
    assert len(line.points_xy) == 3
    assert line.length_m == pytest.approx(2.0 + math.sqrt(2.0))


@pytest.mark.parametrize(('points', 'closed', 'match'), [
    ([[0, 0]], False, 'at least 2 points'),
    ([[0, 0], [1, 0]], True, 'closed line needs at least 3 points'),
    ([0, 1, 2], False, 'at least 2 points'),
    ([[0, 0, 0], [1, 1, 1]], False, 'at least 2 points'),
    ([[0, 0], [math.nan, 0]], False, 'not finite'),
    ([[0, 0], [math.inf, 0]], False, 'not finite'),
    ([[0, 0], [1, 1], [1, 1], [2, 0]], False, 'points 1 and 2 of the line are the same'),
    ([[0, 0], [2, 2], [2, 0], [0, 2]], False, 'pieces 0 and 2 of the line.* cross'),
    ([[0, 0], [2, 0], [2, 2], [1, 0]], False, 'pieces 0 and 2 of the line.* cross or touch'),
    ([[0, 0], [2, 0], [1, 0]], False, 'folds straight back at its point 1'),
    ([[0, 0], [1, 0], [2, 0]], True, 'folds straight back'),
    ([[0, 0], [2, 2], [2, 0], [0, 2]], True, 'cross'),
])
def test_bad_lines_are_refused(points, closed, match):
    with pytest.raises(GeometryError, match=match):
        Polyline(points, closed)


@pytest.mark.parametrize(('radius', 'sweep'), [
    (0.0, 1.0), (-1.0, 1.0), (math.nan, 1.0), (1.0, 0.0), (1.0, 6.4), (1.0, math.nan),
])
def test_bad_arcs_are_refused(radius, sweep):
    with pytest.raises(GeometryError, match='an arc needs a radius'):
        Polyline.arc([0, 0], radius, 0.0, sweep)


def test_points_are_a_read_only_copy():
    corners = np.array([[0.0, 0.0], [1.0, 0.0]])
    line = Polyline(corners)
    corners[0, 0] = 9.0
    assert line.points_xy[0, 0] == 0.0
    with pytest.raises(ValueError, match='read-only'):
        line.points_xy[0, 0] = 1.0


def test_room_and_gap_of_a_line_in_a_polygon():
    yard = Polygon([[-1, -2], [4, -2], [4, 3], [-1, 3]])
    notched = Polygon([[-1, -2], [4, -2], [4, 3], [1.2, 3], [1.0, -0.5], [0.8, 3], [-1, 3]])
    assert yard.room_m(BEND) == 1.0
    assert yard.gap_m(BEND) == 0.0
    # All points of the line are inside, but the line runs through the notch.
    assert notched.contains(BEND.points_xy).all()
    assert notched.room_m(BEND) == 0.0
    away = Polygon([[5, 5], [6, 5], [6, 6], [5, 6]])
    assert away.room_m(BEND) == 0.0
    assert away.gap_m(BEND) == pytest.approx(5.0)
