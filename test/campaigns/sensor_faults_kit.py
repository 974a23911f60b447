# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
What may be wrong with elevation grids beyond the simulated noise, one thing at a time.

A fault takes what a grid of a build shows and returns what a worse sensor, mapper or localisation
would have made of it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
import math
from types import MappingProxyType

from berm_ledger.geometry import GridAxes, Pose2
from berm_ledger.simulation import SimEvent
from berm_ledger.simulation.sensor import correlated
from berm_ledger.survey import ElevationGrid
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

# What wanders forgets in this time [s]; common practice of attitude filters, no source.
MEMORY_S = 60.0
# A robot that has moved or turned by this stands somewhere else [m, rad].
MOVED_M, TURNED_RAD = 0.05, 0.05
# A cloud of dust is this wide, and gone after this time [m, s].
DUST_M, DUST_S = 0.6, 10.0


@dataclass(frozen=True)
class Sight:
    """
    A grid and what a fault may go by.

    Parameters
    ----------
    grid : ElevationGrid
        As the simulated sensor gives it.
    robot : Pose2
        Last reported pose.
    turn_rad_s, speed_xy : float, array
        How the robot moves, by its last two poses [rad/s, m/s].
    drop_xy : array or None
        Where the last load fell [m].
    since_dump_s : float
        How long ago that was [s].

    """

    grid: ElevationGrid
    robot: Pose2
    turn_rad_s: float = 0.0
    speed_xy: tuple[float, float] = (0.0, 0.0)
    drop_xy: NDArray[np.float64] | None = None
    since_dump_s: float = math.inf

    @property
    def height_m(self) -> NDArray[np.float32]:
        """Return what it shows, shape (rows, cols) [m]."""
        return self.grid.height_m

    def apart_xy(self, from_xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return how far each cell lies from a point, shape (rows, cols, 2) [m]."""
        rows, cols = self.height_m.shape
        index = np.stack(np.meshgrid(np.arange(rows), np.arange(cols), indexing='ij'), axis=-1)
        out: NDArray[np.float64] = self.grid.axes.world_from_index(
            index.reshape(-1, 2)).reshape(rows, cols, 2) - from_xy
        return out

    def ahead_left(self) -> NDArray[np.float64]:
        """Return the place of each cell in the robot's frame, shape (2, rows, cols) [m]."""
        turn = Pose2(0.0, 0.0, -self.robot.yaw_rad)
        apart = self.apart_xy(self.robot.xy)
        return np.moveaxis(turn.apply(apart.reshape(-1, 2)).reshape(apart.shape), -1, 0)

    def shown(self, height_m: NDArray[np.float64]) -> ElevationGrid:
        """Return the grid with other heights [m]."""
        return replace(self.grid, height_m=height_m.astype(np.float32))

    def placed(self, turn_rad: float, dx_m: float, dy_m: float) -> ElevationGrid:
        """Return the grid turned about the robot and moved."""
        turn = Pose2(0.0, 0.0, turn_rad)
        axes = self.grid.axes
        origin = turn.apply(np.array([axes.origin_xy]) - self.robot.xy)[0] + self.robot.xy
        row, col = turn.apply(np.array([axes.row_step_xy, axes.col_step_xy]))
        return replace(self.grid, axes=GridAxes(
            (float(origin[0]) + dx_m, float(origin[1]) + dy_m),
            (float(row[0]), float(row[1])), (float(col[0]), float(col[1]))))


Fault = Callable[[Sight], ElevationGrid]
Chance = np.random.Generator


def spoiled(events: Iterable[SimEvent], fault: Fault, drop_point_xy: tuple[float, float]
            ) -> Iterator[SimEvent]:
    """Yield the messages of a build with every grid as the fault leaves it."""
    before = now = None
    drop_xy, dumped_ns = None, 0
    for event in events:
        if event.kind == 'pose':
            before, now = now, event
        elif event.kind == 'dump':
            drop_xy, dumped_ns = now.value.pose.apply([drop_point_xy])[0], event.stamp_ns
        elif event.kind == 'grid':
            turn, speed = _motion(before, now)
            sight = Sight(event.value, now.value.pose, turn, speed, drop_xy,
                          1e-9 * (event.stamp_ns - dumped_ns))
            event = event._replace(value=fault(sight))
        yield event


def _motion(before: SimEvent | None, now: SimEvent) -> tuple[float, tuple[float, float]]:
    """Return by two poses how fast the robot turns [rad/s] and moves [m/s]."""
    if before is None or now.stamp_ns == before.stamp_ns:
        return 0.0, (0.0, 0.0)
    seconds = 1e-9 * (now.stamp_ns - before.stamp_ns)
    was, pose = before.value.pose, now.value.pose
    turn = math.remainder(pose.yaw_rad - was.yaw_rad, 2.0 * math.pi) / seconds
    return turn, ((pose.x_m - was.x_m) / seconds, (pose.y_m - was.y_m) / seconds)


class Wandering:
    """Some figures that wander about zero with a memory, each of standard deviation one."""

    def __init__(self, count: int, rng: Chance) -> None:
        """Begin somewhere."""
        self._rng, self._stamp_ns = rng, None
        self._figures = rng.standard_normal(count)

    def at(self, stamp_ns: int) -> NDArray[np.float64]:
        """Return them at a time, no earlier than the last."""
        gone_s = 0.0 if self._stamp_ns is None else 1e-9 * (stamp_ns - self._stamp_ns)
        kept = math.exp(-gone_s / MEMORY_S)
        self._figures = (kept * self._figures + math.sqrt(1.0 - kept**2)
                         * self._rng.standard_normal(len(self._figures)))
        self._stamp_ns = stamp_ns
        return self._figures


def tilt_wanders(rad: float) -> Callable[[Chance], Fault]:
    """Return grids whose tilt along and across the robot wanders."""
    def begun(rng: Chance) -> Fault:
        tilt = Wandering(2, rng)

        def fault(sight: Sight) -> ElevationGrid:
            slope = np.tan(rad * tilt.at(sight.grid.stamp_ns))
            return sight.shown(sight.height_m + np.tensordot(slope, sight.ahead_left(), 1))
        return fault
    return begun


def yaw_wanders(rad: float) -> Callable[[Chance], Fault]:
    """Return grids turned about the robot by an angle that wanders."""
    def begun(rng: Chance) -> Fault:
        yaw = Wandering(1, rng)
        return lambda sight: sight.placed(rad * float(yaw.at(sight.grid.stamp_ns)[0]), 0.0, 0.0)
    return begun


def bent(at_one_m: float, *, wanders: bool) -> Callable[[Chance], Fault]:
    """Return heights that are too high with the square of the distance, by so much at 1 m [m]."""
    def begun(rng: Chance) -> Fault:
        bend = Wandering(1, rng)

        def fault(sight: Sight) -> ElevationGrid:
            size = float(bend.at(sight.grid.stamp_ns)[0]) if wanders else 1.0
            square = (sight.ahead_left()**2).sum(axis=0)
            return sight.shown(sight.height_m + at_one_m * size * square)
        return fault
    return begun


def stretched(share: float, *, wanders: bool) -> Callable[[Chance], Fault]:
    """Return heights that are too great by a share of them."""
    def begun(rng: Chance) -> Fault:
        stretch = Wandering(1, rng)

        def fault(sight: Sight) -> ElevationGrid:
            size = float(stretch.at(sight.grid.stamp_ns)[0]) if wanders else 1.0
            return sight.shown(sight.height_m * (1.0 + share * size))
        return fault
    return begun


def behind(seconds: float) -> Callable[[Chance], Fault]:
    """Return grids seen some time before the pose by which they are laid."""
    def fault(sight: Sight) -> ElevationGrid:
        dx, dy = sight.speed_xy
        return sight.placed(seconds * sight.turn_rad_s, seconds * dx, seconds * dy)
    return lambda rng: fault


def odd_grids(share: float, off_m: float, turn_rad: float) -> Callable[[Chance], Fault]:
    """Return a share of the grids far from where they belong."""
    def begun(rng: Chance) -> Fault:
        def fault(sight: Sight) -> ElevationGrid:
            off = rng.standard_normal(3)
            if rng.random() >= share:
                return sight.grid
            return sight.placed(turn_rad * off[0], off_m * off[1], off_m * off[2])
        return fault
    return begun


def stays(size_m: float) -> Callable[[Chance], Fault]:
    """Return heights off by a field that stays while the robot stands."""
    def begun(rng: Chance) -> Fault:
        at: list[Pose2] = []
        fields: list[NDArray[np.float64]] = []

        def fault(sight: Sight) -> ElevationGrid:
            if not at or _is_elsewhere(at[0], sight.robot):
                at[:] = [sight.robot]
                fields[:] = [_field(sight, 0.15, rng)]
            return sight.shown(sight.height_m + size_m * fields[0])
        return fault
    return begun


def _is_elsewhere(was: Pose2, pose: Pose2) -> bool:
    """Tell whether the robot has gone or turned."""
    turned = math.remainder(pose.yaw_rad - was.yaw_rad, 2.0 * math.pi)
    return math.dist(was.xy, pose.xy) > MOVED_M or abs(turned) > TURNED_RAD


def _field(sight: Sight, length_m: float, rng: Chance) -> NDArray[np.float64]:
    """Return a field of unit variance that neighbours share over a distance (1/e)."""
    return correlated(sight.height_m.shape, length_m / sight.grid.axes.cell_m, rng)


def wide(size_m: float, length_m: float) -> Callable[[Chance], Fault]:
    """Return heights off by a field of each grid's own that reaches far."""
    return lambda rng: lambda sight: sight.shown(
        sight.height_m + size_m * _field(sight, length_m, rng))


def far_noise(at_one_m: float) -> Callable[[Chance], Fault]:
    """Return noise that grows with the square of the distance, so much at 1 m [m]."""
    return lambda rng: lambda sight: sight.shown(
        sight.height_m + at_one_m * (sight.ahead_left()**2).sum(axis=0)
        * rng.standard_normal(sight.height_m.shape))


def clumps(per_million: int, signs: tuple[int, ...], cells: int = 3) -> Callable[[Chance], Fault]:
    """Return so many of a million cells as the middle of a clump, 20 to 60 mm off."""
    def begun(rng: Chance) -> Fault:
        def fault(sight: Sight) -> ElevationGrid:
            height = sight.height_m.astype(float)
            for sign in signs:
                middles = rng.random(height.shape) < 1e-6 * per_million / len(signs)
                off = np.where(middles, rng.uniform(0.02, 0.06, height.shape), 0.0)
                height += sign * ndimage.maximum_filter(off, cells)
            return sight.shown(height)
        return fault
    return begun


def dust(most_m: float) -> Callable[[Chance], Fault]:
    """Return a cloud about each load that has just fallen, thinner from look to look."""
    def begun(rng: Chance) -> Fault:
        def fault(sight: Sight) -> ElevationGrid:
            if sight.drop_xy is None or sight.since_dump_s > DUST_S:
                return sight.grid
            apart = np.hypot(*np.moveaxis(sight.apart_xy(sight.drop_xy), -1, 0))
            left = (1.0 - sight.since_dump_s / DUST_S) * np.maximum(0.0, 1.0 - apart / DUST_M)
            seen = rng.random(apart.shape) < left
            return sight.shown(
                sight.height_m + np.where(seen, rng.uniform(0.0, most_m, apart.shape), 0.0))
        return fault
    return begun


def steps(size_m: float) -> Callable[[Chance], Fault]:
    """Return heights in whole steps."""
    return lambda rng: lambda sight: sight.shown(np.rint(sight.height_m / size_m) * size_m)


def stripes(size_m: float) -> Callable[[Chance], Fault]:
    """Return rows that are each off by something else, anew in every grid."""
    return lambda rng: lambda sight: sight.shown(
        sight.height_m + size_m * rng.standard_normal((sight.height_m.shape[0], 1)))


def filled_in(rng: Chance) -> Fault:
    """Return holes that the mapper has filled with the nearest height."""
    def fault(sight: Sight) -> ElevationGrid:
        hole = np.isnan(sight.height_m)
        where = ndimage.distance_transform_edt(hole, return_distances=False, return_indices=True)
        return sight.shown(sight.height_m[tuple(where)])
    return fault


def medians(rng: Chance) -> Fault:
    """Return what a median over 3 x 3 cells leaves."""
    fill = filled_in(rng)
    return lambda sight: sight.shown(np.where(
        np.isnan(sight.height_m), math.nan, ndimage.median_filter(fill(sight).height_m, 3)))


def ahead_only(half_angle_rad: float) -> Callable[[Chance], Fault]:
    """Return only what lies in a camera's angle of view."""
    def fault(sight: Sight) -> ElevationGrid:
        ahead, left = sight.ahead_left()
        seen = np.abs(np.arctan2(left, ahead)) <= half_angle_rad
        return sight.shown(np.where(seen, sight.height_m, math.nan))
    return lambda rng: fault


def all_at_once(*faults: Callable[[Chance], Fault]) -> Callable[[Chance], Fault]:
    """Return one fault after the other on the same grid."""
    def begun(rng: Chance) -> Fault:
        each = [fault(rng) for fault in faults]

        def fault(sight: Sight) -> ElevationGrid:
            for one in each:
                sight = replace(sight, grid=one(sight))
            return sight.grid
        return fault
    return begun


FAULTS: Mapping[str, Callable[[Chance], Fault]] = MappingProxyType({
    'none': lambda rng: lambda sight: sight.grid,
    'tilt wanders 5 mrad': tilt_wanders(0.005),
    'tilt wanders 10 mrad': tilt_wanders(0.010),
    'yaw wanders 5 mrad': yaw_wanders(0.005),
    'yaw wanders 10 mrad': yaw_wanders(0.010),
    'bent 3 mm at 1 m': bent(0.003, wanders=False),
    'bend wanders 2 mm at 1 m': bent(0.002, wanders=True),
    'heights 1 % too great': stretched(0.01, wanders=False),
    'stretch wanders 1 %': stretched(0.01, wanders=True),
    '50 ms behind': behind(0.05),
    '100 ms behind': behind(0.1),
    'one in a hundred off by 0.15 m': odd_grids(0.01, 0.15, 0.035),
    'stays 2 mm': stays(0.002),
    'stays 4 mm': stays(0.004),
    'wide 3 mm': wide(0.003, 0.3),
    'wide 5 mm': wide(0.005, 0.3),
    'far noise 5 mm at 1 m': far_noise(0.005),
    'clumps up 0.3 %': clumps(300, (1,)),
    'clumps up 0.9 %': clumps(1000, (1,)),
    'clumps down 0.9 %': clumps(1000, (-1,)),
    'clumps of 9 x 9, 0.8 %': clumps(100, (1, -1), 9),
    'dust 80 mm': dust(0.08),
    'dust 80 mm, clumps up 0.3 %': all_at_once(dust(0.08), clumps(300, (1,))),
    'steps of 5 mm': steps(0.005),
    'steps of 10 mm': steps(0.010),
    'stripes 3 mm': stripes(0.003),
    'holes filled in': filled_in,
    'medians of 3 x 3': medians,
    'seen ahead only, 45 degrees to a side': ahead_only(math.radians(45.0)),
    'all a little': all_at_once(
        tilt_wanders(0.003), yaw_wanders(0.003), behind(0.05), stays(0.002), far_noise(0.002),
        odd_grids(0.01, 0.15, 0.035)),
})
