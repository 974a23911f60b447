# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Free space, and the way from the borrow area through it.

The place of work, with the keep-outs that reach into it, is cut into cells. A cell is free when
base_link may be there: inside the boundary, off keep-outs, blocked ground and standing segments by
the robot's half width. Ways run over sixteen directions and cut no corner, so that what is joined
is what is joined edge to edge; cells so wide that a wall could hide between two of them keep their
centres farther off.

*Out* is the free ground that borders on the rim of the yard, or of the cells where the yard goes
on, over at least a fifth of it. A robot that cannot get out is shut in; ground from which one
cannot get out is no source of loads.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass
import math

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree

from .obstacles import Obstacles
from .work_place import way_corners_xy
from ..design import Site
from ..geometry import Lattice, Pose2

# Cells that a search for ways may have: each look at the yard is one search.
MAX_CELLS = 20000
# So many where fewer would be wider than half the robot.
MOST_CELLS = 50000
# Edge of the smallest cells [m]: that of the no-go grid.
SMALLEST_CELL_M = 0.05
# Share of the rim that ground must border on to be out: less is a corner cut off by the berm.
RIM_SHARE = 0.2
# How far from a robot free ground may be that it counts as standing on [m].
SNAP_M = 1.0
# Row and column of half of the sixteen directions; with each the cells the way passes.
MOVES = (
    ((0, 1), ((0, 0), (0, 0))), ((1, 0), ((0, 0), (0, 0))),
    ((1, 1), ((0, 1), (1, 0))), ((1, -1), ((0, -1), (1, 0))),
    ((1, 2), ((0, 1), (1, 1))), ((1, -2), ((0, -1), (1, -1))),
    ((2, 1), ((1, 0), (1, 1))), ((2, -1), ((1, 0), (1, -1))),
)

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Field:
    """
    Ways from the sources while some segments stand.

    Parameters
    ----------
    distance_m : array
        Shape (cells,): length of the way [m], infinite where there is none.
    previous : array of int
        Shape (cells,): cell before on the way, negative at sources and where there is none.

    """

    distance_m: Floats
    previous: Ints

    def way(self, cell: int) -> list[int]:
        """Return the cells of the way to a cell, the cell first."""
        out = [cell]
        while self.previous[out[-1]] >= 0:
            out.append(int(self.previous[out[-1]]))
        return out


class ReachMap:
    """
    Free space of a site.

    Parameters
    ----------
    site : Site
        The site.
    obstacles : Obstacles
        What is in the yard; segments are its first owners.

    No segment stands on it; ``with_standing`` returns a map on which some do.

    """

    def __init__(self, site: Site, obstacles: Obstacles) -> None:
        """Cut the yard into cells and join them."""
        self.site = site
        self.lattice = yard_lattice(site)
        # What crosses a way comes this near to the centre of a cell on it.
        self.keep_m = max(site.rover.half_width_m, math.sqrt(0.5) * self.lattice.cell_m)
        self.centres_xy = self.lattice.centres_xy().reshape(-1, 2)
        self._free_of_things(site, obstacles)
        self._areas = self._in_borrow_areas(site, obstacles)
        self.cover = [self._covered(obstacles, k) for k in range(obstacles.segments)]
        own = obstacles.owner < obstacles.segments
        self._cover_m = self.keep_m + float(obstacles.radius_m[own].max(initial=0.0))
        self._join()
        self.sources: Bools = self._sources(site, None)
        self.shut_in_already = False

    def with_standing(self, standing: Bools, robot: Pose2 | None = None) -> ReachMap:
        """
        Return the map while some segments stand already.

        Parameters
        ----------
        standing : array of bool
            Shape (segments,): which segments stand.
        robot : Pose2 or None
            Where the robot is: the source where the site names no borrow area.

        Returns
        -------
        ReachMap
            Shares what does not change with this one.

        """
        out = copy(self)
        out.free = self.free_with(standing)
        out.sources = out._sources(self.site, robot)
        # Who is shut in from the start cannot be asked to stay out.
        out.shut_in_already = bool(out.sources.any()) and not out._usable(out.free).any()
        return out

    @property
    def cells(self) -> int:
        """Count the cells."""
        return len(self.centres_xy)

    def cells_of(self, points_xy: Floats) -> Ints:
        """Return the cells of points (..., 2) [m], -1 outside."""
        index = self.lattice.index_from_xy(points_xy)
        near = np.rint(index).astype(np.intp)
        flat: Ints = near[..., 0] * self.lattice.cols + near[..., 1]
        return np.where(self.lattice.contains(index), flat, -1)

    def cell_of(self, point_xy: tuple[float, float] | Floats) -> int:
        """Return the cell of one point [m], -1 outside."""
        return int(self.cells_of(np.array([point_xy]))[0])

    def cover_bits(self) -> NDArray[np.uint8]:
        """Return per cell (row) which segments would take it away, as packed bits."""
        out = np.zeros((self.cells, max(1, math.ceil(len(self.cover) / 8))), dtype=np.uint8)
        for k, cells in enumerate(self.cover):
            out[cells, k // 8] |= np.uint8(1 << k % 8)
        return out

    def free_with(self, built: Bools) -> Bools:
        """Return the free cells once more segments stand."""
        free = self.free.copy()
        for k in np.nonzero(built)[0]:
            free[self.cover[k]] = False
        return free

    def field(self, built: Bools) -> Field:
        """
        Return the ways from the sources that can get out, with more segments standing.

        Parameters
        ----------
        built : array of bool
            Shape (segments,): segments that stand besides those that stand already.

        Returns
        -------
        Field
            Ways.

        """
        free = self.free_with(built)
        source = np.nonzero(self._usable(free))[0]
        if not len(source):
            return Field(np.full(self.cells, np.inf), np.full(self.cells, -1))
        ok = (free[self._from] & free[self._to] & free[self._via[0]] & free[self._via[1]])
        weight = np.where(ok, self._length_m, np.inf)
        graph = csr_matrix((weight, self._to, self._start), shape=(self.cells, self.cells))
        distance, previous, _ = dijkstra(
            graph, indices=source, min_only=True, return_predecessors=True)
        return Field(distance, np.asarray(previous, dtype=np.intp))

    def gets_out(self, built: Bools) -> bool:
        """Tell whether some source can still get out with more segments standing."""
        return bool(self._usable(self.free_with(built)).any())

    def joins(self, robot: Pose2, other: Pose2) -> bool:
        """Tell whether two places of a robot are on ground that is joined, or both on none."""
        one, two = self._cell_near(robot), self._cell_near(other)
        if min(one, two) < 0:
            return one == two
        joined = label(self.free.reshape(self.lattice.shape))[0].reshape(-1)
        return bool(joined[one] == joined[two])

    def _usable(self, free: Bools) -> Bools:
        """Return the source cells that are free and from which one gets out."""
        usable: Bools = self.sources & free
        if self.shut_in_already or not usable.any():
            return usable
        return usable & self._out(free)

    def _out(self, free: Bools) -> Bools:
        """Return the cells that are joined to the outside."""
        joined, count = label(free.reshape(self.lattice.shape))
        joined = joined.reshape(-1)
        if not self._rim.any():
            return free
        along = np.bincount(joined[self._rim & free], minlength=count + 1)
        is_out = along >= max(1.0, RIM_SHARE * int(self._rim.sum()))
        is_out[0] = False
        return np.asarray(is_out[joined], dtype=bool)

    def _free_of_things(self, site: Site, obstacles: Obstacles) -> None:
        """Find the cells free of boundary, keep-outs and blocked ground; and the rim."""
        yard, centres = site.yard, self.centres_xy
        gap = yard.boundary.distance_m(centres)
        self.free: Bools = yard.boundary.contains(centres) & (gap >= self.keep_m)
        for area in yard.keep_outs:
            off = area.polygon.distance_m(centres) >= self.keep_m
            self.free &= off & ~area.polygon.contains(centres)
        self._declared = self.free.copy()
        soil = obstacles.owner == len(obstacles.names) - 1
        if soil.any():
            distance, _ = cKDTree(obstacles.points_xy[soil]).query(centres)
            self.free &= distance >= self.keep_m + float(obstacles.radius_m[soil].max())
        rim = gap < self.keep_m + 1.5 * self.lattice.cell_m
        # Where the yard goes on beyond the cells, their edge is its rim.
        edge = np.ones(self.lattice.shape, dtype=bool)
        edge[1:-1, 1:-1] = False
        self._edge: Bools = edge.reshape(-1)
        self._rim: Bools = self.free & (rim | self._edge)

    def _covered(self, obstacles: Obstacles, segment: int) -> Ints:
        """Return the cells that a segment takes away when it stands."""
        own = obstacles.owner == segment
        points, reach = obstacles.points_xy[own], float(obstacles.radius_m[own].max())
        reach += self.keep_m
        low = self.lattice.index_from_xy(points.min(axis=0) - reach)
        high = self.lattice.index_from_xy(points.max(axis=0) + reach)
        first = np.maximum(np.floor(low), 0).astype(int)
        last = np.minimum(np.ceil(high) + 1, self.lattice.shape).astype(int)
        row, col = np.meshgrid(
            np.arange(first[0], max(first[0], last[0])),
            np.arange(first[1], max(first[1], last[1])), indexing='ij')
        flat = (row * self.lattice.cols + col).reshape(-1)
        if not len(flat):
            return np.zeros(0, dtype=np.intp)
        distance, _ = cKDTree(points).query(self.centres_xy[flat])
        return np.asarray(flat[distance < reach], dtype=np.intp)

    def _join(self) -> None:
        """List the ways between neighbouring free cells as the rows of a sparse matrix."""
        rows, cols = self.lattice.shape
        free = self.free.reshape(rows, cols)
        row, col = (k.astype(np.int32) for k in np.nonzero(free))
        parts = []
        for (down, right), vias in MOVES:
            near = (row + down < rows) & (col + right >= 0) & (col + right < cols)
            r, c = row[near], col[near]
            ends = [r * cols + c, (r + down) * cols + c + right]
            passed = [(r + a) * cols + c + b for a, b in vias]
            ok = self.free[ends[1]] & self.free[passed[0]] & self.free[passed[1]]
            length = np.full(int(ok.sum()), math.hypot(down, right) * self.lattice.cell_m)
            here, there, one, two = (k[ok] for k in (*ends, *passed))
            parts += [(here, there, one, two, length), (there, here, one, two, length)]
        here, there, one, two, length = (np.concatenate(k) for k in zip(*parts))
        order = np.argsort(here, kind='stable')
        self._from, self._to = here[order], there[order].astype(np.int32)
        self._via = (one[order], two[order])
        self._length_m = length[order]
        counts = np.bincount(here, minlength=self.cells)
        self._start = np.concatenate([[0], np.cumsum(counts)]).astype(np.int32)

    def _sources(self, site: Site, robot: Pose2 | None) -> Bools:
        """Return the free cells that loads come from."""
        if site.yard.borrow_areas:
            return self._areas & self.free
        if robot is None:
            return self._out(self.free)
        return self._from_robot(robot)

    def _from_robot(self, robot: Pose2) -> Bools:
        """
        Return the free cells that loads come from where a robot digs wherever it can go.

        That is its own cell. On a line it drives off before a load falls there, to either side;
        where all the berms would shut it in it drives out, and comes in over the rim from then on.
        Where it cannot, its own cell is all there is.
        """
        out = np.zeros(self.cells, dtype=bool)
        nearest = self._cell_near(robot)
        if nearest < 0:
            return out
        joined = label(self.free.reshape(self.lattice.shape))[0].reshape(-1)
        near: Bools = joined == joined[nearest]
        bare = self.free_with(np.ones(len(self.cover), dtype=bool))
        if bare[nearest]:
            out[nearest] = True
        else:
            gap = np.hypot(*(self.centres_xy - robot.xy).T)
            out = near & bare & (gap <= 2.0 * self._cover_m)
        if not (out & self._out(bare)).any():
            out = near & bare & self._rim & self._out(bare)
        out[nearest] |= not out.any()
        return out

    def _in_borrow_areas(self, site: Site, obstacles: Obstacles) -> Bools:
        """
        Return the cells in the borrow areas.

        Where blocked ground, as closed lanes are, has left none of them free it is the ground
        right around them: a load that is aboard has come out over it.
        """
        out, around = np.zeros((2, self.cells), dtype=bool)
        soil = obstacles.owner == len(obstacles.names) - 1
        reach = site.rover.half_width_m + 1.5 * self.lattice.cell_m
        reach += float(obstacles.radius_m[soil].max(initial=0.0))
        for area in site.yard.borrow_areas:
            gap = area.polygon.distance_m(self.centres_xy)
            inside = area.polygon.contains(self.centres_xy)
            if not inside.any():  # It lies between the centres.
                inside = gap <= gap.min()
            out |= inside
            around |= inside | (gap <= reach)
        shut = (out & self._declared).any() and not (out & self.free).any()
        return around if shut else out

    def _cell_near(self, robot: Pose2) -> int:
        """Return the free cell nearest to a robot, -1 where it is far from all."""
        gap = np.hypot(*(self.centres_xy - robot.xy).T)
        limit = SNAP_M
        if self.cell_of(robot.xy) < 0 and self.site.yard.boundary.contains(robot.xy[None])[0]:
            # It comes in over the edge of the cells.
            gap[~self._edge], limit = np.inf, np.inf
        gap[~self.free] = np.inf
        nearest = int(np.argmin(gap))
        return nearest if gap[nearest] <= limit and self.free[nearest] else -1


def yard_lattice(site: Site) -> Lattice:
    """
    Return the cells for ways: a fifth of the half width, coarser where much is worked.

    Without borrow areas loads come from wherever the robot stands, so that all of the yard is
    looked at, unless it is so large that cells would be wider than half the robot.
    """
    corners, half_width_m = site.yard.boundary.corners_xy, site.rover.half_width_m
    if site.yard.borrow_areas or _cell_m(corners, MAX_CELLS) > half_width_m:
        corners = way_corners_xy(site)
    fine = max(SMALLEST_CELL_M, 0.2 * half_width_m, _cell_m(corners, MOST_CELLS))
    cell = max(fine, min(half_width_m, _cell_m(corners, MAX_CELLS)))
    return Lattice.covering(corners, cell, 0.0)


def _cell_m(corners_xy: Floats, cells: int) -> float:
    """Return the edge of so many cells that cover the rectangle around points (n, 2) [m]."""
    width, height = corners_xy.max(axis=0) - corners_xy.min(axis=0)
    return math.sqrt(width * height / cells)


def built_from_mask(mask: int, segments: int) -> Bools:
    """Return the bits of a number as an array of bool."""
    raw = np.frombuffer(mask.to_bytes((segments + 7) // 8 or 1, 'little'), dtype=np.uint8)
    return np.unpackbits(raw, bitorder='little')[:segments].astype(bool)


def mask_from_built(built: Sequence[bool] | Bools) -> int:
    """Return an array of bool as the bits of a number."""
    packed = np.packbits(np.asarray(built, dtype=bool), bitorder='little')
    return int.from_bytes(packed.tobytes(), 'little')
