# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Organised point clouds as elevation grids, both ways.

Infinite heights and heights beyond 10 km are unknown, as NaN is; so is a cell whose own x or y is
not finite or lies off the lattice that the others make.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .common import fill_header, MessageTypes, stamp_ns_from
from .lattice_fit import fit_axes
from .point_clouds import cloud_columns, fill_cloud
from ...errors import GeometryError, MessageError
from ...survey import ElevationGrid

ABSURD_HEIGHT_M = 1e4


def known_heights(heights: NDArray[Any]) -> NDArray[np.float32]:
    """
    Return a float32 copy of heights [m] in C order, NaN where they are infinite or absurd.

    Parameters
    ----------
    heights : array
        Shape (rows, cols), any float type and byte order [m].

    Returns
    -------
    array
        A new array, still writable.

    """
    with np.errstate(invalid='ignore', over='ignore'):
        out = np.array(heights, dtype=np.float32, order='C')
        absurd = np.abs(out) > ABSURD_HEIGHT_M
    if absurd.any():
        out[absurd] = np.nan
    return out


def checked_grid(
    header: Any, axes: Any, heights: NDArray[np.float32], what: str
) -> ElevationGrid:
    """Return an elevation grid from decoded parts; refuse one without a single height."""
    if not np.isfinite(heights).any():
        msg = f'{what} has no finite height in any of its {heights.size} cells'
        raise MessageError(msg)
    heights.flags.writeable = False
    try:
        return ElevationGrid(stamp_ns_from(header), str(header.frame_id), axes, heights)
    except GeometryError as exc:
        msg = f'{what}: {exc}'
        raise MessageError(msg) from exc


def grid_from_point_cloud(msg: Any) -> ElevationGrid:
    """
    Return an organised point cloud as an elevation grid.

    Parameters
    ----------
    msg : sensor_msgs/PointCloud2
        Organised (height and width of two or more), fields x, y, z of FLOAT32 or FLOAT64, any
        offsets, padding and byte order. Position from x and y of the cells that have them: a
        square lattice, turned or mirrored in any way.

    Returns
    -------
    ElevationGrid
        Row index along the cloud's height, column index along its width; NaN is unknown.

    Raises
    ------
    MessageError
        Not organised, fields missing, sizes that do not match, points that do not lie on a
        square lattice, or nothing known.

    """
    height, width = int(msg.height), int(msg.width)
    if min(height, width) < 2:
        text = (f'point cloud is not organised: height {height}, width {width}; an elevation '
                f'grid needs both to be 2 or more')
        raise MessageError(text)
    x, y, z = cloud_columns(msg, ('x', 'y', 'z'))
    heights = known_heights(z)
    axes, off = fit_axes(x, y)
    if off is not None:
        heights[off] = np.nan
    return checked_grid(msg.header, axes, heights, 'point cloud')


def fill_point_cloud(msg: Any, grid: ElevationGrid, types: MessageTypes) -> None:
    """
    Write an elevation grid into a point cloud: x, y, z of FLOAT32, x and y always known.

    Parameters
    ----------
    msg : sensor_msgs/PointCloud2
        Filled in place.
    grid : ElevationGrid
        The grid.
    types : MessageTypes
        Maker of ``PointField``.

    """
    fill_header(msg.header, grid.stamp_ns, grid.frame_id)
    centres = grid.centres_xy().astype(np.float32)
    columns = {'x': centres[..., 0], 'y': centres[..., 1], 'z': grid.height_m}
    fill_cloud(msg, columns, types, is_dense=bool(np.isfinite(grid.height_m).all()))
