# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Simple polygons: area, containment, distance, self-crossing."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .pieces import (
    check_simple,
    distance_to_edges,
    gap_between,
    piece_ends,
    without_repeated_first,
)
from .polyline import Polyline
from ..errors import GeometryError


@dataclass(frozen=True, eq=False)
class Polygon:
    """
    A closed ring of corners that does not cross itself.

    Parameters
    ----------
    corners_xy : array
        Shape (n, 2), n >= 3, in either sense [m]; a last corner equal to the first is left out.

    Raises
    ------
    GeometryError
        Fewer than three corners, not finite, no area, corners on top of each other, or edges that
        cross.

    Examples
    --------
    >>> square = Polygon([[0, 0], [2, 0], [2, 2], [0, 2]])
    >>> square.area_m2
    4.0
    >>> square.contains([[1.0, 1.0], [3.0, 1.0]]).tolist()
    [True, False]

    """

    corners_xy: NDArray[np.float64]

    def __init__(self, corners_xy: ArrayLike) -> None:
        """Check the corners and keep a read-only copy."""
        corners = without_repeated_first(np.array(corners_xy, dtype=float))
        if corners.ndim != 2 or corners.shape[1] != 2 or len(corners) < 3:
            msg = 'a polygon needs at least three corners [x, y]'
            raise GeometryError(msg)
        if not np.isfinite(corners).all():
            msg = 'a polygon corner is not finite'
            raise GeometryError(msg)
        check_simple(corners, closed=True, what='polygon', edges='edges')
        corners.flags.writeable = False
        object.__setattr__(self, 'corners_xy', corners)
        if self.area_m2 <= 0.0:
            msg = 'the polygon has no area'
            raise GeometryError(msg)

    @property
    def area_m2(self) -> float:
        """Enclosed area [m2] (shoelace formula)."""
        # From the first corner: far from the origin the products would swallow small areas.
        x, y = (self.corners_xy - self.corners_xy[0]).T
        return abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1))) / 2.0

    def contains(self, points_xy: ArrayLike) -> NDArray[np.bool_]:
        """Tell which points (n, 2) [m] lie inside, by counting crossed edges."""
        points = np.asarray(points_xy, dtype=float)
        x, y = points[..., 0], points[..., 1]
        inside = np.zeros(x.shape, dtype=bool)
        for (x1, y1), (x2, y2) in zip(*self.ends_xy()):
            if y1 == y2:
                continue
            straddles = (y1 > y) != (y2 > y)
            inside ^= straddles & (x < (x2 - x1) * (y - y1) / (y2 - y1) + x1)
        return inside

    def ends_xy(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return starts and ends of the edges, each (n, 2) [m]."""
        return self._ends

    @cached_property
    def _ends(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the same, made once."""
        return piece_ends(self.corners_xy, closed=True)

    def distance_m(self, points_xy: ArrayLike) -> NDArray[np.float64]:
        """Return the distance of points (n, 2) [m] to the outline, on either side."""
        return distance_to_edges(np.asarray(points_xy, dtype=float), *self.ends_xy())

    def reaches(self, points_xy: ArrayLike, margin_m: float) -> NDArray[np.bool_]:
        """Tell which points (n, 2) [m] lie inside, or no further from the outline than that."""
        return self.contains(points_xy) | (self.distance_m(points_xy) <= margin_m)

    def gap_m(self, line: Polyline) -> float:
        """Return the least distance of a line to the polygon [m]; 0 where it enters it."""
        if self.contains(line.points_xy).any():
            return 0.0
        return gap_between(line.ends_xy(), self.ends_xy())

    def room_m(self, line: Polyline) -> float:
        """Return how far inside the outline a line stays [m]; 0 where it leaves it."""
        if not self.contains(line.points_xy).all():
            return 0.0
        return gap_between(line.ends_xy(), self.ends_xy())
