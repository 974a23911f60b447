# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""How far errors are shared is learned, from fields whose spherical variogram is known."""

from __future__ import annotations

from collections.abc import Iterator

from berm_ledger.survey.area import survey_area
from berm_ledger.survey.noise import GridNoise, RANGE_M
from berm_ledger.survey.noise_range import (
    EVERY,
    LAGS_M,
    LEAST_LEARNED,
    NoiseRange,
    OPENING_EVERY,
)
from berm_ledger.survey.surface import SiteSurface
import numpy as np
import pytest
from scipy.signal import fftconvolve
from survey_kit import straight

CELL_M = 0.025
AREA = survey_area(straight(3.0, cell_m=CELL_M))
NOBODY = np.zeros(len(AREA), dtype=bool)
LOOKS, SHARED_M, WHITE_M = 20, 0.003, 0.002


def fields(range_m: float, seed: int = 0) -> Iterator[np.ndarray]:
    """
    Yield looks at level ground that share errors of a spherical variogram, shape (n,) [m].

    White noise in space, averaged over balls as wide as the range: what two of them have in common
    is the volume that they share (Matheron 1965; from memory).
    """
    rng, cells = np.random.default_rng(seed), round(range_m / CELL_M)
    axis = np.arange(cells + 1) - cells / 2.0
    x, y, z = np.meshgrid(axis, axis, axis, sparse=True)
    ball = (x * x + y * y + z * z <= (cells / 2.0) ** 2).astype(float)
    rows, cols = AREA.lattice.shape
    for _ in range(LOOKS):
        noise = rng.standard_normal((rows + cells, cols + cells, cells + 1))
        shared = fftconvolve(noise, ball, mode='valid')[..., 0] / np.sqrt(ball.sum())
        own = shared.ravel()[AREA.corridor.flat_index]
        yield SHARED_M * own + rng.normal(0.0, WHITE_M, len(AREA))


def white() -> Iterator[np.ndarray]:
    """Yield looks that share nothing."""
    rng = np.random.default_rng(1)
    for _ in range(LOOKS):
        yield rng.normal(0.0, SHARED_M, len(AREA))


def surveyed() -> SiteSurface:
    """Return level ground that is known."""
    surface = SiteSurface(len(AREA))
    surface.height_m[:], surface.looks[:] = 0.0, 50.0
    return surface


def shown(
    reach: NoiseRange, looks: Iterator[np.ndarray], worked=NOBODY, times: int = EVERY
) -> GridNoise:
    """Return the noise after all looks, each shown until it counts."""
    noise, surface = GridNoise(float(np.hypot(SHARED_M, WHITE_M)), 0.5), surveyed()
    for look_m in looks:
        for _ in range(times):
            noise = reach.learned(noise, look_m.astype(np.float32), surface, worked)
    return noise


@pytest.mark.parametrize('range_m', [0.2, 0.3, 0.45, 0.7])
def test_the_range_of_a_spherical_variogram_is_found(range_m: float) -> None:
    assert shown(NoiseRange(AREA), fields(range_m)).range_m == pytest.approx(range_m, rel=0.15)


def test_what_errors_have_in_common_is_what_the_variogram_says() -> None:
    """Their variance, and of that in common 1 - 1.5 d + 0.5 d^3 at d ranges (spherical)."""
    reach, range_m = NoiseRange(AREA), 0.45
    shown(reach, fields(range_m))
    _, _, own_m2, *shared_m2 = reach.figures()
    assert own_m2 == pytest.approx(SHARED_M**2 + WHITE_M**2, rel=0.05)
    part = np.minimum(np.array(LAGS_M) / range_m, 1.0)
    expected_m2 = SHARED_M**2 * (1.0 - 1.5 * part + 0.5 * part**3)
    np.testing.assert_allclose(shared_m2, expected_m2, atol=0.12 * SHARED_M**2)


def test_looks_are_learned_from_more_often_until_the_range_is_known() -> None:
    reach, look_m, learned = NoiseRange(AREA), next(fields(0.3)), []
    for looks in range(1, 65):
        reach.learned(GridNoise(), look_m.astype(np.float32), surveyed(), NOBODY)
        if reach.figures()[1] > len(learned):
            learned.append(looks)
    opening = [OPENING_EVERY * n for n in range(1, LEAST_LEARNED + 1)]
    assert learned == [*opening, *(n for n in range(opening[-1] + 1, 65) if n % EVERY == 0)]


def test_neighbours_that_share_nothing_have_the_least_range() -> None:
    assert shown(NoiseRange(AREA), white()).range_m == RANGE_M


def test_a_few_looks_tell_nothing() -> None:
    reach, looks = NoiseRange(AREA), fields(0.45)
    few = (next(looks) for _ in range(LEAST_LEARNED - 1))
    assert shown(reach, few, times=OPENING_EVERY).range_m == RANGE_M
    assert shown(reach, looks, times=OPENING_EVERY).range_m > 2.0 * RANGE_M


def test_ground_that_is_worked_new_or_unseen_tells_nothing() -> None:
    assert shown(NoiseRange(AREA), fields(0.45), worked=~NOBODY).range_m == RANGE_M
    unseen = (np.full(len(AREA), np.nan) for _ in range(LOOKS))
    assert shown(NoiseRange(AREA), unseen).range_m == RANGE_M
    reach, surface, noise = NoiseRange(AREA), SiteSurface(len(AREA)), GridNoise()
    for look_m in fields(0.45):
        for _ in range(EVERY):
            noise = reach.learned(noise, look_m.astype(np.float32), surface, NOBODY)
    assert noise.range_m == RANGE_M


def test_soil_that_has_gone_is_no_error_that_is_shared() -> None:
    def dug() -> Iterator[np.ndarray]:
        hole = np.hypot(*(AREA.centres_xy - AREA.centres_xy.mean(axis=0)).T) < 0.2
        for look_m in fields(0.2):
            yield look_m - 0.1 * hole
    assert shown(NoiseRange(AREA), dug()).range_m == pytest.approx(0.2, rel=0.15)


def test_what_is_known_is_kept() -> None:
    before, after = NoiseRange(AREA), NoiseRange(AREA)
    noise = shown(before, fields(0.45))
    after.resume(*before.figures())
    assert after.of(GridNoise()).range_m == noise.range_m


@pytest.mark.parametrize('cut', [3, 6])
def test_a_restart_learns_from_the_same_looks(cut: int) -> None:
    """Of the looks of a day the same ones tell, wherever the day was cut in two."""
    whole, first, second = NoiseRange(AREA), NoiseRange(AREA), NoiseRange(AREA)
    looks = [look for _, look in zip(range(20), fields(0.3))]
    shown(whole, iter(looks), times=1)
    shown(first, iter(looks[:cut]), times=1)
    second.resume(*first.figures())
    shown(second, iter(looks[cut:]), times=1)
    assert second.figures() == whole.figures()


def test_a_coarse_grid_shares_its_errors_over_some_of_its_cells() -> None:
    """Four of them, however short the range that was found."""
    reach = NoiseRange(AREA)
    shown(reach, fields(0.2))
    assert reach.of(GridNoise().of_cell(0.1)).range_m == pytest.approx(0.4)
