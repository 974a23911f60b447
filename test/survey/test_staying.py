# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What of the noise stays while the robot stands is learned from pairs of looks; chance is not."""

from __future__ import annotations

from collections.abc import Callable
import math

from berm_ledger.geometry import Pose2
from berm_ledger.survey.noise import GridNoise
from berm_ledger.survey.staying import OPENING_LOOKS, StayingNoise
from berm_ledger.survey.surface import SiteSurface
import numpy as np
import pytest

CELLS = 20_000
WHITE_M = 0.003
NOBODY = np.zeros(CELLS, dtype=bool)


def after(
    places: int, staying_m: float, *, white_m: float = WHITE_M, seed: int = 0, looks: int = 6,
    robot: Callable[[int], Pose2] | None = None,
    soil_m: Callable[[int], np.ndarray] = lambda n: np.zeros(CELLS),
) -> GridNoise:
    """
    Return the noise after so many looks from each of so many places at level ground.

    Where the robot stands the looks share another error at each place.
    """
    rng, surface, staying = np.random.default_rng(seed), SiteSurface(CELLS), StayingNoise(CELLS)
    noise = GridNoise(math.hypot(white_m, staying_m), 0.5)
    own_m = np.zeros(CELLS)
    for n in range(places * looks):
        if n % looks == 0:
            own_m = rng.normal(0.0, 1.0, CELLS) * staying_m
        at = Pose2(0.5 * (n // looks), 0.0, 0.0) if robot is None else robot(n)
        look_m = (soil_m(n) + own_m + rng.normal(0.0, white_m, CELLS)).astype(np.float32)
        noise = staying.learned(noise, look_m, surface, NOBODY, at)
        surface.fuse(look_m, (n + 1) * 1_000_000_000, noise.total_m)
    return noise


def test_of_noise_that_does_not_stay_none_does() -> None:
    assert [after(8, 0.0, seed=seed).staying_m for seed in range(20)] == [0.0] * 20


@pytest.mark.parametrize('looks', [3, 6])
@pytest.mark.parametrize('staying_m', [0.002, 0.003, 0.006])
def test_what_stays_is_known(staying_m: float, looks: int) -> None:
    """A little more, as the surface errs by the mean of all places."""
    found_m = after(20, staying_m, looks=looks).staying_m
    assert found_m == pytest.approx(1.05 * staying_m, rel=0.12)


def test_a_little_that_stays_is_known_once_many_places_show_it() -> None:
    """A tenth of the variance, where noise grows far off; few pairs may share that by chance."""
    assert after(20, 0.002, white_m=0.006).staying_m == pytest.approx(0.0021, rel=0.25)
    assert [after(8, 0.0, white_m=0.006, looks=3, seed=seed).staying_m
            for seed in range(20)] == [0.0] * 20


def test_where_the_robot_stands_long_the_surface_errs_as_there() -> None:
    """What changes when it moves on is nearly the difference of two places."""
    found_m = after(20, 0.003, looks=60).staying_m
    assert 1.15 * 0.003 < found_m < math.sqrt(2.0) * 0.003


def test_on_a_large_site_a_look_at_a_tenth_of_it_tells_what_stays() -> None:
    """A ring of which the robot sees a part, or a long berm."""
    count, shown = 150_000, slice(60_000, 75_000)
    rng, surface, staying = np.random.default_rng(3), SiteSurface(count), StayingNoise(count)
    noise, nobody = GridNoise(0.005, 0.5), np.zeros(count, dtype=bool)
    for n in range(120):
        if n % 6 == 0:
            own_m = 0.004 * rng.standard_normal(15_000)
        look_m = np.full(count, np.nan, dtype=np.float32)
        look_m[shown] = own_m + 0.003 * rng.standard_normal(15_000)
        noise = staying.learned(noise, look_m, surface, nobody, Pose2(0.5 * (n // 6), 0.0, 0.0))
        surface.fuse(look_m, (n + 1) * 1_000_000_000, noise.total_m)
    assert noise.staying_m == pytest.approx(1.05 * 0.004, rel=0.12)


def test_at_the_first_place_nothing_differs_from_what_is_known() -> None:
    """All looks and the surface err alike."""
    assert after(1, 0.003, looks=60).staying_m == 0.0


def test_when_the_robot_first_moves_all_may_stay_until_some_is_known() -> None:
    def moved(n: int) -> Pose2:
        return Pose2(0.0 if n < 10 else 1.0, 0.0, 0.0)
    assert WHITE_M <= after(1, 0.0, looks=11, robot=moved).staying_m < 1.1 * WHITE_M
    assert after(1, 0.0, looks=13, robot=moved).staying_m == 0.0


@pytest.mark.parametrize('moving', [
    lambda n: Pose2(0.06 * n, 0.0, 0.0), lambda n: Pose2(0.0, 0.0, 0.06 * n)])
def test_looks_of_a_robot_on_its_way_tell_nothing(moving: Callable[[int], Pose2]) -> None:
    """Nor is all of the noise feared for ever."""
    assert after(2, 0.003, robot=moving).staying_m > 0.003
    assert after(5, 0.003, robot=moving).staying_m == 0.0


def test_a_heading_just_past_the_half_turn_is_no_turn() -> None:
    def at(n: int) -> Pose2:
        return Pose2(0.5 * (n // 6), 0.0, math.pi - 0.01 if n % 2 else 0.01 - math.pi)
    assert after(20, 0.003, robot=at).staying_m == pytest.approx(1.05 * 0.003, rel=0.12)


def test_soil_that_came_is_no_noise_that_stays() -> None:
    """A tenth of the ground rises by 50 mm, halfway through."""
    def soil_m(n: int) -> np.ndarray:
        return np.where((np.arange(CELLS) % 10 == 0) & (n >= 24), 0.05, 0.0)
    assert after(8, 0.0, soil_m=soil_m).staying_m == 0.0


def test_with_too_few_cells_nothing_is_learned() -> None:
    staying, surface = StayingNoise(150), SiteSurface(150)
    surface.put(np.arange(150), np.zeros(150), 20.0)
    noise = GridNoise()
    for n in range(2 + OPENING_LOOKS):
        noise = staying.learned(
            noise, np.full(150, 0.002, np.float32), surface, NOBODY[:150],
            Pose2(1.0 if n else 0.0, 0.0, 0.0))
    assert staying.shared_m2 == 0.0
    assert noise.staying_m == 0.0
