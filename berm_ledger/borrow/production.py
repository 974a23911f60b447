# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Production and forecast: loads per hour, mass per cycle, where the time goes, when it is done.

The forecast multiplies the loads still called for with the mean time of a cycle. That count is a
forecast itself: how fast it has come down per load dumped is looked up in the history, drawn
towards one by ``PRIOR_LOADS`` loads, and the loads are divided by it; and to the end come some
that nobody calls for yet, where the crest turns out to be short by chance. The range is 90 % of a
normal distribution whose variance is that of the count, of the cycles to come and of their mean.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
import math

import numpy as np

from .account import BorrowAccount, LoadRecord

# Cycles looked back on.
WINDOW_LOADS = 20
PRIOR_LOADS = 6
LEAST_RATE, MOST_RATE = 0.5, 1.3
# Standard deviation of the count of loads left: a share of it, a part for each load's own chance,
# and what rounding to whole loads does; common practice, no source.
COUNT_SHARE = 0.10
COUNT_EACH = 0.5
COUNT_FLOOR = 1.0
# Loads that are called for only towards the end, as a share of all and no more than a share of
# those left, and how unsure that is; random builds took 7 % more loads than their volume asks for
# (test/campaigns/builds.py), part of which shows in the rate.
LATE_SHARE, LATE_OF_LEFT, LATE_SPREAD = 0.05, 0.5, 0.7
SIGMAS_90 = 1.645
# A cycle counts with no less spread than this share of the mean.
LEAST_SPREAD = 0.05
LEAST_CYCLES = 3


@dataclass(frozen=True)
class Production:
    """
    How the work goes, over the last cycles; NaN is unknown.

    Parameters
    ----------
    loads_per_h : float
        Loads an hour.
    kg_per_cycle : float
        Mean mass of a load [kg].
    cycle_s, dig_s, haul_s, dump_s : float
        Mean time of a cycle and of its parts [s].
    cycles : int
        Cycles behind it.

    """

    loads_per_h: float = math.nan
    kg_per_cycle: float = math.nan
    cycle_s: float = math.nan
    dig_s: float = math.nan
    haul_s: float = math.nan
    dump_s: float = math.nan
    cycles: int = 0


@dataclass(frozen=True)
class Forecast:
    """Time until the last load [s]: ``middle_s``, and ``low_s`` to ``high_s`` for 90 %."""

    low_s: float
    middle_s: float
    high_s: float


def production_of(account: BorrowAccount, window: int = WINDOW_LOADS) -> Production:
    """
    Return how the work goes.

    Parameters
    ----------
    account : BorrowAccount
        The account.
    window : int
        Loads looked back on.

    Returns
    -------
    Production
        Means over the last loads of which they are known.

    """
    loads = account.loads[-window:]
    cycle_s = _mean([load.times.cycle_s for load in loads])
    whole = [load.times for load in loads if math.isfinite(load.times.haul_s)]
    return Production(
        loads_per_h=3600.0 / cycle_s if cycle_s > 0.0 else math.nan,
        kg_per_cycle=_mean([load.mass_kg for load in loads]), cycle_s=cycle_s,
        dig_s=_mean([times.dig_s for times in whole]),
        haul_s=_mean([times.haul_s for times in whole]),
        dump_s=_mean([times.dump_s for times in whole]),
        cycles=sum(math.isfinite(load.times.cycle_s) for load in loads))


def forecast(account: BorrowAccount, loads_left: int) -> Forecast | None:
    """
    Return when the last load will have been dumped, counted from the last one.

    Parameters
    ----------
    account : BorrowAccount
        The account.
    loads_left : int
        Loads still called for.

    Returns
    -------
    Forecast or None
        None as long as too few cycles are known.

    """
    cycles = np.array([load.times.cycle_s for load in account.loads[-WINDOW_LOADS:]])
    cycles = cycles[np.isfinite(cycles)]
    if len(cycles) < LEAST_CYCLES:
        return None
    if loads_left <= 0:
        return Forecast(0.0, 0.0, 0.0)
    mean = float(cycles.mean())
    spread = max(float(cycles.std(ddof=1)), LEAST_SPREAD * mean)
    late = min(LATE_SHARE * (len(account.loads) + loads_left), LATE_OF_LEFT * loads_left)
    count = loads_left / _rate(account.loads) + late
    count_sd = math.hypot(COUNT_SHARE * count, COUNT_EACH * math.sqrt(count), COUNT_FLOOR,
                          LATE_SPREAD * late)
    error = math.hypot(mean * count_sd, spread * math.sqrt(count),
                       spread * count / math.sqrt(len(cycles)))
    middle = mean * count
    return Forecast(
        max(0.0, middle - SIGMAS_90 * error), middle, middle + SIGMAS_90 * error)


def _rate(loads: Sequence[LoadRecord]) -> float:
    """Return by how much the loads called for have come down with each load dumped."""
    known = [(n, load.loads_left) for n, load in enumerate(loads[-WINDOW_LOADS:])
             if load.loads_left is not None]
    if len(known) < 2:
        return 1.0
    (first, before), (last, after) = known[0], known[-1]
    rate = (before - after + PRIOR_LOADS) / (last - first + PRIOR_LOADS)
    return min(MOST_RATE, max(LEAST_RATE, rate))


def _mean(values: Sequence[float]) -> float:
    """Return the mean of the known values, NaN for none."""
    known = [value for value in values if math.isfinite(value)]
    return sum(known) / len(known) if known else math.nan
