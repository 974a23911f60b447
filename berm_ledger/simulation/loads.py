# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Where the simulated build puts its next load, judged by the simulated truth."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .sections import BermGround

if TYPE_CHECKING:
    from .yard import Yard

# A load is called for where more than this share of what it adds is lacking.
LEAST_RISE_SHARE = 0.4
# How far off its line the top of a ridge is looked for: of a sharp crest, of one of several [m].
REACH_M = (0.06, 0.02)
# A flat top is heaped up in ridges side by side, the outer ones so far inside its edges [m].
EDGE_M = 0.02
RIDGE_SPACING_M = 0.12


def next_drop(yard: Yard, *, along: bool = False) -> tuple[int, float, float] | None:
    """
    Return where the next load goes.

    Parameters
    ----------
    yard : Yard
        The yard as it stands.
    along : bool
        One segment after the other is brought to height, instead of the lowest place first.

    Returns
    -------
    tuple or None
        Index of the berm, station [m] and offset [m]; None when every berm stands to height.

    """
    best: tuple[float, int, float, float] | None = None
    for b, ground in enumerate(yard.berms):
        short, offset = _shortness(yard, ground)
        wanted = short > 0.0
        if not wanted.any():
            continue
        if along:
            number = ground.number_of(ground.station_m)
            wanted &= number == number[wanted].min()
        n = int(np.argmax(np.where(wanted, short, -math.inf)))
        if best is None or (short[n] > best[0] and not along):
            best = (float(short[n]), b, float(ground.station_m[n]), float(offset[n]))
    return None if best is None else best[1:]


def _shortness(
    yard: Yard, ground: BermGround
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return by how much a load at each section falls short of its right place, and its offset."""
    rise = ground.sections_m(yard.soil)
    edge = max(0.0, ground.berm.crest_width_m / 2.0 - EDGE_M)
    places = np.linspace(-edge, edge, 1 + math.ceil(2.0 * edge / RIDGE_SPACING_M))
    places = places if len(places) > 1 else np.zeros(1)
    reach_m = REACH_M[len(places) > 1]
    drum_m = yard.site.rover.drum_width_m
    deficits = []
    for place in places:
        near = np.abs(ground.offset_m - place) <= reach_m
        deficits.append(_windowed(ground.target_m - rise[:, near].max(axis=1), ground, drum_m))
    pick = np.argmax(deficits, axis=0)
    # what a load on a berm that stands nearly to height adds to it
    reach = ground.target_m / yard.soil.slope
    gain = yard.site.load_volume_m3 / ((drum_m + reach) * (reach + edge))
    return np.max(deficits, axis=0) - LEAST_RISE_SHARE * gain, places[pick]


def _windowed(
    values: NDArray[np.float64], ground: BermGround, width_m: float
) -> NDArray[np.float64]:
    """Return the mean over a drum's width around each section, as far as the berm goes."""
    step = ground.berm.centreline.length_m / len(values)
    half = max(0, int(width_m / step / 2.0))
    count = np.ones(len(values))
    if ground.berm.centreline.closed:
        around = np.arange(-half, len(values) + half) % len(values)
        values, count = values[around], count[around]
    else:
        values, count = np.pad(values, half), np.pad(count, half)
    kernel = np.ones(2 * half + 1)
    out: NDArray[np.float64] = (
        np.convolve(values, kernel, 'valid') / np.convolve(count, kernel, 'valid'))
    return out
