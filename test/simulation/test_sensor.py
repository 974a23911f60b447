# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The simulated elevation grid: geometry and the statistics of its errors."""

import math

from berm_ledger.geometry import Lattice, Pose2
from berm_ledger.simulation import MapError, Noise, Patch, SensorOptions, Soil
from berm_ledger.simulation.sensor import correlated, measured, rolling_axes
import numpy as np
import numpy.testing as npt
import pytest

LATTICE = Lattice(-3.0, -3.0, 0.01, 601, 601)
TILT_X, TILT_Y = 0.2, -0.1
ROBOT = Pose2(0.123, -0.234, 0.7)
SENSOR = SensorOptions()
NO_ERROR = MapError()


def tilted() -> Soil:
    """Return a tilted plane, so that a planar shift shows as a vertical one."""
    x, y = np.moveaxis(LATTICE.centres_xy(), -1, 0)
    return Soil(LATTICE, TILT_X * x + TILT_Y * y, math.radians(33.0))


PLANE = tilted()


def errors_m(noise, seed, *, sensor=SENSOR, error=NO_ERROR, soil=PLANE):
    """Return reported minus true height at the reported centres, shape (rows, cols)."""
    axes = rolling_axes(sensor, error.reported(ROBOT))
    height = measured(soil, axes, ROBOT, 0.0, np.random.default_rng(seed), noise=noise,
                      options=sensor, error=error)
    index = np.stack(list(np.indices(height.shape)), axis=-1)
    return height - soil.at(axes.world_from_index(index))


@pytest.mark.parametrize('sensor', [
    SENSOR,
    SensorOptions(yaw_rad=0.4),
    SensorOptions(turns_with_robot=True, snap=False, size_m=3.0),
    SensorOptions(flipped=True, cell_m=0.025, size_m=3.0),
])
def test_without_noise_each_cell_holds_the_surface_at_its_centre(sensor):
    assert np.abs(errors_m(Noise(), 0, sensor=sensor)).max() < 1e-6


def test_the_grid_rolls_with_the_robot_by_whole_cells():
    first = rolling_axes(SENSOR, ROBOT)
    moved = rolling_axes(SENSOR, Pose2(ROBOT.x_m + 0.5, ROBOT.y_m, 0.0))
    step = np.subtract(moved.origin_xy, first.origin_xy) / SENSOR.cell_m
    npt.assert_allclose(step, np.rint(step), atol=1e-9)
    middle = first.world_from_index([(SENSOR.count - 1) / 2.0] * 2)
    assert np.abs(middle - ROBOT.xy).max() <= SENSOR.cell_m / 2.0 + 1e-9
    free = rolling_axes(SensorOptions(snap=False), ROBOT)
    npt.assert_allclose(free.world_from_index([99.5, 99.5]), ROBOT.xy, atol=1e-9)


def test_rows_of_a_turned_grid_stand_square_to_its_columns():
    axes = rolling_axes(SensorOptions(yaw_rad=0.4), ROBOT)
    npt.assert_allclose(axes.col_step_xy, [0.02 * math.cos(0.4), 0.02 * math.sin(0.4)])
    npt.assert_allclose(axes.row_step_xy, [-0.02 * math.sin(0.4), 0.02 * math.cos(0.4)])


def test_white_noise_has_its_size_and_no_memory():
    error = errors_m(Noise(white_m=0.004), 1)
    assert error.std() == pytest.approx(0.004, rel=0.02)
    assert np.corrcoef(error[:, 1:].ravel(), error[:, :-1].ravel())[0, 1] == pytest.approx(
        0.0, abs=0.02)


def test_correlated_noise_falls_to_1_over_e_at_its_length():
    rng = np.random.default_rng(2)
    fields = np.stack([correlated((200, 200), 7.5, rng) for _ in range(30)])
    assert fields.var() == pytest.approx(1.0, rel=0.05)
    shifted = [(fields[:, :, n:] * fields[:, :, :200 - n]).mean() / fields.var() for n in (7, 8)]
    # exp(-(d/7.5)^2), closed form of white noise under a Gaussian filter
    npt.assert_allclose(shifted, np.exp([-(7 / 7.5) ** 2, -(8 / 7.5) ** 2]), atol=0.04)


def test_whole_grid_errors_are_common_to_all_cells():
    biases = []
    for seed in range(200):
        error = errors_m(Noise(bias_m=0.002), seed, sensor=SensorOptions(size_m=0.2))
        assert error.std() < 1e-6
        biases.append(error.mean())
    assert np.std(biases) == pytest.approx(0.002, rel=0.2)


def test_jitter_moves_the_whole_grid_sideways():
    shifts = [
        errors_m(Noise(jitter_m=0.004), seed, sensor=SensorOptions(size_m=0.2)).mean()
        for seed in range(300)]
    # a shift (u, v) on the plane shows as 0.2 u - 0.1 v
    assert np.std(shifts) == pytest.approx(0.004 * math.hypot(TILT_X, TILT_Y), rel=0.15)


def test_holes_have_their_share_and_come_single_and_in_patches():
    noise = Noise(hole_share=0.06)
    unseen = np.isnan(np.stack([errors_m(noise, seed) for seed in range(10)]))
    assert unseen.mean() == pytest.approx(0.06, abs=0.003)
    beside = unseen[:, :, 1:] & unseen[:, :, :-1]
    assert beside.mean() > 5.0 * 0.06 ** 2
    alone = unseen[:, 1:-1, 1:-1] & ~unseen[:, 1:-1, 2:] & ~unseen[:, 1:-1, :-2] & (
        ~unseen[:, 2:, 1:-1] & ~unseen[:, :-2, 1:-1])
    assert alone.mean() > 0.01


def test_spikes_are_few_and_large():
    noise = Noise(spikes=5.0)
    errors = np.abs(np.stack([errors_m(noise, seed) for seed in range(40)]))
    spikes = errors[errors > 0.01]
    assert spikes.size / 40 == pytest.approx(5.0, abs=1.2)
    assert spikes.min() >= 0.0999
    assert spikes.max() <= 0.5001


def test_a_drifted_map_moves_what_is_seen():
    error = MapError(0.03, 0.02, 0.01)
    expected = 0.01 - 0.03 * TILT_X - 0.02 * TILT_Y
    npt.assert_allclose(errors_m(Noise(), 0, error=error), expected, atol=1e-6)


def test_a_wall_throws_a_shadow():
    soil = Soil(LATTICE, np.zeros(LATTICE.shape), math.radians(33.0))
    soil.pour(Patch(1.0, 0.0, length_m=0.01, width_m=2.0), 0.15)
    top = soil.height_m.max()
    sensor = SensorOptions(mast_m=0.5, snap=False)
    axes = rolling_axes(sensor, Pose2(0.0, 0.0))
    height = measured(soil, axes, Pose2(0.0, 0.0), 0.0, np.random.default_rng(0), noise=Noise(),
                      options=sensor, error=MapError())
    # the line of sight over the top meets the ground at 1 + top / (0.5 - top) metres
    edge = 1.0 / (1.0 - top / 0.5)
    row = height[100]
    x = axes.world_from_index(np.stack([np.full(200, 100), np.arange(200)], axis=-1))[:, 0]
    assert np.isnan(row[(x > 1.3) & (x < edge - 0.1)]).all()
    assert not np.isnan(row[(x < 0.99) | (x > edge + 0.1)]).any()


def test_beyond_the_known_ground_nothing_is_seen():
    axes = rolling_axes(SENSOR, Pose2(2.9, 0.0))
    height = measured(PLANE, axes, Pose2(2.9, 0.0), 0.0, np.random.default_rng(0), noise=Noise(),
                      options=SENSOR, error=MapError())
    assert np.isnan(height).mean() == pytest.approx(1.9 / 4.0, abs=0.02)
