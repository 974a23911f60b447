# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Where within a segment the next load is missed most, from the standing crest itself.

The table tells a segment's mean height; a load raises a stretch of a drum width and slopes down
beyond. The place where that shape, laid over the deficit of the crest section by section, covers
most of it is where the load brings the berm closest to its design.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ..books.profile import CrestProfile
from ..books.rows import Row
from ..design import Site

# Share of a segment's sections that must be seen for the crest to say where it is low.
LEAST_SEEN = 0.5
# How much less a load raises the crest at the edge of the drum than in its middle; it also lets
# a dip narrower than the drum be filled from its middle.
EDGE_LOSS = 0.2
Floats = NDArray[np.float64]


def load_weight(distance_m: Floats, width_m: float, ramp_m: float) -> Floats:
    """
    Return how much a load raises the crest at distances along it, 1 in the middle.

    Parameters
    ----------
    distance_m : array
        Distance from where the load lands, along the crest [m].
    width_m : float
        Width over which it lands [m].
    ramp_m : float
        Length of its slopes beyond [m].

    Returns
    -------
    array
        1 in the middle, a little less at the edge of the drum, falling to 0 over the ramp.

    Examples
    --------
    >>> load_weight(np.array([0.0, 0.1, 0.2, 0.3]), 0.2, 0.2).tolist()
    [1.0, 0.8, 0.4, 0.0]

    """
    half = 0.5 * width_m
    away = np.abs(distance_m)
    under = 1.0 - EDGE_LOSS * np.minimum(away / half, 1.0)
    out: Floats = under * np.clip(1.0 - (away - half) / ramp_m, 0.0, 1.0)
    return out


def lowest_place(
    site: Site, row: Row, profile: CrestProfile, *, length_m: float, closed: bool
) -> tuple[float, float] | None:
    """
    Return where on a segment the next load is missed most.

    Parameters
    ----------
    site : Site
        Drum width and angle of repose.
    row : Row
        The segment.
    profile : CrestProfile
        Standing crest of its berm.
    length_m : float
        Length of the centreline [m].
    closed : bool
        Whether its end joins its beginning.

    Returns
    -------
    tuple of float or None
        Station and mean offset of the crest there [m], the offset NaN where none was seen; None
        when too little of the segment was seen to tell.

    """
    station = profile.station_m
    own = (station >= row.station_from_m) & (station < row.station_to_m)
    deficit = profile.target_m - profile.height_m
    known = np.isfinite(deficit)
    if not own.any() or known[own].mean() < LEAST_SEEN:
        return None
    gap = station[None, :] - station[own][:, None]
    if closed:
        gap = (gap + 0.5 * length_m) % length_m - 0.5 * length_m
    width = site.rover.drum_width_m
    ramp = max(float(np.nanmax(deficit[own])), site.rover.clearance_m) / math.tan(
        site.material.repose_rad)
    weight = load_weight(gap, width, ramp) * known
    gain = weight @ np.where(known, deficit, 0.0)
    best = int(np.argmax(gain))
    under = (np.abs(gap[best]) <= 0.5 * width) & np.isfinite(profile.offset_m)
    offset = float(profile.offset_m[under].mean()) if under.any() else math.nan
    return float(station[own][best]), offset
