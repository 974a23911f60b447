# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Production figures and the forecast."""

from dataclasses import astuple
import math

from berm_ledger.borrow.account import BorrowAccount, LoadRecord
from berm_ledger.borrow.cycle import CycleTimes
from berm_ledger.borrow.production import forecast, production_of
import numpy as np
import pytest


def account(cycles: list[float], left: list[int] | None = None) -> BorrowAccount:
    """Return an account with loads of 6 kg."""
    return BorrowAccount(loads=tuple(
        LoadRecord(n + 1, n * 10**9, mass_kg=6.0, times=CycleTimes(
            cycle_s, 0.4 * cycle_s, 0.5 * cycle_s, 0.1 * cycle_s),
            loads_left=None if left is None else left[n])
        for n, cycle_s in enumerate(cycles)))


def test_production_is_the_mean_of_the_cycles() -> None:
    """A load every 60 s is 60 an hour."""
    made = production_of(account([math.nan, 60.0, 50.0, 70.0]))
    assert made.loads_per_h == pytest.approx(60.0)
    assert made.kg_per_cycle == 6.0
    assert (made.dig_s, made.haul_s, made.dump_s) == pytest.approx((24.0, 30.0, 6.0))
    assert made.cycles == 3


def test_the_forecast_is_loads_times_cycle() -> None:
    """Where each load took one off the count, their product; and 5 % of all 30 come late."""
    told = forecast(account([60.0] * 10, list(range(30, 20, -1))), 20)
    assert told is not None
    assert told.middle_s == pytest.approx((20 + 1.5) * 60.0)
    assert 0.0 < told.low_s < told.middle_s < told.high_s


def test_a_count_that_comes_down_slowly_takes_longer() -> None:
    """Two loads for one off the count: more loads than it says."""
    slow = forecast(account([60.0] * 11, [30 - n // 2 for n in range(11)]), 25)
    assert slow is not None
    assert slow.middle_s > 1.3 * 25 * 60.0


def test_near_the_end_few_loads_can_come_late() -> None:
    """Of one load left, 5 % of all would be more than that itself."""
    told = forecast(account([60.0] * 39, list(range(39, 0, -1))), 1)
    assert told is not None
    assert told.middle_s == pytest.approx(1.5 * 60.0)


@pytest.mark.parametrize('times', [0.01, 3.0])
def test_the_forecast_does_not_depend_on_the_unit_of_time(times: float) -> None:
    """Neither its middle nor its bounds."""
    cycles, left = np.array([50.0, 70.0, 40.0, 90.0, 60.0, 65.0]), list(range(30, 24, -1))
    one, other = (forecast(account((scale * cycles).tolist(), left), 20)
                  for scale in (1.0, times))
    assert astuple(other) == pytest.approx([times * value_s for value_s in astuple(one)])


def test_it_says_nothing_too_early_and_zero_at_the_end() -> None:
    """Three cycles are the least; nothing left takes no time."""
    assert forecast(account([math.nan, 60.0, 60.0]), 5) is None
    done = forecast(account([60.0] * 5), 0)
    assert done is not None
    assert (done.low_s, done.high_s) == (0.0, 0.0)


def test_the_range_widens_with_what_is_left_and_with_uneven_cycles() -> None:
    """More to come, less sure."""
    even = account([60.0] * 10)
    uneven = account([30.0, 90.0] * 5)
    widths = [f.high_s - f.low_s for f in (
        forecast(even, 5), forecast(even, 20), forecast(uneven, 20)) if f]
    assert widths[0] < widths[1] < widths[2]
