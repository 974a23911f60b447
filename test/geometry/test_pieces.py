# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Crossings and gaps, with shapely as the reference."""

from berm_ledger.errors import GeometryError
from berm_ledger.geometry.pieces import (
    check_simple,
    crossing_pair,
    distance_to_edges,
    fold_back,
    gap_between,
    piece_ends,
)
from hypothesis import assume, given
from hypothesis import strategies as st
import numpy as np
import pytest
import shapely

# Small whole numbers: both libraries are exact there, and lines touch and overlap often.
corners = st.lists(
    st.tuples(st.integers(0, 5), st.integers(0, 5)), min_size=3, max_size=9).map(
    lambda rows: np.array(rows, dtype=float))


def is_refused(points, *, closed):
    try:
        check_simple(points, closed=closed, what='line', edges='pieces')
    except GeometryError:
        return True
    return False


@given(corners)
def test_open_lines_are_refused_as_shapely_does(points):
    same = (np.diff(points, axis=0) == 0.0).all(axis=-1).any()
    assume(not same and not (points[0] == points[-1]).all())
    assert is_refused(points, closed=False) == (not shapely.LineString(points).is_simple)


@given(corners)
def test_rings_are_refused_as_shapely_does(points):
    ring = np.vstack([points, points[:1]])
    assume(not (np.diff(ring, axis=0) == 0.0).all(axis=-1).any())
    assert is_refused(points, closed=True) == (not shapely.Polygon(points).is_valid)


@pytest.mark.parametrize('closed', [False, True])
@pytest.mark.parametrize('count', [2, 63, 64, 65, 129, 500])
def test_crossing_far_along_a_long_line_is_found(count, closed):
    # A long comb along x, and one last stroke through its tooth number 1.
    x = np.arange(count, dtype=float)
    comb = np.stack([x, (x % 2)], axis=-1)
    line = np.vstack([comb, [[count, 5.0], [1.0, 5.0], [1.0, 0.0]]])
    first, second = crossing_pair(line, closed=closed)
    assert (first, second) == (0, len(line) - 2)


def test_crossing_in_tiny_units_is_not_lost_to_rounding():
    # The products of areas this small are below the smallest number there is.
    cross = np.array([[0.0, 0.0], [2.0, 2.0], [2.0, 0.0], [0.0, 2.0]]) * 1e-100
    apart = np.array([[0.0, 0.0], [2.0, 2.0], [2.0, 0.0], [1.2, 0.9]]) * 1e-100
    assert crossing_pair(cross, closed=False) == (0, 2)
    assert crossing_pair(apart, closed=False) is None


@pytest.mark.parametrize(('points', 'corner'), [
    ([[0, 0], [2, 0], [1, 0]], 1),
    ([[0, 0], [1, 1], [3, 3], [2.5, 2.5], [0, 9]], 2),
    ([[0, 0], [0.3, 0.1], [0.6, 0.2], [0.15, 0.05]], 2),
    ([[0, 0], [2, 0], [0.0, 0.1]], None),
    ([[0, 0], [1, 0], [2, 0]], None),
])
def test_fold_back(points, corner):
    assert fold_back(np.array(points, dtype=float), closed=False) == corner


def test_fold_back_at_the_seam_of_a_ring():
    spike = np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 2.0], [0.0, 2.0], [0.0, -1.0]])
    assert fold_back(np.roll(spike, 1, axis=0), closed=True) == 0
    assert fold_back(spike[:4], closed=True) is None


@given(corners, corners)
def test_gap_is_shapelys_distance(first, second):
    for points in (first, second):
        assume(not (np.diff(points, axis=0) == 0.0).all(axis=-1).any())
    gap = gap_between(piece_ends(first, closed=False), piece_ends(second, closed=False))
    reference = shapely.distance(shapely.LineString(first), shapely.LineString(second))
    assert gap == pytest.approx(reference, abs=1e-12)


def test_distance_to_edges_takes_points_for_edges():
    point = np.array([[0.0, 0.0], [3.0, 4.0]])
    edges = (np.array([[0.0, 0.0]]), np.array([[0.0, 0.0]]))
    assert distance_to_edges(point, *edges).tolist() == [0.0, 5.0]
