# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""CUSUM and EWMA against published worked examples and published average run lengths."""

import math

from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import pytest
from sequential_kit import Cusum, cusum_run_length, ewma, ewma_limit

# NIST/SEMATECH e-Handbook 6.3.2.3: twenty group means, target 325, k = 0.3175, h = 4.1959.
NIST_MEANS = (
    324.93, 324.68, 324.73, 324.35, 325.35, 325.23, 324.13, 324.53, 325.23, 324.60, 324.63,
    325.15, 328.33, 327.25, 327.83, 328.50, 326.68, 327.78, 326.88, 328.35)
NIST_HIGH_FROM_13 = (3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04)

# Montgomery, Introduction to Statistical Quality Control, Table 9.1: target 10, sigma 1.
MONTGOMERY_X = (
    9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.2, 10.34, 9.03, 11.47, 10.51, 9.4,
    10.08, 9.37, 10.62, 10.31, 8.52, 10.84, 10.9, 9.33, 12.29, 11.5, 10.6, 11.08, 10.38, 11.62,
    11.31, 10.52)
MONTGOMERY_HIGH = (
    0.00, 0.00, 0.00, 1.16, 2.82, 2.50, 0.04, 1.00, 0.00, 0.00, 0.00, 0.97, 0.98, 0.00, 0.00,
    0.00, 0.12, 0.00, 0.00, 0.34, 0.74, 0.00, 1.79, 2.79, 2.89, 3.47, 3.35, 4.47, 5.28, 5.30)

# NIST/SEMATECH e-Handbook 6.3.2.4: target 50, s = 2.0539, weight 0.3, width 3.
NIST_Y = (52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3,
          47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
NIST_EWMA = (50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36,
             49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99)


def charts(values, target: float, k: float) -> list[Cusum]:
    chart, out = Cusum.start(()), []
    for value in values:
        chart = chart.updated(value - target, k=k)
        out.append(chart)
    return out


def test_nist_cusum_example() -> None:
    rows = charts(NIST_MEANS, 325.0, 0.3175)
    # The page computes from means with one decimal more than it prints.
    np.testing.assert_allclose([float(c.high) for c in rows[12:]], NIST_HIGH_FROM_13, atol=0.07)
    assert [i for i, c in enumerate(rows, 1) if c.alarms(h=4.1959)] == list(range(14, 21))
    assert max(float(c.low) for c in rows) == pytest.approx(0.72, abs=0.02)


def test_montgomery_table_9_1() -> None:
    rows = charts(MONTGOMERY_X, 10.0, 0.5)
    np.testing.assert_allclose([float(c.high) for c in rows], MONTGOMERY_HIGH, atol=0.005)
    assert [i for i, c in enumerate(rows, 1) if c.alarms(h=5.0)] == [29, 30]
    # The count dates the shift between periods 22 and 23; mean since then 11.25.
    at_alarm = rows[28]
    assert int(at_alarm.high_count) == 7
    estimate = 10.0 + 0.5 + float(at_alarm.high / at_alarm.high_count)
    assert estimate == pytest.approx(11.25, abs=0.005)


def test_nist_ewma_example() -> None:
    mean, out = np.array(50.0), []
    for value in NIST_Y:
        mean = ewma(mean, value, weight=0.3)
        out.append(float(mean))
    np.testing.assert_allclose(out, NIST_EWMA, atol=0.00501)
    limit = float(ewma_limit(2.0539, weight=0.3, width=3.0))
    # The page rounds the factor to 0.4201.
    assert (50.0 + limit, 50.0 - limit) == pytest.approx((52.5884, 47.4115), abs=2e-4)
    assert max(abs(value - 50.0) for value in out) < limit


@pytest.mark.parametrize(('count', 'half_width'), [
    # 2.7 sqrt(0.1 / 1.9 (1 - 0.9^2t)); for t = 1 that is 2.7 times 0.1.
    (1, 0.27), (2, 0.363248), (10, 0.580549), (math.inf, 0.619422)])
def test_ewma_limits_widen_at_the_start(count: float, half_width: float) -> None:
    limit = ewma_limit(1.0, weight=0.1, width=2.7, count=count)
    assert float(limit) == pytest.approx(half_width, abs=1e-5)


def cusum_lengths(shift: float, h: float, head_start: float, charts_count: int) -> np.ndarray:
    """Return simulated run lengths of many charts until each has given an alarm."""
    rng = np.random.default_rng(1982)
    chart = Cusum.start((charts_count,), head_start=head_start)
    running, lengths = np.arange(charts_count), np.zeros(charts_count)
    for step in range(1, 100_000):
        chart = chart.updated(rng.normal(shift, 1.0, len(running)), k=0.5)
        done = chart.alarms(h=h)
        lengths[running[done]] = step
        running = running[~done]
        if len(running) == 0:
            return lengths
        chart = Cusum(chart.high[~done], chart.low[~done], chart.high_count[~done],
                      chart.low_count[~done])
    pytest.fail('some charts never gave an alarm')


# Lucas & Crosier 1982, Table 1 (h = 4); Montgomery ch. 9 (h = 5); two-sided, k = 0.5.
@pytest.mark.parametrize(('shift', 'h', 'head_start', 'published'), [
    (0.0, 4.0, 0.0, 168.0), (0.0, 4.0, 2.0, 149.0), (0.0, 5.0, 0.0, 465.0),
    (0.5, 4.0, 0.0, 26.6), (0.5, 4.0, 2.0, 20.1), (1.0, 4.0, 0.0, 8.38), (1.0, 4.0, 2.0, 5.29),
    (2.0, 4.0, 0.0, 3.34), (2.0, 4.0, 2.0, 2.01), (1.0, 5.0, 0.0, 10.4), (-1.0, 4.0, 0.0, 8.38),
])
def test_cusum_run_lengths(shift, h, head_start, published) -> None:
    lengths = cusum_lengths(shift, h, head_start, 6000)
    error = lengths.std() / math.sqrt(len(lengths))
    assert lengths.mean() == pytest.approx(published, abs=4.0 * error + 0.005 * published)


@pytest.mark.parametrize(('shift', 'h', 'published'), [
    (0.0, 4.0, 168.0), (0.0, 5.0, 465.0), (0.5, 4.0, 26.6), (1.0, 4.0, 8.38), (1.0, 5.0, 10.4),
    (2.0, 5.0, 4.01), (-0.5, 5.0, 38.0),
])
def test_formula_for_the_run_length(shift: float, h: float, published: float) -> None:
    assert cusum_run_length(shift, k=0.5, h=h) == pytest.approx(published, rel=0.035)


def test_formula_for_the_run_length_without_drift() -> None:
    # Vance 1986: k = 0, h = 10, one-sided 124.66; the other side of a two-sided chart is alike.
    assert 2.0 * cusum_run_length(0.0, k=0.0, h=10.0) == pytest.approx(124.66, rel=0.005)


# Lucas & Saccucci 1990, Table 3, fixed limits.
@pytest.mark.parametrize(('weight', 'width', 'shift', 'published'), [
    (0.5, 3.071, 0.5, 88.8), (0.5, 3.071, 1.0, 17.5), (0.5, 3.071, 2.0, 3.63),
    (0.03, 2.437, 0.5, 29.3), (0.03, 2.437, 1.0, 12.6), (0.03, 2.437, 2.0, 5.99),
])
def test_ewma_run_lengths(weight, width, shift, published) -> None:
    rng = np.random.default_rng(1990)
    limit = float(ewma_limit(1.0, weight=weight, width=width))
    mean, lengths = np.zeros(6000), np.zeros(6000)
    running = np.arange(6000)
    for step in range(1, 10_000):
        mean = ewma(mean, rng.normal(shift, 1.0, len(running)), weight=weight)
        done = np.abs(mean) > limit
        lengths[running[done]] = step
        running, mean = running[~done], mean[~done]
        if len(running) == 0:
            break
    error = lengths.std() / math.sqrt(len(lengths))
    assert lengths.mean() == pytest.approx(published, abs=4.0 * error + 0.005 * published)


def test_unknown_samples_leave_a_chart_as_it_is() -> None:
    chart = Cusum.start((2,)).updated([2.0, 2.0], k=0.5)
    after = chart.updated([math.nan, 1.0], k=0.5)
    assert after.high.tolist() == [1.5, 2.0]
    assert after.high_count.tolist() == [1, 2]
    assert ewma([1.0, 1.0], [math.nan, 2.0], weight=0.5).tolist() == [1.0, 1.5]


def test_some_charts_start_again() -> None:
    chart = Cusum.start((2,)).updated([2.0, -2.0], k=0.5).restarted(np.array([True, False]))
    assert (chart.high.tolist(), chart.low.tolist()) == ([0.0, 0.0], [0.0, 1.5])
    assert chart.low_count.tolist() == [0, 1]


@given(st.lists(st.floats(-5.0, 5.0), min_size=1, max_size=30))
def test_upper_sum_is_the_highest_climb_of_the_plain_sum(values: list[float]) -> None:
    # The tabular form equals the V-mask form: how far the sum stands above its lowest point.
    climb = np.cumsum(np.asarray(values) - 0.5)
    expected = climb[-1] - min(0.0, climb.min())
    assert float(charts(values, 0.0, 0.5)[-1].high) == pytest.approx(expected, abs=1e-9)


@given(st.lists(st.floats(-5.0, 5.0), min_size=1, max_size=30))
def test_mirrored_samples_give_the_mirrored_chart(values: list[float]) -> None:
    there, back = charts(values, 0.0, 0.5)[-1], charts([-v for v in values], 0.0, 0.5)[-1]
    assert (float(there.high), float(there.low)) == (float(back.low), float(back.high))
