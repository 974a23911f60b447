# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Why a segment cannot be served, in plain words."""

from __future__ import annotations

from collections.abc import Sequence
import math

from .approach import SIDE_NAMES, SIDES
from .obstacles import segment_name
from .options import Options
from .order import Order
from .order_sets import members
from .reach import built_from_mask, ReachMap
from ..books.rows import Row


class Reasons:
    """Why segments cannot be served."""

    def __init__(
        self, rows: tuple[Row, ...], options: Options, reach: ReachMap, order: Order,
        least: Sequence[float],
    ) -> None:
        """Keep what was found out."""
        self.rows, self.options, self.reach = rows, options, reach
        self.order, self.least = order, least

    def why(self, row: int) -> str:
        """Say what keeps the loads from one segment."""
        if math.isfinite(self.least[row]):
            return self._walled_off(row)
        sides = [f'from the {SIDE_NAMES[side]} by {self.options.refused[row, side]}'
                 for side in SIDES if (row, side) in self.options.refused]
        if len(sides) == len(SIDES):
            return 'blocked ' + ' and '.join(sides)
        digs = bool(self.reach.site.yard.borrow_areas)
        if not self.reach.sources.any():
            who = 'no borrow area lies' if digs else 'the robot does not stand'
            return f'{who} on free ground'
        tail = f' (and blocked {sides[0]})' if sides else ''
        start = 'the borrow area' if digs else 'where the robot stands'
        return f'there is no way to it from {start} and out again{tail}'

    def _walled_off(self, row: int) -> str:
        """Say what the other segments do to a segment that could be served alone."""
        mask = 1 << row
        for k in self.order.sequence:
            mask |= 1 << k
        if not self.reach.gets_out(built_from_mask(mask, len(self.rows))):
            return 'once it stands with the others, the robot is shut in'
        near = self._in_the_way(row, mask)
        who = ', '.join(segment_name(self.rows[k]) for k in near[:3]) or 'the other segments'
        return f'walled off by {who} in every order'

    def _in_the_way(self, row: int, mask: int) -> list[int]:
        """Return the segments that are in the way of its approaches."""
        own = [k for k, p in enumerate(self.options.place)
               if self.options.places[p].row == row]
        hit = self.options.conflict[own].sum(axis=0)
        named = [k for k in members(mask) if k != row and hit[k]]
        return sorted(named, key=lambda k: (-int(hit[k]), k))
