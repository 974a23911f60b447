# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Heights copied in pieces: as one plain copy, and never believed where a point is astray."""

import math

from berm_ledger.geometry import GridAxes
from berm_ledger.kernels import compiled, numpy_only
from berm_ledger.ros.messages.heights import heights_on_lattice, known_heights, unrolled_heights
from berm_ledger.ros.messages.lattice_fit import points_off, sample_axes
from hypothesis import given, settings
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest

CELL_M = 0.05
LIMIT_M = 0.1 * CELL_M


@pytest.fixture(scope='module', params=['compiled', 'numpy'], autouse=True)
def way(request):
    """Everything here holds for the kernels and for numpy alone."""
    if request.param == 'numpy':
        with numpy_only():
            yield
    elif compiled.decode is None:
        pytest.skip('the kernels are not built: pip install -e . with a C compiler')
    else:
        yield


def cloud(rows=300, cols=250, *, yaw_rad=0.0, step=4, origin=(2.0, -3.0)):
    """Return a structured cloud of float32, its columns and its lattice."""
    cos, sin = CELL_M * math.cos(yaw_rad), CELL_M * math.sin(yaw_rad)
    axes = GridAxes(origin, (-sin, cos), (cos, sin))
    index = np.stack(np.meshgrid(np.arange(rows), np.arange(cols), indexing='ij'), axis=-1)
    points = np.zeros((rows, cols, step), dtype=np.float32)
    points[..., :2] = axes.world_from_index(index)
    points[..., 2] = np.random.default_rng(1).normal(size=(rows, cols))
    points[1, 9, 2] = np.nan
    return points, axes


def columns(points):
    """Return x, y and z as views."""
    return points[..., 0], points[..., 1], points[..., 2]


@pytest.mark.parametrize('yaw_rad', [0.0, 0.4, 2.5])
@pytest.mark.parametrize('step', [3, 4, 8])
def test_a_lattice_is_proved_and_its_heights_copied(yaw_rad, step) -> None:
    points, axes = cloud(yaw_rad=yaw_rad, step=step)
    found = heights_on_lattice(*columns(points), axes, LIMIT_M)
    assert found is not None
    heights, any_known = found
    npt.assert_array_equal(heights, points[..., 2])
    assert any_known
    assert not np.shares_memory(heights, points)


@settings(max_examples=60)
@given(st.integers(0, 299), st.integers(0, 249), st.integers(0, 1),
       st.sampled_from([1.05 * LIMIT_M, -2.0 * LIMIT_M, np.nan, np.inf, 1e30]),
       st.floats(0.0, 3.0))
def test_no_point_astray_is_ever_overlooked(row, col, axis, off_m, yaw_rad) -> None:
    """One of 75 000 points a little more than the tolerance off its place, or nowhere."""
    points, axes = cloud(yaw_rad=yaw_rad)
    points[row, col, axis] += off_m
    assert heights_on_lattice(*columns(points), axes, LIMIT_M) is None
    off = points_off(*columns(points)[:2], axes)
    assert np.argwhere(off).tolist() == [[row, col]]


@settings(max_examples=40)
@given(st.integers(0, 2**32 - 1), st.floats(0.0, 2.0))
def test_what_is_proved_holds_point_by_point(seed, share) -> None:
    """A row or column that creeps away, points that scatter: proved only where none is off."""
    rng = np.random.default_rng(seed)
    points, axes = cloud()
    points[rng.integers(300), :, 0] += share * LIMIT_M * np.linspace(0.0, 1.0, 250)
    points[:, rng.integers(250), 1] += share * LIMIT_M
    if heights_on_lattice(*columns(points), axes, LIMIT_M) is not None:
        assert points_off(*columns(points)[:2], axes) is None


def test_a_stretched_row_is_not_proved_by_its_small_steps() -> None:
    """Each step is off by a hundredth of the tolerance only; the end of the row by two of them."""
    points, axes = cloud()
    points[150, :, 0] += np.linspace(0.0, 2.0 * LIMIT_M, 250)
    assert heights_on_lattice(*columns(points), axes, LIMIT_M) is None


def test_rows_longer_than_a_piece() -> None:
    points, axes = cloud(3, 70000)
    axes_found = sample_axes(*columns(points)[:2])
    assert axes_found.cell_m == pytest.approx(axes.cell_m, rel=1e-4)
    # So far out float32 has steps of 0.24 mm: the proof allows for that, or leaves it alone.
    found = heights_on_lattice(*columns(points), axes, LIMIT_M)
    assert found is not None
    npt.assert_array_equal(found[0], points[..., 2])


def test_other_layouts_are_looked_at_point_by_point() -> None:
    points, axes = cloud()
    for other in (points.astype(float), points.astype('>f4')):
        assert heights_on_lattice(*columns(other), axes, LIMIT_M) is None
    odd = np.zeros((*points.shape[:2], 14), dtype=np.uint8)
    odd[..., 1:13] = np.ascontiguousarray(points[..., :3]).view(np.uint8)
    views = [np.ndarray(points.shape[:2], '<f4', odd, 1 + 4 * k, odd.strides[:2])
             for k in range(3)]
    assert heights_on_lattice(*views, axes, LIMIT_M) is None
    assert sample_axes(*views[:2]).cell_m == pytest.approx(CELL_M)


@pytest.mark.parametrize('order', ['C', 'F'])
def test_absurd_and_infinite_heights_are_unknown(order) -> None:
    heights = np.array([[1.0, np.inf, -3.0], [2e4, np.nan, -1e30]], order=order)
    out, any_known = known_heights(heights)
    npt.assert_array_equal(out, [[1.0, np.nan, -3.0], [np.nan, np.nan, np.nan]])
    assert any_known
    assert out.dtype == np.float32
    assert known_heights(np.array([[np.inf, np.nan], [1e9, -1e9]]))[1] is False
    assert known_heights(np.full((2, 2), np.nan))[1] is False


@settings(max_examples=30)
@given(st.integers(1, 40), st.integers(1, 40), st.data())
def test_a_circular_buffer_is_unrolled_as_by_numpy(rows, cols, data) -> None:
    stored = np.arange(rows * cols, dtype=np.float32).reshape(rows, cols)
    stored = data.draw(st.sampled_from([stored, np.asfortranarray(stored)]))
    outer, inner = data.draw(st.integers(0, rows - 1)), data.draw(st.integers(0, cols - 1))
    heights, any_known = unrolled_heights(stored, outer, inner)
    npt.assert_array_equal(heights, np.roll(stored, (-outer, -inner), axis=(0, 1)))
    assert any_known
