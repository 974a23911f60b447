# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
All the ways to serve every segment, and what each of them cannot stand beside.

An option is an approach (side, heading, shift along the segment) with a way into its run-up. It
is kept when footprint, run-up and curve are clear of everything that stands now; the segments
that would be in its way once they stand are noted with it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
import math

import numpy as np
from numpy.typing import NDArray

from .approach import (
    Approach,
    approach_for,
    chained,
    footprint_hull,
    pose_array,
    SIDES,
    swept_hull,
)
from .dump_line import Drop, drop_stations, drops_of_row
from .entry import Entry, entry_fan
from .obstacles import Obstacles
from .reach import ReachMap
from ..books.rows import Row
from ..design import Site
from ..geometry import Pose2

# Turns of the heading [rad] and shifts along the segment (share of its length) that are tried
# where the square approach is not clear.
BENDS = tuple((math.radians(turn), shift) for turn, shift in (
    (10.0, 0.0), (-10.0, 0.0), (20.0, 0.0), (-20.0, 0.0), (0.0, 0.25), (0.0, -0.25)))

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


@dataclass(frozen=True)
class Place:
    """
    One place on one segment where loads are still called for.

    Parameters
    ----------
    row : int
        Index of the segment's row.
    drop : Drop
        Where the loads land.
    loads : tuple of int
        Which of the segment's loads to come, from 1.

    """

    row: int
    drop: Drop
    loads: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class Options:
    """
    The options for all places, as columns of equal length.

    Parameters
    ----------
    places : tuple of Place
        The places.
    approaches : tuple of Approach
        Approaches that are clear.
    place : array of int
        Place of each option; not falling.
    approach : array of int
        Its approach.
    entry_cell : array of int
        Cell where the way through the yard ends and the curve into the run-up begins.
    extra_m : array
        Length of curve and run-up [m].
    conflict : array of bool
        Shape (options, segments): segments that must not stand yet.
    entry : array of int
        Its way into the run-up, a number in the fan.
    refused : mapping
        Per row and side: what refused the square approach.

    """

    places: tuple[Place, ...]
    approaches: tuple[Approach, ...]
    place: Ints
    approach: Ints
    entry_cell: Ints
    extra_m: Floats
    conflict: Bools
    entry: Ints
    refused: dict[tuple[int, int], str]


def places_of(site: Site, rows: Sequence[Row], wanted: Iterable[int]) -> tuple[Place, ...]:
    """Return the places where the wanted rows call for loads."""
    out = []
    for k in wanted:
        by_station: dict[float, list[int]] = {}
        drops = drops_of_row(site, rows, k, rows[k].dumps_remaining)
        for load, drop in enumerate(drops, start=1):
            by_station.setdefault(drop.station_m, []).append(load)
        first = {drop.station_m: drop for drop in reversed(drops)}
        out += [Place(k, first[s], tuple(loads)) for s, loads in by_station.items()]
    return tuple(out)


class OptionBuilder:
    """
    Lays out options against one state of the yard.

    Parameters
    ----------
    site : Site
        The site.
    rows : sequence of Row
        All rows.
    obstacles : Obstacles
        What is in the yard.
    reach : ReachMap
        Free space with the standing segments taken away.
    standing : array of bool
        Shape (segments,): which segments stand already.
    wanted : array of bool
        Shape (segments,): which are going to stand.

    """

    def __init__(
        self, site: Site, rows: Sequence[Row], obstacles: Obstacles, reach: ReachMap,
        standing: Bools, wanted: Bools,
    ) -> None:
        """Lay out the fan once."""
        self.wanted = wanted
        self.site, self.rows, self.obstacles, self.reach = site, rows, obstacles, reach
        self.standing = standing
        self.fan = entry_fan(site.rover)
        self._hull = swept_hull(site.rover)
        self._foot = footprint_hull(site.rover)
        self._cover = reach.cover_bits()
        self._trace = np.concatenate([entry.trace_xy for entry in self.fan])
        self._starts = np.array([entry.poses[0, :2] for entry in self.fan])
        lengths = [len(entry.trace_xy) for entry in self.fan]
        self._first = np.concatenate([[0], np.cumsum(lengths)[:-1]])

    def build(self, places: Sequence[Place]) -> Options:
        """
        Return the options for places.

        Headings off the square and shifts are tried only where the square approach from both
        sides is not clear of all that stands or is going to stand.

        Parameters
        ----------
        places : sequence of Place
            Where loads are called for.

        Returns
        -------
        Options
            All clear options.

        """
        refused: dict[tuple[int, int], str] = {}
        square = [(p, self._approach(place, side, 0.0, 0.0))
                  for p, place in enumerate(places) for side in SIDES]
        first = self._clear(square, places, refused)
        free = ~first.conflict.any(axis=1)
        side = np.array([first.approaches[a].side for a in first.approach], dtype=int)
        easy = set(zip(first.place[free].tolist(), side[free].tolist()))
        bent = [(p, self._approach(place, side, turn, shift))
                for p, place in enumerate(places) for side in SIDES if (p, side) not in easy
                for turn, shift in BENDS if self._has(place, shift)]
        return _joined(first, self._clear(bent, places, {}), self.fan)

    def widened(self, options: Options, rows: Collection[int]) -> Options | None:
        """
        Let loads for the lowest stretch of some segments land on their regular places, too.

        The lowest stretch moves with every load; the order of work was found for the regular ones.

        Parameters
        ----------
        options : Options
            As built.
        rows : collection of int
            Rows that these options do not serve.

        Returns
        -------
        Options or None
            With those added; None where there are none.

        """
        moved = []
        for p, place in enumerate(options.places):
            stations = drop_stations(self.rows[place.row], self.site.rover.drum_width_m)
            if place.row not in rows or place.drop.station_m in stations:
                continue
            length = self.rows[place.row].station_to_m - self.rows[place.row].station_from_m
            shares = [(station - place.drop.station_m) / length for station in stations]
            moved += [(p, self._approach(place, side, turn, share + shift))
                      for share in shares for side in SIDES for turn, shift in ((0.0, 0.0), *BENDS)
                      if self._has(place, share + shift)]
        if not moved:
            return None
        return _joined(options, self._clear(moved, options.places, {}), self.fan)

    def tightened(self, options: Options, chosen: Iterable[int]) -> Options | None:
        """
        Check chosen options with the whole footprint along the curve.

        Parameters
        ----------
        options : Options
            The options.
        chosen : iterable of int
            Which of them to check.

        Returns
        -------
        Options or None
            Options with what was found: an infinite length where something that stands is in the
            way, conflicts with what is going to stand. None when nothing new was found.

        """
        asked = list(chosen)
        if not asked:
            return None
        poses = [chained(options.approaches[options.approach[n]].run_up_start,
                         self.fan[options.entry[n]].poses) for n in asked]
        hits = self.obstacles.hits(self._foot, np.concatenate(poses))
        first = np.concatenate([[0], np.cumsum([len(part) for part in poses])[:-1]])
        extra, conflict = options.extra_m.copy(), options.conflict.copy()
        new = False
        for option, touched in zip(asked, np.logical_or.reduceat(hits, first, axis=0)):
            row = options.places[options.place[option]].row
            if self._standing_hit(touched, row).any():
                extra[option], new = np.inf, True
                continue
            more = touched[:len(self.rows)] & self.wanted & ~conflict[option]
            new |= bool(more.any())
            conflict[option] |= more
        return replace(options, extra_m=extra, conflict=conflict) if new else None

    def _has(self, place: Place, shift: float) -> bool:
        """Tell whether a place shifted by a share of its segment is still on the segment."""
        row = self.rows[place.row]
        station = place.drop.station_m + shift * (row.station_to_m - row.station_from_m)
        return row.station_from_m <= station <= row.station_to_m

    def _approach(self, place: Place, side: int, turn_rad: float, shift: float) -> Approach:
        """Return the approach to a place shifted by a share of its segment."""
        row = self.rows[place.row]
        shift_m = shift * (row.station_to_m - row.station_from_m)
        return approach_for(self.site.berms[row.berm_index], self.site.rover, place.drop, side,
                            turn_rad, shift_m)

    def _clear(
        self, candidates: list[tuple[int, Approach]], places: Sequence[Place],
        refused: dict[tuple[int, int], str],
    ) -> Options:
        """Keep the candidates whose footprint and at least one way in are clear."""
        hits = self.obstacles.hits(self._hull, pose_array([way.pose for _, way in candidates]))
        kept, conflict = [], []
        count = len(self.rows)
        for k, (p, way) in enumerate(candidates):
            row = places[p].row
            bad = self._standing_hit(hits[k], row)
            if bad.any():
                key = (row, way.side)
                refused.setdefault(key, self._culprit(bad, row))
                continue
            kept.append((p, way))
            conflict.append(hits[k, :count] & self.wanted)
        return self._with_entries(kept, conflict, tuple(places), refused)

    def _standing_hit(self, touched: Bools, row: int) -> Bools:
        """Return the owners touched that count now: all but segments yet to stand."""
        bad = touched.copy()
        bad[:len(self.rows)] &= self.standing
        bad[row] = touched[row]
        return bad

    def _culprit(self, bad: Bools, row: int) -> str:
        """Name what is in the way: things before soil, its own toe last."""
        count = len(self.rows)
        order = [*range(count, len(bad)), *(k for k in range(count) if k != row), row]
        name = next(k for k in order if bad[k])
        return 'its own toe: the drop point is too near' if name == row else (
            self.obstacles.names[name])

    def _with_entries(
        self, kept: list[tuple[int, Approach]], conflict: list[Bools],
        places: tuple[Place, ...], refused: dict[tuple[int, int], str],
    ) -> Options:
        """Add the ways in that are free, the shortest of each direction."""
        columns: list[tuple[int, int, int, float, int]] = []
        masks: list[Bools] = []
        for k, (p, way) in enumerate(kept):
            row = places[p].row
            free, crossed = self._ways_in(way.run_up_start)
            clear = np.nonzero(free & ~crossed[:, row])[0]
            crossed &= self.wanted
            if not len(clear):
                refused.setdefault((row, way.side), 'too little room to turn in')
                continue
            cells = self.reach.cells_of(way.run_up_start.apply(self._starts))
            for n in _shortest_each(self.fan, clear, crossed):
                extra = self.fan[n].length_m + self.site.rover.run_up_m
                columns.append((p, k, int(cells[n]), extra, n))
                masks.append(crossed[n] | conflict[k])
        table = np.array(columns).reshape(-1, 5)
        return Options(
            places, tuple(way for _, way in kept), table[:, 0].astype(np.intp),
            table[:, 1].astype(np.intp), table[:, 2].astype(np.intp), table[:, 3],
            np.array(masks, dtype=bool).reshape(-1, len(self.rows)),
            table[:, 4].astype(np.intp), refused)

    def _ways_in(self, run_up_start: Pose2) -> tuple[Bools, Bools]:
        """Tell per way in whether it is free, and which segments would be in its way."""
        cells = self.reach.cells_of(run_up_start.apply(self._trace))
        free = np.logical_and.reduceat(self.reach.free[cells] & (cells >= 0), self._first)
        bits = np.bitwise_or.reduceat(self._cover[cells], self._first, axis=0)
        crossed = np.unpackbits(bits, axis=1, bitorder='little')[:, :len(self.rows)]
        return free, crossed.astype(bool)


def _shortest_each(fan: Sequence[Entry], clear: Ints, crossed: Bools) -> list[int]:
    """Return per direction the clear way of least detour, and the least that crosses nothing."""
    out: dict[tuple[int, bool], int] = {}
    for n in clear.tolist():  # the fan is sorted by detour
        direction = fan[n].direction
        if (direction, True) not in out:
            out.setdefault((direction, not crossed[n].any()), n)
    return list(out.values())


def _joined(first: Options, second: Options, fan: Sequence[Entry]) -> Options:
    """Return the options of both, sorted by place, without those that others make useless."""
    place = np.concatenate([first.place, second.place])
    approach = np.concatenate([first.approach, second.approach + len(first.approaches)])
    approaches = first.approaches + second.approaches
    cell = np.concatenate([first.entry_cell, second.entry_cell])
    extra = np.concatenate([first.extra_m, second.extra_m])
    conflict = np.concatenate([first.conflict, second.conflict])
    entry = np.concatenate([first.entry, second.entry])
    side = np.array([approaches[a].side for a in approach], dtype=int)
    direction = np.array([fan[n].direction for n in entry], dtype=int)
    excess = np.array([fan[n].excess_m for n in entry], dtype=float)
    keep = _undominated(place, side, direction, excess, conflict)
    return Options(
        first.places, approaches, place[keep], approach[keep], cell[keep], extra[keep],
        conflict[keep], entry[keep], first.refused)


def _undominated(
    place: Ints, side: Ints, direction: Ints, excess_m: Floats, conflict: Bools
) -> list[int]:
    """
    Return the options worth keeping, sorted by place.

    Of those of one place, side and direction that are in the way of the same segments or more,
    that of least detour does.
    """
    keep: list[int] = []
    group: tuple[int, int, int] | None = None
    kept_here: list[int] = []
    for n in np.lexsort((excess_m, direction, side, place)).tolist():
        key = (int(place[n]), int(side[n]), int(direction[n]))
        if key != group:
            group, kept_here = key, []
        if not any((conflict[k] <= conflict[n]).all() for k in kept_here):
            kept_here.append(n)
            keep.append(n)
    return keep
