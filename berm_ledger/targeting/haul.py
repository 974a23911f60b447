# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
What it costs to serve each segment while others stand: the haul distance of its loads.

The haul of one load is the way from the nearest borrow area that can be reached and left again,
the curve into the run-up and the run-up. Way out and way in are the same.
"""

from __future__ import annotations

from collections.abc import Sequence
import math

import numpy as np
from numpy.typing import NDArray

from .options import Options
from .reach import built_from_mask, Field, ReachMap

Floats = NDArray[np.float64]


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

    def __call__(self, mask: int) -> list[float]:
        """Return the haul [m] of all loads of each segment with a set (bits) standing."""
        haul, _ = self.of_options(mask)
        return self._by_segment(haul)

    def of_options(self, mask: int) -> tuple[Floats, Field]:
        """Return the haul [m] of one load by each option with a set standing, and the ways."""
        built = built_from_mask(mask, self.segments)
        field = self.reach.field(built)
        haul = field.distance_m[self.options.entry_cell] + self.options.extra_m
        others = self._conflict @ built.astype(np.float32)
        return np.where(others > 0.5, np.inf, haul), field

    def chosen(self, haul: Floats) -> list[int]:
        """Return the option of least haul per place, -1 where there is none."""
        out = []
        for p, first in enumerate(self._first):
            last = self._first[p + 1] if p + 1 < len(self._first) else len(haul)
            part = haul[first:last]
            best = int(first + np.argmin(part)) if len(part) else -1
            out.append(best if best >= 0 and math.isfinite(haul[best]) else -1)
        return out

    def alone(self) -> list[float]:
        """Return the haul [m] of all loads of each segment when no other segment is built."""
        haul, field = self.of_options(0)
        out = self._by_segment(haul)
        for p, option in enumerate(self.chosen(haul)):
            row = int(self._row[p])
            if option >= 0 and self._crosses(field, option, row):
                out[row] = self(1 << row)[row]
        return out

    def _by_segment(self, haul: Floats) -> list[float]:
        """Add the places of each segment up; infinite for segments without a way."""
        out = np.zeros(self.segments)
        best = np.full(len(self._loads), np.inf)
        if len(haul):
            shortest = np.minimum.reduceat(haul, np.minimum(self._first, len(haul) - 1))
            best = np.where(self._any, shortest, np.inf)
        np.add.at(out, self._row, self._loads * best)
        wanted = np.zeros(self.segments, dtype=bool)
        wanted[self._row] = True
        out[~wanted] = np.inf
        result: list[float] = out.tolist()
        return result

    def _crosses(self, field: Field, option: int, row: int) -> bool:
        """Tell whether the way to an option runs over the segment it serves."""
        way = field.way(int(self.options.entry_cell[option]))
        return bool(np.isin(way, self.reach.cover[row]).any())


def rows_of(options: Options) -> Sequence[int]:
    """Return the rows that have places, in order."""
    return sorted({place.row for place in options.places})
