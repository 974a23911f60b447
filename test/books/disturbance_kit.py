# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A finished berm under a rover that looks at it, for tests of what disturbs it."""

from __future__ import annotations

from collections.abc import Iterable
import copy
from dataclasses import dataclass, replace
from pathlib import Path

from berm_ledger.books.entries import Entry
from berm_ledger.design import Site
from berm_ledger.geometry import Pose2
from berm_ledger.pipeline import Pipeline
from berm_ledger.simulation import FIELD, Noise, SimEvent, Yard, YardOptions
from berm_ledger.simulation.sensor import SensorOptions
from berm_ledger.site_source import load_site
from berm_ledger.updates import Update
import numpy as np
from numpy.typing import NDArray

CONFIG = Path(__file__).resolve().parents[2] / 'config'
# From here the whole berm of the demo is in view and nothing of it under the rover.
WEST = Pose2(0.2, 0.0, 0.0)
CHANGES = ('disturbed', 'slump', 'unbooked_fill', 'stray_dump', 'hold')


def demo_site() -> Site:
    """Return the site of the demo: one berm of 2.2 m, 0.16 m high."""
    return load_site(CONFIG / 'shelter_site.yaml').site


def feed(pipeline: Pipeline, event: SimEvent) -> Update:
    """Hand one simulated message to a pipeline."""
    take = {'pose': pipeline.add_pose, 'grid': pipeline.add_grid, 'dump': pipeline.add_dump,
            'drum_current': pipeline.add_drum_current}
    return take[event.kind](event.value)


@dataclass(frozen=True)
class Dust:
    """A cloud that the sensor takes for ground: other heights in every look, here and there."""

    centre_xy: tuple[float, float]
    radius_m: float
    tall_m: float
    until_s: float

    def height_m(self, points_xy: NDArray[np.float64], time_s: float) -> NDArray[np.float64]:
        """Return what it seems to add to the ground at points (..., 2) [m]."""
        if time_s > self.until_s:
            return np.zeros(points_xy.shape[:-1])
        rng = np.random.default_rng(round(1000 * time_s))
        gap = np.hypot(*np.moveaxis(points_xy - self.centre_xy, -1, 0))
        height = self.tall_m * rng.random(gap.shape) * (rng.random(gap.shape) < 0.7)
        return np.where(gap < self.radius_m, height, 0.0)


class Watched:
    """A simulated yard, its pipeline and every entry so far."""

    def __init__(
        self, site: Site, *, seed: int = 0, noise: Noise = FIELD,
        sensor: SensorOptions | None = None, share: float = 1.0, looks: int = 10,
    ) -> None:
        """Survey the ground, heap the berm up at once, and let an operator accept it."""
        options = YardOptions(noise=noise, sensor=sensor or SensorOptions())
        self.yard = Yard(site, seed=seed, options=options)
        self.yard.place(WEST)
        self.pipeline = Pipeline(site)
        self.entries: list[Entry] = []
        self.surfaces = {}
        self.look(22)
        assert self.pipeline.books.datum_seq is not None
        self.yard.heap_to_design()
        if share < 1.0:
            self.yard.soil.height_m -= (1.0 - share) * self.yard.soil.rise_m
        self.look(10)
        self.take(self.pipeline.clear_rework())
        self.look(looks)

    def copy(self, *, seed: int | None = None) -> Watched:
        """Return a copy that can be spoiled; with a seed its sensor's noise is another."""
        out = copy.deepcopy(self)
        if seed is not None:
            out.yard._sense = np.random.default_rng(seed)
        return out

    def take(self, update: Update) -> list[Entry]:
        """Keep what came of one input."""
        self.entries.extend(update.entries)
        self.surfaces.update({layer.name: layer for layer in update.surfaces})
        return list(update.entries)

    def run(self, events: Iterable[SimEvent]) -> list[Entry]:
        """Feed events; return the entries they led to."""
        return [entry for event in events for entry in self.take(feed(self.pipeline, event))]

    def look(self, count: int, period_s: float = 1.0) -> list[Entry]:
        """Look so many times; return the entries."""
        return self.run(self.yard.look_round(count, period_s))

    def look_past(
        self, station_m: float, offset_m: float, radius_m: float, count: int
    ) -> list[Entry]:
        """Look so many times, two seconds apart, with a hole in the grids there."""
        middle = self.yard.site.berms[0].centreline.point_at(station_m, offset_m)
        out: list[Entry] = []
        for event in self.yard.look_round(count, 2.0):
            if event.kind == 'grid':
                height = event.value.height_m.copy()
                index = np.indices(height.shape).reshape(2, -1).T
                gap = event.value.axes.world_from_index(index) - middle
                height.ravel()[np.hypot(*gap.T) < radius_m] = np.nan
                event = event._replace(value=replace(event.value, height_m=height))
            out += self.run([event])
        return out

    def dump_at(self, station_m: float, *, fill: float = 1.0, looks: int = 8) -> list[Entry]:
        """Dump on the crest at a station, then look; return the entries."""
        yard, line = self.yard, self.yard.site.berms[0].centreline
        heading = float(line.heading_at(station_m)) - np.pi / 2.0
        reach = yard.site.rover.drop_point_xy[0]
        spot = line.point_at(station_m) - reach * np.array([np.cos(heading), np.sin(heading)])
        yard.place(Pose2(float(spot[0]), float(spot[1]), heading))
        out = self.run(yard.dump(fill=fill))
        yard.place(WEST)
        return out + self.look(looks)

    def lowest_station_m(self) -> float:
        """Return where the middle of the berm's crest truly stands lowest [m]."""
        line = self.yard.site.berms[0].centreline
        station = np.arange(0.3, line.length_m - 0.3, 0.02)
        height = self.yard.soil.at(line.point_at(station), self.yard.soil.rise_m)
        return float(station[np.argmin(height)])

    def changes(self, since: int = 0) -> list[Entry]:
        """Return the entries about changes after a number."""
        return [e for e in self.entries if e.kind in CHANGES and e.seq > since]

    @property
    def seq(self) -> int:
        """Tell the number of the last entry."""
        return self.pipeline.books.last_seq
