# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
A whole build, open loop: survey, haul cycles, intrusions, mending, last look round.

The order of the loads is planned from the simulated truth, independent of any ledger: every load
goes where the true crest is furthest below the design.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

import numpy as np

from .approach import approach_to, dig_spot, stops_along
from .digging import Digger
from .loads import next_drop
from .options import BUILD, BuildOptions, Intrusion
from .things import crossing, ParkedRobot
from .yard import SimEvent, Yard
from ..design import Site
from ..geometry import Polygon, Pose2

# Time between grids of the bare ground [s].
SURVEY_PERIOD_S = 1.0
# Loads beyond twice those of the design after which a build is given up.
SPARE_LOADS = 10


class SimulatedBuild:
    """
    One build of all berms of a site; the same seed gives the same messages.

    Parameters
    ----------
    site : Site
        The site.
    seed : int
        Seed of all chance.
    options : BuildOptions
        What may be chosen.

    """

    def __init__(
        self, site: Site, *, seed: int = 0, options: BuildOptions = BUILD
    ) -> None:
        """Set up the yard."""
        self.site = site
        self.options = options
        self.yard = Yard(site, seed=seed, options=options.yard)
        self.digger = None if self.yard.drum is None else Digger(self.yard, self.yard.drum)
        self.loads = 0
        self._limit = self._most_loads()
        self._done: set[int] = set()
        self._ended = False

    def events(self) -> Iterator[SimEvent]:
        """
        Yield the messages of the build in their order; once only.

        Yields
        ------
        SimEvent
            Poses, grids and announced dumps.

        """
        for _ in self._haul(self.options.unseen_loads):
            pass
        if self.options.survey:
            yield from self._survey()
        yield from self._haul(self._limit)
        for intrusion in self._pending(None):
            yield from self._intruded(intrusion)
            yield from self._haul(self._limit)
        yield from self._look_round()

    def truth(self) -> dict[str, Any]:
        """Return how things truly stand now, JSON values only; units in the names."""
        figures = self.yard.truth()
        options = asdict(self.options)
        options.pop('yard')
        figures['build'] = {**options, 'loads': self.loads}
        return figures

    def _haul(self, limit: int) -> Iterator[SimEvent]:
        """Haul loads until the berms stand to height or so many loads are made."""
        while self.loads < limit and not self._ended:
            drop = next_drop(self.yard, along=self.options.order == 'along')
            if drop is None:
                return
            yield from self._cycle(*drop)
            for intrusion in self._pending(self.loads):
                yield from self._intruded(intrusion)

    def _most_loads(self) -> int:
        """Return the most loads asked for, else a number that no build needs."""
        if self.options.most_loads is not None:
            return self.options.most_loads
        design = sum(float(row['design_m3']) for row in self.yard.truth()['segments'])
        return round(2.0 * design / self.site.load_volume_m3) + SPARE_LOADS

    def _cycle(self, berm: int, station_m: float, offset_m: float) -> Iterator[SimEvent]:
        """Dig, haul, dump and back out."""
        yard, number = self.yard, self.loads + 1
        yard.watching = self.options.look_on_the_way
        yield from self._dig()
        line = self.site.berms[berm].centreline
        drop_xy = line.point_at(station_m, offset_m)
        dump_pose, run_up = approach_to(yard, berm, station_m, drop_xy)
        if number in self.options.stray_loads:
            dump_pose, run_up = _short_of(dump_pose, run_up, yard.berms[berm].half_width_m)
        yield from yard.drive_to(yard.error.reported(run_up))
        yard.watching = True
        if number in self.options.people_at_loads:
            yard.things.append(crossing(line, station_m, yard.elapsed_s))
        if number == self.options.second_robot_from_load:
            yard.things.append(self._second_robot(berm, station_m))
        yield from yard.drive_to(yard.error.reported(dump_pose), straight=True)
        yield from yard.dump(fill=0.0 if number in self.options.empty_loads else 1.0)
        self.loads = number
        yield from yard.drive_to(yard.error.reported(run_up), straight=True)
        yield from yard.look_round(self.options.looks_per_load)

    def _dig(self) -> Iterator[SimEvent]:
        """Drive into the borrow area and fill the drum there."""
        yard = self.yard
        areas = self.site.yard.borrow_areas
        if not areas:
            yield from yard.wait(self.options.yard.dig_s)
            return
        if self.digger is not None:
            yield from self._dig_lane(self.digger)
            return
        spot = dig_spot(yard, areas[self.loads % len(areas)])
        yield from yard.drive_to(yard.error.reported(spot))
        yield from yard.dig()

    def _dig_lane(self, digger: Digger) -> Iterator[SimEvent]:
        """Dig a load along the next lane of the area whose turn it is."""
        options = digger.options
        area = digger.areas[(self.loads + options.area) % len(digger.areas)]
        lane = digger.next_lane(area)
        if lane is None:
            yield from self.yard.wait(self.options.yard.dig_s)
            return
        partial = self.loads + 1 in options.partial_loads
        yield from digger.dig(lane, options.partial_fill if partial else 1.0)

    def _see_areas(self, digger: Digger, looks: int) -> Iterator[SimEvent]:
        """Look at every borrow area from both sides of it."""
        for lanes in digger.lanes.values():
            ends = (lanes[0].start, lanes[-1].end) if lanes else ()
            for pose in ends:
                yield from self.yard.drive_to(self.yard.error.reported(pose))
                yield from self.yard.look_round(looks)

    def _survey(self) -> Iterator[SimEvent]:
        """Drive along both sides of every berm, and to the borrow areas, and look."""
        for berm in range(len(self.site.berms)):
            for stop in stops_along(self.yard, berm):
                yield from self.yard.drive_to(self.yard.error.reported(stop))
                yield from self.yard.look_round(2, SURVEY_PERIOD_S)
        if self.digger is not None:
            yield from self._see_areas(self.digger, self.digger.options.survey_looks)

    def _look_round(self) -> Iterator[SimEvent]:
        """Look at every berm from several places."""
        for berm in range(len(self.site.berms)):
            for stop in stops_along(self.yard, berm):
                yield from self.yard.drive_to(self.yard.error.reported(stop))
                yield from self.yard.look_round(self.options.final_looks)
        if self.digger is not None:
            yield from self._see_areas(self.digger, self.options.final_looks)

    def _pending(self, load: int | None) -> list[Intrusion]:
        """Return the intrusions of a moment that have not happened yet; None: all of them."""
        out = []
        for n, intrusion in enumerate(self.options.intrusions):
            if n not in self._done and load in (None, intrusion.after_load):
                self._done.add(n)
                out.append(intrusion)
        return out

    def _intruded(self, intrusion: Intrusion) -> Iterator[SimEvent]:
        """Let an intruder act, watched or while the rover is away, and look afterwards."""
        yard = self.yard
        stops = stops_along(yard, intrusion.berm)
        place = self.site.berms[intrusion.berm].centreline.point_at(intrusion.station_m)
        stop = min(stops, key=lambda pose: float(np.hypot(*(pose.xy - place))), default=None)
        if not intrusion.watched:
            yield from self._dig()
            yard.intrude(intrusion)
        if stop is not None:
            yield from yard.drive_to(yard.error.reported(stop))
            yield from yard.look_round(3)
        if intrusion.watched:
            yard.intrude(intrusion)
        if stop is not None:
            yield from yard.look_round(6)
        self._ended |= not intrusion.mended

    def _second_robot(self, berm: int, station_m: float) -> ParkedRobot:
        """Return a machine that stands beside a berm, some way along from a station."""
        line = self.site.berms[berm].centreline
        half = self.yard.berms[berm].half_width_m
        place = line.point_at((station_m + 0.6 * line.length_m) % line.length_m, -half - 0.3)
        heading = float(line.heading_at(station_m))
        outline = Polygon([[-0.4, -0.3], [0.4, -0.3], [0.4, 0.3], [-0.4, 0.3]])
        return ParkedRobot(Pose2(float(place[0]), float(place[1]), heading), outline)


def _short_of(dump_pose: Pose2, run_up: Pose2, half_width_m: float) -> tuple[Pose2, Pose2]:
    """Return the approach moved back so far that the load lands beside the berm."""
    back = 1.6 * half_width_m + 0.25
    moved = [
        pose @ Pose2(-back, 0.0) for pose in (dump_pose, run_up)]
    return moved[0], moved[1]
