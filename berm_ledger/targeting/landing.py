# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Whether a dump fell where it was meant to: at the target that was handed out."""

from __future__ import annotations

import math

from .values import NoTarget, Target
from ..design import Rover
from ..findings import Finding, Severity
from ..geometry import StampedPose
from ..survey.gates import LEAST_CYCLE_NS

# A load this far off, in drum widths, lies for the most part where it was not meant to.
FAR_IN_DRUMS = 0.5


class Landings:
    """
    Remembers the target handed out, and how the last dump fell from it.

    Attributes
    ----------
    last : Finding or None
        What was to be said of the last dump after a target.

    """

    def __init__(self) -> None:
        """Know of no target and no dump."""
        self.last: Finding | None = None
        self._handed_out: Target | None = None
        self._told_ns: int | None = None

    def hand_out(self, choice: Target | NoTarget) -> None:
        """Remember a target that somebody asked for until the next dump."""
        if isinstance(choice, Target):
            self._handed_out = choice

    def add_dump(self, offered: Target | None, robot: StampedPose | None, rover: Rover) -> bool:
        """
        Compare a dump with the target handed out before it; tell whether there is news.

        Parameters
        ----------
        offered : Target or None
            The target published, for when nobody has asked for one.
        robot : StampedPose or None
            Last pose of base_link, in the frame of the target.
        rover : Rover
            Drop point and width of the drum.

        Returns
        -------
        bool
            Whether ``last`` is about this dump; one told again is no other load, as in the books.

        """
        if robot is not None:
            told_ns, self._told_ns = self._told_ns, robot.stamp_ns
            # A pose older by far is no earlier one: the clock was set back.
            if told_ns is not None and abs(robot.stamp_ns - told_ns) < LEAST_CYCLE_NS:
                return False
        target, self._handed_out = self._handed_out or offered, None
        if target is None or robot is None:
            return False
        self.last = landing_finding(target, robot, rover)
        return True


def landing_finding(target: Target, robot: StampedPose, rover: Rover) -> Finding:
    """
    Return what is to be said of a dump after a target was handed out.

    Parameters
    ----------
    target : Target
        The target handed out last before the dump.
    robot : StampedPose
        Where base_link was at the dump, in the frame of the target.
    rover : Rover
        Drop point and width of the drum.

    Returns
    -------
    Finding
        Code ``off_target`` and a warning where the load fell more than half a drum width from
        where it was meant to, else ``on_target`` and a note; the distance is in the text.

    """
    off_m = landing_off_m(target, robot, rover)
    far = off_m > FAR_IN_DRUMS * rover.drum_width_m
    where = f'{target.berm} segment {target.segment} at {target.station_m:.2f} m'
    text = f'the last load landed {off_m:.2f} m from the target handed out, {where}'
    if not far:
        return Finding('on_target', text, Severity.NOTE, robot.stamp_ns)
    limit = f'more than half a drum width ({FAR_IN_DRUMS * rover.drum_width_m:.2f} m)'
    return Finding('off_target', (
        f'{text}: {limit}; check localisation and control, or ask for a target before each dump'),
        Severity.WARNING, robot.stamp_ns)


def landing_off_m(target: Target, robot: StampedPose, rover: Rover) -> float:
    """Return how far from its target a load falls that is dumped from a pose [m]."""
    x, y = robot.pose.apply([rover.drop_point_xy])[0]
    return math.hypot(float(x) - target.drop_xy[0], float(y) - target.drop_xy[1])
