# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A line in plan view with stations along it and signed offsets from it."""

from __future__ import annotations

from dataclasses import dataclass, field
import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .nearest import Chain
from .pieces import check_simple, piece_ends, without_repeated_first
from ..errors import GeometryError

# How far the chords of an arc may stand off it [m]; no grid shows so little.
ARC_SAGITTA_M = 0.0001


@dataclass(frozen=True, eq=False)
class Polyline:
    """
    A line through points, open or closed.

    Parameters
    ----------
    points_xy : array
        Shape (n, 2) [m]; a closed line need not repeat its first point.
    closed : bool
        Whether the last point joins the first.

    Attributes
    ----------
    vertex_station_m : array
        Station of each point, shape (n,); of a closed line also its length, (n + 1,) [m].

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
    _chain: Chain = field(repr=False)

    def __init__(self, points_xy: ArrayLike, closed: bool = False) -> None:
        """Check the points and keep a read-only copy."""
        points = np.array(points_xy, dtype=float)
        if closed:
            points = without_repeated_first(points)
        least = 3 if closed else 2
        if points.ndim != 2 or points.shape[1] != 2 or len(points) < least:
            msg = f'a{" closed" if closed else ""} line needs at least {least} points [x, y]'
            raise GeometryError(msg)
        if not np.isfinite(points).all():
            msg = 'a point of the line is not finite'
            raise GeometryError(msg)
        start, end = piece_ends(points, closed=closed)
        length = np.hypot(*(end - start).T)
        check_simple(points, closed=closed, what='line', edges='pieces')
        station = np.concatenate([[0.0], np.cumsum(length)])
        for array in (points, station):
            array.flags.writeable = False
        object.__setattr__(self, 'points_xy', points)
        object.__setattr__(self, 'closed', closed)
        object.__setattr__(self, 'vertex_station_m', station)
        object.__setattr__(self, '_chain', Chain(start, end, closed=closed))

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
            msg = (f'an arc needs a radius of more than 0 (has {radius_m:g} m) and a sweep, not 0 '
                   f'and up to a full turn (has {math.degrees(sweep_rad):g} degrees)')
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
        """Return the piece at any stations, and these [m], on a closed line within one turn."""
        station = np.asarray(station_m, dtype=float)
        if self.closed:
            station = np.mod(station, self.length_m)
        index = np.searchsorted(self.vertex_station_m, station, side='right') - 1
        return np.clip(index, 0, len(self.vertex_station_m) - 2), station

    def ends_xy(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return starts and ends of the pieces, each (m, 2) [m]."""
        return piece_ends(self.points_xy, closed=self.closed)

    def heading_at(self, station_m: ArrayLike) -> NDArray[np.float64]:
        """Return the direction of the line at stations [rad]."""
        index, _ = self._piece(station_m)
        start, end = self.ends_xy()
        along = (end - start)[index]
        return np.arctan2(along[..., 1], along[..., 0])

    def point_at(self, station_m: ArrayLike, offset_m: ArrayLike = 0.0) -> NDArray[np.float64]:
        """
        Return points (..., 2) [m] at stations and signed offsets, left positive.

        Stations beyond the ends of an open line run on straight.
        """
        index, station = self._piece(station_m)
        start, end = self.ends_xy()
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
            plan distance to the line, also beyond its ends; a point nearest to a corner lies on
            the outer side of the bend. Stations of a closed line stay below its length. NaN where
            a coordinate is not finite.

        """
        points = np.asarray(points_xy, dtype=float).reshape(-1, 2)
        station = np.full(len(points), np.nan)
        offset = np.full(len(points), np.nan)
        known = np.isfinite(points).all(axis=-1)
        piece, run, offset[known] = self._chain.nearest(points[known])
        along = self.vertex_station_m[piece] + run
        if self.closed:
            along = np.where(along >= self.length_m, 0.0, along)
        station[known] = along
        return station, offset
