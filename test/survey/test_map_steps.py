# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A grid that lies far from the one before is told from a map that drifts or scatters."""

from __future__ import annotations

import math

from berm_ledger.survey.map_steps import FAR_M, MapSteps
import numpy as np
import pytest

CORNERS = np.array([[-1.0, -1.0], [3.0, 1.0]])


def told(moves) -> list[int]:
    """Return which grids, by number, are told to lie far: their shifts (k, 2) are given [m]."""
    steps = MapSteps()
    return [n for n, move in enumerate(moves) if steps.is_far(CORNERS + move)]


def test_a_jump_that_stays_is_one_grid_and_one_that_passes_two() -> None:
    still = np.zeros((10, 2))
    moved = np.add(still, (0.03, -0.05))
    assert told(np.vstack([still, moved])) == [10]
    assert told(np.vstack([still, moved[:1], still])) == [10, 11]


def test_the_first_grid_and_a_small_step_are_not_far() -> None:
    assert told([(5.0, 5.0), (5.0, 5.0)]) == []
    assert told([(0.0, 0.0)] * 8 + [(0.99 * FAR_M, 0.0)] * 2) == []


def test_a_drift_is_not_far() -> None:
    assert told(np.linspace(0.0, 0.15, 40)[:, None] * (1.0, -1.0)) == []


@pytest.mark.parametrize('sigma_m', [0.004, 0.02, 0.05])
def test_grids_that_scatter_are_seldom_far(sigma_m: float) -> None:
    """Of steps of a normal scatter one in 300 is four times their median, some once in a row."""
    moves = np.random.default_rng(0).normal(0.0, sigma_m, (2000, 2))
    assert len(told(moves)) < 0.01 * len(moves)


def test_a_turn_alone_is_far() -> None:
    """Three degrees about the middle."""
    steps, middle = MapSteps(), CORNERS.mean(axis=0)
    cos, sin = math.cos(0.05), math.sin(0.05)
    turned = (CORNERS - middle) @ np.array([[cos, sin], [-sin, cos]]) + middle
    told_of = [steps.is_far(at) for at in [CORNERS] * 8 + [turned] + [CORNERS] * 2]
    assert told_of == [False] * 8 + [True] * 2 + [False]
