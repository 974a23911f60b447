# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Find the square lattice that the points of an organised cloud lie on."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...errors import GeometryError, MessageError
from ...geometry import GridAxes

# Furthest that a point may lie off its place, as a share of the cell.
OFF_SHARE = 0.1
# Share of the points that may lie off (they become unknown) before the cloud is refused.
STRAY_SHARE = 0.01
# Points the fit looks at: rows and columns of the sample.
SAMPLE_SIDE = 20
MIN_POINTS = 4
MAX_ROUNDS = 8
# Coordinates of float32 do not carry more; rounding makes the result the same on any machine,
# whatever order its sums are made in.
ORIGIN_DIGITS, STEP_DIGITS = 9, 12


def _every(count: int) -> NDArray[np.intp]:
    """Return up to SAMPLE_SIDE indices spread over a range, both ends included."""
    if count <= SAMPLE_SIDE:
        return np.arange(count)
    return np.linspace(0, count - 1, SAMPLE_SIDE).astype(np.intp)


def _sample(
    x: NDArray[Any], y: NDArray[Any]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return (row, col) indices and points (n, 2) of the sample, finite ones only."""
    rows, cols = _every(x.shape[0]), _every(x.shape[1])
    part = np.ix_(rows, cols)
    points = np.stack([x[part], y[part]], axis=-1).astype(float).reshape(-1, 2)
    index = np.stack(np.meshgrid(rows, cols, indexing='ij'), axis=-1).reshape(-1, 2)
    seen = np.isfinite(points).all(axis=1)
    if 4 * int(seen.sum()) < len(seen):
        # A sparse cloud: look at every point it has, thinned to the size of the sample.
        flat = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
        flat = flat[np.linspace(0, len(flat) - 1, min(len(flat), SAMPLE_SIDE ** 2)).astype(int)]
        index = np.stack(np.unravel_index(flat, x.shape), axis=-1)
        points = np.stack([x[tuple(index.T)], y[tuple(index.T)]], axis=-1).astype(float)
        return index.astype(float), points
    return index[seen].astype(float), points[seen]


def _least_squares(
    index: NDArray[np.float64], points: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Return steps (2, 2) and origin (2,) of the best lattice; None when undetermined."""
    if len(index) < MIN_POINTS:
        return None
    mean_index, mean_point = index.mean(axis=0), points.mean(axis=0)
    rel = index - mean_index
    square = rel.T @ rel
    size = square[0, 0] * square[1, 1]
    if size <= 0.0 or np.linalg.det(square) < 1e-6 * size:
        return None
    steps = np.linalg.solve(square, rel.T @ (points - mean_point))
    return steps, mean_point - mean_index @ steps


def _cell_m(steps: NDArray[np.float64]) -> float:
    """Return the edge of a cell [m]."""
    return float(np.hypot(*steps.T).mean())


def _robust_fit(
    index: NDArray[np.float64], points: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Fit, leave out what lies far off, and fit again until nothing changes."""
    keep = np.ones(len(index), dtype=bool)
    fit = _least_squares(index, points)
    for _ in range(MAX_ROUNDS):
        if fit is None:
            break
        steps, origin = fit
        off = np.abs(points - origin - index @ steps).max(axis=1)
        limit = max(3.0 * float(np.median(off[keep])), OFF_SHARE * _cell_m(steps))
        near = off <= limit
        if (near == keep).all():
            return steps, origin
        keep = near
        fit = _least_squares(index[keep], points[keep])
    if fit is not None:
        return fit
    msg = (f'point cloud has {len(index)} points with finite x and y, or all of them in one '
           f'line; no lattice can be found')
    raise MessageError(msg)


def _off_lattice(
    values: NDArray[Any], row_part: NDArray[np.float64], col_part: NDArray[np.float64],
    limit_m: float,
) -> NDArray[np.bool_] | None:
    """Return where a coordinate is unknown or off its place; None when it is nowhere."""
    kind = values.dtype.newbyteorder('=')
    with np.errstate(invalid='ignore', over='ignore'):
        off = np.subtract(values, row_part.astype(kind)[:, None], dtype=kind)
        # A comparison with NaN is False, so that unknown points fall through to the slow way.
        if ((off.max(axis=0) - col_part <= limit_m).all()
                and (off.min(axis=0) - col_part >= -limit_m).all()):
            return None
        off -= col_part.astype(kind)
        out: NDArray[np.bool_] = ~(np.abs(off) <= limit_m)
        return out


def fit_axes(
    x: NDArray[Any], y: NDArray[Any]
) -> tuple[GridAxes, NDArray[np.bool_] | None]:
    """
    Return the lattice under an organised cloud, and which cells do not lie on it.

    Fitted to a sample by least squares that leave out strays, then checked on every point.

    Parameters
    ----------
    x, y : array
        Coordinates, shape (rows, cols) [m]; NaN where not known.

    Returns
    -------
    tuple of GridAxes and array or None
        The lattice, and True where a point has no position or lies off its place by more than a
        tenth of a cell; None when there is no such point.

    Raises
    ------
    MessageError
        Too few points, points in one line, cells that are not square, or more than 1 % of the
        points off the lattice.

    """
    index, points = _sample(x, y)
    steps, origin = _robust_fit(index, points)
    steps, origin = steps.round(STEP_DIGITS), origin.round(ORIGIN_DIGITS)
    try:
        axes = GridAxes(
            (float(origin[0]), float(origin[1])), (float(steps[0, 0]), float(steps[0, 1])),
            (float(steps[1, 0]), float(steps[1, 1])))
    except GeometryError as exc:
        msg = f'points of the cloud do not lie on a square lattice: {exc}'
        raise MessageError(msg) from exc
    limit_m = OFF_SHARE * axes.cell_m
    rows, cols = (np.arange(n) for n in x.shape)
    offs = [
        _off_lattice(values, steps[0, k] * rows, origin[k] + steps[1, k] * cols, limit_m)
        for k, values in enumerate((x, y))]
    masks = [off for off in offs if off is not None]
    if not masks:
        return axes, None
    off = masks[0] if len(masks) == 1 else masks[0] | masks[1]
    _check_strays(x, y, off, axes)
    return axes, off


def _check_strays(
    x: NDArray[Any], y: NDArray[Any], off: NDArray[np.bool_], axes: GridAxes
) -> None:
    """Refuse a cloud of which too many points have a position that is not on the lattice."""
    known = np.isfinite(x) & np.isfinite(y)
    stray, total = int((off & known).sum()), int(known.sum())
    if stray > STRAY_SHARE * total:
        cell = math.hypot(*axes.col_step_xy)
        msg = (f'{stray} of {total} points of the cloud lie more than {OFF_SHARE:.0%} of a cell '
               f'off a square lattice of {cell:.4g} m; an elevation grid is needed, unknown '
               f'cells with NaN')
        raise MessageError(msg)
