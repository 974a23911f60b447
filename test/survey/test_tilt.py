# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Known tilts are found, with honest errors; level grids and real losses are left alone."""

from dataclasses import replace
import math

from berm_ledger.survey.area import survey_area
from berm_ledger.survey.habit import Habit
from berm_ledger.survey.opening import GRIDS
from berm_ledger.survey.registration import Refused, Registration
from berm_ledger.survey.resample import bilinear
from berm_ledger.survey.shift_fit import Fit
from berm_ledger.survey.surface import SiteSurface
from berm_ledger.survey.tilt import fitted_tilt, FittedTilt, LEVEL, Tilt, TiltOfGrids
import numpy as np
import numpy.testing as npt
import pytest
from survey_kit import grid_of, relief_m, SECOND_NS, START_NS, straight

SITE = straight(2.0, turn_deg=20.0)
AREA = survey_area(SITE)
XY = AREA.corridor.centres_xy
NOBODY = np.zeros(len(AREA), dtype=bool)
NOISE_M = 0.005


def plane(x, y, up_m=0.0):
    """Return how far ground that slopes so [m/m] lies above level at points (..., 2) [m]."""
    return lambda points: up_m + points @ np.array([x, y])


def tilted(x, y, up_m=0.0, *, seed=0, ground=relief_m, noise_m=NOISE_M):
    """Return a grid that shows the ground tilted by slopes along x and y [m/m]."""
    up = plane(x, y, up_m)
    return grid_of(SITE, lambda p: ground(p) + up(p), noise_m=noise_m, seed=seed,
                   stamp_ns=START_NS + seed * SECOND_NS)


def known_surface():
    surface = SiteSurface(len(AREA))
    surface.height_m[:] = relief_m(XY)
    surface.looks[:] = 30.0
    return surface


def left_after(shift, x, y, up_m=0.0):
    """Return what a shift leaves of a tilt at all cells (n,) [m]."""
    return plane(x, y, up_m)(XY) - shift.up_m(XY)


@pytest.mark.parametrize('slope', [(0.005, 0.0), (-0.003, 0.01), (0.0, -0.02), (0.03, 0.03)])
def test_known_tilts_are_taken_off(slope) -> None:
    shift = Registration(AREA).register(
        tilted(*slope, 0.01), known_surface(), NOBODY, NOISE_M)
    npt.assert_allclose(shift.attitude.tilt.slope_xy, slope, atol=0.0004)
    npt.assert_allclose(left_after(shift, *slope, 0.01), 0.0, atol=0.001)
    npt.assert_allclose((shift.dx_m, shift.dy_m), 0.0, atol=0.003)
    assert shift.residual_m == pytest.approx(NOISE_M * 2.0 / 3.0, rel=0.15)


def test_a_grid_that_is_tilted_and_shifted_is_told_both() -> None:
    up = plane(0.008, -0.004, 0.01)
    moved = np.array([0.02, -0.015])
    grid = grid_of(SITE, lambda p: relief_m(p - moved) + up(p), noise_m=NOISE_M)
    shift = Registration(AREA).register(grid, known_surface(), NOBODY, NOISE_M)
    npt.assert_allclose((shift.dx_m, shift.dy_m), moved, atol=0.002)
    npt.assert_allclose(shift.attitude.tilt.slope_xy, (0.008, -0.004), atol=0.0004)


def test_a_grid_tilted_too_far_is_refused() -> None:
    refused = Registration(AREA).register(
        tilted(0.06, 0.0), known_surface(), NOBODY, NOISE_M)
    assert isinstance(refused, Refused)
    assert refused.code == 'map_shift'
    assert 'tilted by 3.4 and turned by 0.0 degrees' in refused.text


def test_grids_that_are_refused_teach_nothing() -> None:
    """After a jump of the localisation level grids are level, as before it."""
    registration, surface = Registration(AREA), known_surface()

    def elsewhere_m(points):
        return relief_m(points - np.array([0.4, 0.3])) + 0.2 * np.sin(3.0 * points[..., 0])
    for seed in range(10):
        grid = tilted(0.0, 0.0, seed=seed, ground=elsewhere_m)
        assert isinstance(registration.register(grid, surface, NOBODY, NOISE_M), Refused)
    for seed in range(10, 20):
        shift = registration.register(tilted(0.0, 0.0, seed=seed), surface, NOBODY, NOISE_M)
        assert shift.attitude.tilt is LEVEL


def test_level_grids_are_left_as_they_are() -> None:
    """A hundred of them; 4.5 standard errors of two slopes are 1 in 25 000 (closed form)."""
    for seed in range(100):
        shift = Registration(AREA).register(
            tilted(0.0, 0.0, seed=seed), known_surface(), NOBODY, NOISE_M)
        assert shift.attitude.tilt is LEVEL


@pytest.mark.parametrize(('sigmas', 'clear'), [(4.4, False), (4.6, True), (-5.0, True)])
def test_a_slope_along_one_axis_is_clear_by_itself(sigmas, clear) -> None:
    error = 0.001
    fit = FittedTilt(np.array([0.0, sigmas * error]), np.eye(2) * error**2, np.zeros(2))
    assert bool(TiltOfGrids().believed(fit)) is clear
    assert bool(TiltOfGrids().learned(fit).habit.variance) is clear


def test_stated_errors_of_a_tilt_are_honest() -> None:
    """Independent noise at 400 points: fits scatter as they say."""
    points = np.random.default_rng(0).uniform(0.0, 2.0, (400, 2))
    ratios = []
    for seed in range(300):
        left = np.random.default_rng(seed).normal(0.0, 0.004, 400)
        fit = Fit(np.zeros(3), np.eye(3), left, np.zeros((2, 400)), np.zeros(3))
        found = fitted_tilt(points, fit, 1.0, LEVEL)
        assert found is not None
        ratios.append(found.slope_xy / np.sqrt(found.covariance.diagonal()))
    assert np.sqrt(np.mean(np.square(ratios))) == pytest.approx(1.0, abs=0.12)


@pytest.mark.parametrize('depth_m', [0.015, 0.02, 0.03, 0.06])
def test_soil_taken_on_one_side_is_no_tilt(depth_m) -> None:
    """A fifth of the ground lies lower, all on one side."""
    west = np.quantile(XY[:, 0], 0.2)
    shift = Registration(AREA).register(
        tilted(0.0, 0.0, ground=lambda p: relief_m(p) - depth_m * (p[..., 0] < west)),
        known_surface(), NOBODY, NOISE_M)
    rest = XY[:, 0] >= west
    npt.assert_allclose(left_after(shift, 0.0, 0.0)[rest], 0.0, atol=0.0015)


def test_a_strip_too_narrow_to_tell_is_not_believed() -> None:
    """Ground 60 mm wide tells nothing of the slope across it: it is given what is usual."""
    rng = np.random.default_rng(4)
    points = np.column_stack([rng.uniform(0.0, 3.0, 500), rng.uniform(0.0, 0.06, 500)])
    left = points @ np.array([0.005, 0.0]) + rng.normal(0.0, 0.004, 500)
    fit = Fit(np.zeros(3), np.eye(3), left, np.zeros((2, 500)), np.zeros(3))
    found = fitted_tilt(points, fit, 10.0, LEVEL)
    assert found is not None
    along, across = np.sqrt(found.covariance.diagonal())
    assert across > 20.0 * along
    usual = TiltOfGrids(Habit(0.002**2, parts=2)).believed(found)
    assert usual.slope_xy[0] == pytest.approx(0.005, abs=0.001)
    assert abs(usual.slope_xy[1]) < 0.002


def test_how_far_grids_are_tilted_is_learned_and_forgotten() -> None:
    points = np.random.default_rng(0).uniform(-1.0, 1.0, (400, 2))
    rng, tilts = np.random.default_rng(1), TiltOfGrids()
    learned = []
    for n in range(400):
        slope = rng.normal(0.0, 0.005, 2) if n < 200 else np.zeros(2)
        left = points @ slope + rng.normal(0.0, 0.004, 400)
        fit = Fit(np.zeros(3), np.eye(3), left, np.zeros((2, 400)), np.zeros(3))
        found = fitted_tilt(points, fit, 10.0, LEVEL)
        assert found is not None
        tilts = tilts.learned(found)
        learned.append(tilts.habit.variance)
    assert np.mean(learned[50:200]) == pytest.approx(0.005**2, rel=0.5)
    assert not any(learned[300:])


def test_a_tilt_is_reckoned_from_where_it_holds() -> None:
    tilt = Tilt((0.01, -0.02), (1.0, 2.0))
    npt.assert_allclose(tilt.up_m(np.array([[1.0, 2.0], [2.0, 2.0], [1.0, 3.0]])),
                        [0.0, 0.01, -0.02])
    npt.assert_allclose(tilt.part(0.5).slope_xy, (0.005, -0.01))
    npt.assert_allclose(tilt.less(tilt.part(0.25)).slope_xy, (0.0075, -0.015))
    assert tilt
    assert not LEVEL


def test_the_first_grids_agree_on_the_tilt_of_the_frame() -> None:
    """The mean of forty; at the cells it is said to be sure by how the forty scatter, or less."""
    slopes = np.random.default_rng(3).normal(0.0, 0.004, (GRIDS, 2))
    surface, registration = SiteSurface(len(AREA)), Registration(AREA)
    for n, slope in enumerate(slopes):
        grid = tilted(*slope, seed=n)
        shift = registration.register(grid, surface, NOBODY, NOISE_M)
        moved = XY + np.array([shift.dx_m, shift.dy_m])
        surface.fuse(bilinear(grid, moved) - shift.up_m(XY), grid.stamp_ns, NOISE_M)
    assert not registration.opening.lasts
    left = surface.height_m - relief_m(XY) - plane(*slopes.mean(axis=0))(XY)
    assert float(np.median(np.abs(left))) < 0.001
    assert abs(float(np.polyfit(XY[:, 0], left, 1)[0])) < 0.0004
    lever_m = math.sqrt(float(np.mean((XY - XY.mean(axis=0)) ** 2)))
    scatter_m = math.sqrt(2.0) * lever_m * 0.004 / math.sqrt(GRIDS)
    assert 0.7 * scatter_m < registration.opening.error_m < 2.0 * scatter_m


def test_the_opening_ends_where_grids_told_nothing_at_first() -> None:
    """Of as many as it takes too few cells are seen to say where the frame lies."""
    surface, registration = SiteSurface(len(AREA)), Registration(AREA)

    def show(grid):
        shift = registration.register(grid, surface, NOBODY, NOISE_M)
        surface.fuse(bilinear(grid, XY) - shift.up_m(XY), grid.stamp_ns, NOISE_M)
    whole = tilted(0.0, 0.0)
    few_m = np.full_like(whole.height_m, np.nan)
    few_m[60:75, 60:75] = whole.height_m[60:75, 60:75]
    for _ in range(GRIDS):
        show(replace(whole, height_m=few_m))
    assert registration.opening.lasts
    show(whole)
    show(whole)
    assert not registration.opening.lasts
