# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Noise figures, presets and the error of the localisation over time."""

import dataclasses
import math

from berm_ledger.errors import UsageError
from berm_ledger.geometry import Pose2
from berm_ledger.simulation import (
    DRIFTING,
    FIELD,
    Localisation,
    MapError,
    Noise,
    NOISE_PRESETS,
    QUIET,
)
import numpy as np
import numpy.testing as npt
import pytest


def size_m(error: MapError) -> float:
    return math.hypot(error.dx_m, error.dy_m)


def test_presets_are_known_by_name():
    assert NOISE_PRESETS['field'] is FIELD
    assert all(v == 0.0 for n, v in vars(QUIET).items() if n in (
        'white_m', 'correlated_m', 'jitter_m', 'bias_m', 'hole_share', 'spikes', 'drift_xy_m'))


@pytest.mark.parametrize(('change', 'text'), [
    ({'white_m': -0.001}, 'white_m of -0.001'),
    ({'bias_m': math.nan}, 'bias_m of nan'),
    ({'hole_share': 1.0}, 'hole_share of 1.0'),
    ({'drift_time_s': 0.0}, 'drift_time_s of 0.0'),
    ({'jump_times_s': (2.0, 1.0)}, 'go back in time'),
])
def test_figures_that_are_none_are_refused(change, text):
    with pytest.raises(UsageError, match=text):
        Noise(**change)


@pytest.mark.parametrize('seed', range(5))
def test_drift_grows_slowly_to_its_size_and_goes_back(seed):
    noise = Noise(drift_xy_m=0.03, drift_z_m=0.02, drift_yaw_rad=0.01, drift_time_s=600.0)
    where = Localisation(noise, np.random.default_rng(seed))
    assert size_m(where.at(0.0)) == 0.0
    assert size_m(where.at(600.0)) == pytest.approx(0.03)
    assert abs(where.at(600.0).dz_m) == pytest.approx(0.02)
    assert abs(where.at(600.0).dyaw_rad) == pytest.approx(0.01)
    assert size_m(where.at(1200.0)) == pytest.approx(0.0, abs=1e-12)
    steps = [size_m(where.at(t)) for t in np.arange(0.0, 1200.0, 2.0)]
    assert np.abs(np.diff(steps)).max() < 0.0005


def test_jumps_go_out_and_back():
    noise = Noise(jump_xy_m=0.02, jump_z_m=0.01, jump_times_s=(10.0, 20.0, 30.0))
    where = Localisation(noise, np.random.default_rng(1))
    sizes = [size_m(where.at(t)) for t in (9.9, 10.1, 19.9, 20.1, 30.1)]
    npt.assert_allclose(sizes, [0.0, 0.02, 0.02, 0.0, 0.02], atol=1e-12)
    assert [abs(where.at(t).dz_m) for t in (9.9, 10.1)] == [0.0, 0.01]


def test_reported_and_true_poses_undo_each_other():
    error = MapError(0.02, -0.03, 0.01, 0.1)
    pose = Pose2(1.0, 2.0, 0.5)
    back = error.true(error.reported(pose))
    npt.assert_allclose(dataclasses.astuple(back), dataclasses.astuple(pose))


def test_a_turned_map_turns_about_the_robot():
    error = MapError(0.1, 0.0, 0.0, math.pi / 2.0)
    robot = Pose2(1.0, 1.0, 0.0)
    # one metre ahead of the robot is reported one metre along its reported heading, which is y
    npt.assert_allclose(
        error.true_points(np.array([[1.1, 2.0], [1.1, 1.0]]), robot), [[2.0, 1.0], [1.0, 1.0]],
        atol=1e-12)


def test_the_drifting_preset_holds_what_it_is_named_for():
    assert (DRIFTING.bias_m, DRIFTING.drift_xy_m, DRIFTING.jump_xy_m) == (0.002, 0.03, 0.02)
