# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The stretch of a crest where the next load does most good."""

from __future__ import annotations

from functools import lru_cache
import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..geometry import Polyline

# Places along a segment where the middle of a load may lie.
CANDIDATES = 9

Floats = NDArray[np.float64]


def lowest_stretch(
    station_m: ArrayLike,
    short_m: ArrayLike,
    *,
    from_m: float,
    to_m: float,
    drum_width_m: float,
    line: Polyline,
) -> tuple[float, float]:
    """
    Return the middle of the lowest stretch of one segment and by how much it is short.

    Parameters
    ----------
    station_m, short_m : array
        Shape (n,): stations of the crest of the whole berm, and design less crest there [m]; NaN
        is unknown.
    from_m, to_m : float
        Station interval of the segment [m].
    drum_width_m : float
        Length of a stretch [m].
    line : Polyline
        The centreline.

    Returns
    -------
    tuple of float
        Station [m] and mean shortfall over one drum width around it [m], as far as the berm goes;
        both NaN where no stretch of the segment was seen over at least half of its sections.

    Examples
    --------
    >>> station, short = lowest_stretch(
    ...     [0.1, 0.3, 0.5, 0.7], [0.0, 0.0, 0.04, 0.0], from_m=0.4, to_m=0.8, drum_width_m=0.1,
    ...     line=Polyline([[0.0, 0.0], [0.8, 0.0]]))
    >>> round(station, 3), short
    (0.467, 0.04)

    """
    station, short = crest_within(drum_width_m, station_m, short_m, from_m, to_m, line)
    return _lowest(station.tobytes(), short.tobytes(), from_m, to_m, drum_width_m, line)


def crest_within(
    reach_m: float, station_m: ArrayLike, short_m: ArrayLike, from_m: float, to_m: float,
    line: Polyline,
) -> tuple[Floats, Floats]:
    """Return the crest within reach of a segment; a closed one whole, unknown where beyond."""
    station, short = np.asarray(station_m, dtype=float), np.asarray(short_m, dtype=float)
    if line.closed:
        gap = np.abs(station - 0.5 * (from_m + to_m))
        far = np.minimum(gap, line.length_m - gap) > 0.5 * (to_m - from_m) + reach_m
        return station, np.where(far, np.nan, short)
    # Stations ascend.
    first, last = station.searchsorted((from_m - reach_m, to_m + reach_m))
    return station[first:last], short[first:last]


@lru_cache(maxsize=512)
def _lowest(
    stations: bytes, shorts: bytes, from_m: float, to_m: float, drum_width_m: float,
    line: Polyline,
) -> tuple[float, float]:
    """Return the lowest stretch; from one look to the next most of a crest stays as it is."""
    station, short = np.frombuffer(stations), np.frombuffer(shorts)
    middle = stretch_middles(from_m, to_m)
    if line.closed:
        gap = np.abs(station - middle[:, None])
        near = np.minimum(gap, line.length_m - gap) <= _reach_m(drum_width_m)
        sections = near.sum(axis=1)
    else:
        # Stations ascend: only those within a drum width of the middles can be near.
        reach = (middle[0] - drum_width_m, middle[-1] + drum_width_m)
        first, last = np.searchsorted(station, reach)
        station, short = station[first:last], short[first:last]
        # They are the same for every look.
        near, sections = _near(station.tobytes(), middle.tobytes(), drum_width_m)
    known = near & np.isfinite(short)
    count = known.sum(axis=1)
    total = np.where(known, short, 0.0).sum(axis=1)
    enough = (count > 0) & (2 * count >= sections)
    if not enough.any():
        return math.nan, math.nan
    mean = np.where(enough, total / np.maximum(count, 1), -np.inf)
    best = int(np.argmax(mean))
    return float(middle[best]), float(mean[best])


@lru_cache(maxsize=1024)
def _near(
    stations: bytes, middles: bytes, drum_width_m: float
) -> tuple[NDArray[np.bool_], NDArray[np.intp]]:
    """Return which stations are near each middle, (m, k), and how many; of an open berm."""
    gap = np.abs(np.frombuffer(stations) - np.frombuffer(middles)[:, None])
    near = gap <= _reach_m(drum_width_m)
    return near, near.sum(axis=1)


def _reach_m(drum_width_m: float) -> float:
    """Return how far from its middle a stretch reaches [m]."""
    return 0.5 * drum_width_m + 1e-9


def stretch_middles(from_m: float, to_m: float) -> Floats:
    """
    Return stations (n,) [m] between two where the middle of a drum width of crest may lie.

    Half of the drum may reach past an open end: the round end is part of the design, and a crest
    whose end is not filled slopes down over its last sections.
    """
    step = (to_m - from_m) / CANDIDATES
    return np.asarray(from_m + (np.arange(CANDIDATES) + 0.5) * step, dtype=np.float64)
