# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A line in plan view with stations along it and signed offsets from it."""

from __future__ import annotations

from dataclasses import dataclass
import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .segments2 import crossing_pair
from ..errors import GeometryError

ARC_SAGITTA_M = 0.0001
CHUNK_POINTS = 20000


@dataclass(frozen=True, eq=False)
class Polyline:
    """
    A line through points, open or closed.

    Parameters
    ----------
    points_xy : array
        Shape (n, 2) [m]; a closed line does not repeat its first point.
    closed : bool
        Whether the last point joins the first.

    Raises
    ------
    GeometryError
        Too few points, not finite, a piece without length, or a line that touches itself.

    Examples
    --------
    >>> line = Polyline([[0, 0], [4, 0]])
    >>> station, offset = line.station_offset([[1.0, 0.5], [5.0, 0.0]])
    >>> station.tolist(), offset.tolist()
    ([1.0, 4.0], [0.5, 1.0])

    """

    points_xy: NDArray[np.float64]
    closed: bool
    vertex_station_m: NDArray[np.float64]

    def __init__(self, points_xy: ArrayLike, closed: bool = False) -> None:
        """Check the points and keep a read-only copy."""
        points = np.array(points_xy, dtype=float)
        least = 3 if closed else 2
        if points.ndim != 2 or points.shape[1] != 2 or len(points) < least:
            msg = f'a line needs at least {least} points [x, y]'
            raise GeometryError(msg)
        if not np.isfinite(points).all():
            msg = 'a point of the line is not finite'
            raise GeometryError(msg)
        ring = np.vstack([points, points[:1]]) if closed else points
        length = np.hypot(*np.diff(ring, axis=0).T)
        if (length <= 0.0).any():
            msg = f'points {int(np.argmin(length))} and the next of the line are the same'
            raise GeometryError(msg)
        pair = crossing_pair(points, closed=closed)
        if pair is not None:
            msg = f'pieces {pair[0]} and {pair[1]} of the line cross'
            raise GeometryError(msg)
        station = np.concatenate([[0.0], np.cumsum(length)])
        for array in (points, station):
            array.flags.writeable = False
        object.__setattr__(self, 'points_xy', points)
        object.__setattr__(self, 'closed', closed)
        object.__setattr__(self, 'vertex_station_m', station)

    @classmethod
    def arc(
        cls, centre_xy: ArrayLike, radius_m: float, from_rad: float, sweep_rad: float
    ) -> Polyline:
        """
        Return an arc as chords that stay within 0.1 mm of it.

        Parameters
        ----------
        centre_xy : array
            Shape (2,) [m].
        radius_m : float
            Radius [m].
        from_rad, sweep_rad : float
            Direction of the start and angle swept [rad], counter-clockwise; a full turn closes.

        Returns
        -------
        Polyline
            Closed when the sweep is a full turn.

        Raises
        ------
        GeometryError
            Radius not positive, sweep zero or more than a full turn.

        """
        turn = 2.0 * math.pi
        if not radius_m > 0.0 or not 0.0 < abs(sweep_rad) <= turn + 1e-9:
            msg = f'an arc of radius {radius_m} m and sweep {sweep_rad} rad is none'
            raise GeometryError(msg)
        step = 2.0 * math.acos(max(0.0, 1.0 - ARC_SAGITTA_M / radius_m))
        count = max(8, math.ceil(abs(sweep_rad) / step))
        closed = abs(abs(sweep_rad) - turn) < 1e-9
        angle = from_rad + np.linspace(0.0, sweep_rad, count + 1)[: count if closed else None]
        circle = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
        return cls(np.asarray(centre_xy, dtype=float) + radius_m * circle, closed)

    @property
    def length_m(self) -> float:
        """Length of the whole line [m]."""
        return float(self.vertex_station_m[-1])

    def _piece(self, station_m: ArrayLike) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
        """Return the piece index and the station within range for any stations."""
        station = np.asarray(station_m, dtype=float)
        if self.closed:
            station = np.mod(station, self.length_m)
        index = np.searchsorted(self.vertex_station_m, station, side='right') - 1
        return np.clip(index, 0, len(self.vertex_station_m) - 2), station

    def _ends(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return starts and ends of the pieces, each (m, 2)."""
        if self.closed:
            return self.points_xy, np.roll(self.points_xy, -1, axis=0)
        return self.points_xy[:-1], self.points_xy[1:]

    def heading_at(self, station_m: ArrayLike) -> NDArray[np.float64]:
        """Return the direction of the line at stations [rad]."""
        index, _ = self._piece(station_m)
        start, end = self._ends()
        along = (end - start)[index]
        return np.arctan2(along[..., 1], along[..., 0])

    def point_at(self, station_m: ArrayLike, offset_m: ArrayLike = 0.0) -> NDArray[np.float64]:
        """
        Return points (..., 2) [m] at stations and signed offsets, left positive.

        Stations beyond the ends of an open line run on straight.
        """
        index, station = self._piece(station_m)
        start, end = self._ends()
        along = (end - start)[index]
        along = along / np.hypot(along[..., 0], along[..., 1])[..., None]
        left = np.stack([-along[..., 1], along[..., 0]], axis=-1)
        run = station - self.vertex_station_m[index]
        out: NDArray[np.float64] = (
            start[index] + run[..., None] * along
            + np.asarray(offset_m, dtype=float)[..., None] * left)
        return out

    def station_offset(
        self, points_xy: ArrayLike
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """
        Return station and signed offset of the nearest point on the line.

        Parameters
        ----------
        points_xy : array
            Shape (n, 2) [m].

        Returns
        -------
        tuple of array
            Station [m] and offset [m], left positive, each (n,). The size of the offset is the
            plan distance to the line, also beyond its ends.

        """
        points = np.asarray(points_xy, dtype=float).reshape(-1, 2)
        station = np.empty(len(points))
        offset = np.empty(len(points))
        for first in range(0, len(points), CHUNK_POINTS):
            part = slice(first, first + CHUNK_POINTS)
            station[part], offset[part] = self._nearest(points[part])
        return station, offset

    def _nearest(
        self, points: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Search all pieces for the nearest point; ties go to the earlier piece."""
        best = np.full(len(points), np.inf)
        station = np.zeros(len(points))
        offset = np.zeros(len(points))
        for k, (a, b) in enumerate(zip(*self._ends())):
            along = b - a
            length = math.hypot(along[0], along[1])
            rel = points - a
            t = np.clip(rel @ along / length, 0.0, length)
            gap = np.hypot(rel[:, 0] - t * along[0] / length, rel[:, 1] - t * along[1] / length)
            side = np.where(along[0] * rel[:, 1] - along[1] * rel[:, 0] >= 0.0, 1.0, -1.0)
            closer = gap < best - 1e-12
            best = np.where(closer, gap, best)
            station = np.where(closer, self.vertex_station_m[k] + t, station)
            offset = np.where(closer, side * gap, offset)
        return station, offset
