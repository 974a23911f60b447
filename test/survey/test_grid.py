# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""An elevation message as a value: shape, read-only heights, cell centres, comparison."""

from dataclasses import replace

from berm_ledger.errors import GeometryError
from berm_ledger.geometry import GridAxes
from berm_ledger.survey import assert_grid_equal, ElevationGrid
import numpy as np
import pytest

AXES = GridAxes((1.0, 2.0), (0.0, 0.5), (0.5, 0.0))
HEIGHTS = np.array([[0.0, np.nan, 2.0], [3.0, 4.0, 5.0]])


def test_heights_become_read_only_floats_without_touching_the_givers_array() -> None:
    given = HEIGHTS.astype(np.float32)
    grid = ElevationGrid(1, 'map', AXES, given)
    assert grid.height_m.dtype == np.float32
    with pytest.raises(ValueError, match='read-only'):
        grid.height_m[0, 0] = 1.0
    given[0, 0] = 7.0  # the giver may still write


def test_centres_run_along_the_steps() -> None:
    centres = ElevationGrid(1, 'map', AXES, HEIGHTS).centres_xy()
    assert centres.shape == (2, 3, 2)
    assert centres[0, 2].tolist() == [2.0, 2.0]
    assert centres[1, 0].tolist() == [1.0, 2.5]


@pytest.mark.parametrize('shape', [(3,), (1, 3), (3, 1), (2, 2, 2), (0, 0)])
def test_no_plane_array_is_refused(shape) -> None:
    with pytest.raises(GeometryError, match='no two rows and columns'):
        ElevationGrid(1, 'map', AXES, np.zeros(shape))


@pytest.mark.parametrize('change', [
    {'stamp_ns': 2}, {'frame_id': 'odom'}, {'axes': AXES.moved(0.001, 0.0)},
    {'height_m': HEIGHTS + 0.001}, {'height_m': np.nan_to_num(HEIGHTS)},
])
def test_comparison_sees_every_part(change) -> None:
    grid = ElevationGrid(1, 'map', AXES, HEIGHTS)
    assert_grid_equal(grid, replace(grid))
    with pytest.raises(AssertionError):
        assert_grid_equal(grid, replace(grid, **change))
