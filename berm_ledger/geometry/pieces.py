# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Straight pieces in the plane: crossings and distances, shared by lines and polygons."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..errors import GeometryError

# Pieces whose common box is tried first, before they are tried one by one.
BLOCK_PIECES = 64
# Tangent of the angle between two directions that count as one: rounding.
PARALLEL_TOLERANCE = 1e-9


def cross2(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the z part of the cross product of plane vectors (..., 2)."""
    out: NDArray[np.float64] = a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
    return out


def piece_ends(
    points_xy: NDArray[np.float64], *, closed: bool
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the starts and ends of the pieces between points, each (m, 2)."""
    if closed:
        return points_xy, np.roll(points_xy, -1, axis=0)
    return points_xy[:-1], points_xy[1:]


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
    start, end = piece_ends(points_xy, closed=closed)
    count = len(start)
    first = np.arange(0, count, BLOCK_PIECES)
    low = np.minimum.reduceat(np.minimum(start, end), first, axis=0)
    high = np.maximum.reduceat(np.maximum(start, end), first, axis=0)
    for block, i0 in enumerate(first.tolist()):
        boxes = ((low[block] <= high[block:]) & (low[block:] <= high[block])).all(axis=-1)
        i = np.arange(i0, min(i0 + BLOCK_PIECES, count))
        j = (first[block:][boxes][:, None] + np.arange(BLOCK_PIECES)).reshape(-1)
        j = j[j < count]
        apart = j > i[:, None] + 1
        if closed:
            apart &= (i[:, None] > 0) | (j < count - 1)
        hit = apart & pieces_touch(start[i, None], end[i, None], start[j], end[j])
        if hit.any():
            a, b = np.unravel_index(int(np.argmax(hit)), hit.shape)
            return int(i[a]), int(j[b])
    return None


def fold_back(points_xy: NDArray[np.float64], *, closed: bool) -> int | None:
    """
    Return the first corner at which a line runs straight back over itself.

    Parameters
    ----------
    points_xy : array
        Shape (n, 2) [m].
    closed : bool
        Whether the last point joins the first.

    Returns
    -------
    int or None
        Index of the point, None where there is none.

    """
    start, end = piece_ends(points_xy, closed=closed)
    along = end - start
    before, after = (np.roll(along, 1, axis=0), along) if closed else (along[:-1], along[1:])
    ahead = (before * after).sum(axis=-1)
    back = (ahead < 0.0) & (np.abs(cross2(before, after)) <= PARALLEL_TOLERANCE * np.abs(ahead))
    return int(np.argmax(back)) + (0 if closed else 1) if back.any() else None


def without_repeated_first(points_xy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the points of a ring (n, 2) without a last one that only repeats the first."""
    ring = points_xy.ndim == 2 and len(points_xy) > 1
    return points_xy[:-1] if ring and (points_xy[0] == points_xy[-1]).all() else points_xy


def check_simple(
    points_xy: NDArray[np.float64], *, closed: bool, what: str, edges: str
) -> None:
    """
    Refuse a line that touches itself.

    Parameters
    ----------
    points_xy : array
        Shape (n, 2) [m], finite.
    closed : bool
        Whether the last point joins the first.
    what, edges : str
        Words for the message: what it is and what its pieces are called.

    Raises
    ------
    GeometryError
        Two points in a row that are the same, a corner that folds straight back, pieces that
        cross or touch; pieces and points are counted from 0, as in the paths of a site file.

    """
    start, end = piece_ends(points_xy, closed=closed)
    same = (start == end).all(axis=-1)
    if same.any():
        first = int(np.argmax(same))
        msg = f'points {first} and {(first + 1) % len(points_xy)} of the {what} are the same'
        raise GeometryError(msg)
    corner = fold_back(points_xy, closed=closed)
    if corner is not None:
        msg = f'the {what} folds straight back at its point {corner}'
        raise GeometryError(msg)
    pair = crossing_pair(points_xy, closed=closed)
    if pair is not None:
        msg = f'{edges} {pair[0]} and {pair[1]} of the {what}, counted from 0, cross or touch'
        raise GeometryError(msg)


def pieces_touch(
    a: NDArray[np.float64], b: NDArray[np.float64],
    c: NDArray[np.float64], d: NDArray[np.float64],
) -> NDArray[np.bool_]:
    """Tell which of the pieces c-d share a point with the pieces a-b, shapes (..., 2)."""
    ab, cd = b - a, d - c
    # Signs, not products: the product of two tiny numbers is zero.
    side_c, side_d = np.sign(cross2(ab, c - a)), np.sign(cross2(ab, d - a))
    side_a, side_b = np.sign(cross2(cd, a - c)), np.sign(cross2(cd, b - c))
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


def gap_between(
    first: tuple[NDArray[np.float64], NDArray[np.float64]],
    second: tuple[NDArray[np.float64], NDArray[np.float64]],
) -> float:
    """
    Return the least distance between two sets of pieces.

    Parameters
    ----------
    first, second : tuple of array
        Starts and ends of the pieces, each (n, 2) [m].

    Returns
    -------
    float
        Distance [m]; 0 where any two pieces touch.

    """
    if len(first[0]) > len(second[0]):
        first, second = second, first
    for a, b in zip(*first):
        if pieces_touch(a, b, *second).any():
            return 0.0
    ends = np.vstack(second)
    least = float(distance_to_edges(ends, *first).min())
    # The other way round: ends of the first set against the pieces of the second.
    start, along = second[0], second[1] - second[0]
    length2 = np.maximum((along * along).sum(axis=-1), np.finfo(float).tiny)
    for point in np.vstack(first):
        t = np.clip(((point - start) * along).sum(axis=-1) / length2, 0.0, 1.0)
        gap = point - start - t[:, None] * along
        least = min(least, float(np.hypot(gap[:, 0], gap[:, 1]).min()))
    return least
