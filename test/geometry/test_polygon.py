# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Polygons, with shapely as the reference."""

import math

from berm_ledger.errors import GeometryError
from berm_ledger.geometry import Polygon
from geometry_kit import motions, star
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest
import shapely


@given(st.integers(0, 10**6), st.integers(3, 60), motions())
def test_area_containment_and_distance_are_shapelys(seed, count, motion):
    rng = np.random.default_rng(seed)
    corners = motion.apply(star(rng, count))
    polygon, reference = Polygon(corners), shapely.Polygon(corners)
    where = motion.apply(rng.uniform(-2.5, 2.5, (50, 2)))
    assert polygon.area_m2 == pytest.approx(reference.area, abs=1e-9)
    npt.assert_array_equal(
        polygon.contains(where), shapely.contains(reference, shapely.points(where)))
    npt.assert_allclose(
        polygon.distance_m(where), shapely.distance(reference.exterior, shapely.points(where)),
        atol=1e-10)


def test_area_is_free_of_the_sense_and_exact_far_from_the_origin():
    # Coordinates of a national grid: the squares of them have no place for square millimetres.
    corners = np.array([[0.0, 0.0], [0.3, 0.0], [0.3, 0.2], [0.0, 0.2]])
    corners += np.array([5.0e5, 5.6e6])
    assert Polygon(corners).area_m2 == pytest.approx(0.06, rel=1e-6)
    assert Polygon(corners[::-1]).area_m2 == pytest.approx(0.06, rel=1e-6)


def test_unknown_points_are_not_inside():
    square = Polygon([[0, 0], [2, 0], [2, 2], [0, 2]])
    assert square.contains([[math.nan, 1.0], [1.0, 1.0], [1.0, math.nan]]).tolist() == [
        False, True, False]


def test_a_repeated_first_corner_is_left_out():
    assert len(Polygon([[0, 0], [2, 0], [2, 2], [0, 0]]).corners_xy) == 3


@pytest.mark.parametrize(('corners', 'match'), [
    ([[0, 0], [1, 0]], 'at least three corners'),
    ([[0, 0], [1, 0], [0, 0]], 'at least three corners'),
    ([1, 2, 3], 'at least three corners'),
    ([[0, 0], [1, 0], [1, math.nan]], 'not finite'),
    ([[0, 0], [2, 2], [2, 0], [0, 2]], 'edges 0 and 2 of the polygon.* cross'),
    ([[0, 0], [1, 0], [1, 0], [0, 1]], 'points 1 and 2 of the polygon are the same'),
    ([[0, 0], [1, 0], [2, 0]], 'folds straight back'),
    ([[0, 0], [1e-200, 0], [0, 1e-200]], 'no area'),
    ([[0.1, 0.1], [0.2, 0.2], [0.3, 0.3]], 'folds straight back'),
])
def test_bad_polygons_are_refused(corners, match):
    with pytest.raises(GeometryError, match=match):
        Polygon(corners)


def test_a_polygon_reaches_what_lies_inside_or_close_by() -> None:
    square = Polygon([[0.0, 0.0], [2.0, 0.0], [2.0, 2.0], [0.0, 2.0]])
    points = [[1.0, 1.0], [1.9, 1.0], [2.09, 1.0], [2.11, 1.0], [2.09, 2.09]]
    assert square.reaches(points, 0.1).tolist() == [True, True, True, False, False]
