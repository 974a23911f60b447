# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Straight pieces in the plane: crossings and distances, shared by lines and polygons."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def cross2(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the z part of the cross product of plane vectors (..., 2)."""
    out: NDArray[np.float64] = a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
    return out


def crossing_pair(
    points_xy: NDArray[np.float64], *, closed: bool
) -> tuple[int, int] | None:
    """
    Return the first two pieces of a line that touch without being neighbours.

    Parameters
    ----------
    points_xy : array
        Shape (n, 2) [m].
    closed : bool
        Whether the last point joins the first.

    Returns
    -------
    tuple of int or None
        Indices of the two pieces, None for a line that does not touch itself.

    """
    start = points_xy if closed else points_xy[:-1]
    end = np.roll(points_xy, -1, axis=0) if closed else points_xy[1:]
    count = len(start)
    for i in range(count - 2):
        last = count - 1 if closed and i == 0 else count
        j = np.arange(i + 2, last)
        if len(j) and (hit := pieces_touch(start[i], end[i], start[j], end[j])).any():
            return i, int(j[np.argmax(hit)])
    return None


def pieces_touch(
    a: NDArray[np.float64], b: NDArray[np.float64],
    c: NDArray[np.float64], d: NDArray[np.float64],
) -> NDArray[np.bool_]:
    """Tell which of the pieces c-d, shape (n, 2), share a point with the piece a-b."""
    ab, cd = b - a, d - c
    side_c, side_d = cross2(ab, c - a), cross2(ab, d - a)
    side_a, side_b = cross2(cd, a - c), cross2(cd, b - c)
    box = ((np.minimum(a, b) <= np.maximum(c, d)) & (np.minimum(c, d) <= np.maximum(a, b)))
    touch: NDArray[np.bool_] = (
        (side_c * side_d <= 0.0) & (side_a * side_b <= 0.0) & box.all(axis=-1))
    return touch


def distance_to_edges(
    points_xy: NDArray[np.float64],
    start_xy: NDArray[np.float64],
    end_xy: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the distance [m] of points (..., 2) to the nearest of the pieces (n, 2)."""
    best = np.full(points_xy.shape[:-1], np.inf)
    for a, b in zip(start_xy, end_xy):
        along = b - a
        length2 = float(along @ along)
        t = np.clip((points_xy - a) @ along / length2, 0.0, 1.0) if length2 > 0.0 else 0.0
        gap = points_xy - a - np.multiply.outer(t, along)
        best = np.minimum(best, np.hypot(gap[..., 0], gap[..., 1]))
    return best
