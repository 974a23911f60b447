# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The charts that the watch really runs, against published ones and the plain CUSUM."""

from berm_ledger.books.accepted import AcceptedSurface, MEMORY_LOOKS
from berm_ledger.books.change_charts import (
    ALLOWANCE,
    ChangeCharts,
    Compared,
    MOST_SUM,
    ShiftError,
)
from berm_ledger.books.disturbance import LIMIT
from berm_ledger.survey.noise import GridNoise
import numpy as np
import pytest
from sequential_kit import Cusum

# Montgomery, Introduction to Statistical Quality Control, Table 9.1: target 10, sigma 1, k = 0.5.
MONTGOMERY_X = (
    9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.2, 10.34, 9.03, 11.47, 10.51, 9.4,
    10.08, 9.37, 10.62, 10.31, 8.52, 10.84, 10.9, 9.33, 12.29, 11.5, 10.6, 11.08, 10.38, 11.62,
    11.31, 10.52)
MONTGOMERY_HIGH = (
    0.00, 0.00, 0.00, 1.16, 2.82, 2.50, 0.04, 1.00, 0.00, 0.00, 0.00, 0.97, 0.98, 0.00, 0.00,
    0.00, 0.12, 0.00, 0.00, 0.34, 0.74, 0.00, 1.79, 2.79, 2.89, 3.47, 3.35, 4.47, 5.28, 5.30)


def test_montgomery_table_9_1() -> None:
    """Upper sums of the table; the one that alarms in period 29 has stood since period 23."""
    charts, high = ChangeCharts(1), []
    for x in MONTGOMERY_X:
        charts.add(np.array([x - 10.0], dtype=np.float32), np.array([True]))
        high.append(float(charts.high[0]))
    np.testing.assert_allclose(high, MONTGOMERY_HIGH, atol=0.005)
    assert 1 + max(period for period, sum_ in enumerate(high, 1) if sum_ == 0.0) == 23


def test_they_run_as_the_plain_cusum_does() -> None:
    """Cell by cell, holes and all, up to where their sums stop; the other way round as well."""
    rng = np.random.default_rng(4)
    charts, plain = ChangeCharts(400), Cusum.start((400,))
    for _ in range(1, 60):
        known = rng.random(400) < 0.8
        deviation = np.where(known, rng.standard_normal(400), 0.0)
        quiet = charts.add(deviation.astype(np.float32), known)
        plain = plain.updated(np.where(known, deviation, np.nan), k=ALLOWANCE)
        assert max(plain.high.max(), plain.low.max()) < MOST_SUM
        np.testing.assert_allclose(charts.high, plain.high, atol=1e-4)
        np.testing.assert_allclose(charts.low, plain.low, atol=1e-4)
        assert (quiet == (known & (charts.high == 0.0) & (charts.low == 0.0))).all()


def test_sums_stop() -> None:
    """What is plain need not be forgotten for as long as it has lasted."""
    charts = ChangeCharts(2)
    for _ in range(1, 20):
        charts.add(np.array([4.0, -4.0], dtype=np.float32), np.array([True, True]))
    assert charts.high.tolist() == [MOST_SUM, 0.0]
    assert charts.low.tolist() == [0.0, MOST_SUM]


def test_the_stated_run_length() -> None:
    """
    A chart at the edge of its allowance alarms once in some 465 looks.

    465 is the published average run length for k = 0.5, h = 5 (Lucas and Crosier 1982;
    Montgomery, ch. 9).
    """
    rng, everywhere = np.random.default_rng(1), np.ones(1500, dtype=bool)
    charts, alarms, looks = ChangeCharts(1500), 0, 0
    for _ in range(1, 1200):
        charts.add(rng.standard_normal(1500).astype(np.float32), everywhere)
        fired = np.maximum(charts.high, charts.low) > LIMIT
        charts.restart(fired)
        alarms, looks = alarms + int(fired.sum()), looks + 1500
    assert looks / alarms == pytest.approx(465.0, rel=0.06)


@pytest.mark.parametrize('model', [0.8, 1.0, 1.5])
def test_a_reference_at_rest_is_the_plain_moving_average(model: float) -> None:
    """
    Of looks at flat ground, also where the noise is not what it is thought to be.

    An exponentially weighted mean of weight w scatters by sigma * sqrt(w / (2 - w))
    (NIST/SEMATECH e-Handbook 6.3.2.4); a reference that chooses its looks scatters more, and ever
    more of its cells alarm.
    """
    rng, cells, sigma_m = np.random.default_rng(7), 3000, 0.002
    charts, every, accepted = ChangeCharts(cells), np.arange(cells), AcceptedSurface(cells)
    # As many looks have seen it as it remembers.
    accepted.accept(every, rng.normal(0.0, sigma_m / MEMORY_LOOKS**0.5, cells),
                    np.full(cells, MEMORY_LOOKS), 0)
    pieces = np.array([[0, 0, cells]], dtype=np.int32)
    shift = ShiftError(np.zeros(cells, dtype=np.float32), 0.0, 0.0)
    # Half of what a cell is off alone is taken for the noise of nine.
    noise = GridNoise(2.0 * model * sigma_m, 0.0)
    alarms = []
    for look in range(1500):
        left = (rng.normal(0.0, sigma_m, cells) - accepted.height_m).astype(np.float32)
        alarms.append(sum(charts.take(
            Compared(left, left, shift, noise, look + 1), accepted, every, pieces,
            pieces)))
    weight = 1.0 / MEMORY_LOOKS
    assert accepted.height_m.std() == pytest.approx(
        sigma_m * (weight / (2.0 - weight))**0.5, rel=0.15)
    assert abs(accepted.height_m.mean()) < 0.02 * sigma_m
    assert np.mean(alarms[1000:]) < 1.2 * max(np.mean(alarms[200:700]), 5.0)
