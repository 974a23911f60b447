# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The simulated yard, closed loop: whoever drives it calls for moves, dumps and looks.

Simulated time passes only in these calls. Poses that callers give and get are reported ones, in
the map as the drifting localisation sees it; the truth stays inside.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import asdict
import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from .drum import Drum, Load
from .ground import natural_ground
from .motion import driven, followed, RouteMap, turned
from .noise import Localisation, MapError
from .options import Intrusion, YARD, YardOptions
from .ruts import Ruts
from .sections import BermGround, design_surface_m
from .sensor import measured, rolling_axes
from .slow_drum import SlowDrum
from .soil import Patch, Soil
from .things import OwnBody, Thing
from .truth import borrow_truth, Truth
from ..design import Site
from ..geometry import Lattice, Pose2, StampedPose
from ..survey import ElevationGrid

# Length of the strip that a load is dug from [m].
DIG_LENGTH_M = 0.5


class SimEvent(NamedTuple):
    """
    One message of the simulated robot.

    Parameters
    ----------
    stamp_ns : int
        When it is sent [ns].
    kind : str
        ``pose``, ``grid``, ``dump`` or ``drum_current``.
    value : StampedPose, ElevationGrid or float
        What it says; of a dump the announced mass [kg], NaN when it was not weighed; of the drum
        current [A].

    """

    stamp_ns: int
    kind: str
    value: StampedPose | ElevationGrid | float


class Yard:
    """
    Soil, rover, sensor and localisation of one site, all from one seed.

    Parameters
    ----------
    site : Site
        The site.
    seed : int
        Seed of all chance.
    options : YardOptions
        What may be chosen.

    """

    def __init__(self, site: Site, *, seed: int = 0, options: YardOptions = YARD) -> None:
        """Lay out the ground and put the rover into the first borrow area."""
        self.site = site
        self.seed = seed
        self.options = options
        self.swell = options.swell or site.material.swell
        ground, where, self._sense, self._load, self.chance, current = (
            np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(6))
        self.soil = _bare_soil(site, options, ground)
        self.localisation = Localisation(options.noise, where)
        self.berms = tuple(BermGround(berm, self.soil) for berm in site.berms)
        self.routes = RouteMap(site, [g.half_width_m for g in self.berms])
        #: What else stands or walks about.
        self.things: list[Thing] = []
        #: Whether grids are taken on the way, where a berm is near.
        self.watching = True
        self.true_pose = self._home()
        self.elapsed_ns = 0
        self.dumps: list[dict[str, Any]] = []
        self.intrusions: list[dict[str, Any]] = []
        #: The drum where its loads are dug in lanes; None where that is not followed.
        self.drum = None if options.borrow is None else Drum(
            options.borrow, site.rover, options.stuck_share, current)
        self._ruts = Ruts(self.soil, site.rover, options.rut_m) if options.rut_m > 0.0 else None
        self._slow: SlowDrum | None = None
        self._grid_due_ns = 0
        self._truth: Truth | None = None

    @property
    def stamp_ns(self) -> int:
        """Tell the simulated time [ns]."""
        return self.options.start_ns + self.elapsed_ns

    @property
    def elapsed_s(self) -> float:
        """Tell the time since the start [s]."""
        return self.elapsed_ns * 1e-9

    @property
    def error(self) -> MapError:
        """Tell the error of the localisation now."""
        return self.localisation.at(self.elapsed_s)

    def pose(self) -> StampedPose:
        """Return the reported pose now."""
        noise = self.options.noise
        seen = self.error.reported(self.true_pose)
        dx, dy, turn = self._sense.standard_normal(3)
        pose = Pose2(seen.x_m + noise.pose_m * dx, seen.y_m + noise.pose_m * dy,
                     seen.yaw_rad + noise.pose_yaw_rad * turn)
        return StampedPose(self.stamp_ns, self.site.frame, pose)

    def look(self) -> ElevationGrid:
        """Return an elevation grid taken now."""
        options, error = self.options, self.error
        axes = rolling_axes(options.sensor, error.reported(self.true_pose))
        things = list(self.things)
        if options.sensor.sees_itself:
            things.append(OwnBody(self.site.rover, self.true_pose))
        height = measured(
            self.soil, axes, self.true_pose, self.elapsed_s, self._sense, noise=options.noise,
            options=options.sensor, error=error, things=things)
        return ElevationGrid(self.stamp_ns, self.site.frame, axes, height)

    def place(self, pose: Pose2) -> None:
        """Put the rover at a reported pose at once, as for patrols without the drive."""
        self.true_pose = self.error.true(pose)

    def wait(self, duration_s: float) -> Iterator[SimEvent]:
        """Stand still; poses come once a second, grids where the rover looks, at their period."""
        longest = min(1.0, self.options.grid_period_s)
        whole, rest = divmod(max(duration_s, 0.0), longest)
        for step in [longest] * int(whole) + ([rest] if rest > 1e-9 else []):
            self._pass(step)
            yield from self._report()

    def look_round(self, count: int, period_s: float = 1.0) -> Iterator[SimEvent]:
        """Stand still and take grids, one every period."""
        for _ in range(count):
            self._pass(period_s)
            yield SimEvent(self.stamp_ns, 'pose', self.pose())
            yield self._grid()

    def drive_to(self, pose: Pose2, *, straight: bool = False) -> Iterator[SimEvent]:
        """
        Drive to a reported pose.

        Parameters
        ----------
        pose : Pose2
            Where to, as the drifting localisation reports it.
        straight : bool
            Straight on or back with the heading as it is, as on a run-up; otherwise over free
            ground, with turns on the spot at both ends.

        Yields
        ------
        SimEvent
            Poses while it moves, and grids where it looks.

        """
        target = self.error.true(pose)
        step = self.options.speed_m_s / self.options.pose_rate_hz
        turn = self.options.turn_rad_s / self.options.pose_rate_hz
        if straight:
            yield from self.move(driven(self.true_pose, target.xy, step))
            return
        way = self.routes.path_xy(self.true_pose.xy, target.xy)
        yield from self.move(followed(self.true_pose, way, step, turn))
        yield from self.move(turned(self.true_pose, target.yaw_rad, turn))

    def dig(self) -> Iterator[SimEvent]:
        """Dig a load where the rover stands."""
        yield from self.wait(self.options.dig_s)
        volume = self.site.load_volume_m3 / self.swell
        self.soil.dig(self.dig_patch(self.true_pose), volume)

    def dig_patch(self, pose: Pose2) -> Patch:
        """Return where a rover at a true pose digs: a strip as wide as its drum."""
        centre = pose.apply([[self.site.rover.drop_point_xy[0] / 2.0, 0.0]])[0]
        return Patch(float(centre[0]), float(centre[1]), pose.yaw_rad, DIG_LENGTH_M,
                     self.site.rover.drum_width_m)

    def dump(self, *, fill: float = 1.0) -> Iterator[SimEvent]:
        """
        Dump the load; the soil falls, then the dump is announced (or the other way round).

        Parameters
        ----------
        fill : float
            Share of the drum that is filled; 0 is a dump announced with an empty drum.

        Yields
        ------
        SimEvent
            A pose, the dump, then what comes while the drum turns.

        """
        self._pass(0.2)
        yield SimEvent(self.stamp_ns, 'pose', self.pose())
        yield SimEvent(self.stamp_ns, 'dump', self._fall(fill))
        yield from self.wait(self.options.dump_s)

    def drawn_load(self, fill: float) -> Load:
        """Return what chance puts into a drum that is filled by a share."""
        options, rover = self.options, self.site.rover
        spread = self._load.standard_normal(5)
        mass = max(0.0, fill * rover.payload_kg * (1.0 + options.mass_spread * spread[0]))
        density = self.site.material.loose_density_kg_m3 * (
            1.0 + options.density_spread * spread[1])
        return Load(spread, mass, density)

    def _fall(self, fill: float) -> float:
        """Let a load fall and note it; return the mass to announce [kg]."""
        options, rover = self.options, self.site.rover
        load = (self.drum.empty() if self.drum else None) or self.drawn_load(fill)
        spread, mass = load.draw, load.mass_kg
        volume = mass * (1.0 - options.stuck_share) / load.density_kg_m3
        drop = self.true_pose.apply([rover.drop_point_xy])[0] + options.drop_spread_m * spread[2:4]
        announced = (mass if fill > 0.0 else rover.payload_kg) * (
            1.0 + options.scale_spread * spread[4])
        if volume > 0.0:
            patch = Patch(float(drop[0]), float(drop[1]), self.true_pose.yaw_rad,
                          width_m=rover.drum_width_m)
            if options.pour_s > 0.0:
                self._slow = SlowDrum(
                    patch, volume, self.elapsed_ns, round(1e9 * options.pour_s))
            else:
                self._pour(patch, volume)
        berm, segment = self._account(drop)
        self.dumps.append({
            'stamp_ns': self.stamp_ns, 'x_m': float(drop[0]), 'y_m': float(drop[1]),
            'yaw_rad': self.true_pose.yaw_rad, 'volume_m3': volume, 'mass_kg': mass,
            'announced_kg': announced if options.weighed else None,
            'berm': berm, 'segment': segment})
        return announced if options.weighed else math.nan

    def _pour(self, patch: Patch, volume_m3: float) -> None:
        """Pour a load, or what comes of one, onto the soil."""
        self.soil.pour_load(patch, volume_m3, self._load, rounding=self.options.rounding)

    def intrude(self, intrusion: Intrusion) -> None:
        """Do to the soil what an intruder does, at this moment."""
        line = self.site.berms[intrusion.berm].centreline
        x, y = (float(v) for v in line.point_at(intrusion.station_m, intrusion.offset_m))
        patch = Patch(x, y, float(line.heading_at(intrusion.station_m)),
                      intrusion.length_m, intrusion.width_m)
        if intrusion.kind == 'remove':
            self.soil.dig(patch, intrusion.volume_m3)
        elif intrusion.kind == 'fill':
            self.soil.pour(patch, intrusion.volume_m3)
        else:
            side = math.copysign(1.0, intrusion.offset_m)
            toe = line.point_at(
                intrusion.station_m, side * 0.8 * self.berms[intrusion.berm].half_width_m)
            self.soil.slump(x, y, (float(toe[0]), float(toe[1])), intrusion.volume_m3)
        self.intrusions.append({
            'stamp_ns': self.stamp_ns, 'kind': intrusion.kind, 'volume_m3': intrusion.volume_m3,
            'berm': self.site.berms[intrusion.berm].name,
            'segment': int(self.berms[intrusion.berm].number_of(
                np.array([intrusion.station_m]))[0]),
            'station_m': intrusion.station_m, 'offset_m': intrusion.offset_m, 'x_m': x, 'y_m': y})

    def heap_to_design(self) -> float:
        """Put every berm there as designed, at once; return the volume [m3]."""
        return self.soil.raise_to(design_surface_m(self.soil, self.berms))

    def truth(self) -> dict[str, Any]:
        """Return how things truly stand now, JSON values only; units in the names."""
        pressed_m = None if self._ruts is None else self._ruts.pressed_m
        if self._truth is None:
            self._truth = Truth(self.soil, self.berms, pressed_m)
        segments = self._truth.segments()
        return {
            'seed': self.seed,
            'stamp_ns': self.stamp_ns,
            'noise': _json(asdict(self.options.noise)),
            'segments': segments,
            'berms': self._truth.berms(segments),
            'placed_m3': sum(row['placed_m3'] for row in segments),
            'dumped_m3': sum(dump['volume_m3'] for dump in self.dumps),
            'dumped_kg': sum(dump['mass_kg'] for dump in self.dumps),
            'dumps': [dict(dump) for dump in self.dumps],
            'intrusions': [dict(event) for event in self.intrusions],
            'map_error': asdict(self.error),
            'borrow': None if self.drum is None else borrow_truth(
                self.site, self.soil, self.drum, self.swell, pressed_m),
        }

    def _account(self, drop_xy: NDArray[np.float64]) -> tuple[str | None, int | None]:
        """Return berm and segment whose design footprint holds a point."""
        for ground in self.berms:
            station, offset = ground.berm.centreline.station_offset(drop_xy)
            if abs(offset[0]) <= ground.half_width_m:
                return ground.berm.name, int(ground.number_of(station)[0])
        return None, None

    def _pass(self, duration_s: float) -> None:
        """Let simulated time pass."""
        self.elapsed_ns += round(duration_s * 1e9)
        if self._slow:
            due_m3 = self._slow.due_m3(self.elapsed_ns)
            if due_m3 > 0.0:
                self._pour(self._slow.patch, due_m3)

    def move(self, poses: Iterable[Pose2]) -> Iterator[SimEvent]:
        """Take one true pose after the other, at the rate of poses."""
        for pose in poses:
            self.true_pose = pose
            if self._ruts is not None:
                self._ruts.press(pose)
            self._pass(1.0 / self.options.pose_rate_hz)
            yield from self._report()

    def _report(self) -> Iterator[SimEvent]:
        """Send the pose and, where it is due, a grid."""
        yield SimEvent(self.stamp_ns, 'pose', self.pose())
        current_a = None if self.drum is None else self.drum.current_a(self.elapsed_ns)
        if current_a is not None:
            yield SimEvent(self.stamp_ns, 'drum_current', current_a)
        if self._looks():
            yield self._grid()

    def _grid(self) -> SimEvent:
        """Take a grid; the next is due a period later."""
        self._grid_due_ns = self.elapsed_ns + round(self.options.grid_period_s * 1e9)
        return SimEvent(self.stamp_ns, 'grid', self.look())

    def _looks(self) -> bool:
        """Tell whether the rover looks about here: close enough to a berm, and not told not to."""
        routes = self.routes
        if self.elapsed_ns < self._grid_due_ns:
            return False
        if self.drum is not None and self._near_borrow():
            return True
        if not self.watching:
            return False
        row, col = np.rint(routes.lattice.index_from_xy(self.true_pose.xy)).astype(int)
        row, col = min(max(row, 0), routes.lattice.rows - 1), min(
            max(col, 0), routes.lattice.cols - 1)
        return bool(routes.to_toe_m[row, col] <= self.options.look_within_m)

    def _near_borrow(self) -> bool:
        """Tell whether the rover is in a borrow area or close to one."""
        here = self.true_pose.xy[None]
        return any(
            area.polygon.contains(here)[0]
            or area.polygon.distance_m(here)[0] <= self.options.look_within_m
            for area in self.site.yard.borrow_areas)

    def _home(self) -> Pose2:
        """Return where the rover starts: in the first borrow area, else inside the boundary."""
        areas = self.site.yard.borrow_areas
        outline = areas[0].polygon if areas else self.site.yard.boundary
        x, y = outline.corners_xy.mean(axis=0)
        return Pose2(float(x), float(y))


def _bare_soil(site: Site, options: YardOptions, rng: np.random.Generator) -> Soil:
    """Return the yard before any work: relief, or the given datum plane."""
    lattice = Lattice.covering(
        site.yard.boundary.corners_xy, options.soil_cell_m, options.margin_m)
    ground = natural_ground(lattice, options.relief, rng)
    if site.datum_plane is not None:
        ground = site.datum_plane.height_m(lattice.centres_xy())
    return Soil(lattice, ground, site.material.repose_rad)


def _json(figures: dict[str, Any]) -> dict[str, Any]:
    """Return figures with tuples as lists, as JSON would."""
    return {k: list(v) if isinstance(v, tuple) else v for k, v in figures.items()}
