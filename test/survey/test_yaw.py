# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Known yaws are found where ground slopes; grids that lie straight are left alone."""

import math

from berm_ledger.design import Site
from berm_ledger.geometry import Pose2
from berm_ledger.survey.area import survey_area
from berm_ledger.survey.attitude import Attitude
from berm_ledger.survey.registration import Refused, Registration, Shift
from berm_ledger.survey.shift_fit import Fit
from berm_ledger.survey.surface import SiteSurface
from berm_ledger.survey.yaw import fitted_yaw, FittedYaw, STRAIGHT, Yaw, YawOfGrids
import numpy as np
import numpy.testing as npt
import pytest
from survey_kit import arc, design_of, grid_of, relief_m, straight

SITE: Site = straight(2.0, turn_deg=20.0)
AREA = survey_area(SITE)
XY = AREA.corridor.centres_xy
NOBODY = np.zeros(len(AREA), dtype=bool)
NOISE_M = 0.005
MIDDLE_XY = XY.mean(axis=0)


def ridge_m(points):
    """Return a berm on the relief, at points (..., 2) [m]."""
    _, offset = SITE.berms[0].centreline.station_offset(points.reshape(-1, 2))
    return relief_m(points) + np.maximum(
        0.0, 0.16 - 0.65 * np.abs(offset)).reshape(points.shape[:-1])


def back_m(points, yaw_rad, about_xy=MIDDLE_XY):
    """Return where ground shown at points (..., 2) lies if the grid is turned about a place."""
    cos, sin = math.cos(yaw_rad), math.sin(yaw_rad)
    return (points - about_xy) @ np.array([[cos, -sin], [sin, cos]]) + about_xy


def turned(yaw_rad, seed=0, ground=ridge_m):
    return grid_of(SITE, lambda p: ground(back_m(p, yaw_rad)), noise_m=NOISE_M, seed=seed)


def registered(grid, ground=ridge_m):
    surface = SiteSurface(len(AREA))
    surface.height_m[:], surface.looks[:] = ground(XY), 30.0
    return Registration(AREA).register(grid, surface, NOBODY, NOISE_M)


@pytest.mark.parametrize('yaw_rad', [0.006, -0.012, 0.03])
def test_known_yaws_are_taken_off(yaw_rad: float) -> None:
    shift = registered(turned(yaw_rad))
    assert isinstance(shift, Shift)
    assert shift.attitude.yaw.yaw_rad == pytest.approx(yaw_rad, abs=0.002)
    # Where the grid is sampled for each cell shows that cell.
    npt.assert_allclose(back_m(shift.moved_xy(XY), yaw_rad), XY, atol=0.005)


@pytest.mark.parametrize('yaw_rad', [0.004, -0.01])
def test_a_yaw_along_a_bend_is_no_shift(yaw_rad: float) -> None:
    """About its middle an arc is turned onto itself, but for its ends; the rest is a shift."""
    site = arc(2.5, sweep_deg=100.0)
    area, line = survey_area(site), site.berms[0].centreline
    berm_m, seen_from = design_of(site), np.array([0.0, 1.2])

    def shown_m(points):
        return berm_m(back_m(points, yaw_rad, seen_from))

    surface = SiteSurface(len(area))
    surface.height_m[:], surface.looks[:] = berm_m(area.centres_xy), 30.0
    shift = Registration(area).register(
        grid_of(site, shown_m, noise_m=0.003), surface, np.zeros(len(area), dtype=bool), 0.003)
    assert isinstance(shift, Shift)
    assert shift.attitude.yaw.yaw_rad == pytest.approx(yaw_rad, abs=0.001)
    ends = line.points_xy[[0, -1]]
    npt.assert_allclose(
        back_m(shift.moved_xy(ends), yaw_rad, seen_from), ends, atol=0.003)


def test_grids_that_lie_straight_are_left_as_they_are() -> None:
    for seed in range(60):
        shift = registered(turned(0.0, seed=seed))
        assert isinstance(shift, Shift)
        assert shift.attitude.yaw is STRAIGHT


def test_over_level_ground_no_yaw_is_told() -> None:
    def level(points):
        return np.zeros(points.shape[:-1])
    shift = registered(turned(0.02, ground=level), ground=level)
    assert isinstance(shift, Shift)
    assert shift.attitude.yaw is STRAIGHT


def test_a_grid_turned_too_far_is_refused() -> None:
    refused = registered(turned(0.07))
    assert isinstance(refused, Refused)
    assert refused.code == 'map_shift'


def test_stated_errors_of_a_yaw_are_honest() -> None:
    """Independent noise on the flanks of a ridge: fits scatter as they say."""
    rng = np.random.default_rng(0)
    points = rng.uniform([-1.0, -0.2], [1.0, 0.2], (400, 2))
    slope = np.ascontiguousarray(
        np.stack([np.zeros(400), -0.6 * np.sign(points[:, 1])]))
    ratios = []
    for seed in range(300):
        left = np.random.default_rng(seed).normal(0.0, 0.004, 400)
        found = fitted_yaw(
            points, Fit(np.zeros(3), np.eye(3), left, slope, np.zeros(3)), 1.0, STRAIGHT)
        assert found is not None
        ratios.append(found.yaw_rad / math.sqrt(found.variance))
    assert np.sqrt(np.mean(np.square(ratios))) == pytest.approx(1.0, abs=0.12)


def test_how_far_grids_are_turned_is_learned_and_forgotten() -> None:
    rng, yaws, learned = np.random.default_rng(1), YawOfGrids(), []
    for n in range(400):
        true = rng.normal(0.0, 0.006) if n < 200 else 0.0
        yaws = yaws.learned(FittedYaw(true + rng.normal(0.0, 0.001), 0.001**2, np.zeros(2)))
        learned.append(yaws.habit.variance)
    assert np.mean(learned[50:200]) == pytest.approx(0.006**2, rel=0.5)
    assert not any(learned[300:])


def test_points_are_turned_about_the_place_told() -> None:
    quarter = Yaw(math.pi / 2.0, (1.0, 2.0))
    npt.assert_allclose(
        quarter.moved_xy(np.array([[1.0, 2.0], [2.0, 2.0]])), [[1.0, 2.0], [1.0, 3.0]])
    assert quarter
    assert not STRAIGHT


def test_a_pose_told_in_a_turned_grid_lies_where_the_grid_shows_its_place() -> None:
    shift = Shift(0.05, -0.02, attitude=Attitude(yaw=Yaw(0.02, (4.0, -1.0))))
    robot = Pose2(1.2, 0.7, 0.4)
    shown = shift.moved_xy(robot.apply(np.array([[0.0, 0.0], [0.8, 0.0]])))
    told = Pose2(*shown[0].tolist(), 0.42)
    found = shift.site_pose(told)
    npt.assert_allclose([found.x_m, found.y_m, found.yaw_rad], [1.2, 0.7, 0.4], atol=1e-12)
    npt.assert_allclose(told.apply([[0.8, 0.0]])[0], shown[1], atol=1e-12)
    plain = Shift(0.05, -0.02).site_pose(robot)
    npt.assert_allclose([plain.x_m, plain.y_m, plain.yaw_rad], [1.15, 0.72, 0.4])


def test_where_grids_are_turned_as_a_rule_a_low_ridge_on_flat_ground_tells_of_it() -> None:
    """A twentieth of what a grid shows; the rest is flat, and as well off if it is not told."""
    rng = np.random.default_rng(5)

    def ridge(points):
        _, offset = SITE.berms[0].centreline.station_offset(points.reshape(-1, 2))
        return np.maximum(0.0, 0.06 - 0.65 * np.abs(offset)).reshape(points.shape[:-1])

    surface = SiteSurface(len(AREA))
    surface.height_m[:], surface.looks[:] = ridge(XY), 30.0
    registration, off_rad = Registration(AREA), []
    for seed in range(40):
        yaw_rad = 0.012 * float(rng.choice([-1.0, 1.0]))
        shift = registration.register(
            turned(yaw_rad, seed=seed, ground=ridge), surface, NOBODY, NOISE_M)
        assert isinstance(shift, Shift)
        off_rad.append(shift.attitude.yaw.yaw_rad - yaw_rad)
    assert np.abs(off_rad[10:]).max() < 0.006
