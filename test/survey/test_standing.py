# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What heights above the ground are worth: means of looks over both, in closed form."""

import math

from berm_ledger.survey.datum import Datum, Source
from berm_ledger.survey.standing import added_up, ground_at, spread_along, standing_at
from berm_ledger.survey.surface import SiteSurface
import numpy as np
import numpy.testing as npt
import pytest

CELLS, NOISE_M = 6, 0.004
ALL = np.arange(CELLS)


def seen(looks, height_m=0.25) -> SiteSurface:
    surface = SiteSurface(CELLS)
    surface.looks[:] = looks
    surface.height_m[:] = np.where(surface.looks > 0.0, height_m, np.nan)
    return surface


def ground(looks, level_m=0.05, source=Source.SURVEYED) -> Datum:
    return Datum(1, np.full(CELLS, level_m, dtype=np.float32),
                 np.broadcast_to(np.uint8(source), CELLS).copy(),
                 np.broadcast_to(np.float32(looks), CELLS).copy())


def test_a_height_above_the_ground_has_the_errors_of_both() -> None:
    """A mean of n looks scatters by sigma / sqrt(n); independent errors add in the square."""
    looks, below = np.array([1.0, 4.0, 9.0, 16.0, 25.0, 0.0]), 4.0
    standing = standing_at(seen(looks), ground(below), NOISE_M, ALL)
    npt.assert_allclose(standing.height_m, [0.2] * 5 + [math.nan], atol=1e-7)
    npt.assert_allclose(
        standing.spread_m[:5], NOISE_M * np.sqrt(1.0 / looks[:5] + 1.0 / below), rtol=1e-6)
    # Cells that nobody has seen say nothing of those that were.
    assert standing.inverse == pytest.approx(np.mean(1.0 / looks[:5]), rel=1e-6)
    assert standing_at(seen(0.0), ground(below), NOISE_M, ALL).inverse == math.inf


def test_what_the_ground_is_worth() -> None:
    """The mean of 1 / looks, none of a plane; and the share of it that nobody has seen."""
    looks = np.array([1.0, 2.0, 4.0, 5.0, 8.0, 10.0])
    assert ground_at(ground(looks), ALL) == pytest.approx((np.mean(1.0 / looks), False, 0.0))
    assert ground_at(ground(np.inf, source=Source.PLANE), ALL) == (0.0, True, 0.0)
    filled = ground(looks, source=np.where(ALL < 2, Source.FILLED, Source.SURVEYED))
    assert ground_at(filled, ALL).filled == pytest.approx(1.0 / 3.0)
    assert ground_at(filled, ALL[2:]).filled == 0.0


def test_the_spread_along_a_row_is_the_median_of_what_is_known() -> None:
    looks = np.array([1.0, 4.0, 16.0, 0.0, 0.0, 0.0])
    ends, rows = np.array([0, 3, 4, 6]), np.array([0, 2, 1])
    cells = ALL.astype(np.int32)
    for datum, below in ((None, 0.0), (ground(4.0), 0.25), (ground(np.inf), 0.0)):
        spread_m = spread_along(seen(looks), datum, NOISE_M, cells, ends, rows)
        npt.assert_allclose(
            spread_m, [NOISE_M * math.sqrt(0.25 + below), math.inf, math.inf], rtol=1e-6)


def test_a_sum_is_that_of_all_and_none_is_zero() -> None:
    assert added_up(np.array([1.0, 2.5, -0.5])) == 3.0
    assert added_up(np.empty(0)) == 0.0
