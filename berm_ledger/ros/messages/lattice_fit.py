# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Find the square lattice that the points of an organised cloud lie on."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...errors import GeometryError, MessageError
from ...geometry import GridAxes
from ...wording import counted

# Furthest that a point may lie off its place, as a share of the cell.
OFF_SHARE = 0.1
# Share of the points that may lie off (they become unknown) before the cloud is refused.
STRAY_SHARE = 0.01
# Points the fit looks at: rows and columns of the sample.
SAMPLE_SIDE = 20
MIN_POINTS = 4
# Coordinates beyond this are no place on the ground; such a point has none.
MAX_COORDINATE_M = 1e8
MAX_ROUNDS = 8
# Coordinates of float32 do not carry more; rounding makes the result the same on any machine,
# whatever order its sums are made in.
ORIGIN_DIGITS, STEP_DIGITS = 9, 12


def _every(count: int) -> NDArray[np.intp]:
    """Return up to SAMPLE_SIDE indices spread over a range, both ends included."""
    if count <= SAMPLE_SIDE:
        return np.arange(count)
    return np.arange(SAMPLE_SIDE) * (count - 1) // (SAMPLE_SIDE - 1)


@lru_cache(maxsize=8)
def _sampled_index(rows: int, cols: int) -> NDArray[np.intp]:
    """Return rows and columns of the sample of clouds of a shape, (n, 2), read-only."""
    index = np.stack(np.meshgrid(_every(rows), _every(cols), indexing='ij'), axis=-1)
    index.flags.writeable = False
    return index.reshape(-1, 2)


def _placed(values: NDArray[Any]) -> NDArray[np.bool_]:
    """Tell which coordinates are known."""
    out: NDArray[np.bool_] = np.abs(values) <= MAX_COORDINATE_M
    return out


def _sample(
    x: NDArray[Any], y: NDArray[Any]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return (row, col) indices and points (n, 2) of the sample, finite ones only."""
    index = _sampled_index(*x.shape)
    points = np.empty(index.shape)
    for k, values in enumerate((x, y)):
        points[:, k] = values[index[:, 0], index[:, 1]]
    placed = _placed(points)
    seen = placed[:, 0] & placed[:, 1]
    if 4 * int(seen.sum()) < len(seen):
        # A sparse cloud: look at every point it has, thinned to the size of the sample.
        flat = np.flatnonzero(_placed(x) & _placed(y))
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


@lru_cache(maxsize=8)
def _whole_sample(
    rows: int, cols: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return index of a whole sample, its mean, and what makes steps of points (2, n)."""
    index = _sampled_index(rows, cols).astype(float)
    mean = index.mean(axis=0)
    rel = index - mean
    return index, mean, np.linalg.solve(rel.T @ rel, rel.T)


def _whole_fit(
    points: NDArray[np.float64], shape: tuple[int, int]
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Fit a sample of which every point is known; None where it is not, or one lies far off."""
    index, mean, solution = _whole_sample(*shape)
    if len(points) < len(index) or len(points) < MIN_POINTS:
        return None
    middle = points.mean(axis=0)
    steps = solution @ (points - middle)
    origin = middle - mean @ steps
    off = np.abs(points - (origin + index @ steps)).max()
    return (steps, origin) if off <= OFF_SHARE * _cell_m(steps) else None


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
    msg = (f'point cloud has {counted(len(index), "point")} with finite x and y, or all of them '
           f'in one line; no lattice can be found')
    raise MessageError(msg)


def _off_lattice(
    values: NDArray[Any], row_part: NDArray[Any], col_part: NDArray[Any], limit_m: float
) -> NDArray[np.bool_] | None:
    """Return where a coordinate is unknown or off its place; None when it is nowhere."""
    kind = values.dtype.newbyteorder('=')
    off = np.subtract(values, row_part.astype(kind)[:, None], dtype=kind)
    # A comparison with NaN is False, so that unknown points fall through to the slow way.
    if ((off.max(axis=0) - col_part <= limit_m).all()
            and (off.min(axis=0) - col_part >= -limit_m).all()):
        return None
    off -= col_part.astype(kind)
    out: NDArray[np.bool_] = ~(np.abs(off) <= limit_m)
    return out


def sample_axes(x: NDArray[Any], y: NDArray[Any]) -> GridAxes:
    """
    Return the lattice that a sample of the points of an organised cloud lies on.

    Fitted by least squares that leave out strays; no other point has been looked at.

    Parameters
    ----------
    x, y : array
        Coordinates, shape (rows, cols) [m]; NaN where not known.

    Returns
    -------
    GridAxes
        The lattice.

    Raises
    ------
    MessageError
        Too few points, points in one line, or cells that are not square.

    """
    # NaN and numbers of any size are to be expected, not to be warned of.
    with np.errstate(all='ignore'):
        index, points = _sample(x, y)
        steps, origin = _whole_fit(points, x.shape) or _robust_fit(index, points)
        return _axes(steps.round(STEP_DIGITS), origin.round(ORIGIN_DIGITS))


def points_off(
    x: NDArray[Any], y: NDArray[Any], axes: GridAxes
) -> NDArray[np.bool_] | None:
    """
    Return which cells of an organised cloud do not lie on a lattice, each point looked at.

    Parameters
    ----------
    x, y : array
        Coordinates, shape (rows, cols) [m]; NaN where not known.
    axes : GridAxes
        The lattice.

    Returns
    -------
    array or None
        True where a point has no position or lies off its place by more than a tenth of a cell;
        None when there is no such point.

    Raises
    ------
    MessageError
        More than 1 % of the points off the lattice.

    """
    with np.errstate(all='ignore'):
        off = _off_axes(x, y, axes)
        if off is not None:
            _check_strays(x, y, off, axes)
    return off


def _axes(steps: NDArray[np.float64], origin: NDArray[np.float64]) -> GridAxes:
    """Return the lattice as grid axes; refuse one that is not square."""
    (row_step, col_step), (x_m, y_m) = steps.tolist(), origin.tolist()
    try:
        return GridAxes((x_m, y_m), tuple(row_step), tuple(col_step))
    except GeometryError as exc:
        msg = f'points of the cloud do not lie on a square lattice: {exc}'
        raise MessageError(msg + _precision_text(origin, _cell_m(steps))) from exc


def _precision_text(origin_xy: Sequence[float] | NDArray[np.float64], cell_m: float) -> str:
    """Say where single precision is too coarse for cells so far from the origin of the frame."""
    far_m = max(map(abs, origin_xy))
    step_m = float(np.spacing(np.float32(far_m)))
    if not step_m > OFF_SHARE * cell_m:
        return ''
    return (f'; single precision tells places {far_m:.0f} m from the origin to {step_m:.2g} m '
            f'only: publish in a frame near the site, or a grid map')


def _off_axes(x: NDArray[Any], y: NDArray[Any], axes: GridAxes) -> NDArray[np.bool_] | None:
    """Return where a point is unknown or off its place; None when it is nowhere."""
    limit_m = OFF_SHARE * axes.cell_m
    rows, cols = (np.arange(n) for n in x.shape)
    masks = []
    for k, values in enumerate((x, y)):
        row_part = axes.row_step_xy[k] * rows
        col_part = axes.origin_xy[k] + axes.col_step_xy[k] * cols
        off = _off_lattice(values, row_part, col_part, limit_m)
        if off is not None:
            masks.append(off)
    return np.logical_or.reduce(masks) if masks else None


def _check_strays(
    x: NDArray[Any], y: NDArray[Any], off: NDArray[np.bool_], axes: GridAxes
) -> None:
    """Refuse a cloud of which too many points have a position that is not on the lattice."""
    known = _placed(x) & _placed(y)
    stray, total = int((off & known).sum()), int(known.sum())
    if stray > STRAY_SHARE * total:
        msg = (f'{stray} of {total} points of the cloud lie more than {OFF_SHARE:.0%} of a cell '
               f'off a square lattice of {axes.cell_m:.4g} m; an elevation grid is needed, with '
               f'NaN where nothing was seen')
        raise MessageError(msg + _precision_text(axes.origin_xy, axes.cell_m))
