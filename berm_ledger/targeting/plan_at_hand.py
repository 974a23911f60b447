# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Whether a plan made before is still good for the table of segments as it is now."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from .dump_line import MARGIN_M
from .obstacles import newly_blocked, SOIL_CELL_M
from .plan import Plan, Unserved
from .reach import mask_from_built
from ..books.rows import Row
from ..design import Rover


def wanted_unserved(plan: Plan | None, rows: Sequence[Row]) -> list[Unserved]:
    """Return which rows call for loads and are not served by a plan."""
    unserved = () if plan is None else plan.unserved
    return [u for u in unserved if rows[u.row].dumps_remaining > 0]


@dataclass(frozen=True, eq=False)
class PlanAtHand:
    """
    A plan beside the table as it is now, which has the same segments.

    Parameters
    ----------
    plan : Plan
        The plan.
    rows : sequence of Row
        The table.
    standing : array of bool
        Which of its rows stand, shape (rows,).
    soil_xy : array
        Ground that is blocked now, off the standing segments, shape (n, 2) [m].
    rover : Rover
        Who needs the ways.

    """

    plan: Plan
    rows: Sequence[Row]
    standing: NDArray[np.bool_]
    soil_xy: NDArray[np.float64]
    rover: Rover

    def unknown(self, wanted: set[int]) -> set[int]:
        """Return wanted rows the plan does not know, or knows only with less standing."""
        plan = self.plan
        risen = mask_from_built(self.standing & ~plan.standing)
        unserved = {u.row for u in plan.unserved}
        return {k for k in wanted - unserved if risen & ~plan.stands.get(k, 0)
                or k not in plan.stands}

    def holds(self, wanted: set[int], new: set[int]) -> bool:
        """Tell whether it is still good for the wanted rows that it knows, all but ``new``."""
        return (self.ways_clear(wanted - new) and not self._way_may_be_free()
                and not self._is_used_up(wanted))

    def ways_clear(self, wanted: set[int]) -> bool:
        """Tell whether newly blocked ground leaves its ways to wanted rows alone."""
        plan = self.plan
        new = newly_blocked(self.soil_xy, plan.soil_xy)
        if not len(new) or not wanted:
            return True
        if not any(k in plan.ways for k in wanted):
            return False
        needed = [points for row, points in plan.ways.items() if row in wanted]
        gap, _ = cKDTree(new).query(np.concatenate(needed))
        keep = self.rover.half_width_m + MARGIN_M + SOIL_CELL_M
        return bool(gap.min() > keep)

    def _way_may_be_free(self) -> bool:
        """Tell whether less is in the way of those whom it cannot serve."""
        plan = self.plan
        if not wanted_unserved(plan, self.rows):
            return False
        return bool((plan.standing & ~self.standing).any()
                    or len(newly_blocked(plan.soil_xy, self.soil_xy)))

    def _is_used_up(self, wanted: set[int]) -> bool:
        """Tell whether all that it serves is done; who it left out is asked again."""
        plan = self.plan
        if not wanted <= {u.row for u in plan.unserved}:
            return False
        return any(row.dumps_remaining > 0 and k not in wanted for k, row in enumerate(plan.rows))
