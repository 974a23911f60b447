# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Heights of a measured grid at the surveyed cells, with what must not count masked out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .grid import ElevationGrid
from ..geometry import Polygon, Pose2

# A cell this far above or below all its neighbours is a spike, not ground [m].
SPIKE_M = 0.04


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


def without_spikes(height_m: NDArray[np.float32]) -> tuple[NDArray[np.float32], int]:
    """
    Return heights with single-cell spikes made unknown, and how many there were.

    A cell counts as a spike when it stands more than 4 cm above, or lies as far below, all its
    known neighbours of the four beside it; no soil at its angle of repose does that.
    """
    padded = np.pad(height_m, 1, constant_values=np.nan)
    sides = (padded[:-2, 1:-1], padded[2:, 1:-1], padded[1:-1, :-2], padded[1:-1, 2:])
    high = np.fmax(np.fmax(sides[0], sides[1]), np.fmax(sides[2], sides[3]))
    low = np.fmin(np.fmin(sides[0], sides[1]), np.fmin(sides[2], sides[3]))
    spike = (height_m > high + SPIKE_M) | (height_m < low - SPIKE_M)
    count = int(np.count_nonzero(spike))
    if not count:
        return height_m, 0
    clean = height_m.copy()
    clean[spike] = np.nan
    return clean, count


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
