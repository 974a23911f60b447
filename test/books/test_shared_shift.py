# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What a whole look is off by, and how sure that is."""

from berm_ledger.books.shared_shift import (
    CELLS_PER_INDEPENDENT,
    LEFT_XY_M,
    LevelLook,
    robust_spread,
    SharedShift,
    THINNING,
)
import numpy as np
import pytest

CELLS, NOISE_M = 5000, 0.004


@pytest.mark.parametrize('steep', [(0.4, 0.4), (0.4, 0.1), (0.4, 0.0)])
def test_the_error_stated_is_that_of_least_squares_in_the_worse_direction(steep: tuple) -> None:
    """Of slopes without anything in common: 1 / error^2 = 1 / prior^2 + sum(slope^2) / noise^2."""
    rng = np.random.default_rng(3)
    slope = rng.normal(0.0, 1.0, (2, CELLS)) * np.array(steep)[:, None]
    shared = SharedShift(slope.astype(np.float32))
    picked = slope[:, shared.picked]
    _, error_m = shared.of(rng.normal(0.0, NOISE_M, picked.shape[1]))
    # Neighbours share their errors: ten cells are worth one.
    worth = THINNING / CELLS_PER_INDEPENDENT
    told = (picked**2).sum(axis=1).min() * worth / NOISE_M**2
    # Tukey's weights are 95 % efficient and cost a little more of what they leave out.
    assert error_m == pytest.approx((LEFT_XY_M**-2 + told)**-0.5, rel=0.12)


def test_the_spread_is_that_of_most_values_about_zero() -> None:
    """Of a normal law its standard deviation; a few wild ones and NaN hardly matter."""
    rng = np.random.default_rng(1)
    values = rng.normal(0.0, NOISE_M, 60_000)
    assert robust_spread(values) == pytest.approx(NOISE_M, rel=0.03)
    values[rng.random(60_000) < 0.1] = np.nan
    values[rng.random(60_000) < 0.02] = 9.0
    assert robust_spread(values) == pytest.approx(NOISE_M, rel=0.06)
    assert robust_spread(np.full(9, np.nan)) == 0.0


def test_cells_that_are_left_out_of_a_look_show_nothing_and_the_others_the_same() -> None:
    rng = np.random.default_rng(2)
    look = LevelLook(rng.normal(size=50).astype(np.float32),
                     rng.normal(size=(2, 50)).astype(np.float32), np.array([0.01, -0.02, 0.003]))
    noisy = rng.random(50) < 0.3
    np.testing.assert_array_equal(look.without(noisy)[:], np.where(noisy, np.nan, look[:]))
