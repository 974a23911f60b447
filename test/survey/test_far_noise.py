# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Noise that grows with the distance is learned, and where it is too much nothing is judged."""

import math

from berm_ledger.geometry import Lattice, Pose2
from berm_ledger.survey.far_noise import EVERY, NoiseByDistance, RING_M, TOO_NOISY
from berm_ledger.survey.surface import SiteSurface
import numpy as np
import pytest

POINTS = Lattice(-3.0, -3.0, 0.05, 121, 121).centres_xy().reshape(-1, 2)
NOBODY = np.zeros(len(POINTS), dtype=bool)
ROBOT = Pose2(0.3, -0.2, 1.0)
NEAR_M = 0.005


def learned(noise_of, looks=60, worked=NOBODY, lowered=0.0):
    """Return what looks with a noise by distance [m] teach, of ground lowered by so much [m]."""
    rng, surface = np.random.default_rng(1), SiteSurface(len(POINTS))
    surface.height_m[:], surface.looks[:] = 0.0, 30.0
    by_distance = NoiseByDistance(POINTS)
    distance = np.hypot(*(POINTS - ROBOT.xy).T)
    for _ in range(looks):
        look = (noise_of(distance) * rng.standard_normal(len(POINTS)) - lowered * worked)
        by_distance.learn(look.astype(np.float32), surface, worked, ROBOT, NEAR_M)
    return by_distance, distance


def test_even_noise_is_judged_everywhere() -> None:
    by_distance, _ = learned(lambda d: NEAR_M)
    assert by_distance.within_m == math.inf
    assert by_distance.too_noisy(ROBOT) is None


def test_nothing_is_held_against_grids_that_nobody_has_seen() -> None:
    assert NoiseByDistance(POINTS).too_noisy(ROBOT) is None
    by_distance, _ = learned(lambda d: 10.0 * NEAR_M, looks=EVERY - 1)
    assert by_distance.within_m == math.inf


@pytest.mark.parametrize('at_1_m', [0.003, 0.005])
def test_noise_that_grows_with_the_square_limits_what_is_judged(at_1_m: float) -> None:
    """As that of a stereo camera; the limit is that of the ring where it becomes too much."""
    by_distance, distance = learned(lambda d: np.hypot(NEAR_M, at_1_m * d**2))
    limit_m = ((TOO_NOISY**2 - 1.0) * NEAR_M**2 / at_1_m**2) ** 0.25
    within_m = by_distance.within_m
    assert abs(within_m - limit_m) <= RING_M
    np.testing.assert_array_equal(
        by_distance.too_noisy(ROBOT), distance >= within_m)


def test_noise_of_a_look_at_a_part_of_a_long_berm_is_known() -> None:
    """Of 120 m x 1.2 m in cells of 15 mm 4 m are in view, beyond them nothing."""
    points = Lattice(-60.0, 0.0, 0.015, 80, 8001).centres_xy().reshape(-1, 2)
    rng, surface = np.random.default_rng(2), SiteSurface(len(points))
    surface.height_m[:], surface.looks[:] = 0.0, 30.0
    by_distance, distance = NoiseByDistance(points), np.hypot(*points.T)
    noise_m = np.where(np.abs(points[:, 0]) < 2.0, np.hypot(NEAR_M, 0.005 * distance**2), np.nan)
    for _ in range(3 * EVERY):
        look = (noise_m * rng.standard_normal(len(points))).astype(np.float32)
        by_distance.learn(
            look, surface, np.zeros(len(points), dtype=bool), Pose2(0.0, 0.0, 0.0), NEAR_M)
    limit_m = ((TOO_NOISY**2 - 1.0) * NEAR_M**2 / 0.005**2) ** 0.25
    assert abs(by_distance.within_m - limit_m) <= RING_M


def test_a_noisy_ring_with_quiet_ground_beyond_is_no_limit() -> None:
    by_distance, _ = learned(lambda d: np.where((d > 1.0) & (d < 1.25), 0.02, NEAR_M))
    assert by_distance.within_m == math.inf


def test_where_loads_land_nothing_is_learned() -> None:
    worked = np.hypot(*(POINTS - ROBOT.xy).T) > 1.5
    by_distance, _ = learned(lambda d: NEAR_M, worked=worked, lowered=0.05)
    assert by_distance.within_m == math.inf


@pytest.mark.parametrize('lost_until', [1, 2])
def test_soil_that_has_just_gone_far_off_is_no_noise(lost_until: int) -> None:
    """A half of all that is seen beyond 1.9 m falls by 60 mm; the surface follows soon."""
    rng, surface = np.random.default_rng(1), SiteSurface(len(POINTS))
    surface.height_m[:], surface.looks[:] = 0.0, 30.0
    by_distance = NoiseByDistance(POINTS)
    distance = np.hypot(*(POINTS - ROBOT.xy).T)
    gone = (distance > 1.9) & (POINTS[:, 1] > ROBOT.y_m)
    seen = np.where(distance < 2.5, np.float32(0.0), np.float32(np.nan))
    for n in range(10 * EVERY):
        lost = 5 * EVERY <= n < (5 + lost_until) * EVERY
        look = NEAR_M * rng.standard_normal(len(POINTS)) - 0.06 * (gone & lost) + seen
        by_distance.learn(look.astype(np.float32), surface, NOBODY, ROBOT, NEAR_M)
        assert by_distance.within_m == math.inf
