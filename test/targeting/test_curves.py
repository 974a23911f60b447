# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Curves of bounded curvature: closed forms, a reference library, laws."""

import math

from berm_ledger.errors import GeometryError
from berm_ledger.geometry import Pose2
from berm_ledger.targeting.curves import dubins, reeds_shepp
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest

PI = math.pi

# radius, start, goal, Dubins length, Reeds-Shepp length; computed with ompl 2.0.1 (BSD-3-Clause),
# DubinsStateSpace and ReedsSheppStateSpace.
REFERENCE = [
    (1, (0, 0, 0), (0, 0, PI), 7.330382858376, 3.141592653590),
    (1, (0, 0, 0), (0, 1, 0), 7.283185307180, 2.636232143306),
    (1, (0, 0, 0), (4, 4, PI), 7.613728608589, 6.798446903082),
    (1, (0, 0, 0), (0, 4, 0), 6.283185307180, 5.478120721990),
    (0.8, (1, 2, 0.5), (-2, 1, 2.5), 6.310205806689, 3.979959254345),
    (0.5, (0, 0, 0), (0.3, 0.4, -1.2), 3.311901650254, 1.091241928915),
    (2.0, (-3, 1, 1.0), (5, -2, -2.0), 10.627954309578, 10.588401512500),
    (1, (0, 0, 0), (10, -5, PI / 3), 11.765828138024, 11.763902666311),
    (1.01, (-2.79, 1.21, -2.65), (0.29, -1.07, -2.74), 8.274409014903, 4.542380191767),
    (1.42, (-3.7, -0.53, -2.67), (-3.27, -0.6, 2.03), 8.635176206936, 2.248123136195),
    (0.57, (-2.21, 1.02, 2.78), (0.62, -0.83, 2.95), 6.773285110565, 3.388000520787),
    (0.4, (2.87, -1.68, -2.21), (-3.06, -1.53, 1.96), 6.084541779638, 6.084541779638),
    (0.7, (0.65, 1.11, -0.79), (0.38, -3.5, -2.73), 4.834169946294, 4.834169946294),
    (0.75, (1.44, -0.58, -1.15), (0.68, -0.37, -1.24), 5.394720690574, 1.562439986138),
    (2.05, (1.59, -2.05, 0.46), (0.2, 3.0, 1.42), 16.148064285277, 6.564704663280),
    (0.93, (3.84, -3.06, -0.51), (2.06, -2.78, -0.07), 6.834830355444, 1.809868019767),
    (0.39, (1.35, 2.12, 0.45), (3.0, -1.49, 1.21), 5.011590018421, 4.246881905279),
    (1.61, (0.64, -0.35, 2.11), (3.56, -0.21, 1.02), 11.804353463603, 5.074360355258),
    (0.43, (1.61, 1.18, 3.06), (2.58, -1.72, -0.71), 3.581578838947, 3.459753474654),
    (1.77, (-3.82, -0.31, -2.06), (-3.06, -3.53, 1.66), 10.219508035597, 5.243294100142),
]
# Closed forms, radius 1: a straight, half and quarter turns, a straight back.
CLOSED = [
    ((5, 0, 0), 5.0, 5.0), ((0, 2, PI), PI, PI), ((0, -2, PI), PI, PI),
    ((1, 1, PI / 2), PI / 2, PI / 2), ((-1, 0, 0), 2 * PI + 1, 1.0),
    ((0, 0, PI), 7 * PI / 3, PI), ((0, 4, 0), 2 * PI, 5.478120722),
]
coordinates = st.floats(-4.0, 4.0)
angles = st.floats(-PI, PI)
poses = st.builds(Pose2, coordinates, coordinates, angles)


@pytest.mark.parametrize(('radius', 'start', 'goal', 'forward', 'either'), REFERENCE)
def test_lengths_of_a_reference_library(radius, start, goal, forward, either):
    assert dubins(Pose2(*start), Pose2(*goal), radius).length_m == pytest.approx(forward, abs=1e-9)
    assert reeds_shepp(Pose2(*start), Pose2(*goal), radius).length_m == pytest.approx(
        either, abs=1e-9)


@pytest.mark.parametrize(('goal', 'forward', 'either'), CLOSED)
def test_closed_forms(goal, forward, either):
    start = Pose2(0.0, 0.0)
    assert dubins(start, Pose2(*goal), 1.0).length_m == pytest.approx(forward, abs=1e-9)
    assert reeds_shepp(start, Pose2(*goal), 1.0).length_m == pytest.approx(either, abs=1e-9)


@pytest.mark.parametrize('make', [dubins, reeds_shepp])
@given(poses, poses, st.floats(0.2, 2.0))
def test_curve_ends_where_it_should_and_is_no_shorter_than_the_air_line(make, start, goal, radius):
    curve = make(start, goal, radius)
    end = curve.sample(0.05)[-1]
    npt.assert_allclose(end[:2], goal.xy, atol=1e-6)
    npt.assert_allclose(math.sin(end[2] - goal.yaw_rad), 0.0, atol=1e-6)
    assert math.cos(end[2] - goal.yaw_rad) > 0.0
    air = math.hypot(goal.x_m - start.x_m, goal.y_m - start.y_m)
    assert curve.length_m >= air - 1e-6


@given(poses, poses, st.floats(0.2, 2.0))
def test_backing_up_never_makes_it_longer_and_works_both_ways(start, goal, radius):
    either = reeds_shepp(start, goal, radius).length_m
    assert either <= dubins(start, goal, radius).length_m + 1e-6
    assert reeds_shepp(goal, start, radius).length_m == pytest.approx(either, abs=1e-6)


@given(poses, poses, poses)
def test_moving_both_poses_changes_no_length(start, goal, shift):
    for make in (dubins, reeds_shepp):
        before = make(start, goal, 0.7).length_m
        assert make(shift @ start, shift @ goal, 0.7).length_m == pytest.approx(before, abs=1e-5)


def test_samples_keep_the_turning_radius():
    curve = dubins(Pose2(0.0, 0.0), Pose2(-1.0, 3.0, 1.0), 0.8)
    samples = curve.sample(0.01)
    step = np.hypot(*np.diff(samples[:, :2], axis=0).T)
    assert step.max() <= 0.01 + 1e-9
    assert (np.abs(np.diff(samples[:, 2])) <= step / 0.8 + 1e-6).all()
    assert step.sum() == pytest.approx(curve.length_m, rel=1e-3)


@pytest.mark.parametrize('radius', [0.0, -1.0, math.nan])
def test_no_curve_without_a_radius(radius):
    with pytest.raises(GeometryError, match='gives no curve'):
        dubins(Pose2(0.0, 0.0), Pose2(1.0, 0.0), radius)
