# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Mappers that make a grid of several scans, as faults of the sensor."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
import math
from types import MappingProxyType

from berm_ledger.survey import ElevationGrid
import numpy as np
from numpy.typing import NDArray
from sensor_faults_kit import ahead_only, all_at_once, Chance, Fault, Sight

AHEAD = ahead_only(math.radians(45.0))


def remembers(weight: float, alone_m: float = math.inf) -> Callable[[Chance], Fault]:
    """
    Return what a mapper holds: new heights averaged in by a weight, old ones where unseen.

    Those that are further off than ``alone_m`` take the place of the old ones.
    """
    def begun(rng: Chance) -> Fault:
        held: list[ElevationGrid] = []

        def fault(sight: Sight) -> ElevationGrid:
            grid = sight.grid
            before = (_moved_along(held[0], grid) if held
                      else np.full(sight.height_m.shape, math.nan))
            seen = np.where(np.isnan(before), sight.height_m,
                            before + weight * (sight.height_m - before))
            far = np.abs(sight.height_m - before) > alone_m
            seen = np.where(far, sight.height_m, seen)
            held[:] = [sight.shown(np.where(np.isnan(sight.height_m), before, seen))]
            return held[0]
        return fault
    return begun


def _moved_along(held: ElevationGrid, grid: ElevationGrid) -> NDArray[np.float64]:
    """Return the heights of a grid on the cells of another of the same lattice."""
    rows, cols = grid.height_m.shape
    step = np.rint(held.axes.index_from_world(np.array([grid.axes.origin_xy]))[0]).astype(int)
    out = np.full((rows, cols), math.nan)
    take, put = ([slice(max(0, k), max(0, min(count, count + k)))
                  for k, count in zip(sign * step, (rows, cols))] for sign in (1, -1))
    out[put[0], put[1]] = held.height_m[take[0], take[1]]
    return out


def of_last(count: int, pick: Callable[..., NDArray[np.float64]]) -> Callable[[Chance], Fault]:
    """Return what a mapper picks of so many last heights of each cell, those known."""
    def begun(rng: Chance) -> Fault:
        held: list[ElevationGrid] = []

        def fault(sight: Sight) -> ElevationGrid:
            # Newest first; a cell that is not seen keeps what it has.
            before = [_moved_along(one, sight.grid) for one in held]
            before += [np.full(sight.height_m.shape, math.nan)] * (count - len(before))
            unseen = np.isnan(sight.height_m)
            last = np.array([np.where(unseen, own, new) for own, new in zip(
                before, [sight.height_m, *before[:-1]])])
            held[:] = [sight.shown(one) for one in last]
            known = np.where(np.isfinite(last), last, last[0])
            return sight.shown(pick(known, axis=0))
        return fault
    return begun


def kalman(spread_m: float, wander_m: float, gate: float, most_refused: int
           ) -> Callable[[Chance], Fault]:
    """
    Return what a filter of each cell holds.

    Scans spread by ``spread_m``, cells are taken to wander by ``wander_m`` from grid to grid. What
    is off by more than ``gate`` standard deviations is refused, so many times running; then the
    cell begins anew.
    """
    def begun(rng: Chance) -> Fault:
        held: list[ElevationGrid] = []

        def fault(sight: Sight) -> ElevationGrid:
            seen, new = np.isfinite(sight.height_m), sight.height_m.astype(float)
            blank = np.full(new.shape, math.nan)
            height, variance, refused = [
                _moved_along(one, sight.grid) for one in held] or [blank, blank, blank]
            first = seen & np.isnan(height)
            variance = variance + wander_m**2
            off = np.abs(new - height) > gate * np.sqrt(variance + spread_m**2)
            refused = np.where(seen, np.where(off, refused + 1.0, 0.0), refused)
            anew = first | (refused > most_refused)
            gain = np.where(seen & ~off, variance / (variance + spread_m**2), 0.0)
            height = np.where(anew, new, np.where(gain > 0.0, height + gain * (new - height),
                                                  height))
            variance = np.where(anew, spread_m**2, (1.0 - gain) * variance)
            refused = np.where(anew, 0.0, refused)
            held[:] = [sight.shown(one) for one in (height, variance, refused)]
            return held[0]
        return fault
    return begun


def freezes(every_s: float, for_s: float) -> Callable[[Chance], Fault]:
    """Return grids that come as they were for a while, time and again; stamps go on."""
    def begun(rng: Chance) -> Fault:
        last: list[ElevationGrid] = []

        def fault(sight: Sight) -> ElevationGrid:
            frozen = 1e-9 * sight.grid.stamp_ns % every_s < for_s
            if not (frozen and last):
                last[:] = [sight.grid]
            return replace(last[0], stamp_ns=sight.grid.stamp_ns)
        return fault
    return begun


MAPPERS: Mapping[str, Callable[[Chance], Fault]] = MappingProxyType({
    'mapper remembers what it saw ahead': all_at_once(
        AHEAD, remembers(1.0)),
    **{f'mapper averages by {weight}': all_at_once(
        AHEAD, remembers(weight)) for weight in (0.2, 0.3, 0.5, 0.7)},
    'mapper averages by 0.5, seen all round': remembers(0.5),
    'mapper averages by 0.6, not beyond 25 mm': all_at_once(AHEAD, remembers(0.6, 0.025)),
    'mapper averages by 0.3, not beyond 100 mm': all_at_once(AHEAD, remembers(0.3, 0.1)),
    'mapper filters, 5 mm, 1 mm': all_at_once(
        AHEAD, kalman(0.005, 0.001, math.inf, 0)),
    'mapper filters, 5 mm, 3 mm': all_at_once(
        AHEAD, kalman(0.005, 0.003, math.inf, 0)),
    'mapper filters, 5 mm, 2 mm, refuses 3 beyond 3 sd': all_at_once(
        AHEAD, kalman(0.005, 0.002, 3.0, 3)),
    'median of the last 3': all_at_once(AHEAD, of_last(3, np.median)),
    'median of the last 5': all_at_once(AHEAD, of_last(5, np.median)),
    'mean of the last 3': all_at_once(AHEAD, of_last(3, np.mean)),
    'highest of the last 3': all_at_once(AHEAD, of_last(3, np.max)),
    'mapper stands still for 5 s in 60': freezes(60.0, 5.0),
})
