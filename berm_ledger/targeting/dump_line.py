# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Where on a berm a load is to land: stations along it and the offset from the centreline.

A load follows the standing crest, so that it lands on the last one, and is pulled toward the
design line by no more than half the line tolerance at a time. It follows no farther than the
footprint stays off the toe: on the design line it does, or the site was never feasible.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
import math

import numpy as np

from ..books.rows import Row
from ..design import Berm, Site

# Part of a drum width along a segment that is left to the slopes of the heap.
PLACE_ROUNDING = 0.25
# What the footprint keeps from anything it must stay off [m].
MARGIN_M = 0.02
# A crest that runs off at a greater angle is the slope of a heap, or noise.
MAX_TURN_RAD = math.radians(15.0)
# A footprint at the very margin is on it as often as not, by the last bit [m].
ROUNDING_M = 0.001
# A bend is taken for no tighter than this share of its radius is left at the front.
TIGHT = 0.2


@dataclass(frozen=True)
class Drop:
    """
    One place for a load.

    Parameters
    ----------
    station_m, offset_m : float
        Where the load is to land: along the centreline, and off it, left positive [m].
    crest_offset_m : float
        Offset of the standing crest from the centreline there [m]; NaN where none stands.
    crest_turn_rad : float
        Direction of the standing crest less that of the centreline [rad]; 0 where none stands.
    turn_rad : float
        How far the load follows that direction [rad].

    """

    station_m: float
    offset_m: float
    crest_offset_m: float = math.nan
    crest_turn_rad: float = 0.0
    turn_rad: float = 0.0


def drop_stations(row: Row, drum_width_m: float) -> tuple[float, ...]:
    """
    Return the stations [m] at which the loads of one segment land in turn.

    One drum width needs one place, in the middle; a longer segment gets as many equal parts
    as drum widths cover it, a quarter of one left to the slopes of the heap.

    Examples
    --------
    >>> drop_stations(Row('a', 0, 1, 0.0, 0.4, 0.2), 0.36)
    (0.2,)
    >>> drop_stations(Row('a', 0, 1, 0.0, 0.8, 0.2), 0.4)
    (0.2, 0.6)

    """
    length = row.station_to_m - row.station_from_m
    count = max(1, math.ceil(length / drum_width_m - PLACE_ROUNDING))
    return tuple(row.station_from_m + length * (k + 0.5) / count for k in range(count))


def has_standing_crest(row: Row, clearance_m: float) -> bool:
    """Tell whether a crest was measured on the segment that a load can be laid upon."""
    return (math.isfinite(row.height_m) and row.height_m > clearance_m
            and math.isfinite(row.line_offset_m))


def pulled_offset(crest_offset_m: float, line_tolerance_m: float) -> float:
    """
    Return the offset [m] to dump at for a crest that stands off the centreline.

    The load is laid up to half the line tolerance nearer to the design line than the crest, and
    never farther out than the tolerance.

    Examples
    --------
    >>> pulled_offset(0.02, 0.06), round(pulled_offset(-0.05, 0.06), 9), pulled_offset(0.3, 0.06)
    (0.0, -0.02, 0.06)

    """
    size = min(max(0.0, abs(crest_offset_m) - 0.5 * line_tolerance_m), line_tolerance_m)
    return math.copysign(size, crest_offset_m) if size else 0.0


def drops_of_row(site: Site, rows: Sequence[Row], index: int, count: int) -> tuple[Drop, ...]:
    """
    Return where the next loads of a segment are to land.

    Parameters
    ----------
    site : Site
        The site.
    rows : sequence of Row
        All rows of the site.
    index : int
        Index of the segment's row.
    count : int
        How many loads.

    Returns
    -------
    tuple of Drop
        The first on the lowest stretch of a standing crest, where it was measured; the others
        in turn over the places of a long segment, by the number of dumps made, starting at the
        lower neighbour's end.

    """
    row = rows[index]
    berm = site.berms[row.berm_index]
    before, after = neighbours(rows, index, berm)
    places = drop_stations(row, site.rover.drum_width_m)
    if _lower(after, before):
        places = places[::-1]
    stands = has_standing_crest(row, site.rover.clearance_m)
    turn = _crest_turn(site, row, before, after, berm) if stands else 0.0
    stations = [places[(row.dumps_made + k) % len(places)] for k in range(count)]
    if stations and stands and math.isfinite(row.low_station_m):
        stations[0] = min(max(row.low_station_m, row.station_from_m), row.station_to_m)
    return tuple(_drop_at(site, row, station, turn) if stands else Drop(station, 0.0)
                 for station in stations)


def drop_of_row(site: Site, rows: Sequence[Row], index: int) -> Drop:
    """Return where the next load of a segment is to land; see ``drops_of_row``."""
    return drops_of_row(site, rows, index, 1)[0]


def _drop_at(site: Site, row: Row, station_m: float, turn_rad: float) -> Drop:
    """Return the place on a standing crest at a station, as far as the robot can follow it."""
    middle = 0.5 * (row.station_from_m + row.station_to_m)
    crest = row.line_offset_m + math.tan(turn_rad) * (station_m - middle)
    room = room_m(site, row)
    offset = pulled_offset(crest, site.berms[row.berm_index].line_tolerance_m)
    offset = min(max(offset, -room), room)
    # Half of what is left: on the inside of a bend the corners come nearer still.
    most = math.asin(min(1.0, 0.5 * (room - abs(offset)) / site.rover.half_width_m))
    return Drop(station_m, offset, crest, turn_rad, min(max(turn_rad, -most), most))


def room_m(site: Site, row: Row) -> float:
    """
    Return how far off the line a load may land with the footprint off the toe, margin kept [m].

    On the inside of a bend the corners of the footprint come nearer to the toe than its middle: of
    a front of half width a at a distance D from a line of radius R by a^2 / (2 (R - D)). As
    much again is left for a line of straight pieces, along which the robot is not quite square.
    """
    rover, curvature = site.rover, _curvature_per_m(site, row)
    bend = rover.half_width_m**2 * curvature / max(1.0 - rover.ahead_m * curvature, TIGHT)
    return max(0.0, rover.ahead_m - half_base_m(site, row) - MARGIN_M - bend - ROUNDING_M)


def half_base_m(site: Site, row: Row) -> float:
    """
    Return the plan distance from centreline to toe of a segment as it will stand [m].

    A crest within its tolerance has the toe of its design: what lies past that is lower than the
    tolerance, no obstacle, and would keep a robot that just fits from the segments beside it.
    """
    berm = site.berms[row.berm_index]
    known = math.isfinite(row.target_height_m)
    # A design of unknown height has no toe yet beyond what stands.
    spare = min(berm.height_tolerance_m, site.rover.clearance_m) if known else 0.0
    heights = (0.0, row.target_height_m, row.height_m - spare)
    height = max(h for h in heights if math.isfinite(h))
    return 0.5 * berm.crest_width_m + height / berm.side_slope


def _curvature_per_m(site: Site, row: Row) -> float:
    """Return one over the radius of the circle through both ends and the middle of a segment."""
    station = np.linspace(row.station_from_m, row.station_to_m, 3)
    line = site.berms[row.berm_index].centreline
    if line.closed:
        station[-1] = np.nextafter(station[-1], 0.0)
    start, middle, end = line.point_at(station)
    rise = float(np.hypot(*(middle - 0.5 * (start + end))))
    half_chord = 0.5 * float(np.hypot(*(end - start)))
    return 2.0 * rise / (half_chord**2 + rise**2)


def neighbours(rows: Sequence[Row], index: int, berm: Berm) -> tuple[Row | None, Row | None]:
    """Return the rows before and after along the same berm, None beyond an open end."""
    row = rows[index]
    first, last = index, index
    if berm.centreline.closed:
        while first > 0 and rows[first - 1].berm_index == row.berm_index:
            first -= 1
        while last + 1 < len(rows) and rows[last + 1].berm_index == row.berm_index:
            last += 1
    before = _same_berm(rows, index - 1, row)
    after = _same_berm(rows, index + 1, row)
    if berm.centreline.closed and last - first > 1:
        before = rows[last] if before is None else before
        after = rows[first] if after is None else after
    return before, after


def _same_berm(rows: Sequence[Row], index: int, row: Row) -> Row | None:
    """Return the row at an index if it is of the same berm."""
    if 0 <= index < len(rows) and rows[index].berm_index == row.berm_index:
        return rows[index]
    return None


def _lower(first: Row | None, second: Row | None) -> bool:
    """Tell whether the first row stands lower; beyond an end nothing is to be fed."""
    heights = [math.inf if row is None else row.height_m for row in (first, second)]
    return bool(heights[0] < heights[1])


def _crest_turn(
    site: Site, row: Row, before: Row | None, after: Row | None, berm: Berm
) -> float:
    """Return the direction [rad] of the crest against the centreline from the neighbours."""
    station, offset = [], []
    for other, wrap in ((before, -1.0), (row, 0.0), (after, 1.0)):
        if other is None or not has_standing_crest(other, site.rover.clearance_m):
            continue
        middle = 0.5 * (other.station_from_m + other.station_to_m)
        own = 0.5 * (row.station_from_m + row.station_to_m)
        if wrap * (middle - own) < 0.0:
            middle += wrap * berm.centreline.length_m
        station.append(middle)
        offset.append(other.line_offset_m)
    if len(station) < 2:
        return 0.0
    slope = (offset[-1] - offset[0]) / (station[-1] - station[0])
    return float(np.clip(math.atan(slope), -MAX_TURN_RAD, MAX_TURN_RAD))
