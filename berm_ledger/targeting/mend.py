# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
One more load on a crest nearly done: where it brings more into tolerance than it takes out.

Of a crest short by no more than a load, one is worth its while when the length of crest that is
expected in tolerance grows; what it makes too high no other load mends. A crest is not known to
the last millimetre and a load lands unevenly: a section is in tolerance with a probability.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
import math

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import erf

from .stretch import crest_within, stretch_middles
from ..geometry import Polyline

# What is not known of one section of a crest, and what a load adds to that, in shares of its rise.
UNKNOWN_M = 0.008
UNEVEN_SHARE = 0.2
# A load lands so far off along the line, so that its ends are no steps [m].
LANDING_M = 0.05
# A load for less than this share of a drum width is not worth its way.
LEAST_GAIN = 0.02

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Load:
    """
    What one load does to a crest.

    Parameters
    ----------
    rise_m : float
        How much it raises the crest [m].
    width_m : float
        Over which length: the width of the drum [m].

    """

    rise_m: float
    width_m: float


def mending_place(
    station_m: ArrayLike,
    short_m: ArrayLike,
    load: Load,
    tolerance_m: float,
    *,
    from_m: float,
    to_m: float,
    line: Polyline,
) -> float | None:
    """
    Return where one more load brings most of a crest into tolerance, None where it brings none.

    Parameters
    ----------
    station_m, short_m : array
        Shape (n,): stations of the crest of the whole berm, and design less crest there [m]; NaN
        is unknown.
    load : Load
        What a load does.
    tolerance_m : float
        Height tolerance [m].
    from_m, to_m : float
        Between which stations the load is to land [m].
    line : Polyline
        The centreline.

    Returns
    -------
    float or None
        Station of the middle of the load [m].

    """
    # A load changes nothing beyond.
    station, short = crest_within(
        load.width_m + LANDING_M, station_m, short_m, from_m, to_m, line)
    return _mending_place(
        station.tobytes(), short.tobytes(), load, tolerance_m, from_m, to_m, line)


@lru_cache(maxsize=512)
def _mending_place(
    stations: bytes, shorts: bytes, load: Load, tolerance_m: float, from_m: float, to_m: float,
    line: Polyline,
) -> float | None:
    """Return the place; from one look to the next most of a crest stays as it is."""
    short = np.frombuffer(shorts)
    known = np.isfinite(short)
    station, short = np.frombuffer(stations)[known], short[known]
    middle = stretch_middles(from_m, to_m)
    gap = np.abs(station - middle[:, None])
    gap = np.minimum(gap, line.length_m - gap) if line.closed else gap
    part = np.clip((0.5 * load.width_m + LANDING_M - gap) / (2.0 * LANDING_M), 0.0, 1.0)
    before = _in_tolerance(short, tolerance_m, UNKNOWN_M)
    after = _in_tolerance(short - load.rise_m * part, tolerance_m,
                          np.hypot(UNKNOWN_M, UNEVEN_SHARE * load.rise_m * part))
    gain = (after - before).sum(axis=1)
    best = int(np.argmax(gain))
    covered = int((gap[best] <= 0.5 * load.width_m).sum())
    return float(middle[best]) if gain[best] > LEAST_GAIN * covered else None


def _in_tolerance(short_m: Floats, tolerance_m: float, spread_m: float | Floats) -> Floats:
    """Return the probability of sections to lie within the tolerance."""
    unit = math.sqrt(2.0) * np.asarray(spread_m)
    out: Floats = 0.5 * (
        erf((tolerance_m - short_m) / unit) + erf((tolerance_m + short_m) / unit))
    return out
