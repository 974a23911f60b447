# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Heights of a measured grid at the surveyed cells, with what must not count masked out."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .grid import ElevationGrid
from ..geometry import GridAxes, Lattice, Polygon, Pose2
from ..kernels import compiled

# A cell this far above or below all its neighbours is a spike, not ground [m].
SPIKE_M = 0.04
# Axes count as along x and y when they turn by less than this over all their length [cells].
TURN_CELLS = 1e-6
# Cells around the points that a part of a grid must hold: a neighbour for spikes and sampling.
RIM_CELLS = 2


def bilinear(
    grid: ElevationGrid, points_xy: NDArray[np.float64], moved_xy: ArrayLike = (0.0, 0.0),
) -> NDArray[np.float32]:
    """
    Return grid heights at points by bilinear interpolation.

    Parameters
    ----------
    grid : ElevationGrid
        The grid.
    points_xy : array
        Shape (n, 2), in the grid's frame [m].
    moved_xy : array
        By how much further on each is looked for, shape (2,) [m].

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
    moved = np.asarray(moved_xy, dtype=np.float64)
    turn = grid.axes.index_from_step
    if compiled.sampling is not None:
        out = np.empty(len(points_xy), dtype=np.float32)
        compiled.sampling.bilinear(
            grid.height_m, np.ascontiguousarray(points_xy, dtype=np.float64), moved,
            np.array(grid.axes.origin_xy), turn, out)
        return out
    rows, cols = grid.height_m.shape
    # Quicker than with a product of matrices.
    x, y = (points_xy[:, k] + moved[k] - grid.axes.origin_xy[k] for k in (0, 1))
    row, col = (x * turn[0, k] + y * turn[1, k] for k in (0, 1))
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


def differences(
    grid: ElevationGrid, points_xy: NDArray[np.float64], height_m: NDArray[np.float64],
    shift: NDArray[np.float64],
) -> tuple[NDArray[np.float64], int]:
    """
    Return by how much a grid lies above a surface.

    Parameters
    ----------
    grid : ElevationGrid
        The grid.
    points_xy, height_m : array
        Points of the surface (n, 2) and its heights there (n,) [m].
    shift : array
        Where the grid is taken to lie: along x, y and up, shape (3,) [m].

    Returns
    -------
    array
        Shape (n,) [m]; NaN where the grid shows nothing.
    int
        How many of them it shows.

    """
    seen = bilinear(grid, points_xy, shift[:2]).astype(float)
    left: NDArray[np.float64] = seen - shift[2] - height_m
    return left, int(np.count_nonzero(np.isfinite(left)))


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
    # Plain numbers are quicker than arrays of two.
    (x0, y0), (x_low, y_low), (x_high, y_high) = (
        grid.axes.origin_xy, low_xy.tolist(), high_xy.tolist())
    first, stop = [], []
    for by_x, by_y, count in zip(*grid.axes.index_from_step.tolist(), grid.height_m.shape):
        west, east = sorted(((x_low - x0) * by_x, (x_high - x0) * by_x))
        south, north = sorted(((y_low - y0) * by_y, (y_high - y0) * by_y))
        start = min(max(math.floor(west + south) - RIM_CELLS, 0), count - 2)
        first.append(start)
        stop.append(min(max(math.ceil(east + north) + RIM_CELLS + 1, start + 2), count))
    (row_x, row_y), (col_x, col_y) = grid.axes.row_step_xy, grid.axes.col_step_xy
    axes = GridAxes((first[0] * row_x + first[1] * col_x + x0,
                     first[0] * row_y + first[1] * col_y + y0),
                    grid.axes.row_step_xy, grid.axes.col_step_xy)
    return ElevationGrid(grid.stamp_ns, grid.frame_id, axes,
                         grid.height_m[first[0]:stop[0], first[1]:stop[1]])


def at_cells(
    grid: ElevationGrid, lattice: Lattice, runs: NDArray[np.int32], dx_m: float, dy_m: float,
    dz_m: float,
) -> NDArray[np.float32] | None:
    """
    Return grid heights at cells of a lattice, by bilinear interpolation.

    Where the axes of both run along x and y the weights are those of rows times those of columns,
    which is many times quicker than one point after the other.

    Parameters
    ----------
    grid : ElevationGrid
        The grid.
    lattice : Lattice
        The lattice.
    runs : array
        The cells, as ``SurveyArea.runs`` gives them, shape (k, 4).
    dx_m, dy_m, dz_m : float
        Where the cells are looked for in the grid, relative to where they are, and how much too
        high it shows them [m].

    Returns
    -------
    array or None
        Shape (n,), as ``bilinear`` gives them; None for a turned grid.

    """
    (row_x, row_y), (col_x, col_y) = grid.axes.row_step_xy, grid.axes.col_step_xy
    slack = TURN_CELLS * grid.axes.cell_m / max(grid.height_m.shape)
    if abs(row_x) <= slack and abs(col_y) <= slack:
        steps, turned = (col_x, row_y), False
    elif abs(row_y) <= slack and abs(col_x) <= slack:
        steps, turned = (row_x, col_y), True
    else:
        return None
    starts, origin = (lattice.x0_m + dx_m, lattice.y0_m + dy_m), grid.axes.origin_xy
    if compiled.sampling is not None:
        out = np.empty(int(runs[-1, 2] + runs[-1, 3]), dtype=np.float32)
        compiled.sampling.crossed(
            grid.height_m, lattice.rows, lattice.cols, np.array(starts), np.array(origin),
            np.array(steps), lattice.cell_m, runs, turned, dz_m, out)
        return out
    x, y = (
        (start + lattice.cell_m * np.arange(count) - zero) / step
        for start, count, zero, step in zip(starts, lattice.shape[::-1], origin, steps))
    rows, cols = grid.height_m.shape
    if turned:
        whole = _crossed(grid.height_m, _places(x, rows), _places(y, cols)).T
    else:
        whole = _crossed(grid.height_m, _places(y, rows), _places(x, cols))
    out = np.concatenate([whole[at, first:first + count] for at, first, _, count in runs])
    out -= np.float32(dz_m)
    return out


Places = tuple[NDArray[np.int32], NDArray[np.float32]]


def _places(index: NDArray[np.floating], count: int) -> Places:
    """Return the place before each fractional one, -1 where outside, and the part beyond it."""
    low = np.clip(np.floor(index), 0, count - 2).astype(np.int32)
    part = (index - low).astype(np.float32)
    low[(index < 0.0) | (index > count - 1)] = -1
    return low, part


def _crossed(height_m: NDArray[np.float32], row: Places, col: Places) -> NDArray[np.float32]:
    """Return heights at every pair of r rows and c columns, shape (r, c)."""
    low, part = row[0], row[1][:, None]
    between = height_m.take(low, axis=0, mode='clip')
    between *= 1 - part
    far = height_m.take(low + 1, axis=0)
    far *= part
    between += far
    low, part = col
    out: NDArray[np.float32] = between.take(low, axis=1, mode='clip')
    out *= 1 - part
    far = between.take(low + 1, axis=1)
    far *= part
    out += far
    out[row[0] < 0] = np.nan
    out[:, low < 0] = np.nan
    return out


def without_spikes(height_m: NDArray[np.float32]) -> tuple[NDArray[np.float32], int]:
    """
    Return heights with single-cell spikes made unknown, and how many there were.

    A cell counts as a spike when it stands more than 4 cm above, or lies as far below, all its
    known neighbours of the four beside it; no soil at its angle of repose does that.
    """
    if compiled.sampling is not None:
        places = np.array(compiled.sampling.spikes(height_m, SPIKE_M), dtype=np.intp)
    else:
        places = _spikes(height_m)
    if not len(places):
        return height_m, 0
    clean = height_m.copy()
    clean.reshape(-1)[places] = np.nan
    return clean, len(places)


def _spikes(height_m: NDArray[np.float32]) -> NDArray[np.intp]:
    """Return the places of spikes in flattened heights."""
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
    return np.flatnonzero(spike)


def under_footprint(
    points_xy: NDArray[np.float64], footprint: Polygon, site_from_base: Pose2, pad_m: float
) -> NDArray[np.bool_]:
    """Tell which points (n, 2) [m] lie under the rover or within a pad around it."""
    turn = math.cos(site_from_base.yaw_rad), math.sin(site_from_base.yaw_rad)
    if compiled.sampling is not None:
        covered = np.empty(len(points_xy), dtype=bool)
        starts, ends = footprint.ends_xy()
        compiled.sampling.under(
            np.ascontiguousarray(points_xy, dtype=np.float64), site_from_base.xy, np.array(turn),
            np.ascontiguousarray(starts), np.ascontiguousarray(ends), pad_m, covered)
        return covered
    corners = footprint.corners_xy
    low, high = corners.min(axis=0) - pad_m, corners.max(axis=0) + pad_m
    east, north = points_xy[:, 0] - site_from_base.x_m, points_xy[:, 1] - site_from_base.y_m
    local = np.column_stack([east * turn[0] + north * turn[1], north * turn[0] - east * turn[1]])
    out: NDArray[np.bool_] = ((local >= low) & (local <= high)).all(axis=1)
    cells = np.flatnonzero(out)
    hit = footprint.contains(local[cells])
    if pad_m > 0.0:
        beside = np.flatnonzero(~hit)
        hit[beside] = _near_edges(local[cells[beside]], *footprint.ends_xy(), pad_m)
    out[cells] = hit
    return out


def _near_edges(
    points_xy: NDArray[np.float64], start_xy: NDArray[np.float64], end_xy: NDArray[np.float64],
    most_m: float,
) -> NDArray[np.bool_]:
    """Tell which points (n, 2) lie within a distance of any of the pieces (m, 2) [m]."""
    out = np.zeros(len(points_xy), dtype=bool)
    x, y = points_xy.T
    for (x1, y1), (x2, y2) in zip(start_xy.tolist(), end_xy.tolist()):
        along, up = x2 - x1, y2 - y1
        part = ((x - x1) * along + (y - y1) * up) / (along * along + up * up)
        part = np.minimum(np.maximum(part, 0.0), 1.0)
        gap_x, gap_y = x - x1 - part * along, y - y1 - part * up
        out |= gap_x * gap_x + gap_y * gap_y <= most_m * most_m
    return out
