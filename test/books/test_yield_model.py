# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The yield: prior first, measured loads soon, odd ones hardly, old ones not at all."""

from berm_ledger.books.yield_model import estimate_yield, PRIOR_LOADS, WINDOW_LOADS
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import pytest

PRIOR = 0.005


def value(volumes: list[float], se: float = 0.0001) -> float:
    return estimate_yield(volumes, [se] * len(volumes), PRIOR).value_m3


def test_without_loads_it_is_the_full_load_of_the_site() -> None:
    estimate = estimate_yield([], [], PRIOR)
    assert (estimate.value_m3, estimate.count) == (PRIOR, 0)
    assert estimate.spread_m3 == pytest.approx(0.2 * PRIOR)


def test_loads_that_agree_weigh_like_the_prior_loads_do() -> None:
    # Nobody is odd, so that the estimate is the plain mean of n loads and the prior ones.
    volumes = [0.0049, 0.0051, 0.0048, 0.0050]
    expected = (sum(volumes) + PRIOR_LOADS * PRIOR) / (4 + PRIOR_LOADS)
    estimate = estimate_yield(volumes, [float('nan')] * 4, PRIOR)
    assert estimate.value_m3 == pytest.approx(expected, rel=1e-9)
    assert estimate.se_m3 == pytest.approx(estimate.spread_m3 / (4 + PRIOR_LOADS) ** 0.5)


def test_it_finds_the_true_yield_and_its_spread() -> None:
    rng = np.random.default_rng(5)
    loads = rng.normal(0.0038, 0.0002, 40)
    estimate = estimate_yield(loads, [0.0001] * 40, PRIOR)
    assert estimate.value_m3 == pytest.approx(0.0038, rel=0.03)
    assert estimate.spread_m3 == pytest.approx(0.0002, rel=0.6)
    assert estimate.count == 40


def test_one_odd_load_moves_it_little_however_odd_it_is() -> None:
    rng = np.random.default_rng(5)
    loads = list(rng.normal(0.0045, 0.0002, 12))
    clean = value(loads)
    for odd in (0.0, -0.01, 0.05, 5.0):
        assert value([*loads, odd]) == pytest.approx(clean, rel=0.02)
    # The plain mean would be far off.
    assert abs(np.mean([*loads, 0.05]) / clean - 1.0) > 0.5


def test_poorly_measured_loads_count_less() -> None:
    volumes, ses = [0.0045] * 5 + [0.0052] * 5, [0.0001] * 5 + [0.003] * 5
    even = estimate_yield(volumes, [0.0001] * 10, PRIOR).value_m3
    assert estimate_yield(volumes, ses, PRIOR).value_m3 < even - 0.0001


def test_loads_of_long_ago_are_forgotten() -> None:
    assert value([0.009] * 100 + [0.004] * WINDOW_LOADS) == value([0.004] * WINDOW_LOADS)


VOLUMES = st.lists(st.floats(0.001, 0.02), max_size=50)


@given(VOLUMES)
def test_it_lies_among_the_loads_and_the_prior(volumes: list[float]) -> None:
    among = [*volumes[-WINDOW_LOADS:], PRIOR]
    assert min(among) * (1 - 1e-9) <= value(volumes) <= max(among) * (1 + 1e-9)


@given(VOLUMES, st.floats(0.01, 100.0))
def test_it_does_not_depend_on_the_unit(volumes: list[float], scale: float) -> None:
    scaled = estimate_yield(
        [v * scale for v in volumes], [0.0001 * scale] * len(volumes), PRIOR * scale)
    assert scaled.value_m3 == pytest.approx(value(volumes) * scale, rel=1e-6)
