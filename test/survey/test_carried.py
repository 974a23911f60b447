# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Heights that a grid carries over from the one before are no looks.

That mappers publish what they remember beside what they see: common practice, no source.
"""

from dataclasses import replace

from berm_ledger.geometry import GridAxes, Pose2
from berm_ledger.survey.carried import CarriedOver, without_carried
from berm_ledger.survey.grid import ElevationGrid
from berm_ledger.survey.site_survey import SiteSurvey
from hypothesis import given, settings
from hypothesis import strategies as st
import numpy as np
import pytest
from survey_kit import grid_of, START_NS, straight

NOISE_M = 0.004
CELL_M = 0.02
AXES = GridAxes((-0.41, 0.37), (0.0, CELL_M), (CELL_M, 0.0))
NAN = np.float32('nan')


def rough(shape, seed=0, *, level_m=0.0):
    """Return heights with noise, shape as given [m]."""
    rng = np.random.default_rng(seed)
    return (level_m + NOISE_M * rng.standard_normal(shape)).astype(np.float32)


def grid(height_m, axes=AXES, *, look=0):
    return ElevationGrid(START_NS + look, 'map', axes, height_m)


def left(before, now):
    """Return what is left of a grid after one before it [m], and how many cells that took."""
    return left_by(carried_after(before), now)


def carried_after(before):
    carried = CarriedOver()
    # The first one shows on which lattice they lie.
    for grid_before in (before, before):
        carried.fresh(grid_before)
    return carried


def left_by(carried, now):
    fresh = carried.fresh(now)
    left_m = without_carried(now.height_m, fresh)
    return left_m, int(np.count_nonzero(np.isfinite(now.height_m) & ~np.isfinite(left_m)))


def half_new(shape=(60, 70), split=30, seed=0):
    """Return heights, and the same of which the columns from one on were measured anew [m]."""
    before = rough(shape, seed)
    now = before.copy()
    now[:, split:] = rough(shape, seed + 1)[:, split:]
    return before, now


def test_what_was_not_measured_anew_is_unknown():
    before, now = half_new()
    left_m, taken = left(grid(before), grid(now))
    # A cell beside one that is new lies in the same look.
    np.testing.assert_array_equal(np.isnan(left_m), np.arange(70)[None, :] < np.full((60, 1), 29))
    np.testing.assert_array_equal(left_m[:, 29:], now[:, 29:])
    assert taken == 60 * 29


def test_nothing_is_left_of_a_map_that_stands_still():
    before = rough((60, 70))
    left_m, taken = left(grid(before), grid(before.copy(), look=1))
    assert np.isnan(left_m).all()
    assert taken == before.size


@settings(max_examples=60, deadline=None)
@given(down=st.integers(-12, 12), right=st.integers(-12, 12), seed=st.integers(0, 99),
       flipped=st.booleans())
def test_a_window_that_rolls_carries_its_cells_with_it(down, right, seed, flipped):
    rows, cols, rim = 44, 52, 12
    world = rough((rows + 2 * rim, cols + 2 * rim), seed)
    fresh = np.zeros(world.shape, dtype=bool)
    rng = np.random.default_rng(seed)
    row, col = rng.integers(0, 40, 2)
    fresh[row:row + 15, col:col + 15] = True
    now = np.where(fresh, rough(world.shape, seed + 1), world)
    was = grid(world[rim:rim + rows, rim:rim + cols])
    first = rim + down, rim + right
    cut = tuple(slice(k, k + n) for k, n in zip(first, (rows, cols)))
    step_m = CELL_M * np.array([right, down])
    axes = replace(AXES, origin_xy=tuple(np.array(AXES.origin_xy) + step_m))
    if flipped:
        axes, was = mirrored(axes, rows), replace(
            was, axes=mirrored(AXES, rows), height_m=was.height_m[::-1])
    seen = now[cut][::-1] if flipped else now[cut]
    left_m, _ = left(was, grid(seen, axes))
    left_m = left_m[::-1] if flipped else left_m
    for r in range(rows):
        for c in range(cols):
            around = [(r + i, c + j) for i in (-1, 0, 1) for j in (-1, 0, 1)
                      if 0 <= r + i < rows and 0 <= c + j < cols]
            new = any(
                fresh[first[0] + i, first[1] + j]
                or not (0 <= i + down < rows and 0 <= j + right < cols) for i, j in around)
            assert np.isnan(left_m[r, c]) == (not new), (r, c)


def mirrored(axes, rows):
    """Return axes whose rows run the other way."""
    x, y = axes.origin_xy
    down_x, down_y = axes.row_step_xy
    return GridAxes((x + (rows - 1) * down_x, y + (rows - 1) * down_y), (-down_x, -down_y),
                    axes.col_step_xy)


def test_holes_that_stay_are_not_new():
    before, now = half_new()
    for heights in (before, now):
        heights[5:55:5, 3:27:4] = NAN
    left_m, _ = left(grid(before), grid(now))
    assert np.isnan(left_m[:, :29]).all()


def test_what_has_appeared_or_gone_is_new_or_unknown():
    before, now = half_new()
    before[10:20, 5:10] = NAN
    now[40:50, 5:10] = NAN
    left_m, _ = left(grid(before), grid(now))
    np.testing.assert_array_equal(left_m[10:20, 5:10], now[10:20, 5:10])
    assert np.isnan(left_m[40:50, 5:10]).all()


def ramp(shape):
    """Return a bank of soil without noise [m]."""
    row, col = np.indices(shape)
    return (0.1 * np.sin(0.15 * row) + 0.65 * CELL_M * np.maximum(0, 30 - col)).astype(np.float32)


@pytest.mark.parametrize('heights', [
    np.zeros((60, 70), np.float32), ramp((60, 70)),
    np.round(rough((60, 70), 3, level_m=0.1), 3).astype(np.float32)],
    ids=['flat', 'without noise', 'rounded to 1 mm'])
def test_where_chance_or_a_perfect_sensor_repeats_heights_they_are_believed(heights):
    now = heights.copy()
    now[:, :20] += np.float32(0.05)
    left_m, taken = left(grid(heights), grid(now))
    np.testing.assert_array_equal(left_m, now)
    assert taken == 0


@pytest.mark.parametrize('axes', [
    replace(AXES, origin_xy=(-0.41 + 0.5 * CELL_M, 0.37)),
    GridAxes((-0.41, 0.37), (0.0, 0.025), (0.025, 0.0)),
    GridAxes((-0.41, 0.37), (CELL_M, 0.0), (0.0, CELL_M)),
    replace(AXES, origin_xy=(5.0, 5.0))], ids=['between', 'other cells', 'turned', 'elsewhere'])
def test_cells_that_lie_elsewhere_are_not_compared(axes):
    before, now = half_new()
    assert left(grid(before), grid(now, axes))[1] == 0


def test_the_sender_may_write_over_a_grid_once_it_was_taken():
    room, now = half_new()
    carried = carried_after(grid(room))
    room[:] = now
    assert left_by(carried, grid(room))[1] == 60 * 29


@pytest.mark.parametrize('shape', [(60, wide) for wide in range(2, 8)] + [(2, 60), (3, 3)])
def test_a_window_that_has_just_come_to_the_berm_may_be_narrow(shape):
    before, now = rough(shape), rough(shape)
    left_m, _ = left(grid(before), grid(now))
    assert np.isnan(left_m).all() or np.array_equal(left_m, now)


def test_one_height_for_what_was_never_seen_hides_nothing():
    before, now = half_new()
    for heights in (before, now):
        heights[:36] = 0.0
    left_m, _ = left(grid(before), grid(now))
    assert np.isnan(left_m[:, :29]).all()


def test_what_is_carried_over_here_and_there_is_found_where_no_five_lie_in_a_row():
    """A mapper that shows the last three scans, each of a quarter of the cells."""
    scan = np.random.default_rng(6).random((120, 120))
    before = np.where(scan < 0.6, rough(scan.shape, 7), NAN)
    now = np.where(scan < 0.25, before, np.where(scan < 0.6, rough(scan.shape, 8), NAN))
    fresh = carried_after(grid(before)).fresh(grid(now, look=1))
    np.testing.assert_array_equal(fresh, (scan >= 0.25) & (scan < 0.6))


def test_a_sensor_that_shows_cells_here_and_there_is_believed_for_these():
    site = straight(plane=None)
    survey, chance = SiteSurvey(site), np.random.default_rng(2)
    last = grid_of(site, lambda xy: 0.0 * xy[..., 0], noise_m=NOISE_M)
    nothing = np.zeros(len(survey.area), dtype=bool)
    for _ in range(40):
        heights = last.height_m.copy()
        hit = chance.random(heights.shape) < 0.1
        heights[hit] = (NOISE_M * chance.standard_normal(int(hit.sum()))).astype(np.float32)
        last = replace(last, stamp_ns=last.stamp_ns + 1, height_m=heights)
        survey.take_grid(last, Pose2(-9.0, 0.0, 0.0), nothing)
    seen = survey.surface.looks[survey.area.in_corridor]
    # A tenth of the cells are new in each look, and two looks come before any can be told.
    assert 2.0 + 38 * 0.05 < seen.mean() < 2.0 + 38 * 0.15


def test_a_surface_does_not_average_what_it_has_had():
    site = straight(plane=None)
    survey = SiteSurvey(site)
    still = grid_of(site, lambda xy: 0.0 * xy[..., 0], noise_m=NOISE_M)
    nothing = np.zeros(len(survey.area), dtype=bool)
    for look in range(9):
        grid_again = replace(still, stamp_ns=still.stamp_ns + look)
        survey.take_grid(grid_again, Pose2(-9.0, 0.0, 0.0), nothing)
    seen = survey.surface.looks[survey.surface.looks > 0]
    assert len(seen) > 1000
    assert seen.max() == 2.0
