# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""When two looks at a fresh load show the same soil."""

from berm_ledger.books.same_soil import (
    QUARTER_SIGMAS,
    shows_same,
    STIRRED_CELLS,
    STIRRED_M,
    STIRRED_SHARE,
    USUAL_TIMES,
)
from berm_ledger.survey.noise import GridNoise
import numpy as np
import pytest
from scipy import stats


def looks(cells: int, noise_m: float, off: int = 0, off_m: float = 0.0) -> tuple:
    """Return two looks at flat ground, the second with some cells off."""
    rng = np.random.default_rng(5)
    one, other = rng.normal(0.0, noise_m, (2, cells)).astype(np.float32)
    other[rng.permutation(cells)[:off]] += np.float32(off_m)
    return one, other


def test_a_quarter_of_normal_values_is_closer_to_zero() -> None:
    """The normal distribution has half a quarter on either side of its middle."""
    assert stats.norm.ppf(0.5 + 0.25 / 2.0) == pytest.approx(QUARTER_SIGMAS, abs=1e-4)


@pytest.mark.parametrize('noise_m', [0.0005, 0.005, 0.02, 0.1])
def test_noise_of_any_width_is_no_dust_and_what_is_far_beyond_it_is(noise_m: float) -> None:
    """Differences of two looks are wider by the root of two: common practice, no source."""
    spread_m, noise = 2.0**0.5 * noise_m, GridNoise(noise_m)
    assert shows_same(*looks(4000, noise_m), noise)
    assert shows_same(*looks(4000, noise_m, off=400, off_m=min(spread_m, 0.004)), noise)
    assert not shows_same(*looks(4000, noise_m, off=400, off_m=max(14.0 * spread_m, 0.03)),
                          noise)


def test_a_few_cells_may_differ_and_as_many_as_are_usually_wrong() -> None:
    """Counted: no more than two, a thousandth, or four times what is wrong at rest."""
    for cells, wrong_share in ((50, 0.0), (1000, 0.0), (10_000, 0.0), (1000, 0.01)):
        most = max(STIRRED_CELLS, round(cells * (STIRRED_SHARE + USUAL_TIMES * wrong_share)))
        for off in (most, most + 1):
            pair = looks(cells, 0.001, off=off, off_m=2.0 * STIRRED_M)
            noise = GridNoise(0.001, wrong_share=wrong_share)
            assert shows_same(*pair, noise) is (off == most)


def test_only_cells_that_both_show_are_asked() -> None:
    """Higher or lower alike; looks with no cell in common do not disagree."""
    one, other = looks(1000, 0.001, off=100, off_m=-0.05)
    noise = GridNoise(0.001)
    assert not shows_same(one, other, noise)
    unseen = np.abs(one - other) > 0.02
    assert shows_same(np.where(unseen, np.nan, one).astype(np.float32), other, noise)
    assert shows_same(one, np.where(unseen, np.nan, other).astype(np.float32), noise)
    assert shows_same(one, np.full_like(one, np.nan), noise)
