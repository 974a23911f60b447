# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
How many loads are still missing, for a whole berm at once.

A load is a heap over the drum width with ends at the angle of repose, so that part of it falls
on the neighbours. What is short is a volume per segment; whole loads are laid so that the sum of
the squared differences from the design becomes least, which calls for another load only where it
brings the berm closer to the design. A ridge of height h and length L, slopes tan, rises by
``dh = dV tan / (2 h L)``: a tall ridge less than a low one.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
import math

import numpy as np
from numpy.typing import NDArray

from .dump_line import drop_stations
from .ridges import (
    heap_height_m,
    load_of_rise_m3,
    ridge_area_m2,
    ridge_height_m,
    ridge_volume_m3,
    rise_of_load_m,
)
from ..books.posting import AT_GRADE_SHARE
from ..books.rows import Row, State
from ..design import Berm, Site
from ..design.notes import filled_top_m
from ..errors import GeometryError

# Steps toward the least sum of squares in parts of loads; whole loads are tried out afterwards.
RELAXATION_STEPS = 40
# A gain by less is rounding [squares of loads].
MIN_GAIN = 1e-9
# From this share of its height on a ridge is judged by its crest rather than by its volume.
NEAR_HEIGHT = 0.6
# A load is worth its while where the lowest stretch lacks more than this share of what a load
# raises it by: it then overshoots by less than was lacking.
LEAST_SHORT = 0.5
# A load beside a segment does for it where it brings that at least so much of what its own would.
FEEDS_SHARE = 2.0 / 3.0

Floats = NDArray[np.float64]


def dumps_remaining(site: Site, rows: Sequence[Row], yield_m3: float) -> tuple[int, ...]:
    """
    Return the whole loads still called for, in the order of the rows.

    A segment never seen counts as bare: its loads are those of its design volume until a reading
    says otherwise (its state ``UNSEEN`` says so too). Of a berm whose design height is not known
    yet, as that of a level crest before the datum, no loads are called for.

    Parameters
    ----------
    site : Site
        The site.
    rows : sequence of Row
        Rows of all berms, each berm's in order of stations.
    yield_m3 : float
        What one load adds to the berm [m3].

    Returns
    -------
    tuple of int
        Loads per row.

    Raises
    ------
    GeometryError
        Yield not a positive number.

    """
    if not (math.isfinite(yield_m3) and yield_m3 > 0.0):
        msg = f'a load of {yield_m3} m3 adds nothing; give a positive yield'
        raise GeometryError(msg)
    counts = [0] * len(rows)
    for berm_index, berm in enumerate(site.berms):
        places = [k for k, row in enumerate(rows) if row.berm_index == berm_index]
        if places:
            solved = _loads_of_berm(site, berm, [rows[k] for k in places], yield_m3)
            for k, count in zip(places, solved):
                counts[k] = int(count)
    return tuple(counts)


def load_shares(site: Site, berm: Berm, rows: Sequence[Row], yield_m3: float) -> Floats:
    """
    Return how a load dumped on each segment spreads over all of them.

    Parameters
    ----------
    site : Site
        The site, for drum width and angle of repose.
    berm : Berm
        The berm.
    rows : sequence of Row
        Its rows in order of stations.
    yield_m3 : float
        Volume of a load [m3].

    Returns
    -------
    array
        Shape (n, n): share of a load on segment i that falls on segment j; each row sums to 1.
        What falls beyond an open end belongs to the end's segment.

    """
    width = site.rover.drum_width_m
    tangent = math.tan(site.material.repose_rad)
    ramp = heap_height_m(yield_m3, width, tangent) / tangent
    edges = (*(row.station_from_m for row in rows), rows[-1].station_to_m)
    stations = tuple(drop_stations(row, width) for row in rows)
    length = berm.centreline.length_m
    shifts = (-length, 0.0, length) if berm.centreline.closed else (0.0,)
    return _shares_of_heaps(edges, stations, shifts, width, ramp, berm.centreline.closed)


@lru_cache(maxsize=16)
def _shares_of_heaps(
    edges_m: tuple[float, ...], stations_m: tuple[tuple[float, ...], ...],
    shifts_m: tuple[float, ...], width_m: float, ramp_m: float, closed: bool,
) -> Floats:
    """Return ``load_shares``, read-only: a look does not change them, only the yield does."""
    edges = np.array(edges_m)
    if not closed:
        edges[0], edges[-1] = -math.inf, math.inf
    shares = np.zeros((len(stations_m), len(stations_m)))
    for i, stations in enumerate(stations_m):
        for station in stations:
            for shift in shifts_m:
                below = _heap_share_below(edges - station - shift, width_m, ramp_m)
                shares[i] += np.diff(below) / len(stations)
    out: Floats = shares / shares.sum(axis=1, keepdims=True)
    out.flags.writeable = False
    return out


def _heap_share_below(x_m: Floats, width_m: float, ramp_m: float) -> Floats:
    """Return the share of a heap at 0 that lies below x: full over the width, ramps beyond."""
    half = 0.5 * width_m
    total = np.zeros_like(x_m)
    x = np.clip(x_m, -half - ramp_m, half + ramp_m)
    for sign, knot in ((1, -half - ramp_m), (-1, -half), (-1, half), (1, half + ramp_m)):
        total += sign * np.maximum(x - knot, 0.0) ** 2
    out: Floats = total / (2.0 * ramp_m * (width_m + ramp_m))
    return out


def _loads_of_berm(
    site: Site, berm: Berm, rows: Sequence[Row], yield_m3: float
) -> NDArray[np.int64]:
    """Lay whole loads on one berm."""
    shares = load_shares(site, berm, rows, yield_m3)
    model = RiseModel(site, berm, yield_m3)
    if any(math.isnan(row.target_height_m) for row in rows):
        return np.zeros(len(rows), dtype=np.int64)
    last = -1 if berm.centreline.closed else len(rows) - 1
    need = np.array([
        model.need_m3(row, int(last >= 0 and k == 0) + int(k == last))
        for k, row in enumerate(rows)])
    least = np.array([model.least_loads(row, shares[k, k]) for k, row in enumerate(rows)])
    need /= yield_m3
    feeds = shares >= FEEDS_SHARE * np.diag(shares)
    if least.any() and feeds.sum() > len(rows):
        least = _shared(least, whole_loads(need, shares, 0 * least), feeds)
    return whole_loads(need, shares, least)


def _shared(
    least: NDArray[np.int64], count: NDArray[np.int64], feeds: NDArray[np.bool_]
) -> NDArray[np.int64]:
    """Along a line, leave out least loads that narrow segments get from one as far on as does."""
    asks = (least > 0) & ~feeds[count > 0].any(axis=0)
    out = least * (count > 0)
    while asks.any():
        k = int(np.flatnonzero(asks & feeds[:, np.argmax(asks)])[-1])
        out[k] = 1
        asks &= ~feeds[k]
    return out


def whole_loads(
    need: Floats, shares: Floats, least: NDArray[np.int64]
) -> NDArray[np.int64]:
    """
    Return whole loads per segment that bring a berm close to its design, one load at a time.

    Parameters
    ----------
    need : array
        Shape (n,): what is short, in loads, signed.
    shares : array
        Shape (n, n) from ``load_shares``.
    least : array of int
        Shape (n,): loads called for in any case.

    Returns
    -------
    array of int
        Loads per segment; no single load added or left out lowers the sum of squares.

    """
    kernel = shares @ shares.T
    own = np.diag(kernel)
    wanted = shares @ need
    relaxed = np.maximum(least, 0).astype(float)
    step = 1.0 / kernel.sum(axis=1).max()
    for _ in range(RELAXATION_STEPS):
        relaxed = np.maximum(least, relaxed + step * (wanted - kernel @ relaxed))
    count: NDArray[np.int64] = np.maximum(least, np.floor(relaxed)).astype(np.int64)
    slope = 2.0 * (wanted - kernel @ count)
    while True:
        add = slope - own
        drop = np.where(count > least, -slope - own, -np.inf)
        i, j = int(np.argmax(add)), int(np.argmax(drop))
        if max(add[i], drop[j]) <= MIN_GAIN:
            return count
        k, sign = (i, 1) if add[i] >= drop[j] else (j, -1)
        count[k] += sign
        slope -= 2.0 * sign * kernel[:, k]


class RiseModel:
    """What loads do to the height of one berm's segments."""

    def __init__(self, site: Site, berm: Berm, yield_m3: float) -> None:
        """Keep slopes and tolerances."""
        self.slope = berm.side_slope
        self.repose = math.tan(site.material.repose_rad)
        self.width = berm.crest_width_m
        # Of a flat top loads along one line fill no more, and what stands is a ridge as wide.
        self.top_m = min(berm.crest_width_m, filled_top_m(site, berm))
        self.tolerance_m = berm.height_tolerance_m
        self.drum_m = site.rover.drum_width_m
        self.yield_m3 = yield_m3

    def bare_m3(self, row: Row, ends: int) -> float:
        """Return the design volume of a segment with 0, 1 or 2 round ends [m3]."""
        if math.isfinite(row.target_volume_m3):
            return row.target_volume_m3
        return self._shape_m3(row, ends, self.slope, self.width)

    def _poured_m3(self, row: Row, ends: int, design_m3: float) -> float:
        """Return how much of the design loads along the line can bring to a bare segment [m3]."""
        if self.width <= self.top_m:
            return design_m3
        return min(design_m3, self._shape_m3(row, ends, self.repose, self.top_m))

    @staticmethod
    def _shape_m3(row: Row, ends: int, tangent: float, width_m: float) -> float:
        """Return the volume of a segment at its target, with 0, 1 or 2 round ends [m3]."""
        length = row.station_to_m - row.station_from_m
        return ridge_volume_m3(length, row.target_height_m, tangent, width_m, ends)

    def need_m3(self, row: Row, ends: int) -> float:
        """
        Return the signed volume short on a segment with 0, 1 or 2 round ends [m3].

        It is capped by what the crest can take: soil missing on the flanks of a crest that is
        already high cannot be brought there over the crest.
        """
        if row.target_height_m <= 0.0:  # The ground stands higher than a level crest.
            return min(0.0, row.deficit_volume_m3)
        bare = self.bare_m3(row, ends)
        if not math.isfinite(row.height_m):
            return self._poured_m3(row, ends, bare)
        if not math.isfinite(row.deficit_volume_m3):
            stands = ridge_area_m2(row.height_m, self.slope, self.width)
            target = ridge_area_m2(row.target_height_m, self.slope, self.width)
            need = bare * (1.0 - stands / target)
        elif row.height_m < self.tolerance_m:
            need = self._poured_m3(row, ends, row.deficit_volume_m3)
        else:
            need = min(row.deficit_volume_m3, self._room_m3(row, bare))
        full = row.state == State.HIGH or self.stretch_wants_load(row) is False
        return min(need, 0.0) if full else need

    def _room_m3(self, row: Row, bare_m3: float) -> float:
        """Return what a crest can take until it is half the tolerance too high [m3]."""
        length = row.station_to_m - row.station_from_m
        limit = row.target_height_m + 0.5 * self.tolerance_m
        room = (ridge_area_m2(limit, self.repose, self.top_m)
                - ridge_area_m2(row.height_m, self.repose, self.top_m))
        straight = ridge_area_m2(row.target_height_m, self.slope, self.width)
        return room * max(length, bare_m3 / straight)

    def rise_m(self, height_m: float, volume_m3: float, length_m: float) -> float:
        """Return how much soil over a length raises a ridge of the given height [m]."""
        area = ridge_area_m2(height_m, self.repose, self.top_m) + volume_m3 / length_m
        return ridge_height_m(area, self.repose, self.top_m) - max(0.0, height_m)

    def loads_short(self, row: Row) -> float:
        """Return how far a crest is short, in loads one on the other; infinite where unseen."""
        if not math.isfinite(row.height_m):
            return math.inf
        return (row.target_height_m - row.height_m) / self.load_rise_m(row.height_m)

    def stretch_wants_load(self, row: Row) -> bool | None:
        """
        Tell whether a load on the lowest stretch brings the crest closer to the design.

        That is so where the stretch is short by more than ``LEAST_SHORT`` of what the load raises
        it by; of a stretch short by less than a load the row knows better. None where the stretch
        was not measured or the ridge is not yet near its height.
        """
        if row.wants_load is not None:
            return row.wants_load
        if not self._near_height(row):
            return None
        height = row.target_height_m - row.low_short_m
        return row.low_short_m > LEAST_SHORT * self.load_rise_m(height)

    def nearly_done(self, row: Row) -> bool:
        """Tell whether the lowest stretch is short by no more than a load raises it by."""
        return self._near_height(row) and (
            row.low_short_m <= self.load_rise_m(row.target_height_m - row.low_short_m))

    def _near_height(self, row: Row) -> bool:
        """Tell whether the lowest stretch was measured and is near its height."""
        height = row.target_height_m - row.low_short_m
        return math.isfinite(row.height_m) and height >= NEAR_HEIGHT * row.target_height_m

    def load_rise_m(self, height_m: float) -> float:
        """Return how much one load raises the crest of a ridge of the given height [m]."""
        return rise_of_load_m(
            max(0.0, height_m), self.yield_m3, self.drum_m, self.repose, self.top_m)

    def load_of_rise_m3(self, height_m: float, rise_m: float) -> float:
        """Return the load that raises the crest of a ridge of the given height by so much [m3]."""
        return load_of_rise_m3(height_m, rise_m, self.drum_m, self.repose, self.top_m)

    def least_loads(self, row: Row, own_share: float) -> int:
        """Return 1 where the crest is low and a load does not overshoot more than it lacks."""
        if row.state not in (State.SHORT, State.REWORK) or not math.isfinite(row.height_m):
            return 0
        wanted = self.stretch_wants_load(row)
        if wanted is not None:
            return int(wanted)
        length = row.station_to_m - row.station_from_m
        short = row.target_height_m - row.height_m
        rise = self.rise_m(row.height_m, own_share * self.yield_m3, length)
        if short > self.tolerance_m:
            return int(rise <= 2.0 * short)
        dip = row.target_height_m - row.low_m
        if row.at_grade >= AT_GRADE_SHARE or not dip > self.tolerance_m:
            return 0
        local = self.rise_m(row.low_m, own_share * self.yield_m3, min(length, self.drum_m))
        return int(local <= 2.0 * dip and rise <= short + 0.5 * self.tolerance_m)
