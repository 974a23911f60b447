# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Heights of a measured grid at the surveyed cells, with what must not count masked out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .grid import ElevationGrid
from ..geometry import GridAxes, Lattice, Polygon, Pose2

# A cell this far above or below all its neighbours is a spike, not ground [m].
SPIKE_M = 0.04
# Axes count as along x and y when they turn by less than this over all their length [cells].
TURN_CELLS = 1e-6
# Cells around the points that a part of a grid must hold: a neighbour for spikes and sampling.
RIM_CELLS = 2


def bilinear(grid: ElevationGrid, points_xy: NDArray[np.float64]) -> NDArray[np.float32]:
    """
    Return grid heights at points by bilinear interpolation.

    Parameters
    ----------
    grid : ElevationGrid
        The grid.
    points_xy : array
        Shape (n, 2), in the grid's frame [m].

    Returns
    -------
    array
        Shape (n,), float32 [m]; NaN outside the grid and where one of the four cells is unknown.

    Examples
    --------
    >>> from ..geometry import GridAxes
    >>> axes = GridAxes((0.0, 0.0), (0.0, 1.0), (1.0, 0.0))
    >>> grid = ElevationGrid(0, 'map', axes, np.array([[0.0, 1.0], [2.0, 3.0]]))
    >>> bilinear(grid, np.array([[0.5, 0.5], [1.5, 0.0]])).tolist()
    [1.5, nan]

    """
    rows, cols = grid.height_m.shape
    row, col = _index(grid, points_xy)
    inside = (row >= 0.0) & (row <= rows - 1) & (col >= 0.0) & (col <= cols - 1)
    out = np.full(len(points_xy), np.nan, dtype=np.float32)
    row, col = row[inside], col[inside]
    r0 = np.minimum(row.astype(np.intp), rows - 2)
    c0 = np.minimum(col.astype(np.intp), cols - 2)
    fr, fc = (row - r0).astype(np.float32), (col - c0).astype(np.float32)
    flat = grid.height_m.ravel()
    base = r0 * cols + c0
    near = flat[base] * (1 - fc) + flat[base + 1] * fc
    far = flat[base + cols] * (1 - fc) + flat[base + cols + 1] * fc
    out[inside] = near * (1 - fr) + far * fr
    return out


def _index(
    grid: ElevationGrid, points_xy: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return fractional rows and columns of points, quicker than with a product of matrices."""
    axes = grid.axes
    turn = np.linalg.inv(np.array([axes.row_step_xy, axes.col_step_xy]))
    x, y = points_xy[:, 0] - axes.origin_xy[0], points_xy[:, 1] - axes.origin_xy[1]
    row, col = (x * turn[0, k] + y * turn[1, k] for k in (0, 1))
    return row, col


def part_around(
    grid: ElevationGrid, low_xy: NDArray[np.float64], high_xy: NDArray[np.float64]
) -> ElevationGrid:
    """
    Return the part of a grid that shows a rectangle, a view of its heights.

    Parameters
    ----------
    grid : ElevationGrid
        The grid.
    low_xy, high_xy : array
        Corners of the rectangle in the grid's frame, shape (2,) [m].

    Returns
    -------
    ElevationGrid
        With the cells that sampling inside the rectangle needs, and those beside them; some two
        cells at the border where the grid shows nothing of it.

    """
    corners = np.array([(x, y) for x in (low_xy[0], high_xy[0]) for y in (low_xy[1], high_xy[1])])
    index = grid.axes.index_from_world(corners)
    shape = np.array(grid.height_m.shape)
    first = np.floor(index.min(axis=0)).astype(np.intp) - RIM_CELLS
    stop = np.ceil(index.max(axis=0)).astype(np.intp) + RIM_CELLS + 1
    first = np.clip(first, 0, shape - 2)
    stop = np.clip(stop, first + 2, shape)
    x, y = grid.axes.world_from_index(first)
    axes = GridAxes((float(x), float(y)), grid.axes.row_step_xy, grid.axes.col_step_xy)
    return ElevationGrid(grid.stamp_ns, grid.frame_id, axes,
                         grid.height_m[first[0]:stop[0], first[1]:stop[1]])


def on_lattice(
    grid: ElevationGrid, lattice: Lattice, dx_m: float, dy_m: float
) -> NDArray[np.float32] | None:
    """
    Return grid heights at the cells of a lattice, by bilinear interpolation.

    Where the axes of both run along x and y the weights are those of rows times those of columns,
    which is many times quicker than one point after the other.

    Parameters
    ----------
    grid : ElevationGrid
        The grid.
    lattice : Lattice
        The lattice.
    dx_m, dy_m : float
        Where the cells are looked for in the grid, relative to where they are [m].

    Returns
    -------
    array or None
        Shape (rows, cols) of the lattice, as ``bilinear`` gives them; None for a turned grid.

    """
    (row_x, row_y), (col_x, col_y) = grid.axes.row_step_xy, grid.axes.col_step_xy
    shape = grid.height_m.shape
    slack = TURN_CELLS * grid.axes.cell_m / max(shape)
    x = lattice.x0_m + dx_m + lattice.cell_m * np.arange(lattice.cols) - grid.axes.origin_xy[0]
    y = lattice.y0_m + dy_m + lattice.cell_m * np.arange(lattice.rows) - grid.axes.origin_xy[1]
    if abs(row_x) <= slack and abs(col_y) <= slack:
        return _crossed(grid.height_m, y / row_y, x / col_x)
    if abs(row_y) <= slack and abs(col_x) <= slack:
        return _crossed(grid.height_m, x / row_x, y / col_y).T
    return None


def _crossed(
    height_m: NDArray[np.float32], row: NDArray[np.floating], col: NDArray[np.floating]
) -> NDArray[np.float32]:
    """Return heights at every pair of fractional rows (r,) and columns (c,), shape (r, c)."""
    lows, parts, outside = [], [], []
    for index, count in ((row, height_m.shape[0]), (col, height_m.shape[1])):
        low = np.clip(np.floor(index).astype(np.intp), 0, count - 2)
        lows.append(low)
        parts.append((index - low).astype(np.float32))
        outside.append(np.flatnonzero((index < 0.0) | (index > count - 1)))
    low, part = lows[0], parts[0][:, None]
    between = height_m.take(low, axis=0)
    between *= 1 - part
    far = height_m.take(low + 1, axis=0)
    far *= part
    between += far
    low, part = lows[1], parts[1]
    out: NDArray[np.float32] = between.take(low, axis=1)
    out *= 1 - part
    far = between.take(low + 1, axis=1)
    far *= part
    out += far
    out[outside[0]] = np.nan
    out[:, outside[1]] = np.nan
    return out


def without_spikes(height_m: NDArray[np.float32]) -> tuple[NDArray[np.float32], int]:
    """
    Return heights with single-cell spikes made unknown, and how many there were.

    A cell counts as a spike when it stands more than 4 cm above, or lies as far below, all its
    known neighbours of the four beside it; no soil at its angle of repose does that.
    """
    rows, cols = height_m.shape
    padded = np.full((rows + 2, cols + 2), np.nan, dtype=np.float32)
    padded[1:-1, 1:-1] = height_m
    sides = (padded[2:, 1:-1], padded[1:-1, :-2], padded[1:-1, 2:])
    high = low = padded[:-2, 1:-1]
    for side in sides:
        high, low = np.fmax(high, side), np.fmin(low, side)
    high += np.float32(SPIKE_M)
    low -= np.float32(SPIKE_M)
    spike = height_m > high
    spike |= height_m < low
    places = np.flatnonzero(spike)
    if not len(places):
        return height_m, 0
    clean = height_m.copy()
    clean.reshape(-1)[places] = np.nan
    return clean, len(places)


def under_footprint(
    points_xy: NDArray[np.float64], footprint: Polygon, site_from_base: Pose2, pad_m: float
) -> NDArray[np.bool_]:
    """Tell which points (n, 2) [m] lie under the rover or within a pad around it."""
    corners = footprint.corners_xy
    radius = float(np.hypot(*corners.T).max()) + pad_m
    near = np.abs(points_xy[:, 0] - site_from_base.x_m) <= radius
    near &= np.abs(points_xy[:, 1] - site_from_base.y_m) <= radius
    out = np.zeros(len(points_xy), dtype=bool)
    if near.any():
        local = site_from_base.inverse().apply(points_xy[near])
        hit = footprint.contains(local)
        if pad_m > 0.0:
            hit |= footprint.distance_m(local) <= pad_m
        out[near] = hit
    return out
