# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The noise of the grids is learned from what is left over, shared part included."""

import math

from berm_ledger.survey.noise import GridNoise, MOST_NOISE_M, RANGE_M
import numpy as np
import pytest

COUNT = 3000


def learned(left_of, *, looks=50.0, spacing_m=0.045, grids=80, noise=GridNoise()):  # noqa: B008
    """Return the noise after grids whose leftovers at cells and beside them come from a call."""
    rng = np.random.default_rng(1)
    for _ in range(grids):
        left, beside = left_of(rng)
        noise = noise.learned(left, beside, looks, spacing_m)
    return noise


def white(rng, sd_m=0.003):
    return rng.normal(0.0, sd_m, (2, COUNT))


@pytest.mark.parametrize('looks', [2.0, 50.0])
def test_white_noise_is_found_whole_and_unshared(looks) -> None:
    noise = learned(white, looks=looks)
    # The leftovers hold the spread of a surface of so many looks too.
    assert noise.total_m == pytest.approx(0.003 / math.sqrt(1.0 + 1.0 / looks), rel=0.01)
    assert noise.shared == pytest.approx(0.0, abs=0.03)
    assert math.hypot(noise.white_m, noise.correlated_m) == pytest.approx(noise.total_m)


def test_a_shared_part_is_found_by_its_likeness_beside() -> None:
    ratio = 0.045 / RANGE_M
    likeness = 1.0 - 1.5 * ratio + 0.5 * ratio**3

    def half_shared(rng):
        common = rng.normal(0.0, 0.003, COUNT)
        other = likeness * common + math.sqrt(1 - likeness**2) * rng.normal(0.0, 0.003, COUNT)
        return common + rng.normal(0, 0.003, COUNT), other + rng.normal(0, 0.003, COUNT)

    noise = learned(half_shared)
    assert noise.shared == pytest.approx(0.5, abs=0.03)
    assert noise.correlated_m == pytest.approx(0.003, rel=0.05)


def test_things_that_stick_out_and_unknown_cells_do_not_count() -> None:
    def spoiled(rng):
        left, beside = white(rng)
        left[:60], left[60:200] = 0.5, np.nan
        return left, beside

    assert learned(spoiled).total_m == pytest.approx(learned(white).total_m, rel=0.02)


@pytest.mark.parametrize('left', [
    np.full(COUNT, np.nan), np.zeros(0), np.full(50, 0.001)])
def test_too_little_evidence_changes_nothing(left) -> None:
    noise = GridNoise(0.004, 0.3)
    assert noise.learned(left, left, 10.0, 0.045) == noise


def test_absurd_noise_is_bounded() -> None:
    assert learned(lambda rng: white(rng, 1.0)).total_m == MOST_NOISE_M
    assert 0.0 < learned(lambda rng: np.zeros((2, COUNT))).total_m <= 0.001


@pytest.mark.parametrize(('cell_m', 'range_m'), [(0.02, RANGE_M), (0.05, 0.2), (0.1, 0.4)])
def test_neighbours_of_a_coarse_grid_share_it_further(cell_m: float, range_m: float) -> None:
    """Four cells at least; what has been learned stays, and learning keeps it."""
    noise = GridNoise(0.004, 0.3).of_cell(cell_m)
    assert noise == GridNoise(0.004, 0.3, pytest.approx(range_m), cell_m)
    assert learned(white, noise=noise, grids=3).range_m == noise.range_m
