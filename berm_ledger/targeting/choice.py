# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The next target as one call, from a plan that is kept ready between calls."""

from __future__ import annotations

from collections.abc import Callable, Sequence
import math

from .plan import Plan
from .planner import Planner
from .replan import Replan
from .values import Ground, NoTarget, Target
from ..books.rows import Row
from ..design import Site
from ..geometry import Pose2
from ..geometry.poses import wrap_rad

# A robot that moved by less than this is asked the same question again.
NEAR_M, NEAR_RAD = 0.05, 0.05


def made_at_once(due: Replan) -> tuple[Plan, bool] | None:
    """Make a plan that is due now, however long that takes."""
    return due.made()


class ReadyChoice:
    """
    Gives the next dump target from a plan kept ready between calls, one per site.

    Rows and ground are compared by identity: what has not been replaced has not changed. A robot
    that has hardly moved is where it was.

    Parameters
    ----------
    make : callable
        Makes a plan that is due, as ``due.made()``, or returns None while it is being made
        elsewhere: it is called again with the same one at the next call, and until then the
        answer is what ``Planner.revise`` gives. Left out, plans are made at once.

    """

    def __init__(
        self, make: Callable[[Replan], tuple[Plan, bool] | None] = made_at_once
    ) -> None:
        """Start without a plan."""
        self.planner: Planner | None = None
        self._make = make
        self._due: Replan | None = None
        # What there was to go by at the last call, and when the plan that is due became due.
        self._seen: tuple[object, ...] = ()
        self._due_by: tuple[object, ...] = ()
        self._place: Pose2 | None = None

    def __call__(
        self,
        site: Site,
        rows: Sequence[Row],
        ground: Ground | None,
        robot: Pose2 | None,
        *,
        hold_text: str | None = None,
        stale_text: str | None = None,
    ) -> Target | NoTarget:
        """
        Return the next target.

        Parameters
        ----------
        site : Site
            The site.
        rows : sequence of Row
            Rows of all berms with ``dumps_remaining`` filled in.
        ground : Ground or None
            Measured ground; None when nothing is known beyond the site file.
        robot : Pose2 or None
            Where base_link is.
        hold_text, stale_text : str or None
            See ``Planner.next_target``.

        Returns
        -------
        Target or NoTarget
            The first load of the plan, or why there is none.

        """
        planner = self.planner
        if planner is None or planner.site is not site:
            planner = self.planner = Planner(site)
            self._seen, self._due = (), None
        if robot is None or self._place is None or not _near(robot, self._place):
            self._place = robot
        place = None if site.yard.borrow_areas else self._place
        seen = (rows, ground, place)
        changed = len(self._seen) != len(seen) or any(
            a is not b for a, b in zip(seen, self._seen))
        if changed:
            self._seen = seen
        self._get_ready(planner, rows, ground, robot, changed)
        return planner.next_target(hold_text=hold_text, stale_text=stale_text)

    def _get_ready(
        self, planner: Planner, rows: Sequence[Row], ground: Ground | None, robot: Pose2 | None,
        changed: bool,
    ) -> None:
        """Take what has changed, and the plan that was being made when it is there."""
        due = self._due
        if changed:
            newest = planner.revise(rows, ground, robot)
            # One that is being made is finished first: it may do for the new table, too.
            if newest is None or due is None:
                due, self._due_by = newest, self._seen
        while due is not None:
            made = self._make(due)
            if made is None:
                break
            due = planner.adopt(due, *made)
            if self._due_by is not self._seen:
                due, self._due_by = planner.revise(rows, ground, robot), self._seen
        self._due = due


def _near(pose: Pose2, other: Pose2) -> bool:
    """Tell whether two poses are as good as the same."""
    return (math.hypot(pose.x_m - other.x_m, pose.y_m - other.y_m) <= NEAR_M
            and abs(wrap_rad(pose.yaw_rad - other.yaw_rad)) <= NEAR_RAD)
