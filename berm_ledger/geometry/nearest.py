# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The nearest place on a chain of straight pieces, for many points at once.

Points are handled tile by tile, unless the pieces are few. Against a tile of radius r around its
middle, a piece is looked at only if it is no further from the middle than the nearest piece and
2 r: no other can be the nearest to any point of the tile. So the result is that of trying every
piece.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from .pieces import cross2

# About so many points lie close enough together to share what may be nearest to them.
TILE_POINTS = 256
# Of so few pieces all are looked at, for so many points at a time as stay in the cache.
FEW_PIECES, MANY_POINTS = 4, 8192
# Pieces no further than this beyond the limit are looked at too: rounding [m].
SLACK_M = 1e-6
# Sine of a turn that is rounding: the line runs straight on.
STRAIGHT_ON = 1e-12
# What is no further off the line than this lies on it: rounding [m].
ON_LINE_M = 1e-9


class Chain:
    """
    Pieces end to end, with what the search needs worked out once.

    Parameters
    ----------
    start_xy, end_xy : array
        Starts and ends of the pieces (m, 2) [m].
    closed : bool
        Whether the last piece leads to the first.

    """

    def __init__(
        self, start_xy: NDArray[np.float64], end_xy: NDArray[np.float64], *, closed: bool
    ) -> None:
        """Work out lengths, directions and turns."""
        along = end_xy - start_xy
        self.start_xy = start_xy
        self.length_m = np.hypot(along[:, 0], along[:, 1])
        self.unit_xy = along / self.length_m[:, None]
        # Turn at the start of each piece and, last, at the end of the chain: left positive.
        turn = np.zeros(len(along) + 1)
        turn[1:-1] = cross2(self.unit_xy[:-1], self.unit_xy[1:])
        if closed:
            turn[0] = turn[-1] = cross2(self.unit_xy[-1], self.unit_xy[0])
        self.turn = np.where(np.abs(turn) > STRAIGHT_ON, np.sign(turn), 0.0)

    def nearest(
        self, points_xy: NDArray[np.float64]
    ) -> tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]:
        """
        Return the nearest piece, the run along it and the signed distance.

        Parameters
        ----------
        points_xy : array
            Shape (n, 2), finite [m].

        Returns
        -------
        tuple of array
            Index of the piece (n,), the first of equally near ones; run from its start (n,) [m];
            distance (n,) [m], left positive.

        """
        piece = np.zeros(len(points_xy), dtype=np.intp)
        run, offset = np.zeros(len(points_xy)), np.zeros(len(points_xy))
        for part in self._parts(points_xy):
            points = points_xy[part]
            which = self._candidates(points)
            piece[part], run[part], offset[part] = self._search(points, which)
        return piece, run, offset

    def _parts(
        self, points_xy: NDArray[np.float64]
    ) -> Sequence[slice] | Sequence[NDArray[np.intp]]:
        """Return the places of points that are handled together."""
        if len(self.length_m) >= FEW_PIECES:
            return _tiles(points_xy)
        return [slice(first, first + MANY_POINTS)
                for first in range(0, len(points_xy), MANY_POINTS)]

    def _run_and_gap(
        self, points: NDArray[np.float64], which: NDArray[np.intp]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Return run, side (twice the area per unit length) and distance, each (n, pieces)."""
        x = points[:, :1] - self.start_xy[which, 0]
        y = points[:, 1:] - self.start_xy[which, 1]
        ux, uy, length = self.unit_xy[which, 0], self.unit_xy[which, 1], self.length_m[which]
        run = np.clip(x * ux + y * uy, 0.0, length)
        side = ux * y - uy * x
        return run, side, np.hypot(x - run * ux, y - run * uy)

    def _candidates(self, points: NDArray[np.float64]) -> NDArray[np.intp]:
        """Return the pieces that may be the nearest to one of the points, in order."""
        every = np.arange(len(self.length_m))
        if len(points) < 4 or len(every) < FEW_PIECES:
            return every
        low, high = points.min(axis=0), points.max(axis=0)
        middle = 0.5 * (low + high)
        _, _, gap = self._run_and_gap(middle[None], every)
        across = float(np.hypot(*(high - low)))
        return np.flatnonzero(gap[0] <= gap.min() + across + SLACK_M)

    def _search(
        self, points: NDArray[np.float64], which: NDArray[np.intp]
    ) -> tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]:
        """Try every piece of `which` against every point."""
        run, side, gap = self._run_and_gap(points, which)
        best = np.argmin(gap, axis=1)
        row = np.arange(len(points))
        run, side, gap, piece = run[row, best], side[row, best], gap[row, best], which[best]
        # Nearest to a corner, the point lies outside the bend: right of a turn to the left.
        turn = np.where(run <= 0.0, self.turn[piece], 0.0)
        turn = np.where(run >= self.length_m[piece], self.turn[piece + 1], turn)
        # Straight ahead of an end counts as left, whatever the rounding.
        left = np.where(turn == 0.0, side >= -ON_LINE_M, turn < 0.0)
        return piece, run, np.where(left, gap, -gap)


def _tiles(points_xy: NDArray[np.float64]) -> list[NDArray[np.intp]]:
    """Return the places of points that lie close together, a few hundred each."""
    count = len(points_xy)
    if count <= TILE_POINTS:
        return [np.arange(count)] if count else []
    low, high = points_xy.min(axis=0), points_xy.max(axis=0)
    width, height = np.maximum(high - low, 1e-9)
    edge = max(np.sqrt(width * height * TILE_POINTS / count),
               max(width, height) * TILE_POINTS / count)
    col, row = np.floor((points_xy - low) / edge).astype(np.intp).T
    tile = row * (int(col.max()) + 1) + col
    order = np.argsort(tile, kind='stable')
    borders = np.flatnonzero(np.diff(tile[order])) + 1
    return [piece for part in np.split(order, borders)
            for piece in np.array_split(part, -(-len(part) // (4 * TILE_POINTS)))]
