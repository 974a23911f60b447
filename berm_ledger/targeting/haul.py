# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
What it costs to serve each segment while others stand: the haul distance of its loads.

The haul of one load is the way from the nearest borrow area that can be reached and left again,
the curve into the run-up and the run-up. Way out and way in are the same.
"""

from __future__ import annotations

from collections import OrderedDict

import numpy as np
from numpy.typing import NDArray

from .options import Options
from .reach import built_from_mask, Field, ReachMap

# Segments whose way over their own soil is found anew, at one search of the yard each.
MOST_ALONE = 40
# Ways that are kept; each takes 16 bytes per cell.
KEPT_FIELDS = 8

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


class HaulCosts:
    """
    Haul distances as a function of what stands; the ``Costs`` of the order of work.

    A segment counts as standing while its own loads are hauled: the first of them makes it so.

    Parameters
    ----------
    reach : ReachMap
        Free space.
    options : Options
        Ways to serve each place.
    segments : int
        Number of segments.

    """

    def __init__(self, reach: ReachMap, options: Options, segments: int) -> None:
        """Keep what does not change."""
        self.reach, self.options, self.segments = reach, options, segments
        self._conflict = options.conflict.astype(np.float32)
        count = len(options.places)
        self._first = np.searchsorted(options.place, np.arange(count))
        self._any = np.bincount(options.place, minlength=count) > 0
        self._loads = np.array([len(place.loads) for place in options.places], dtype=float)
        self._row = np.array([place.row for place in options.places], dtype=np.intp)
        self._best: dict[int, tuple[Ints, Floats]] = {}
        self._fields: OrderedDict[int, Field] = OrderedDict()

    def __call__(self, mask: int) -> list[float]:
        """Return the haul [m] of all loads of each segment with a set (bits) standing."""
        _, haul = self.best(mask)
        out = np.zeros(self.segments)
        np.add.at(out, self._row, self._loads * haul)
        wanted = np.zeros(self.segments, dtype=bool)
        wanted[self._row] = True
        out[~wanted] = np.inf
        result: list[float] = out.tolist()
        return result

    def best(self, mask: int) -> tuple[Ints, Floats]:
        """Return per place the best option (-1: none) and its haul [m] with a set standing."""
        if mask not in self._best:
            self._best[mask] = self._shortest(mask, self.field(mask))
        return self._best[mask]

    def field(self, mask: int) -> Field:
        """Return the ways with a set (bits) standing."""
        found = self._fields.pop(mask, None)
        if found is None:
            found = self.reach.field(built_from_mask(mask, self.segments))
        self._fields[mask] = found
        if len(self._fields) > KEPT_FIELDS:
            self._fields.popitem(last=False)
        return found

    def alone(self) -> list[float]:
        """
        Return the haul [m] of all loads of each segment when no other segment is built.

        For a few segments whose own soil is in the way of the shortest way it is found anew; for
        more than that the shorter way stands as a bound from below.
        """
        out = self(0)
        option, _ = self.best(0)
        field = self.field(0)
        crossing = {
            int(self._row[p]) for p, n in enumerate(option.tolist())
            if n >= 0 and self._crosses(field, n, int(self._row[p]))}
        for row in sorted(crossing)[:MOST_ALONE]:
            out[row] = self(1 << row)[row]
        return out

    def pairs(self) -> list[tuple[int, int]]:
        """Return the pairs of segments each of which lies on the other's shortest way."""
        option, _ = self.best(0)
        field, cover = self.field(0), self.reach.cover_bits()
        bothers = np.zeros((self.segments, self.segments), dtype=bool)
        for p, n in enumerate(option.tolist()):
            if n < 0:
                continue
            way = field.way(int(self.options.entry_cell[n]))
            passed = np.bitwise_or.reduce(cover[way], axis=0)
            crossed = np.unpackbits(passed, bitorder='little')[:self.segments].astype(bool)
            bothers[self._row[p]] |= crossed | self.options.conflict[n]
        first, second = np.nonzero(np.triu(bothers & bothers.T, 1))
        return list(zip(first.tolist(), second.tolist()))

    def _shortest(self, mask: int, field: Field) -> tuple[Ints, Floats]:
        """Find the best option per place."""
        built = built_from_mask(mask, self.segments).astype(np.float32)
        haul = field.distance_m[self.options.entry_cell] + self.options.extra_m
        haul = np.where(self._conflict @ built > 0.5, np.inf, haul)
        padded = np.append(haul, np.inf)
        least = np.where(self._any, np.minimum.reduceat(padded, self._first), np.inf) if (
            len(self._first)) else np.zeros(0)
        option = np.full(len(least), -1, dtype=np.intp)
        hit = np.nonzero((haul <= least[self.options.place]) & np.isfinite(haul))[0][::-1]
        option[self.options.place[hit]] = hit
        return option, least

    def _crosses(self, field: Field, option: int, row: int) -> bool:
        """Tell whether the way to an option runs over the segment it serves."""
        way = field.way(int(self.options.entry_cell[option]))
        return bool(np.isin(way, self.reach.cover[row]).any())
