# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Lanes: along the longer side, side by side, inside, towards the berms."""

import math

from berm_ledger.borrow.lanes import heading_rad, lanes_of_area
from berm_ledger.geometry import Pose2
from borrow_kit import a_site, PIT
from hypothesis import given, settings
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest
from shapely import affinity
from shapely.geometry import Polygon as Shape

L_SHAPE = ((0.0, 0.0), (3.0, 0.0), (3.0, 1.0), (1.2, 1.0), (1.2, 2.2), (0.0, 2.2))


def lanes_of(corners, **options):
    site = a_site(corners, **options)
    return lanes_of_area(site, site.yard.borrow_areas[0])


def test_a_rectangle_is_cut_along_its_longer_side() -> None:
    """1.44 x 2.00 m and a drum of 0.36 m: four lanes of 2 m that cover it wholly."""
    lanes = lanes_of(PIT)
    assert [lane.number for lane in lanes] == [1, 2, 3, 4]
    npt.assert_allclose([lane.length_m for lane in lanes], 2.0, atol=1e-5)
    npt.assert_allclose([lane.start.x_m for lane in lanes], [-1.74, -2.10, -2.46, -2.82],
                        atol=1e-9)
    assert sum(lane.area_m2 for lane in lanes) == pytest.approx(1.44 * 2.0, rel=1e-4)
    assert lanes[0].start.yaw_rad == pytest.approx(math.pi / 2.0)
    assert lanes[0].end.y_m == pytest.approx(1.0, abs=1e-4)


@pytest.mark.parametrize('corners', [
    PIT, L_SHAPE, ((0, 0), (2.5, 0.3), (2.2, 1.9), (0.4, 1.5)),
    ((0, 0), (2.6, 0), (1.0, 1.3), (0.1, 0.9))])
def test_the_direction_is_that_of_the_smallest_rectangle(corners) -> None:
    """Shapely's minimum rotated rectangle is the oracle."""
    site = a_site(corners)
    rectangle = np.array(Shape(corners).minimum_rotated_rectangle.exterior.coords)
    sides = np.diff(rectangle, axis=0)[:2]
    longer = sides[int(np.argmax(np.hypot(*sides.T)))]
    expected = math.atan2(longer[1], longer[0]) % math.pi
    gap = (heading_rad(site.yard.borrow_areas[0]) - expected) % math.pi
    assert min(gap, math.pi - gap) == pytest.approx(0.0, abs=1e-6)


@settings(deadline=None, max_examples=20)
@given(turn=st.floats(-3.0, 3.0), dx=st.floats(-1.0, 1.0))
def test_lanes_lie_inside_and_apart_wherever_the_area_is_turned(turn: float, dx: float) -> None:
    """Shapely measures what sticks out and what overlaps."""
    corners = np.array(affinity.rotate(Shape(L_SHAPE), turn, use_radians=True).exterior.coords)
    corners = corners[:-1] + np.array([dx - 3.0, 0.0])
    lanes = lanes_of(corners)
    shapes = []
    for lane in lanes:
        half = lane.width_m / 2.0
        box = [[0.0, -half], [lane.length_m, -half], [lane.length_m, half], [0.0, half]]
        shapes.append(Shape(lane.start.apply(box)))
    assert len(lanes) >= 4
    for k, shape in enumerate(shapes):
        assert shape.difference(Shape(corners)).area < 0.02 * shape.area
        # Edges that touch are taken apart a little first.
        inner = shape.buffer(-1e-6)
        assert all(inner.intersection(other).area < 1e-6 for other in shapes[k + 1:])


@pytest.mark.parametrize('turn', [0.0, 0.5 * math.pi, math.pi, -0.5 * math.pi])
def test_lanes_are_dug_towards_the_berms(turn: float) -> None:
    """The pit lies 4 m from the middle of the berm, to any side, and is longest towards it."""
    pit = np.array([[-5.0, -0.6], [-3.0, -0.6], [-3.0, 0.6], [-5.0, 0.6]])
    lanes = lanes_of(Pose2(1.5, 0.0, turn).apply(pit))
    assert len(lanes) == 3
    for lane in lanes:
        assert math.cos(lane.start.yaw_rad - turn) == pytest.approx(1.0)
        begin_m, end_m = (math.hypot(at.x_m - 1.5, at.y_m) for at in (lane.start, lane.end))
        assert end_m < begin_m


def test_an_area_of_less_than_two_drums_has_one_lane_in_its_middle() -> None:
    """0.60 m wide, 2 m long, and a drum of 0.36 m."""
    lane, = lanes_of(((0.0, 0.0), (0.6, 0.0), (0.6, 2.0), (0.0, 2.0)))
    assert lane.start.x_m == pytest.approx(0.3)
    assert lane.length_m == pytest.approx(2.0, abs=1e-4)


def test_an_area_too_small_for_a_pass_has_no_lane() -> None:
    """Narrower than the drum."""
    assert lanes_of(((0.0, 0.0), (0.3, 0.0), (0.3, 0.3), (0.0, 0.3))) == ()


def test_a_lane_knows_its_points() -> None:
    """Beginning, end and sides count as inside; a pad widens all of them."""
    lane = lanes_of(PIT)[0]
    points = [lane.start.xy, lane.end.xy, (lane.start @ Pose2(1.0, 0.2)).xy,
              (lane.start @ Pose2(-0.1, 0.0)).xy]
    assert lane.contains(points).tolist() == [True, True, False, False]
    assert lane.contains(points, 0.15).all()
