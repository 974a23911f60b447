# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Known shifts are found; what cannot be seen is kept out; too much is refused."""

from collections.abc import Iterable
import math
import re

from berm_ledger.survey.area import survey_area
from berm_ledger.survey.grid import ElevationGrid
from berm_ledger.survey.opening import GRIDS
from berm_ledger.survey.registration import (
    LIMIT_XY_M,
    Refused,
    Registration,
    Shift,
    WALK_M2,
)
from berm_ledger.survey.resample import bilinear
from berm_ledger.survey.shift_fit import LEAST_CELLS, shift_between
from berm_ledger.survey.surface import SiteSurface
from hypothesis import given, settings
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest
from survey_kit import grid_of, relief_m, SECOND_NS, START_NS, straight

SITE = straight(2.0, turn_deg=20.0)
AREA = survey_area(SITE)
XY = AREA.corridor.centres_xy
NOBODY = np.zeros(len(AREA), dtype=bool)
NOISE_M = 0.005


def known_surface(ground=relief_m, looks=30.0):
    surface = SiteSurface(len(AREA))
    surface.height_m[:] = ground(XY)
    surface.looks[:] = looks
    return surface


def shifted(dx_m=0.0, dy_m=0.0, dz_m=0.0, *, ground=relief_m, seed=0, noise_m=NOISE_M):
    """Return a grid that shows each point of the ground moved by (dx, dy) and raised by dz."""
    return grid_of(SITE, lambda p: ground(p - np.array([dx_m, dy_m])) + dz_m, noise_m=noise_m,
                   seed=seed)


def registered(grid, surface=None, worked=NOBODY, noise_m=NOISE_M):
    registration = Registration(AREA)
    shift = registration.register(grid, surface or known_surface(), worked, noise_m)
    return registration, shift


@pytest.mark.parametrize('true', [
    (0.0, 0.0, 0.0), (0.02, 0.0, 0.0), (0.0, -0.02, 0.01), (0.014, 0.014, -0.02),
    (0.0, 0.0, 0.05), (-0.04, 0.02, 0.03)])
def test_known_shifts_are_found(true) -> None:
    _, shift = registered(shifted(*true))
    found = (shift.dx_m, shift.dy_m, shift.dz_m)
    npt.assert_allclose(found[:2], true[:2], atol=0.002)
    assert found[2] == pytest.approx(true[2], abs=0.0005)
    assert shift.planar_observed
    assert shift.residual_m == pytest.approx(NOISE_M * 2.0 / 3.0, rel=0.15)
    assert shift.cells > 1000


def test_stated_errors_are_honest() -> None:
    ratios = []
    for seed in range(25):
        _, shift = registered(shifted(0.02, -0.01, 0.01, seed=seed))
        ratios.append([(shift.dx_m - 0.02) / shift.se_xy_m, (shift.dy_m + 0.01) / shift.se_xy_m,
                       (shift.dz_m - 0.01) / shift.se_z_m])
    # Made for noise that neighbours share; white noise alone, as here, is the best case.
    root_mean_square = np.sqrt(np.mean(np.square(ratios), axis=0))
    assert ((root_mean_square > 0.05) & (root_mean_square < 1.2)).all()


@settings(max_examples=10)
@given(st.floats(-0.03, 0.03), st.floats(-0.03, 0.03), st.floats(-0.05, 0.05))
def test_without_noise_the_shift_is_found_to_a_fraction_of_a_millimetre(dx, dy, dz) -> None:
    _, shift = registered(shifted(dx, dy, dz, noise_m=0.0), noise_m=0.0005)
    npt.assert_allclose([shift.dx_m, shift.dy_m], [dx, dy], atol=0.001)
    assert shift.dz_m == pytest.approx(dz, abs=0.0003)


@pytest.mark.parametrize('ground', [
    lambda p: np.full(p.shape[:-1], 0.3), lambda p: 0.02 * p[..., 0] - 0.01 * p[..., 1]])
def test_ground_without_relief_shows_no_planar_shift_and_invents_none(ground) -> None:
    registration, shift = registered(
        shifted(0.0, 0.0, 0.012, ground=ground), known_surface(ground))
    assert not shift.planar_observed
    assert math.hypot(shift.dx_m, shift.dy_m) < 0.001
    assert shift.dz_m == pytest.approx(0.012, abs=0.0005)
    assert shift.se_xy_m > 0.005  # and it says so
    assert registration.covariance[0, 0] > 100 * registration.covariance[2, 2]


def test_what_is_unsure_grows_by_a_walk_and_shrinks_by_what_each_grid_tells() -> None:
    """Level ground tells nothing of the planar shift, and of the height as much each time."""
    def level(points):
        return np.full(points.shape[:-1], 0.3)

    registration, surface = Registration(AREA), known_surface(level)
    registration.register(shifted(ground=level), surface, NOBODY, NOISE_M)
    registration.covariance, told = np.eye(3) * 1e-6, []
    for grids in range(1, 5):
        before_m2 = registration.covariance[2, 2] + WALK_M2[2, 2]
        registration.register(shifted(ground=level, seed=grids), surface, NOBODY, NOISE_M)
        # Of a walk the variance grows by as much each step.
        npt.assert_allclose(registration.covariance[:2, :2],
                            1e-6 * np.eye(2) + grids * WALK_M2[:2, :2], rtol=1e-3, atol=1e-9)
        # Information adds up (the recursion of Kalman).
        told.append(1.0 / registration.covariance[2, 2] - 1.0 / before_m2)
    npt.assert_allclose(told, np.mean(told), rtol=0.05)
    assert told[0] > 10.0 / WALK_M2[2, 2]


def test_relief_across_one_direction_only_shows_that_direction() -> None:
    def furrows(points):
        return 0.02 * np.sin(2.0 * math.pi * points[..., 0] / 0.5)

    _, shift = registered(shifted(0.01, 0.0, 0.0, ground=furrows), known_surface(furrows))
    assert shift.dx_m == pytest.approx(0.01, abs=0.001)
    assert not shift.planar_observed
    assert abs(shift.dy_m) < 0.002


def test_a_demolished_stretch_does_not_pull() -> None:
    # A quarter of the ground has lost 6 cm, another strip holds a parked machine.
    def spoiled(points):
        lost = np.where(points[..., 0] < 0.35, 0.06, 0.0)
        parked = np.where(np.hypot(points[..., 0] - 1.4, points[..., 1] - 0.1) < 0.3, 0.5, 0.0)
        return relief_m(points) - lost + parked

    _, shift = registered(shifted(0.01, -0.005, 0.004, ground=spoiled))
    npt.assert_allclose([shift.dx_m, shift.dy_m], [0.01, -0.005], atol=0.0025)
    assert shift.dz_m == pytest.approx(0.004, abs=0.0015)


def test_ground_that_is_worked_does_not_count() -> None:
    worked = AREA.corridor.station_m < 1.3

    def heaped(points):
        station, _ = SITE.berms[0].centreline.station_offset(points.reshape(-1, 2))
        return relief_m(points) + np.where(station.reshape(points.shape[:-1]) < 1.3, 0.015, 0.0)

    _, shift = registered(shifted(0.0, 0.0, 0.003, ground=heaped), worked=worked)
    assert shift.dz_m == pytest.approx(0.003, abs=0.0006)


@pytest.mark.parametrize(('true', 'text'), [
    ((0.0, 0.0, 0.2), r'\+0\.200 m off the site surface'),
    ((0.0, 0.0, -0.3), r'-0\.300 m off the site surface'),
])
def test_beyond_the_limit_the_grid_is_refused_and_nothing_is_learned(true, text) -> None:
    surface = known_surface()
    before = surface.height_m.copy()
    registration, shift = registered(shifted(*true), surface)
    assert isinstance(shift, Refused)
    assert shift.code == 'map_shift'
    assert pytest.approx(0.0) == np.abs(registration.mean).max()
    npt.assert_array_equal(surface.height_m, before)
    assert re.search(text, shift.text)


@pytest.mark.parametrize(('away_m', 'to_deg'), [
    (0.5, 30), (0.5, 180), (0.7, 0), (0.7, 270), (1.0, 90), (1.0, 210), (0.6, 45)])
def test_far_from_where_it_belongs_a_grid_fits_no_other_slopes(away_m, to_deg) -> None:
    """Fitted about where it is expected it leaves 20 to 30 mm, and is centimetres off there."""
    true = away_m * np.array([math.cos(math.radians(to_deg)), math.sin(math.radians(to_deg))])
    registration, shift = registered(shifted(*true))
    assert isinstance(shift, Refused)
    found = re.match(r'the grid lies ([-+.\d]+), ([-+.\d]+), ([-+.\d]+) m off', shift.text)
    assert found is not None
    npt.assert_allclose([float(figure) for figure in found.groups()], (*true, 0.0), atol=0.005)
    assert pytest.approx(0.0) == np.abs(registration.mean).max()


def test_a_grid_that_is_only_noisier_is_used_where_it_lies() -> None:
    _, shift = registered(shifted(0.01, -0.02, noise_m=5.0 * NOISE_M))
    assert shift.residual_m > 2.0 * NOISE_M
    npt.assert_allclose((shift.dx_m, shift.dy_m), (0.01, -0.02), atol=0.01)


def test_another_ground_altogether_is_refused() -> None:
    def other(points):
        return relief_m(points, seed=9, height_m=0.06)

    _, shift = registered(shifted(ground=other))
    assert isinstance(shift, Refused)
    assert 'disagrees' in shift.text
    assert LIMIT_XY_M == 0.15


def test_a_jump_and_a_slow_drift_are_followed() -> None:
    # 20 mm at once after 10 grids, 30 mm over the next 40: what the localisation may do.
    surface = known_surface()
    registration = Registration(AREA)
    for n in range(50):
        jump = 0.02 if n >= 10 else 0.0
        drift = 0.03 * max(0, n - 10) / 40
        true = (jump + 0.6 * drift, -0.8 * drift, 0.01 * (n >= 10) - drift)
        shift = registration.register(shifted(*true, seed=n), surface, NOBODY, NOISE_M)
        npt.assert_allclose([shift.dx_m, shift.dy_m], true[:2], atol=0.003)
        assert shift.dz_m == pytest.approx(true[2], abs=0.001)


def test_unknown_surroundings_leave_the_expectation_alone() -> None:
    surface = known_surface()
    registration, first = registered(shifted(0.01, 0.0, 0.01), surface)
    far = ElevationGrid(START_NS, 'map', shifted().axes.moved(50.0, 0.0), shifted().height_m)
    again = registration.register(far, surface, NOBODY, NOISE_M)
    assert (again.dx_m, again.dy_m, again.dz_m) == (first.dx_m, first.dy_m, first.dz_m)
    assert again.cells == 0
    assert again.se_z_m > first.se_z_m
    assert math.isnan(again.residual_m)


def test_after_a_restart_a_shift_of_centimetres_is_found_at_once() -> None:
    _, shift = registered(shifted(0.03, -0.03, 0.04))
    npt.assert_allclose([shift.dx_m, shift.dy_m, shift.dz_m], [0.03, -0.03, 0.04], atol=0.003)


def test_the_first_grids_agree_on_the_level_of_the_frame() -> None:
    rng = np.random.default_rng(5)
    bias = rng.normal(0.0, 0.003, 40)
    surface, registration = SiteSurface(len(AREA)), Registration(AREA)
    errors = []
    for n, dz in enumerate(bias):
        grid = shifted(0.0, 0.0, dz, seed=n)
        shift = registration.register(grid, surface, NOBODY, NOISE_M)
        surface.fuse(bilinear(grid, XY) - np.float32(shift.dz_m), START_NS + n * SECOND_NS,
                     NOISE_M)
        errors.append(registration.opening.error_m)
    # Each of them tells more of how they scatter.
    assert len(set(errors[4:])) == len(errors[4:])
    level = float(np.mean(surface.height_m - relief_m(XY)))
    assert level == pytest.approx(bias[:GRIDS].mean(), abs=0.0004)
    assert registration.opening.error_m == pytest.approx(
        0.003 / math.sqrt(GRIDS), rel=0.4)
    assert not registration.opening.lasts


def test_too_few_points_give_no_fit() -> None:
    grid = shifted()
    points = XY[:LEAST_CELLS - 1]
    zero = np.zeros((2, len(points)))
    assert shift_between(
        grid, points, relief_m(points), zero, expected=np.zeros(3), information=np.eye(3),
        noise_m=NOISE_M) is None


def test_a_shift_without_evidence_says_nothing() -> None:
    assert math.isnan(Shift().residual_m)
    assert not Shift().planar_observed


def opened(levels_m: Iterable[float], period_s: int) -> tuple[Registration, float]:
    """Look at ground from maps that stand so high; return how high the surface stands [m]."""
    surface, registration = SiteSurface(len(AREA)), Registration(AREA)
    for n, level_m in enumerate(levels_m):
        stamp_ns = START_NS + n * period_s * SECOND_NS
        grid = grid_of(SITE, lambda p, up=level_m: relief_m(p) + up, noise_m=NOISE_M, seed=n,
                       stamp_ns=stamp_ns)
        shift = registration.register(grid, surface, NOBODY, NOISE_M)
        surface.fuse(bilinear(grid, XY) - np.float32(shift.dz_m), stamp_ns, NOISE_M)
    return registration, float(np.nanmean(surface.height_m - relief_m(XY)))


def test_a_map_that_rises_raises_the_surface_for_a_minute_and_a_half_only() -> None:
    """10 s and 0.5 mm from grid to grid: the level is the mean of the first ten of thirty."""
    levels_m = 0.0005 * np.arange(30)
    registration, level_m = opened(levels_m, 10)
    assert not registration.opening.lasts
    assert level_m == pytest.approx(levels_m[:10].mean(), abs=0.0004)


def test_grids_that_show_none_of_the_berm_do_not_count_for_the_level() -> None:
    """Two minutes in a pit, then 40 grids of which the first ones lie 4 mm too high."""
    surface, registration = SiteSurface(len(AREA)), Registration(AREA)
    levels_m = np.where(np.arange(GRIDS) < 10, 0.004, 0.0)
    for n, level_m in enumerate([0.0] * 120 + levels_m.tolist()):
        grid = shifted(0.0, 0.0, level_m, seed=n)
        stamp_ns = START_NS + n * SECOND_NS
        axes = grid.axes.moved(50.0, 0.0) if n < 120 else grid.axes
        grid = ElevationGrid(stamp_ns, 'map', axes, grid.height_m)
        shift = registration.register(grid, surface, NOBODY, NOISE_M)
        surface.fuse(bilinear(grid, XY) - np.float32(shift.dz_m), stamp_ns, NOISE_M)
        assert registration.opening.lasts == (n < 120 + GRIDS - 1)
    level = float(np.mean(surface.height_m - relief_m(XY)))
    assert level == pytest.approx(levels_m.mean(), abs=0.0004)


def test_a_level_found_on_a_map_that_drifts_is_said_to_be_unsure() -> None:
    """0.2 mm up or down a second: half of what it is off, or more; else scatter over root n."""
    scatter_m = np.random.default_rng(5).normal(0.0, 0.003, GRIDS)
    still, level_m = opened(scatter_m, 1)
    assert level_m == pytest.approx(scatter_m.mean(), abs=0.0004)
    assert still.opening.error_m == pytest.approx(0.003 / math.sqrt(GRIDS), rel=0.4)
    for step_m in (0.0002, -0.0002):
        drift_m = step_m * np.arange(GRIDS)
        drifting, level_m = opened(drift_m + scatter_m / 3.0, 1)
        assert abs(level_m) > 0.003
        assert 0.5 * abs(level_m) <= drifting.opening.error_m < 2.0 * abs(level_m)
