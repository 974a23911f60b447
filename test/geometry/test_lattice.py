# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Cells to world and back."""

import math

from berm_ledger.errors import GeometryError
from berm_ledger.geometry import GridAxes, Lattice
from geometry_kit import coordinates, points
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest

cells = st.floats(0.002, 0.5)


def axes_of(origin, cell_m, yaw_rad, mirrored):
    along = (cell_m * math.cos(yaw_rad), cell_m * math.sin(yaw_rad))
    across = (-along[1], along[0])
    return GridAxes(origin, across, (-along[0], -along[1]) if mirrored else along)


@given(coordinates(), coordinates(), cells, st.integers(1, 40), st.integers(1, 40))
def test_lattice_cell_to_world_to_cell(x0, y0, cell, rows, cols):
    lattice = Lattice(x0, y0, cell, rows, cols)
    index = lattice.index_from_xy(lattice.centres_xy())
    npt.assert_array_equal(np.rint(index[..., 0]), np.indices((rows, cols))[0])
    npt.assert_array_equal(np.rint(index[..., 1]), np.indices((rows, cols))[1])
    assert lattice.contains(index).all()


@given(points(), cells, coordinates(3.14), st.booleans(), st.lists(points(), min_size=1))
def test_axes_world_to_index_to_world(origin, cell, yaw, mirrored, where):
    axes = axes_of(origin, cell, yaw, mirrored)
    npt.assert_allclose(axes.world_from_index(axes.index_from_world(where)), where, atol=1e-8)
    assert axes.cell_m == pytest.approx(cell)


def test_axes_by_hand():
    # Rows run down from the top left corner, as in a picture.
    axes = GridAxes((1.0, 5.0), (0.0, -0.5), (0.5, 0.0))
    npt.assert_allclose(axes.world_from_index([[0, 0], [2, 3]]), [[1.0, 5.0], [2.5, 4.0]])
    npt.assert_allclose(axes.moved(0.1, -0.2).world_from_index([[0, 0]]), [[1.1, 4.8]])


@given(st.lists(points(), min_size=1, max_size=20), cells, st.floats(0.0, 3.0))
def test_covering_leaves_the_margin_and_fits_on_multiples_of_the_cell(where, cell, margin):
    lattice = Lattice.covering(where, cell, margin)
    low, high = np.min(where, axis=0), np.max(where, axis=0)
    first = np.array([lattice.x0_m, lattice.y0_m])
    last = first + lattice.cell_m * np.array([lattice.cols - 1, lattice.rows - 1])
    assert (first <= low - margin + 1e-9).all()
    assert (last >= high + margin - 1e-9).all()
    assert (first > low - margin - cell - 1e-9).all()
    assert (last < high + margin + cell + 1e-9).all()
    npt.assert_allclose(first / cell, np.rint(first / cell), atol=1e-6)


def test_contains_is_false_for_unknown_and_outside():
    lattice = Lattice(0.0, 0.0, 1.0, 2, 3)
    index = np.array([[0.0, 0.0], [1.4, 2.4], [1.6, 0.0], [0.0, -0.6], [math.nan, 0.0]])
    assert lattice.contains(index).tolist() == [True, True, False, False, False]


@pytest.mark.parametrize('values', [
    (0.0, 0.0, 0.0, 2, 2), (0.0, 0.0, -0.1, 2, 2), (math.nan, 0.0, 0.1, 2, 2),
    (0.0, 0.0, math.inf, 2, 2), (0.0, 0.0, 0.1, 0, 2), (0.0, 0.0, 0.1, 2, -1),
])
def test_lattice_without_cells_is_refused(values):
    with pytest.raises(GeometryError, match='is none'):
        Lattice(*values)


@pytest.mark.parametrize(('where', 'cell'), [
    (np.zeros((0, 2)), 0.1), ([[math.nan, 0.0]], 0.1), ([[0.0, 0.0]], 0.0),
    ([[0.0, 0.0]], math.nan),
])
def test_nothing_to_cover_is_refused(where, cell):
    with pytest.raises(GeometryError, match='no lattice of cells'):
        Lattice.covering(where, cell, 0.0)


@pytest.mark.parametrize(('row', 'col', 'match'), [
    ((0.0, 0.1), (math.nan, 0.0), 'not finite'),
    ((0.0, 0.0), (0.1, 0.0), 'square cells'),
    ((0.0, 0.2), (0.1, 0.0), 'square cells'),
    ((0.05, 0.1), (0.1, 0.0), 'square cells'),
])
def test_axes_that_are_not_square_are_refused(row, col, match):
    with pytest.raises(GeometryError, match=match):
        GridAxes((0.0, 0.0), row, col)
