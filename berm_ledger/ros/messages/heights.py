# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Heights out of a message: copied once, in pieces that stay in the cache while they are checked.

A height is unknown where it is infinite or absurd. Positions are checked on every point, too. A
row in so many is checked point by point; between them, no step from one row to the next, in any
column, may differ from that of the lattice by so much that it could add up to the tolerance. That
proves that all points lie on their places at the price of one subtraction and two comparisons;
only where it cannot be proved is each point looked at by itself.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...geometry import GridAxes
from ...kernels import compiled

ABSURD_HEIGHT_M = 1e4
# Bytes worked on at a time.
PIECE_BYTES = 1 << 19
# A row in so many is checked point by point: rounding of float32 adds up between them.
ANCHOR_EVERY = 64
# Share of the tolerance that the proof may use; the rest is for its own rounding.
PROOF_SHARE = 0.95


class HeightCopy:
    """
    Heights copied piece by piece, with their extremes.

    Parameters
    ----------
    like : array
        Heights to be copied, shape (rows, cols), any float type and byte order [m].

    """

    def __init__(self, like: NDArray[Any]) -> None:
        """Make room, in the order that the heights are stored in."""
        by_columns = abs(like.strides[0]) < abs(like.strides[1])
        self.height_m: NDArray[np.float32] = np.empty(
            like.shape, dtype=np.float32, order='F' if by_columns else 'C')
        self._highest = self._lowest = float('nan')
        self._known = False

    def take(self, source: NDArray[Any], target: NDArray[np.float32]) -> None:
        """Copy one piece into its place."""
        target[...] = source
        self._highest = float(np.fmax(self._highest, np.fmax.reduce(target, axis=None)))
        self._lowest = float(np.fmin(self._lowest, np.fmin.reduce(target, axis=None)))

    def take_all(self, source: NDArray[Any], place: tuple[slice, slice]) -> None:
        """Copy heights, shape (r, c), into a part of the whole."""
        target = self.height_m[place]
        if self.height_m.flags.f_contiguous and not self.height_m.flags.c_contiguous:
            source, target = source.T, target.T
        if compiled.decode is not None and _is_plain(source) and source.strides[1] == 4:
            self._known |= compiled.decode.copied(source, ABSURD_HEIGHT_M, target)
            return
        count = pieces_of(source.shape[1] * target.itemsize)
        for first in range(0, len(source), count):
            part = slice(first, first + count)
            self.take(source[part], target[part])

    def finished(self) -> tuple[NDArray[np.float32], bool]:
        """Return the heights, what is absurd made unknown, and whether any is known."""
        if max(self._highest, -self._lowest) > ABSURD_HEIGHT_M:
            with np.errstate(invalid='ignore'):
                self.height_m[np.abs(self.height_m) > ABSURD_HEIGHT_M] = np.nan
            return self.height_m, bool(np.isfinite(self.height_m).any())
        return self.height_m, self._known or not np.isnan(self._highest)


def _is_plain(values: NDArray[Any]) -> bool:
    """Tell whether an array is of float32 in this machine's order, on even addresses."""
    return values.dtype == np.dtype('=f4') and values.flags.aligned


def pieces_of(row_bytes: int) -> int:
    """Return how many rows make a piece."""
    return max(1, PIECE_BYTES // max(1, row_bytes))


def known_heights(heights: NDArray[Any]) -> tuple[NDArray[np.float32], bool]:
    """
    Return a float32 copy of heights [m], NaN where they are infinite or absurd.

    Parameters
    ----------
    heights : array
        Shape (rows, cols), any float type and byte order [m].

    Returns
    -------
    array
        A new array, still writable, stored in the order of the heights.
    bool
        Whether any of them is known.

    """
    copy = HeightCopy(heights)
    with np.errstate(invalid='ignore', over='ignore'):
        copy.take_all(heights, (slice(None), slice(None)))
        return copy.finished()


def unrolled_heights(
    stored: NDArray[Any], outer: int, inner: int
) -> tuple[NDArray[np.float32], bool]:
    """Return the same of a circular buffer that starts at a row and column, unrolled."""
    copy = HeightCopy(stored)
    rows, cols = stored.shape
    with np.errstate(invalid='ignore', over='ignore'):
        for row_from, row_to in ((slice(outer, rows), slice(0, rows - outer)),
                                 (slice(0, outer), slice(rows - outer, rows))):
            for col_from, col_to in ((slice(inner, cols), slice(0, cols - inner)),
                                     (slice(0, inner), slice(cols - inner, cols))):
                if row_from.stop > row_from.start and col_from.stop > col_from.start:
                    copy.take_all(stored[row_from, col_from], (row_to, col_to))
        return copy.finished()


def heights_on_lattice(
    x: NDArray[Any], y: NDArray[Any], z: NDArray[Any], axes: GridAxes, limit_m: float
) -> tuple[NDArray[np.float32], bool] | None:
    """
    Return the heights of a cloud when all its points are proved to lie on a lattice.

    Parameters
    ----------
    x, y, z : array
        Columns of one organised cloud, views of shape (rows, cols) [m].
    axes : GridAxes
        The lattice.
    limit_m : float
        How far a point may lie off its place along x or y [m].

    Returns
    -------
    tuple of array and bool, or None
        As ``known_heights``; None where the proof fails or the layout is another than float32 on
        even addresses: then each point must be looked at.

    """
    alike = x.strides == y.strides == z.strides and x.strides[1] % 4 == 0
    if compiled.decode is not None and alike and all(_is_plain(v) for v in (x, y, z)):
        return _seen_on_lattice(x, y, z, axes, PROOF_SHARE * limit_m)
    whole = _interleaved(x, y, z)
    if whole is None:
        return None
    points, step, places = whole
    copy = HeightCopy(z)
    highest = np.full(points.shape[1], -np.inf, dtype=np.float32)
    lowest = np.full(points.shape[1], np.inf, dtype=np.float32)
    count = max(2, pieces_of(points.shape[1] * points.itemsize))
    steps = np.empty((min(count, len(points)), points.shape[1]), dtype=np.float32)
    with np.errstate(invalid='ignore', over='ignore'):
        for first in range(0, len(points), count):
            # With the row before, of which only the step from it counts.
            piece = points[max(0, first - 1):first + count]
            apart = np.subtract(piece[1:], piece[:-1], out=steps[:len(piece) - 1])
            # Unlike fmax, maximum lets NaN through, which then fails every comparison.
            np.maximum(highest, apart.max(axis=0), out=highest)
            np.minimum(lowest, apart.min(axis=0), out=lowest)
            copy.take(points[first:first + count, places[2]::step],
                      copy.height_m[first:first + count])
        for k, values in enumerate((x, y)):
            near = slice(places[k], None, step)
            if not _proved(values, highest[near], lowest[near], axes, k, PROOF_SHARE * limit_m):
                return None
        return copy.finished()


def _seen_on_lattice(
    x: NDArray[np.float32], y: NDArray[np.float32], z: NDArray[np.float32], axes: GridAxes,
    limit_m: float,
) -> tuple[NDArray[np.float32], bool] | None:
    """Return the same after a look at every point, which is quick when compiled."""
    assert compiled.decode is not None
    height_m = np.empty(z.shape, dtype=np.float32)
    rows, cols = (np.arange(count) for count in z.shape)
    of_rows = [(axes.row_step_xy[k] * rows).astype(np.float32) for k in (0, 1)]
    of_cols = [(axes.origin_xy[k] + axes.col_step_xy[k] * cols).astype(np.float32)
               for k in (0, 1)]
    known = compiled.decode.cloud(
        x, y, z, *of_rows, *of_cols, limit_m, ABSURD_HEIGHT_M, height_m)
    return None if known is None else (height_m, known)


def _interleaved(
    x: NDArray[Any], y: NDArray[Any], z: NDArray[Any]
) -> tuple[NDArray[np.float32], int, list[int]] | None:
    """Return rows of all floats of a cloud, floats per point, and the places of x, y, z in it."""
    columns = (x, y, z)
    row_bytes, point_bytes = x.strides
    at = [column.__array_interface__['data'][0] for column in columns]
    plain = all(column.dtype == np.dtype('=f4') for column in columns)
    if not plain or any(n % 4 for n in (row_bytes, point_bytes, *at)) or min(x.shape) < 2:
        return None
    step, places = point_bytes // 4, [(place - min(at)) // 4 for place in at]
    if max(places) >= step:
        return None
    floats = (x.shape[1] - 1) * step + max(places) + 1
    base = columns[int(np.argmin(at))]
    points = np.lib.stride_tricks.as_strided(
        base, (x.shape[0], floats), (row_bytes, 4), writeable=False)
    return points, step, places


def _proved(
    values: NDArray[Any], highest: NDArray[np.float32], lowest: NDArray[np.float32],
    axes: GridAxes, k: int, limit_m: float,
) -> bool:
    """Tell whether the extremes of the steps prove that a coordinate is in place everywhere."""
    row_step, cols = axes.row_step_xy[k], np.arange(values.shape[1])
    rows = np.append(np.arange(0, len(values), ANCHOR_EVERY), len(values) - 1)
    place = axes.origin_xy[k] + row_step * rows[:, None] + axes.col_step_xy[k] * cols
    anchors = np.abs(values[rows] - place).max()
    astray = max(float(highest.max()) - row_step, row_step - float(lowest.min()))
    return bool(anchors + ANCHOR_EVERY * astray <= limit_m)
