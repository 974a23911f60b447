# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The level of detection: hand values of the published formulas, and its false alarms."""

import math

from berm_ledger.books.detection import level_of_detection
import numpy as np
import pytest


@pytest.mark.parametrize(('s_old', 's_new', 'expected'), [
    # Brasington et al. 2003, Lane et al. 2003: 1.96 times the root of the sum of squares.
    (0.01, 0.01, 0.0277186), (0.01, 0.02, 0.0438269), (0.02, 0.02, 0.0554372),
    (0.05, 0.05, 0.1385929), (0.10, 0.20, 0.4382693),
])
def test_hand_values(s_old: float, s_new: float, expected: float) -> None:
    # They round t to 1.96.
    assert float(level_of_detection(s_old, s_new)) == pytest.approx(expected, rel=3e-5)


@pytest.mark.parametrize(('confidence', 't'), [(0.95, 1.959964), (0.80, 1.281552),
                                               (0.6826895, 1.0)])
def test_confidence_sets_the_factor(confidence: float, t: float) -> None:
    level = level_of_detection(3.0, 4.0, confidence=confidence)
    assert float(level) == pytest.approx(5.0 * t, rel=1e-6)


def test_shared_error_is_added_in_full() -> None:
    # Lague et al. 2013: a registration error of 0.01 m adds 1.96 times itself.
    more = level_of_detection(0.01, 0.01, shared_m=0.01) - level_of_detection(0.01, 0.01)
    assert float(more) == pytest.approx(0.0196, rel=3e-5)


def test_arrays_go_through_and_unknown_stays_unknown() -> None:
    level = level_of_detection([[0.01, math.nan], [0.0, 0.02]], [0.01, 0.02])
    np.testing.assert_allclose(
        level, [[0.0277186, math.nan], [0.0195997, 0.0554372]], rtol=3e-5)


def test_one_in_twenty_equal_pairs_is_beyond_it() -> None:
    rng = np.random.default_rng(2)
    old, new = rng.normal(0.0, 0.003, 40000), rng.normal(0.0, 0.004, 40000)
    beyond = np.abs(new - old) > level_of_detection(0.003, 0.004)
    assert beyond.mean() == pytest.approx(0.05, abs=4 * math.sqrt(0.05 * 0.95 / 40000))
