# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Which figures of the borrow side go into the books, rounded as all others."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
import math
from typing import Any

from .account import Balance, BALANCE_FIGURES
from .cycle import CycleTimes
from .lane_figures import LaneFigures, STEP_RUN_M
from .load import Estimate
from ..books.booking import rounded, with_digits
from ..design import Site

TIME_DIGITS = 2
CURRENT_DIGITS = 3


def cut_data(
    area: str, total: tuple[float, float], load: tuple[float, float], deepest_m: float,
    step_m: float, left: tuple[float, float], figures: Sequence[LaneFigures],
    next_lane: int | None, next_cut_m: float,
) -> dict[str, Any]:
    """
    Return the data of a ``cut`` entry.

    Parameters
    ----------
    area : str
        Name of the borrow area.
    total, load : tuple of float
        Bank volume taken since the datum, and in this visit, each with its error [m3].
    deepest_m, step_m : float
        Deepest place and greatest step [m].
    left : tuple of float
        Area [m2] and volume [m3] left.
    figures : sequence of LaneFigures
        Its lanes.
    next_lane : int or None
        Lane to dig next.
    next_cut_m : float
        Depth of the next cut [m].

    Returns
    -------
    dict
        JSON values.

    """
    return {
        'area': area,
        'volume_m3': rounded('volume_m3', total[0]),
        'volume_se_m3': rounded('volume_se_m3', total[1]),
        'load_m3': rounded('load_m3', load[0]),
        'load_se_m3': rounded('load_se_m3', load[1]),
        'deepest_m': rounded('deepest_m', deepest_m),
        'step_m': rounded('step_m', step_m),
        'left_m2': rounded('left_m2', left[0]),
        'left_m3': rounded('left_m3', left[1]),
        'next_lane': next_lane,
        'next_cut_m': rounded('next_cut_m', next_cut_m),
        'lanes': [{
            'lane': f.lane, **{name: rounded(name, getattr(f, name)) for name in (
                'volume_m3', 'mean_m', 'deepest_m', 'step_m')}} for f in figures],
    }


def void_data(
    site: Site, area: str, limit_m: float | None, figures: LaneFigures, reason: str
) -> dict[str, Any]:
    """Return the data of a ``void`` entry: which lane is closed, and why."""
    text = (f'lane {figures.lane} of {area} is closed: ' + (
        f'{figures.deepest_m:.3f} m deep, one more cut would pass max_cut_m, {limit_m:g} m'
        if reason == 'deep' else
        f'its edge falls by {figures.step_m:.3f} m within {STEP_RUN_M:g} m, '
        f'{math.degrees(figures.edge_slope_rad):.0f} degrees; the wheels clear '
        f'{site.rover.clearance_m:g} m'))
    return {
        'area': area, 'lane': figures.lane, 'reason': reason,
        'deepest_m': rounded('deepest_m', figures.deepest_m),
        'step_m': rounded('step_m', figures.step_m),
        'volume_m3': rounded('volume_m3', figures.volume_m3), 'text': text}


def load_data(
    dump_seq: int, load: Estimate, partial: bool | None, parts: Mapping[str, Estimate],
    current_a: float, cut: tuple[float, float], times: CycleTimes, loads_left: int,
    unseen: tuple[str, ...] = (),
) -> dict[str, Any]:
    """
    Return the data of a ``load`` entry.

    Parameters
    ----------
    dump_seq : int
        Number of the entry of its dump.
    load : Estimate
        What it weighs.
    partial : bool or None
        Whether it is partial, None where that is not known.
    parts : mapping
        What each kind of evidence says, by name.
    current_a : float
        Drum current [A].
    cut : tuple of float
        Bank volume cut for it with its error [m3].
    times : CycleTimes
        Times of its cycle.
    loads_left : int
        Loads still called for after it.
    unseen : tuple of str
        Areas that it was dug in and that were not surveyed.

    Returns
    -------
    dict
        JSON values.

    """
    data: dict[str, Any] = {
        'dump_seq': dump_seq,
        'mass_kg': rounded('mass_kg', load.mass_kg),
        'mass_se_kg': rounded('mass_se_kg', load.se_kg),
        'partial': partial,
        'current_a': with_digits(current_a, CURRENT_DIGITS),
        'cut_m3': rounded('cut_m3', cut[0]),
        'cut_se_m3': rounded('cut_se_m3', cut[1]),
        'loads_left': loads_left,
    }
    for name, part in parts.items():
        data[f'{name}_kg'] = rounded('_kg', part.mass_kg)
        data[f'{name}_se_kg'] = rounded('_kg', part.se_kg)
    for name in ('cycle_s', 'dig_s', 'haul_s', 'dump_s'):
        data[name] = with_digits(getattr(times, name), TIME_DIGITS)
    if unseen:
        data['unseen_areas'] = list(unseen)
    return data


def balance_data(balance: Balance, is_open: bool) -> dict[str, Any]:
    """Return the data of a ``balance`` entry; ``open`` tells that it does not close."""
    figures = {name: rounded(name, getattr(balance, name)) for name in BALANCE_FIGURES}
    return {**figures, 'open': is_open}
