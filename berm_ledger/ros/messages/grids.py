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
from .heights import heights_on_lattice, known_heights
from .lattice_fit import OFF_SHARE, points_off, sample_axes
from .point_clouds import cloud_columns, fill_cloud
from ...errors import GeometryError, MessageError
from ...survey import ElevationGrid


def checked_grid(
    header: Any, axes: Any, heights: NDArray[np.float32], any_known: bool, what: str
) -> ElevationGrid:
    """Return an elevation grid from decoded parts; refuse one without a single height."""
    if not any_known:
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
    axes = sample_axes(x, y)
    proved = heights_on_lattice(x, y, z, axes, OFF_SHARE * axes.cell_m)
    if proved is not None:
        return checked_grid(msg.header, axes, *proved, 'point cloud')
    heights, any_known = known_heights(z)
    off = points_off(x, y, axes)
    if off is not None:
        heights[off] = np.nan
        any_known = bool(np.isfinite(heights).any())
    return checked_grid(msg.header, axes, heights, any_known, 'point cloud')


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
