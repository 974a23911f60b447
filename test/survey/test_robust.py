# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Medians, Tukey's weights and weighted sums: against numpy, and compiled against not."""

import math

from berm_ledger.geometry import GridAxes
from berm_ledger.kernels import compiled, numpy_only
from berm_ledger.survey.grid import ElevationGrid
from berm_ledger.survey.middle import median, median_ns, median_size
from berm_ledger.survey.noise import GridNoise
from berm_ledger.survey.resample import differences
from berm_ledger.survey.robust import explained_m, tukey, weighed, weighed_rest
from berm_ledger.survey.shift_fit import Fit, LEAST_CELLS, shift_between
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
import numpy as np
import numpy.testing as npt
import pytest

built = pytest.mark.skipif(
    compiled.fits is None, reason='the kernels are not built: pip install -e . with a C compiler')


def both(work):
    """Return what a function gives with the kernels and without."""
    with numpy_only():
        plain = work()
    return work(), plain


@st.composite
def figures(draw) -> np.ndarray:
    """Values as they come and as they never should: equal, spread out over all sizes, unknown."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    count = draw(st.integers(1, 4000))
    kind = draw(st.sampled_from(('normal', 'few', 'sizes', 'tiny', 'huge')))
    out = {
        'normal': lambda: rng.normal(0.002, 0.01, count),
        'few': lambda: rng.integers(0, draw(st.integers(1, 4)), count).astype(float),
        'sizes': lambda: rng.choice([-1.0, 1.0], count) * 10.0**rng.uniform(-30, 30, count),
        'tiny': lambda: 5e-324 * rng.integers(0, 9, count),
        'huge': lambda: rng.choice([-1.7e308, 0.0, 1.7e308], count),
    }[kind]()
    out[rng.random(count) < draw(st.sampled_from((0.0, 0.1, 0.9)))] = np.nan
    if kind == 'normal' and draw(st.booleans()):
        out[rng.random(count) < 0.3] = np.inf
        out[rng.random(count) < draw(st.sampled_from((0.0, 0.4)))] = -np.inf
    with np.errstate(over='ignore'):
        return out.astype(draw(st.sampled_from((np.float32, np.float64))))


@given(figures())
def test_medians_are_those_of_numpy(values: np.ndarray) -> None:
    known = values[~np.isnan(values)]
    with np.errstate(over='ignore', invalid='ignore'):
        wanted = float(np.median(known)) if len(known) else math.nan
        ours, plain = both(lambda: median(values))
    npt.assert_array_equal((ours, plain), (wanted, wanted))


@given(figures(), st.floats(-0.01, 0.01), st.booleans())
def test_median_sizes_are_those_of_numpy(values: np.ndarray, centre: float, far: bool) -> None:
    with np.errstate(over='ignore', invalid='ignore'):
        size = np.abs(values - values.dtype.type(centre))
        size = np.where(np.isnan(size), np.inf, size) if far else size[~np.isnan(size)]
        wanted = float(np.median(size)) if len(size) else math.nan
        ours, plain = both(lambda: median_size(values, centre, as_far=far))
    npt.assert_array_equal((ours, plain), (wanted, wanted))


@given(arrays.arrays(np.float64, st.integers(1, 80), elements=st.floats(allow_nan=True)))
def test_a_median_of_anything_is_that_of_numpy(values: np.ndarray) -> None:
    known = values[~np.isnan(values)]
    with np.errstate(over='ignore', invalid='ignore'):
        wanted = float(np.median(known)) if len(known) else math.nan
        # The sign of a zero is not looked at.
        npt.assert_array_equal(both(lambda: median(values)), (wanted, wanted))


@given(st.lists(st.integers(0, 2 * 10**18), min_size=1, max_size=9))
def test_median_stamps_are_those_of_numpy(stamps: list[int]) -> None:
    values = np.array(stamps, dtype=np.int64)
    assert median_ns(values) == int(np.median(values))


def test_robust_weights_fall_from_one_to_nothing() -> None:
    values = np.array([0.0, 0.5, 1.0, 2.0, -0.5, np.inf])
    npt.assert_allclose(tukey(values, 1.0), [1.0, 0.5625, 0.0, 0.0, 0.5625, 0.0])


def some_differences(seed: int, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Return differences with gaps and outliers, and slopes."""
    rng = np.random.default_rng(seed)
    left = rng.normal(0.001, 0.004, count) + 0.2 * (rng.random(count) < 0.1)
    left[rng.random(count) < 0.1] = np.nan
    return left, rng.normal(0.0, 0.5, (2, count)) * (rng.random(count) < 0.5)


@given(st.integers(0, 2**32 - 1), st.integers(1, 400))
def test_sums_are_those_of_the_normal_equations(seed: int, count: int) -> None:
    left, slope = some_differences(seed, count)
    normal, toward = weighed(left, slope, 0.001, 0.02)
    # By matrices: a shift by s changes a height by -slope @ s, and by what is up.
    known = np.isfinite(left)
    design = np.column_stack([-slope.T, np.ones(count)])[known]
    by = np.diag(tukey(left[known] - 0.001, 0.02))
    npt.assert_allclose(normal, design.T @ by @ design, rtol=1e-9, atol=1e-12)
    npt.assert_allclose(toward, design.T @ by @ left[known], rtol=1e-9, atol=1e-12)
    shift = np.array([0.01, -0.02, 0.003])
    npt.assert_allclose(explained_m(slope, shift)[known], design @ shift, atol=1e-15)


def some_grid(rng, count: int, yaw_rad: float) -> tuple[ElevationGrid, np.ndarray]:
    """Return a grid with holes, and points: at cells, at its border, outside, and no points."""
    height = rng.normal(0.0, 0.02, (12, 9)).astype(np.float32)
    height[rng.random(height.shape) < 0.05] = np.nan
    along = 0.05 * np.array([math.cos(yaw_rad), math.sin(yaw_rad)])
    axes = GridAxes((0.1, -0.2), tuple(along), (-along[1], along[0]))
    grid = ElevationGrid(0, 'map', axes, height)
    index = rng.uniform(-1.0, (12.0, 9.0), (count, 2))
    steps = rng.choice([0, 1, 5, 8, 11], (count // 2, 2))
    index[:count // 2] = steps
    points = axes.origin_xy + index @ np.array([along, (-along[1], along[0])])
    points[rng.random(count) < 0.05] = np.nan
    return grid, points


def inner_points(rng, grid: ElevationGrid, count: int) -> np.ndarray:
    """Return points of which a grid shows all but those at its holes."""
    index = rng.uniform(0.0, np.array(grid.height_m.shape) - 1.0, (count, 2))
    return grid.axes.origin_xy + index @ np.array([grid.axes.row_step_xy, grid.axes.col_step_xy])


YAWS = st.floats(-3.2, 3.2) | st.sampled_from((0.0, math.pi / 2.0))


@given(st.integers(0, 2**32 - 1), st.integers(1, 200), YAWS)
def test_differences_are_the_same(seed: int, count: int, yaw_rad: float) -> None:
    rng = np.random.default_rng(seed)
    grid, points = some_grid(rng, count, yaw_rad)
    at_points = rng.normal(0.0, 0.02, count)
    shift = rng.normal(0.0, 0.02, 3) * rng.choice([0.0, 1.0])
    (left, shown), (plain, number) = both(lambda: differences(grid, points, at_points, shift))
    npt.assert_array_equal(left, plain)
    assert shown == number == np.isfinite(left).sum()


@built
@given(st.integers(0, 2**32 - 1), st.integers(100, 1200), YAWS, st.sampled_from((0.0, 0.02, 0.3)),
       st.sampled_from((0.0005, 0.003, 0.02)), st.booleans())
def test_fits_are_the_same(
        seed: int, count: int, yaw_rad: float, off_m: float, noise_m: float, inside: bool) -> None:
    rng = np.random.default_rng(seed)
    grid, points = some_grid(rng, count, yaw_rad)
    points = inner_points(rng, grid, count) if inside else points
    expected = rng.normal(0.0, 0.01, 3)
    left, shown = differences(grid, points, np.zeros(count), expected)
    # Heights that lie close, but for noise, some that do not at all, and all of them raised.
    at_points = np.where(np.isfinite(left), left, 0.0) + rng.normal(off_m, noise_m, count)
    at_points[rng.random(count) < 0.2] += 0.1
    slope = rng.normal(0.0, 0.4, (2, count)) * (rng.random(count) < 0.7)
    half = rng.normal(0.0, 100.0, (3, 3)) * rng.choice([0.0, 1.0])
    ours, plain = both(lambda: shift_between(
        grid, points, at_points, slope, expected=expected, information=half @ half.T,
        noise_m=noise_m))
    if shown < LEAST_CELLS:
        assert ours is None
    if plain is None:
        assert ours is None
        return
    for name in ('mean', 'normal', 'left_m', 'slope', 'step'):
        npt.assert_array_equal(getattr(ours, name), getattr(plain, name), err_msg=name)


@built
@given(st.integers(0, 2**32 - 1), st.integers(1, 400), st.sampled_from((0.0, 0.02, 0.3)))
def test_what_is_left_over_is_the_same(seed: int, count: int, most_m: float) -> None:
    left, slope = some_differences(seed, count)
    left[count // 2], left[0] = -np.inf if seed % 3 == 0 else 0.001, 0.0
    if seed % 5 == 0:
        left[:] = left.round(2)
    fit = Fit(np.zeros(3), np.eye(3), left, slope, np.array([0.01, -0.02, 0.003]))
    ours, plain = both(lambda: fit.left_over(most_m))
    npt.assert_equal(ours, plain)
    # By numpy alone.
    known = np.isfinite(left)
    rest = left[known] + slope.T[known] @ [0.01, -0.02] - 0.003
    npt.assert_allclose(
        plain[0], 1.4826 * np.median(np.abs(rest - np.median(rest))), rtol=0.0, atol=1e-15)
    assert plain[2] == len(rest)
    assert 0 <= round(plain[1] * len(rest)) <= len(rest)


@given(st.integers(0, 2**32 - 1), st.integers(0, 400), st.sampled_from((0.0005, 0.2)))
def test_what_a_shift_leaves_is_weighed_by_its_spread(
        seed: int, count: int, least_m: float) -> None:
    left, slope = some_differences(seed, count)
    left[:count // 9] = np.inf
    shift = np.array([0.01, -0.02, 0.003])
    ours, plain = both(lambda: weighed_rest(left, slope, shift, 6.0, least_m))
    for one, other in zip(ours, plain):
        npt.assert_array_equal(one, other)
    # By what it is made of.
    rest = (left - explained_m(slope, shift))[np.isfinite(left)]
    spread = 1.4826 * np.median(np.abs(rest)) if len(rest) else 0.0
    assert plain[2:] == (pytest.approx(max(spread, least_m)), len(rest))
    normal, toward = weighed(left - explained_m(slope, shift), slope, 0.0, 6.0 * plain[2])
    npt.assert_array_equal(plain[0], normal)
    npt.assert_array_equal(plain[1], toward)


@built
@given(st.integers(0, 2**32 - 1), st.integers(0, 900), st.sampled_from((0.0, 0.1, 1.0)))
def test_noise_is_learned_the_same(seed: int, count: int, unknown: float) -> None:
    rng = np.random.default_rng(seed)
    left, beside = rng.normal(0.0, 0.004, (2, count))
    for values in (left, beside):
        values[rng.random(count) < 0.05] *= 30.0
        values[rng.random(count) < unknown] = np.nan
    if seed % 4 == 0:
        left[:count // 3] = left[:count // 3].round(2)
        left[:count // 20] = -np.inf
    if seed % 9 == 0:
        left[:] = np.inf
    ours, plain = both(lambda: GridNoise().learned(left, beside, 30.0, 0.045))
    assert ours == plain
    if unknown < 1.0 and count > 400 and seed % 9:
        assert plain != GridNoise()


@built
def test_what_does_not_fit_the_fits_is_refused() -> None:
    height, rows = np.zeros((4, 4), dtype=np.float32), np.zeros((5, 2))
    pair, square, single = np.zeros(2), np.eye(2), np.zeros(5)
    fits = compiled.fits
    three, out = np.zeros(3), np.zeros((5, 3))
    whole = [height, rows, pair, square, single, rows, three, np.eye(3), np.ones(4), 1.0, 0.25, 0,
             single.copy(), out]
    assert fits.shift(*whole)
    for place, wrong, text in (
            (0, height[:1], 'two rows'), (1, rows[:4], '10 values, got 8'),
            (2, three, '2 values, got 3'), (3, pair, '4 values, got 2'),
            (5, rows[:4], '10 values, got 8'), (6, pair, '3 values, got 2'),
            (7, out, '9 values, got 15'), (8, single, '4 values, got 5'),
            (12, single[:4], '5 values, got 4'), (13, np.eye(3), '15 values, got 9'),
            (7, np.zeros((3, 3)), 'not positive definite')):
        with pytest.raises(ValueError, match=text):
            fits.shift(*whole[:place], wrong, *whole[place + 1:])
    whole = [single, rows, np.eye(3), pair + 6.0, 0.1, 1.0, 5, np.zeros((4, 3))]
    assert fits.shared(*whole)
    for place, wrong, text in (
            (1, rows[:4], '10 values, got 8'), (2, out, '9 values, got 15'),
            (7, three, '12 values, got 3'), (2, -np.eye(3), 'not positive definite')):
        with pytest.raises(ValueError, match=text):
            fits.shared(*whole[:place], wrong, *whole[place + 1:])
    assert not fits.shared(*whole[:6], 6, whole[7])
    whole = [rows, single, rows, three, False, 5, np.eye(3), pair + 6.0, 0.1, 1.0, 5, 1e-3,
             np.zeros((4, 3)), np.zeros(2)]
    assert fits.attitude(*whole)
    for place, wrong, text in (
            (0, rows[:4], '10 values, got 8'), (2, rows[:4], '10 values, got 8'),
            (3, pair, '3 values, got 2'), (5, 0, 'some of so many points'),
            (6, out, '9 values, got 15'), (12, three, '12 values, got 3'),
            (13, three, '2 values, got 3'), (6, -np.eye(3), 'not positive definite')):
        with pytest.raises(ValueError, match=text):
            fits.attitude(*whole[:place], wrong, *whole[place + 1:])
    assert not fits.attitude(*whole[:10], 6, *whole[11:])
    for wrong in (rows, np.zeros(3, dtype=np.int32), np.zeros(3, dtype=bool)):
        with pytest.raises(TypeError, match='one row of single or double'):
            fits.median(wrong, 0.0, False, False)
    with pytest.raises(ValueError, match='wanted 5 values, got 4'):
        fits.alike(single, single[:4], np.zeros(4))
    with pytest.raises(ValueError, match='wanted 4 values, got 5'):
        fits.alike(single, single, single.copy())
    with pytest.raises(ValueError, match='wanted 10 values, got 8'):
        fits.left_over(single, np.zeros((2, 4)), np.zeros(3), 0.1)
