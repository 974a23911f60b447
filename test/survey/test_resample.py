# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Heights at points, spikes, and what lies under the rover."""

import math

from berm_ledger.geometry import GridAxes, Polygon, Pose2
from berm_ledger.survey.grid import ElevationGrid
from berm_ledger.survey.resample import bilinear, under_footprint, without_spikes
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest
from scipy import interpolate

NAN = np.nan
AXES = GridAxes((0.0, 0.0), (0.0, 1.0), (1.0, 0.0))


def test_hand_values_and_unknown_corners() -> None:
    grid = ElevationGrid(0, 'map', AXES, np.array([[0.0, 1.0, NAN], [2.0, 3.0, 5.0]]))
    points = np.array([[0.0, 0.0], [0.25, 0.5], [1.0, 1.0], [1.5, 0.5], [2.0, 1.0],
                       [-0.01, 0.5], [0.5, 1.01]])
    # The last column of the grid leans on an unknown cell; on the known cell (1, 1) itself the
    # weight of that cell is zero, but 0 x NaN is unknown too: nothing is invented.
    npt.assert_allclose(
        bilinear(grid, points), [0.0, 1.25, NAN, NAN, NAN, NAN, NAN], equal_nan=True)


def test_agrees_with_scipy() -> None:
    # scipy.interpolate.RegularGridInterpolator as the reference.
    rng = np.random.default_rng(1)
    heights = rng.normal(size=(7, 9))
    grid = ElevationGrid(0, 'map', AXES, heights)
    points = rng.uniform(0.0, 1.0, (200, 2)) * (8.0, 6.0)
    reference = interpolate.RegularGridInterpolator((range(7), range(9)), heights)
    npt.assert_allclose(bilinear(grid, points), reference(points[:, ::-1]), atol=1e-5)


@given(st.floats(-math.pi, math.pi), st.sampled_from([0.01, 0.02, 0.05]), st.booleans(),
       st.floats(-0.5, 0.5), st.floats(-0.5, 0.5))
def test_refining_or_turning_the_grid_of_a_plane_changes_no_height(
    yaw, cell_m, mirrored, a, b
) -> None:
    cos, sin = cell_m * math.cos(yaw), cell_m * math.sin(yaw)
    side = -1.0 if mirrored else 1.0
    axes = GridAxes((0.3, -0.2), (-sin * side, cos * side), (cos, sin))
    index = np.stack(np.indices((30, 30)), axis=-1)
    centres = axes.world_from_index(index.reshape(-1, 2)).reshape(30, 30, 2)
    grid = ElevationGrid(0, 'map', axes, centres @ (a, b) + 0.1)
    points = axes.world_from_index(np.random.default_rng(2).uniform(0.0, 29.0, (50, 2)))
    inside = points[np.isfinite(bilinear(grid, points))]
    assert len(inside) > 40
    npt.assert_allclose(bilinear(grid, inside), inside @ (a, b) + 0.1, atol=1e-6)


@given(st.integers(0, 7), st.integers(0, 7))
def test_an_unknown_cell_takes_away_only_what_leans_on_it(row, col) -> None:
    heights = np.random.default_rng(3).normal(size=(8, 8))
    points = np.random.default_rng(4).uniform(0.0, 7.0, (300, 2))
    whole = bilinear(ElevationGrid(0, 'map', AXES, heights), points)
    heights[row, col] = NAN
    holed = bilinear(ElevationGrid(0, 'map', AXES, heights), points)
    lost = np.isnan(holed)
    npt.assert_array_equal(holed[~lost], whole[~lost])
    npt.assert_array_equal(lost, np.abs(points - (col, row)).max(axis=1) < 1.0)


@pytest.mark.parametrize(('height', 'count'), [(0.05, 1), (-0.05, 1), (0.039, 0), (-0.039, 0)])
def test_one_cell_that_sticks_out_is_a_spike(height, count) -> None:
    heights = np.zeros((5, 5), dtype=np.float32)
    heights[2, 2], heights[0, 0] = height, NAN
    clean, found = without_spikes(heights)
    assert found == count
    assert np.isnan(clean[2, 2]) == bool(count)
    assert np.isnan(clean).sum() == 1 + count
    assert heights[2, 2] == np.float32(height)  # the given array is left alone


def test_spikes_at_corners_and_beside_holes_are_seen() -> None:
    heights = np.zeros((4, 4), dtype=np.float32)
    heights[0, 0] = heights[2, 2] = 0.3
    heights[2, 1] = heights[1, 2] = heights[3, 2] = NAN
    assert without_spikes(heights)[1] == 2


def test_soil_at_its_repose_is_no_spike() -> None:
    # The sharpest thing soil makes: a cone at 40 degrees, on cells of 3 cm.
    x = 0.03 * (np.arange(15) - 7)
    cone = np.maximum(0.0, 0.15 - math.tan(math.radians(40.0)) * np.hypot(x, x[:, None]))
    assert without_spikes(cone.astype(np.float32))[1] == 0


def test_a_lone_known_cell_is_no_spike() -> None:
    heights = np.full((3, 3), NAN, dtype=np.float32)
    heights[1, 1] = 0.2
    assert without_spikes(heights)[1] == 0


def test_under_the_rover_and_a_pad_around_it() -> None:
    footprint = Polygon([[-0.5, -0.3], [0.4, -0.3], [0.4, 0.3], [-0.5, 0.3]])
    pose = Pose2(2.0, 1.0, math.pi / 2.0)  # faces along y: its front is at y = 1.4
    points = np.array([[2.0, 1.0], [2.0, 1.39], [2.0, 1.45], [2.0, 1.55], [2.35, 1.0],
                       [1.55, 1.0], [2.0, 0.45], [9.0, 9.0]])
    assert under_footprint(points, footprint, pose, 0.0).tolist() == [
        True, True, False, False, False, False, False, False]
    assert under_footprint(points, footprint, pose, 0.1).tolist() == [
        True, True, True, False, True, False, True, False]
