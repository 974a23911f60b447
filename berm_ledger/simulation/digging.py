# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Digging in passes along the lanes of the borrow areas, and looking at them."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from .drum import Drum
from .motion import driven
from .soil import Patch
from .yard import SimEvent, Yard
from ..borrow.lanes import Lane, lanes_of_area
from ..design import BorrowArea
from ..geometry import Pose2


class Digger:
    """
    A simulated rover that digs in lanes.

    Parameters
    ----------
    yard : Yard
        The yard.
    drum : Drum
        Its drum.

    """

    def __init__(self, yard: Yard, drum: Drum) -> None:
        """Lay out the lanes."""
        self._yard = yard
        self._drum = drum
        self.options = drum.options
        self.areas = yard.site.yard.borrow_areas
        self.lanes = {area.name: lanes_of_area(yard.site, area) for area in self.areas}

    def next_lane(self, area: BorrowArea) -> Lane | None:
        """Return the lane of an area that was truly dug least; None where there is none."""
        lanes = self.lanes[area.name]
        if not lanes or self.options.one_lane:
            return lanes[0] if lanes else None
        soil = self._yard.soil
        points = soil.lattice.centres_xy()
        cuts = [-float(soil.rise_m[lane.contains(points)].mean()) for lane in lanes]
        return lanes[int(np.argmin(np.round(cuts, 4)))]

    def stand_off_m(self) -> float:
        """Return how far ahead of base_link the drum digs [m]."""
        return self._yard.site.rover.drop_point_xy[0] / 2.0

    def dig(self, lane: Lane, fill: float = 1.0) -> Iterator[SimEvent]:
        """
        Drive up to a lane, dig a load along it, back up and look.

        Parameters
        ----------
        lane : Lane
            Where.
        fill : float
            Share of the drum that is filled.

        Yields
        ------
        SimEvent
            What is sent meanwhile.

        """
        yard = self._yard
        begin = lane.start @ Pose2(-self.stand_off_m(), 0.0)
        yield from yard.drive_to(yard.error.reported(begin))
        step = lane.length_m / (yard.options.dig_s * yard.options.pose_rate_hz)
        end = begin @ Pose2(lane.length_m, 0.0)
        yield from yard.move(driven(yard.true_pose, end.xy, step))
        self.take(lane, fill)
        yield from yard.drive_to(yard.error.reported(begin), straight=True)
        yield from yard.look_round(self.options.looks)

    def take(self, lane: Lane, fill: float = 1.0) -> None:
        """Fill the drum from a lane at once; a drum that is full takes nothing."""
        yard, drum = self._yard, self._drum
        if drum.load is not None:
            return
        mass_kg, loose_m3 = drum.fill(yard.drawn_load(fill))
        bank_m3 = loose_m3 / yard.swell
        middle = lane.start @ Pose2(lane.length_m / 2.0, 0.0)
        thickness_m = yard.soil.skim(
            Patch(middle.x_m, middle.y_m, middle.yaw_rad, lane.length_m, lane.width_m), bank_m3)
        drum.digs.append({
            'stamp_ns': yard.stamp_ns, 'area': lane.area, 'lane': lane.number,
            'bank_m3': bank_m3, 'loose_m3': loose_m3, 'mass_kg': mass_kg,
            'thickness_m': thickness_m})
