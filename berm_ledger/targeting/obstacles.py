# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Everything a footprint must stay off, as points with a radius and an owner.

Owners are numbered: the segments first, in row order, then the keep-outs, then the boundary,
then measured ground that is blocked. A segment's points lie on its centreline and reach as far as
its toe, so that finished work has round ends.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
import math
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from .dump_line import half_base_m, MARGIN_M
from .values import Ground
from ..books.rows import Row
from ..design import Site
from ..geometry import Polyline

# Spacing of points on lines and outlines [m]; half of it is kept from outlines besides.
SAMPLE_M = 0.03
# Finer cells of blocked ground are put together to about this edge [m].
SOIL_CELL_M = 0.04

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Obstacles:
    """
    Points with radius and owner, in the site frame.

    Parameters
    ----------
    site : Site
        The site.
    points_xy : array
        Shape (n, 2) [m].
    radius_m : array
        Shape (n,): what must be kept from each point [m].
    owner : array of int
        Shape (n,): see the module.
    names : tuple of str
        One plain name per owner.
    segments : int
        How many of the owners are segments.
    made_of : tuple
        What ``of_site`` has made them of.

    """

    site: Site
    points_xy: Floats
    radius_m: Floats
    owner: NDArray[np.intp]
    names: tuple[str, ...]
    segments: int
    made_of: tuple[Any, ...] = field(default=(), repr=False)
    _tree: Any = field(init=False, repr=False)

    def __post_init__(self) -> None:
        """Sort the points for search."""
        object.__setattr__(self, '_tree', cKDTree(self.points_xy))

    @classmethod
    def of_site(
        cls, site: Site, rows: Sequence[Row], ground: Ground | None,
        standing: Sequence[bool] | None = None, *, before: Obstacles | None = None,
    ) -> Obstacles:
        """
        Gather the obstacles of a site with its segments as designed.

        Parameters
        ----------
        site : Site
            The site.
        rows : sequence of Row
            All rows of the site.
        ground : Ground or None
            Measured ground.
        standing : sequence of bool or None
            Which segments stand: their designs account for blocked cells. None means none.
        before : Obstacles or None
            Those of before.

        Returns
        -------
        Obstacles
            All of them; ``before`` itself where it was made of the same, but for ground under the
            designs of standing segments, which is no obstacle of its own.

        """
        stands = [False] * len(rows) if standing is None else list(standing)
        made_of = (site, ground, stands, [_disc_key(site, row) for row in rows])
        if before is not None and before._would_be(made_of):
            return before
        parts: list[tuple[Floats, Floats]] = [segment_disc(site, row) for row in rows]
        names = [segment_name(row) for row in rows]
        edge = MARGIN_M + 0.5 * SAMPLE_M
        for area in site.yard.keep_outs:
            outline = outline_points(area.polygon.corners_xy)
            parts.append((outline, np.full(len(outline), edge)))
            names.append(f'keep-out "{area.name}"')
        outline = outline_points(site.yard.boundary.corners_xy)
        parts.append((outline, np.full(len(outline), edge)))
        names.append('the boundary')
        known = [part for part, here in zip(parts, stands) if here]
        soil, cell = blocked_points(ground)
        soil = _off_discs(soil, known)
        reach = MARGIN_M + math.sqrt(0.5) * cell
        parts.append((soil, np.full(len(soil), reach)))
        names.append('ground that is blocked or unknown')
        owner = np.repeat(np.arange(len(parts)), [len(p) for p, _ in parts])
        return cls(site, np.concatenate([p for p, _ in parts]),
                   np.concatenate([r for _, r in parts]), owner, tuple(names), len(rows), made_of)

    @cached_property
    def soil_xy(self) -> Floats:
        """Blocked ground off the standing segments, shape (n, 2) [m]."""
        out: Floats = self.points_xy[self.owner == len(self.names) - 1]
        return out

    def _would_be(self, made_of: tuple[Any, ...]) -> bool:
        """
        Tell whether obstacles made of something else would be these.

        Cells at the foot of a berm come and go with the noise of every look.
        """
        if not self.made_of or self.made_of[0] is not made_of[0] or (
                self.made_of[2:] != made_of[2:]):
            return False
        was, ground = self.made_of[1], made_of[1]
        if was is ground:
            return True
        if was is None or ground is None or was.lattice != ground.lattice:
            return False
        changed, _ = blocked_points(Ground(ground.lattice, was.no_drive ^ ground.no_drive))
        return not len(_off_discs(changed, [self._standing_discs(made_of[2])]))

    def _standing_discs(self, stands: Sequence[bool]) -> tuple[Floats, Floats]:
        """Return points and radii of the segments that stand."""
        ours = np.append(stands, [False] * (len(self.names) - self.segments))[self.owner]
        return self.points_xy[ours], self.radius_m[ours]

    def hits(self, hull_xy: Floats, poses: Floats) -> NDArray[np.bool_]:
        """
        Tell which owners a convex outline touches at each pose.

        Parameters
        ----------
        hull_xy : array
            Shape (k, 2): corners of a convex polygon in base_link, counter-clockwise [m].
        poses : array
            Shape (n, 3): x, y [m] and yaw [rad].

        Returns
        -------
        array of bool
            Shape (n, owners).

        """
        out = np.zeros((len(poses), len(self.names)), dtype=bool)
        if not len(poses):
            return out
        centre = 0.5 * (hull_xy.min(axis=0) + hull_xy.max(axis=0))
        reach = float(np.hypot(*(hull_xy - centre).T).max())
        middle = moved(poses, centre[None])[:, 0]
        limit = reach + float(self.radius_m.max())
        near = self._tree.query_ball_point(middle, limit)
        pose = np.repeat(np.arange(len(poses)), [len(n) for n in near])
        point = np.concatenate([np.asarray(n, dtype=np.intp) for n in near])
        local = into_base(poses[pose], self.points_xy[point])
        touch = distance_to_hull(local, hull_xy) < self.radius_m[point]
        out[pose[touch], self.owner[point[touch]]] = True
        corners = moved(poses, hull_xy)
        for k, area in enumerate(self.site.yard.keep_outs):
            out[:, self.segments + k] |= area.polygon.contains(corners).any(axis=1)
        rim = self.segments + len(self.site.yard.keep_outs)
        out[:, rim] |= ~self.site.yard.boundary.contains(corners).all(axis=1)
        return out


def _disc_key(site: Site, row: Row) -> tuple[object, ...]:
    """Return all that the obstacle of a segment is made of, besides the site."""
    return (row.berm_index, row.berm, row.segment, row.station_from_m, row.station_to_m,
            half_base_m(site, row))


def segment_name(row: Row) -> str:
    """Return the plain name of a segment."""
    return f'{row.berm} segment {row.segment}'


def segment_disc(site: Site, row: Row) -> tuple[Floats, Floats]:
    """Return points on a segment's centreline and the radius that reaches its toe."""
    points = _line_points(
        site.berms[row.berm_index].centreline, row.station_from_m, row.station_to_m)
    return points, np.full(len(points), half_base_m(site, row) + MARGIN_M)


@lru_cache(maxsize=4096)
def _line_points(line: Polyline, from_m: float, to_m: float) -> Floats:
    """Return points on a line; those of a site's segments are asked for again and again."""
    count = max(2, math.ceil((to_m - from_m) / SAMPLE_M) + 1)
    station = np.linspace(from_m, to_m, count)
    if line.closed:
        station[-1] = np.nextafter(station[-1], 0.0)
    points = line.point_at(station)
    points.flags.writeable = False
    return points


def outline_points(corners_xy: Floats) -> Floats:
    """Return points on a polygon's outline no farther apart than the sampling."""
    parts = []
    for a, b in zip(corners_xy, np.roll(corners_xy, -1, axis=0)):
        count = max(1, math.ceil(math.hypot(*(b - a)) / SAMPLE_M))
        parts.append(a + np.arange(count)[:, None] / count * (b - a))
    return np.concatenate(parts)


def blocked_points(ground: Ground | None) -> tuple[Floats, float]:
    """Return blocked ground as centres (n, 2) of cells no finer than needed, and their edge."""
    if ground is None:
        return np.zeros((0, 2)), 0.0
    cells = ground.no_drive
    step = max(1, round(SOIL_CELL_M / ground.lattice.cell_m))
    rows, cols = (-(-n // step) * step for n in cells.shape)
    padded = np.zeros((rows, cols), dtype=bool)
    padded[:cells.shape[0], :cells.shape[1]] = cells
    coarse = padded.reshape(rows // step, step, cols // step, step).any(axis=(1, 3))
    row, col = np.nonzero(coarse)
    edge = step * ground.lattice.cell_m
    shift = 0.5 * (step - 1) * ground.lattice.cell_m
    x = ground.lattice.x0_m + shift + edge * col
    y = ground.lattice.y0_m + shift + edge * row
    return np.stack([x, y], axis=-1), edge


def _off_discs(cells: Floats, parts: Sequence[tuple[Floats, Floats]]) -> Floats:
    """Return the cells (n, 2) [m] outside all discs."""
    if not len(cells) or not any(len(p) for p, _ in parts):
        return cells
    points = np.concatenate([p for p, _ in parts])
    radius = np.concatenate([r for _, r in parts])
    distance, nearest = cKDTree(points).query(cells)
    out: Floats = cells[distance > radius[nearest] + SOIL_CELL_M]
    return out


def newly_blocked(soil_xy: Floats, known_xy: Floats) -> Floats:
    """Return the blocked points that are not among the known ones."""
    if not len(soil_xy) or not len(known_xy):
        return soil_xy
    # Most are cells of the same grid; the few others take the search.
    others = soil_xy[~np.isin(_as_complex(soil_xy), _as_complex(known_xy))]
    if not len(others):
        return others
    gap, _ = cKDTree(known_xy).query(others)
    out: Floats = others[gap > 0.5 * SOIL_CELL_M]
    return out


def _as_complex(points_xy: Floats) -> NDArray[np.complex128]:
    """Return points (n, 2) as one number each."""
    return np.ascontiguousarray(points_xy).view(np.complex128)[:, 0]


def moved(poses: Floats, points_xy: Floats) -> Floats:
    """Turn points (k, 2) of base_link at poses (n, 3) into the site frame, (n, k, 2)."""
    cos, sin = np.cos(poses[:, 2])[:, None], np.sin(poses[:, 2])[:, None]
    x, y = points_xy[:, 0], points_xy[:, 1]
    return np.stack([poses[:, :1] + cos * x - sin * y, poses[:, 1:2] + sin * x + cos * y], axis=-1)


def into_base(poses: Floats, points_xy: Floats) -> Floats:
    """Turn points (n, 2) of the site frame into base_link at poses (n, 3), one each."""
    cos, sin = np.cos(poses[:, 2]), np.sin(poses[:, 2])
    dx, dy = points_xy[:, 0] - poses[:, 0], points_xy[:, 1] - poses[:, 1]
    return np.stack([cos * dx + sin * dy, -sin * dx + cos * dy], axis=-1)


def distance_to_hull(points_xy: Floats, hull_xy: Floats) -> Floats:
    """Return the distance of points (n, 2) to a convex polygon, 0 inside [m]."""
    best = np.full(len(points_xy), np.inf)
    inside = np.ones(len(points_xy), dtype=bool)
    for a, b in zip(hull_xy, np.roll(hull_xy, -1, axis=0)):
        along, gap = b - a, points_xy - a
        inside &= along[0] * gap[:, 1] - along[1] * gap[:, 0] >= 0.0
        t = np.clip(gap @ along / (along @ along), 0.0, 1.0)
        best = np.minimum(best, np.hypot(*(gap - t[:, None] * along).T))
    return np.where(inside, 0.0, best)
