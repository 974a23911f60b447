# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
A plan kept ready: next target at once, and the present one kept unless there is a reason.

After a change of the books the plan at hand is kept when it still serves everything that is
wanted, when what stands now stood then or was built in the plan's own order, and when no newly
blocked ground lies on a way that is still needed, and while the robot, where no borrow area is
named, has not gone where it is cut off from that way. Otherwise it is made anew.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
import logging
import math

import numpy as np
from numpy.typing import NDArray

from .approach import Approach, approach_for, pose_array, SIDE_NAMES, swept_hull
from .dump_line import drop_of_row
from .finish import done_reason
from .lifts import may_begin
from .look import look_at_unknown
from .obstacles import Obstacles, segment_name
from .plan import Plan
from .plan_at_hand import PlanAtHand, wanted_unserved
from .replan import Replan
from .standing import is_astray, look_reason, standing_segments
from .values import Ground, NoTarget, Target
from ..books.rows import Row, State
from ..design import Site
from ..geometry import Pose2
from ..wording import counted

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]

LOG = logging.getLogger(__name__)

PLANNING = 'the order of work is being made anew; ask again'


class Planner:
    """
    Answers for the next dump from a plan that is always ready.

    Parameters
    ----------
    site : Site
        The site.

    """

    def __init__(self, site: Site) -> None:
        """Start without a plan."""
        self.site = site
        self.plan: Plan | None = None
        self.rows: tuple[Row, ...] = ()
        self.replans = 0
        self._present: int | None = None
        self._present_dumps = 0
        # Loads dumped anywhere when it was handed out.
        self._dumps = 0
        # Where the robot was that the plan at hand is for.
        self._place: Pose2 | None = None
        self._answer: Target | NoTarget | None = None
        self.obstacles: Obstacles | None = None

    def update(
        self, rows: Sequence[Row], ground: Ground | None = None, robot: Pose2 | None = None
    ) -> None:
        """
        Take a new table of segments and get the next answer ready, however long that takes.

        Parameters
        ----------
        rows : sequence of Row
            All rows with ``dumps_remaining`` filled in.
        ground : Ground or None
            Measured ground.
        robot : Pose2 or None
            Where the robot is.

        """
        due = self.revise(rows, ground, robot)
        while due is not None:
            due = self.adopt(due, *due.made())

    def revise(
        self, rows: Sequence[Row], ground: Ground | None = None, robot: Pose2 | None = None
    ) -> Replan | None:
        """
        Take a new table of segments; get the next answer ready where the plan at hand holds.

        Parameters
        ----------
        rows, ground, robot
            As in ``update``.

        Returns
        -------
        Replan or None
            The plan that must be made first, and then be given to ``adopt``. Until then a target
            is kept that takes no way from anybody; else the answer is that there is none yet.

        """
        self.rows = tuple(rows)
        wanted = {k for k, row in enumerate(self.rows) if row.dumps_remaining > 0}
        if self._present is not None and self._present not in wanted:
            # Without any table, as before a ledger has told one, there is nothing to stay with.
            self._present = self._beside(self.rows[self._present], wanted) if wanted else None
        if not wanted:
            self._answer = look_at_unknown(self.site, self.rows, ground, robot)
            return None
        standing = standing_segments(self.site, self.rows)
        obstacles = self._obstacles_of(self.rows, ground, standing)
        self._follow(robot, standing)
        at_hand = self._at_hand(standing, obstacles)
        new = wanted if at_hand is None else at_hand.unknown(wanted)
        holds = at_hand is not None and at_hand.holds(wanted, new)
        answer = self._first(standing, obstacles) if holds and not new else None
        if answer is not None:
            self._answer = answer
            return None
        self._answer = self._meanwhile(standing, obstacles, new)
        return Replan(
            self.site, self.rows, ground, robot, self._present, standing,
            self.plan if holds else None, frozenset(new))

    def adopt(self, due: Replan, plan: Plan, anew: bool) -> Replan | None:
        """
        Take a plan that was due, and get the next answer ready for the rows it was made for.

        Parameters
        ----------
        due : Replan
            What was due.
        plan, anew
            What ``due.made()`` gave.

        Returns
        -------
        Replan or None
            What is due now, where the plan does not lead to an answer.

        """
        self.rows, self.plan = due.rows, plan
        if anew:
            self.replans += 1
            self._place = due.robot
            LOG.debug('plan %d: %s', self.replans, plan.summary())
        obstacles = self._obstacles_of(due.rows, due.ground, due.standing)
        answer = self._first(due.standing, obstacles)
        if answer is None and not anew:
            return replace(due, kept=None)
        self._answer = self._none_clear() if answer is None else answer
        return None

    def next_target(
        self, *, hold_text: str | None = None, stale_text: str | None = None
    ) -> Target | NoTarget:
        """
        Return the next target, or why there is none.

        Parameters
        ----------
        hold_text : str or None
            Why the target is on hold; None when it is not.
        stale_text : str or None
            Which input is stale or uncertain; None when none is.

        Returns
        -------
        Target or NoTarget
            A target handed out stays the present one until its segment calls for no more loads,
            a rework comes up, or it can no longer be reached.

        """
        if hold_text is not None:
            return NoTarget('hold', f'on hold: {hold_text}; resume when the yard is clear')
        if stale_text is not None:
            return NoTarget('stale', stale_text)
        if not self.rows:
            return NoTarget('stale', 'no table of segments has come in yet')
        if self._answer is None:
            return NoTarget('done', done_reason(self.site, self.rows))
        if isinstance(self._answer, Target):
            self._present = self._index_of(self._answer)
            self._present_dumps = self.rows[self._present].dumps_made
            self._dumps = sum(row.dumps_made for row in self.rows)
        return self._answer

    def _beside(self, present: Row, wanted: Collection[int]) -> int | None:
        """
        Return the row to stay with where the present one calls for no load any more.

        Of segments narrower than a load the noise of every look gives the load to another one. As
        long as none was dumped it stays where it was, to less than a drum width.
        """
        if sum(row.dumps_made for row in self.rows) != self._dumps:
            return None
        line = self.site.berms[present.berm_index].centreline

        def gap_m(k: int) -> float:
            row = self.rows[k]
            gap = abs(row.station_from_m + row.station_to_m
                      - present.station_from_m - present.station_to_m) / 2.0
            return min(gap, line.length_m - gap) if line.closed else gap
        near = [k for k in wanted if self.rows[k].berm_index == present.berm_index
                and gap_m(k) < self.site.rover.drum_width_m]
        if not near:
            return None
        nearest = min(near, key=lambda k: (gap_m(k), k))
        self._present_dumps = self.rows[nearest].dumps_made
        return nearest

    def _obstacles_of(
        self, rows: Sequence[Row], ground: Ground | None, standing: Bools
    ) -> Obstacles:
        """Return what is in the way, made anew only where something else is."""
        self.obstacles = Obstacles.of_site(
            self.site, rows, ground, standing.tolist(), before=self.obstacles)
        return self.obstacles

    def _follow(self, robot: Pose2 | None, standing: Bools) -> None:
        """Drop the plan at hand when the robot is cut off from where that was made for."""
        base = None if self.plan is None or self.site.yard.borrow_areas else self.plan.base
        if base is None or robot is None:
            return
        before, self._place = self._place, robot
        if before is not None and base.cell_of(robot.xy) == base.cell_of(before.xy):
            return
        if before is None or not base.with_standing(standing).joins(robot, before):
            self.plan = None

    def _at_hand(self, standing: Bools, obstacles: Obstacles) -> PlanAtHand | None:
        """Return the plan at hand beside the table, None where it is of another or not there."""
        if self.plan is None or len(self.plan.rows) != len(self.rows):
            return None
        return PlanAtHand(self.plan, self.rows, standing, obstacles.soil_xy, self.site.rover)

    def _meanwhile(
        self, standing: Bools, obstacles: Obstacles, new: Collection[int]
    ) -> Target | NoTarget:
        """
        Return what may be said while a plan is being made.

        The target of before is kept where its segment stands already, so that another load takes
        no way from anybody, still calls for loads, and can be served as the plan at hand says.
        """
        before, planning = self._answer, NoTarget('planning', PLANNING)
        at_hand = self._at_hand(standing, obstacles)
        if not isinstance(before, Target) or at_hand is None:
            return planning
        index = self._index_of(before)
        served = index in at_hand.plan.sequence and index not in new
        if not served or not standing[index] or self.rows[index].dumps_remaining == 0 or not (
                at_hand.ways_clear({index})):
            return planning
        return self._answer_for(index, standing, obstacles) or planning

    def _index_of(self, target: Target) -> int:
        """Return the row that a target is for."""
        return next(k for k, row in enumerate(self.rows) if (row.berm_index, row.segment) == (
            target.berm_index, target.segment))

    def _next_row(self, standing: Bools) -> int | None:
        """Return the row to serve next, None when the plan serves none that is wanted."""
        plan = self.plan
        if plan is None:
            return None
        wanted = [k for k in plan.sequence if self.rows[k].dumps_remaining > 0]
        unfinished = sum(1 << k for k in wanted)
        free = [k for k in wanted
                if standing[k] or may_begin(k, plan.before, unfinished)]
        place = {k: n for n, k in enumerate(wanted)}
        return min(free, key=lambda k: (*self._rank(k, bool(standing[k])), place[k]), default=None)

    def _rank(self, index: int, stands: bool) -> tuple[bool, bool, bool, float]:
        """
        Return the order of rows that may be served: reworks, the present target, the lowest.

        Whose crest stands astray gets no load before somebody has seen to it; all others go on.
        The lowest is that of the lowest mean: the lowest stretch is mostly the slope down to a
        neighbour that has its loads still to come. In lifts the present target stays until a load
        was dumped on it; else until it is done.
        """
        row = self.rows[index]
        rework = stands and row.state == State.REWORK
        present = index == self._present and (
            not self.site.in_lifts or row.dumps_made == self._present_dumps)
        astray = is_astray(self.site, row)
        if not self.site.in_lifts:
            return astray, not rework, not (present and stands), 0.0
        # A level crest below its ground is asked for by its neighbours at most.
        known = math.isfinite(row.height_m) and row.target_height_m > 0.0
        share = row.height_m / row.target_height_m if known else 0.0
        return astray, not rework, not present, share

    def _first(self, standing: Bools, obstacles: Obstacles) -> Target | NoTarget | None:
        """Return the first answer of the plan, None when its approach is no longer clear."""
        index = self._next_row(standing)
        return self._unserved() if index is None else (
            self._answer_for(index, standing, obstacles))

    def _answer_for(
        self, index: int, standing: Bools, obstacles: Obstacles
    ) -> Target | NoTarget | None:
        """Return the answer to serving one row, None when its approach is no longer clear."""
        row = self.rows[index]
        look = look_reason(self.site, row)
        if look is not None:
            return NoTarget(
                'look', f'{segment_name(row)}: {look}; look at it before the next load',
                row.berm, row.segment, self._fresh(index).run_up_start)
        way = self._fresh(index)
        hit = obstacles.hits(swept_hull(self.site.rover), pose_array([way.pose]))[0]
        hit[:len(self.rows)] &= standing | (np.arange(len(self.rows)) == index)
        return None if hit.any() else self._with_unserved(target_of(row, way))

    def _fresh(self, index: int) -> Approach:
        """Return the approach of the plan to a row, over the crest as it stands now."""
        row = self.rows[index]
        drop = drop_of_row(self.site, self.rows, index)
        steps = self.plan.steps if self.plan is not None else ()
        old = min(
            (step.approach for step in steps if step.row == index),
            key=lambda way: abs(way.drop.station_m - way.shift_m - drop.station_m))
        # Where the drop has moved, the shift of before may lead off the segment.
        station_m = min(max(drop.station_m + old.shift_m, row.station_from_m), row.station_to_m)
        return approach_for(self.site.berms[row.berm_index], self.site.rover, drop, old.side,
                            old.turn_rad, station_m - drop.station_m)

    def _with_unserved(self, target: Target) -> Target:
        """Say with a target which segments cannot be served, as long as there are any."""
        names = tuple(f'{segment_name(self.rows[u.row])}: {u.reason}'
                      for u in wanted_unserved(self.plan, self.rows))
        if not names:
            return target
        reason = (f'{target.reason}. No complete order of work exists. Cannot be served: '
                  f'{"; ".join(names)}')
        return replace(target, reason=reason, unserved=names)

    def _unserved(self) -> NoTarget:
        """Say which segments cannot be served."""
        wanted = wanted_unserved(self.plan, self.rows)
        if not wanted:
            return self._none_clear()
        first = self.rows[wanted[0].row]
        text = '; '.join(f'{segment_name(self.rows[u.row])}: {u.reason}' for u in wanted)
        return NoTarget('blocked', text, first.berm, first.segment)

    def _none_clear(self) -> NoTarget:
        """Say that the plan's approach is not clear."""
        row = next(row for row in self.rows if row.dumps_remaining > 0)
        return NoTarget('blocked', f'the approach to {segment_name(row)} is not clear',
                        row.berm, row.segment)


def target_of(row: Row, way: Approach) -> Target:
    """Return the target for one approach to one segment."""
    return Target(
        row.berm, row.berm_index, row.segment, way.pose, way.run_up_start, way.drop_xy,
        way.drop.station_m, way.drop.offset_m, row.dumps_remaining,
        way.drop.crest_offset_m, way.drop.crest_turn_rad, _why(row, way))


def _why(row: Row, way: Approach) -> str:
    """Say why a segment is next, and from where."""
    tail = f'{counted(row.dumps_remaining, "load")} to go, from the {SIDE_NAMES[way.side]}'
    if row.state == State.REWORK:
        return f'{segment_name(row)} is to be reworked, {tail}'
    if not math.isfinite(row.height_m):
        return f'{segment_name(row)} was not seen yet and counts as bare, {tail}'
    return f'{segment_name(row)} is {row.target_height_m - row.height_m:.3f} m low, {tail}'
