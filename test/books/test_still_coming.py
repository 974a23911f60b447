# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Looks made while soil was still coming up, told from those after it by what both show."""

from __future__ import annotations

import math

from berm_ledger.books.still_coming import coming_share, coming_until
from berm_ledger.survey.noise import GridNoise
import numpy as np
import pytest

CELLS, ERROR_M = 500, 0.001
SHARE = np.full(CELLS, 1.0 / CELLS)


def looks_m(shown: list[float], rng: np.random.Generator | None = None) -> np.ndarray:
    """Return looks that show so much of 60 mm, each off by 1 mm as a whole where told."""
    off_m = np.zeros(len(shown)) if rng is None else rng.normal(0.0, ERROR_M, len(shown))
    return np.repeat(
        (0.06 * np.array(shown) + off_m)[:, None], CELLS, axis=1).astype(np.float32)


@pytest.mark.parametrize(('shown', 'first'), [
    ([1.0, 1.0, 1.0, 1.0], 0),
    ([0.0, 1.0, 1.0, 1.0, 1.0], 1),
    ([1.0 / 3.0, 2.0 / 3.0, 1.0, 1.0, 1.0, 1.0], 2),
    # What is left after five grids, 3 % or 1.9 mm, of which more comes up later, is less than one
    # and a half standard errors above those after it.
    ([1.0 - 0.5**n for n in range(1, 9)], 4),
    ([0.2, 0.4, 0.6, 0.8], 2),
    ([1.0, 1.0, 0.4, 0.4], 0),
], ids=['at once', 'one late', 'mean of three', 'half of each', 'not yet', 'taken'])
def test_looks_while_soil_came_do_not_count(shown: list[float], first: int) -> None:
    """By closed forms of what mappers show; two are left in any case, and a loss is none."""
    assert coming_until(looks_m(shown), SHARE, ERROR_M, 2) == first


def test_what_was_shown_too_much_at_first_does_not_count_where_that_may_be() -> None:
    shown = looks_m([1.9, 1.2, 1.0, 1.0, 1.0])
    assert coming_until(shown, SHARE, ERROR_M, 2, overshoots=True) == 2
    assert coming_until(shown, SHARE, ERROR_M, 2) == 0


def test_chance_leaves_hardly_a_look_out() -> None:
    """Of 28 differences of eight looks one in a thousand is beyond four standard errors."""
    rng = np.random.default_rng(4)
    left_out = sum(coming_until(looks_m([1.0] * 8, rng), SHARE, ERROR_M, 2) > 0
                   for _ in range(2000))
    assert left_out <= 6


def test_cells_are_compared_where_both_looks_show_them() -> None:
    """Half of the heap is in view in turn; the half seen first is low, and seen again."""
    shown = looks_m([0.4, 1.0, 1.0, 1.0])
    shown[0, CELLS // 2:] = shown[1, :CELLS // 2] = np.nan
    assert coming_until(shown, SHARE, ERROR_M, 2) == 1
    shown[2:, :CELLS // 2] = np.nan
    # Nobody has seen it since.
    assert coming_until(shown, SHARE, ERROR_M, 2) == 0


def test_what_a_wrong_memory_leaves_is_the_mean_of_what_looks_show() -> None:
    """A mapper that keeps 0.8 is freed of 0.81: x = (y - 0.81 y before) / 0.19, look by look."""
    kept, taken_off, looks = 0.8, 0.81, 4
    shown = 1.0 - kept ** np.arange(looks + 1)
    freed = (shown[1:] - taken_off * shown[:-1]) / (1.0 - taken_off)
    noise = GridNoise(kept=taken_off, kept_se=taken_off - kept)
    assert coming_share(noise, looks) == pytest.approx(freed.mean() - 1.0, rel=0.02)
    assert coming_share(GridNoise(), looks) == 0.0
    assert math.isfinite(coming_share(noise, 1))
