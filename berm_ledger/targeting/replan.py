# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A plan that is due, with all that it takes to make it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .plan import Plan, plan_work
from .plan_at_hand import PlanAtHand
from .reach import mask_from_built
from .values import Ground
from ..books.rows import Row
from ..design import Site
from ..geometry import Pose2


@dataclass(frozen=True, eq=False)
class Replan:
    """
    A plan that is due. Nothing in it changes, so that it may be made at another time or place.

    Parameters
    ----------
    site, rows, ground, robot, present
        See ``plan_work``.
    standing : array of bool
        Which rows stand.
    kept : Plan or None
        The plan at hand, when it is still good for the rows it knows.
    new : frozenset of int
        Rows to be put before it; they stand already.

    """

    site: Site
    rows: tuple[Row, ...]
    ground: Ground | None
    robot: Pose2 | None
    present: int | None
    standing: NDArray[np.bool_]
    kept: Plan | None = None
    new: frozenset[int] = frozenset()

    def made(self) -> tuple[Plan, bool]:
        """Return the plan, and whether it was made anew rather than added to."""
        added = self._added()
        if added is not None:
            return added, False
        return plan_work(
            self.site, self.rows, self.ground, self.robot, present=self.present), True

    def _added(self) -> Plan | None:
        """Return the plan at hand with rows before it that stand already and call again."""
        plan, new = self.kept, self.new
        if plan is None or not new or not all(self.standing[k] for k in new):
            return None
        rows = [row if k in new else replace(row, dumps_remaining=0)
                for k, row in enumerate(self.rows)]
        first = plan_work(self.site, rows, self.ground, self.robot, base=plan.base)
        # Its map is that of the plan at hand: soil laid on its ways since is not in there.
        beside = PlanAtHand(
            replace(first, soil_xy=plan.soil_xy), rows, self.standing, first.soil_xy,
            self.site.rover)
        if not first.complete or not beside.ways_clear(set(new)):
            return None
        kept = tuple(self.rows[k] if k in new else row for k, row in enumerate(plan.rows))
        # They were only judged beside what stands now: nothing else is begun before they are done.
        risen = mask_from_built(self.standing & ~plan.standing)
        first_of_all = sum(1 << k for k in new)
        before = {k: mask if self.standing[k] else mask | first_of_all
                  for k, mask in plan.before.items()}
        old = tuple(step for step in plan.steps if step.row not in new)
        return replace(
            plan, rows=kept, steps=first.steps + old, exact=first.exact and plan.exact,
            stands={**plan.stands, **dict.fromkeys(new, risen)},
            before={**before, **dict.fromkeys(new, 0)}, ways={**plan.ways, **first.ways})
