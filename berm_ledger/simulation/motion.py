# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""How the simulated rover gets about: a coarse map of free ground and paths on it."""

from __future__ import annotations

from collections.abc import Iterator
import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import sparse
from scipy.sparse import csgraph

from ..design import Site
from ..geometry import Lattice, Pose2
from ..geometry.poses import wrap_rad

# Cell of the map of free ground [m].
ROUTE_CELL_M = 0.10
# Length over which corners of a way are rounded [m].
CORNER_M = 0.3


class RouteMap:
    """
    Free ground on a coarse lattice: inside the boundary, off keep-outs and off every berm.

    Parameters
    ----------
    site : Site
        The site.
    toes_m : array
        Half width of each berm at its foot [m].

    """

    def __init__(self, site: Site, toes_m: ArrayLike) -> None:
        """Mark the free cells and join neighbours."""
        yard = site.yard
        self.lattice = Lattice.covering(yard.boundary.corners_xy, ROUTE_CELL_M, 0.0)
        centres = self.lattice.centres_xy()
        free = yard.boundary.contains(centres)
        for area in yard.keep_outs:
            free &= ~area.polygon.contains(centres)
            free &= area.polygon.distance_m(centres) > site.rover.half_width_m
        self.to_toe_m = np.full(free.shape, math.inf)
        for berm, toe in zip(site.berms, np.asarray(toes_m, dtype=float)):
            _, offset = berm.centreline.station_offset(centres)
            self.to_toe_m = np.minimum(
                self.to_toe_m, np.abs(offset).reshape(free.shape) - toe)
        free &= self.to_toe_m > site.rover.half_width_m
        self.free = free
        self._graph = _neighbours(free)

    def path_xy(self, start_xy: ArrayLike, end_xy: ArrayLike) -> NDArray[np.float64]:
        """
        Return a way over free ground.

        Parameters
        ----------
        start_xy, end_xy : array
            Shape (2,) [m]; the way to the nearest free ground is straight.

        Returns
        -------
        array
            Corners (n, 2), first the start and last the end; straight where there is no free way.

        """
        ends = np.array([start_xy, end_xy], dtype=float)
        if not self.free.any() or self._sees(*ends):
            return ends
        first, last = (self._node(end) for end in ends)
        search: Any = csgraph.dijkstra
        _, before = search(self._graph, indices=first, return_predecessors=True)
        nodes = [last]
        while nodes[-1] != first and before[nodes[-1]] >= 0:
            nodes.append(int(before[nodes[-1]]))
        if nodes[-1] != first:
            return ends
        points = self.lattice.centres_xy().reshape(-1, 2)[nodes[::-1]]
        return self._pulled(np.vstack([ends[:1], points, ends[1:]]))

    def _node(self, point_xy: NDArray[np.float64]) -> int:
        """Return the flat index of the nearest free cell."""
        free = np.flatnonzero(self.free)
        gap = self.lattice.centres_xy().reshape(-1, 2)[free] - point_xy
        return int(free[np.argmin((gap ** 2).sum(axis=1))])

    def _sees(self, a: NDArray[np.float64], b: NDArray[np.float64]) -> bool:
        """Tell whether the straight way from a to b is free; its ends need not be."""
        length = float(np.hypot(*(b - a)))
        share = np.linspace(0.0, 1.0, max(2, math.ceil(length / (ROUTE_CELL_M / 2.0))))
        index = np.rint(self.lattice.index_from_xy(a + share[:, None] * (b - a))).astype(np.intp)
        row = np.clip(index[:, 0], 0, self.lattice.rows - 1)
        col = np.clip(index[:, 1], 0, self.lattice.cols - 1)
        blocked = ~self.free[row, col]
        inner = (share * length > ROUTE_CELL_M) & ((1.0 - share) * length > ROUTE_CELL_M)
        return not bool(blocked[inner].any())

    def _pulled(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Drop corners that the one before can see past."""
        kept = [0]
        while kept[-1] < len(points) - 1:
            here = kept[-1]
            ahead = [n for n in range(len(points) - 1, here + 1, -1)
                     if self._sees(points[here], points[n])]
            kept.append(ahead[0] if ahead else here + 1)
        return points[kept]


def _neighbours(free: NDArray[np.bool_]) -> Any:
    """Return the graph that joins free cells to their free neighbours."""
    number = np.arange(free.size).reshape(free.shape)
    rows, cols, lengths = [], [], []
    for a, b, length in (
            (np.s_[1:, :], np.s_[:-1, :], 1.0), (np.s_[:, 1:], np.s_[:, :-1], 1.0),
            (np.s_[1:, 1:], np.s_[:-1, :-1], math.sqrt(2.0)),
            (np.s_[1:, :-1], np.s_[:-1, 1:], math.sqrt(2.0))):
        both = free[a] & free[b]
        rows.extend([number[a][both], number[b][both]])
        cols.extend([number[b][both], number[a][both]])
        lengths.append(np.full(2 * int(both.sum()), length))
    return sparse.csr_matrix(
        (np.concatenate(lengths), (np.concatenate(rows), np.concatenate(cols))),
        shape=(free.size, free.size))


def _rounded(way_xy: NDArray[np.float64], half: int) -> NDArray[np.float64]:
    """Return points moved to the mean of their neighbours, fewer of them towards the ends."""
    place = np.arange(len(way_xy))
    reach = np.minimum(half, np.minimum(place, place[::-1]))
    total = np.concatenate([np.zeros((1, 2)), np.cumsum(way_xy, axis=0)])
    out: NDArray[np.float64] = (
        total[place + reach + 1] - total[place - reach]) / (2 * reach + 1)[:, None]
    return out


def turned(start: Pose2, yaw_rad: float, step_rad: float) -> Iterator[Pose2]:
    """Yield the poses of a turn on the spot, the last with exactly the new heading."""
    turn = wrap_rad(yaw_rad - start.yaw_rad)
    count = math.ceil(abs(turn) / step_rad - 1e-9)
    for n in range(1, count + 1):
        yield Pose2(start.x_m, start.y_m, wrap_rad(start.yaw_rad + turn * n / count))


def driven(start: Pose2, end_xy: ArrayLike, step_m: float) -> Iterator[Pose2]:
    """Yield the poses of a straight drive, forwards or backwards, heading kept."""
    gap = np.asarray(end_xy, dtype=float) - start.xy
    count = math.ceil(float(np.hypot(*gap)) / step_m - 1e-9)
    for n in range(1, count + 1):
        x, y = start.xy + gap * n / count
        yield Pose2(float(x), float(y), start.yaw_rad)


def followed(
    start: Pose2, corners_xy: NDArray[np.float64], step_m: float, step_rad: float
) -> Iterator[Pose2]:
    """
    Yield the poses along a way whose corners are rounded; turns on the spot to begin with.

    Parameters
    ----------
    start : Pose2
        Where the robot stands: at the first corner.
    corners_xy : array
        Shape (n, 2) [m].
    step_m, step_rad : float
        Way and turn between two poses.

    Yields
    ------
    Pose2
        The last is at the last corner.

    """
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corners_xy, axis=0).T))])
    if length[-1] < 1e-9:
        return
    count = max(1, math.ceil(float(length[-1]) / step_m - 1e-9))
    station = np.linspace(0.0, length[-1], count + 1)
    way = np.stack([np.interp(station, length, corners_xy[:, k]) for k in (0, 1)], axis=-1)
    way = _rounded(way, int(CORNER_M / step_m / 2.0))
    heading = start.yaw_rad
    for here, there in zip(way, way[1:]):
        yaw = math.atan2(there[1] - here[1], there[0] - here[0])
        if abs(wrap_rad(yaw - heading)) > 2.0 * step_rad:
            yield from turned(Pose2(float(here[0]), float(here[1]), heading), yaw, step_rad)
        heading = yaw
        yield Pose2(float(there[0]), float(there[1]), yaw)
