# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
grid_map_msgs/GridMap as elevation grids, both ways.

Rules of the grid_map library: the pose is the map's centre; cell (0, 0) after unrolling the
circular buffer is the one with the largest x and y in the map's own axes; the first label names
the storage order. Beyond the library, which knows no turned maps, a yaw of the pose turns the
cells about the centre; at yaw zero both agree. The pose's z is ignored, as the library does:
heights are in the frame of the header.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .common import array_from, fill_header, listed, MessageTypes, put_array, quoted
from .grids import checked_grid
from .heights import unrolled_heights
from ...errors import GeometryError, MessageError
from ...geometry import GridAxes, yaw_from_quat_xyzw
from ...survey import ElevationGrid

# Labels of dim[0]; the other one stands in dim[1].
COLUMN_MAJOR, ROW_MAJOR = 'column_index', 'row_index'
MAX_TILT_RAD = 1e-3
# The start indices of the circular buffer are 16 bit.
MAX_SIDE = 65536


def _count(length_m: float, resolution_m: float, name: str) -> int:
    """Return the number of cells along one side, rounded as the library does."""
    length, resolution = float(length_m), float(resolution_m)
    if not (0.0 < resolution < math.inf and 0.0 < length < math.inf):
        msg = f'grid map has {name} {length} m at resolution {resolution} m; both must be positive'
        raise MessageError(msg)
    ratio = length / resolution
    if not ratio < MAX_SIDE:
        msg = f'grid map claims {ratio:.3g} cells along {name}; at most {MAX_SIDE} are possible'
        raise MessageError(msg)
    return math.floor(ratio + 0.5)


def _yaw_rad(quat: Any) -> float:
    """Return the map's yaw; a quaternion of zeros is what older writers leave."""
    values = [float(v) for v in (quat.x, quat.y, quat.z, quat.w)]
    if not any(values):
        return 0.0
    try:
        return yaw_from_quat_xyzw(*values, max_tilt_rad=MAX_TILT_RAD)
    except GeometryError as exc:
        msg = f'grid map orientation: {exc}; only a yaw can be honoured'
        raise MessageError(msg) from exc


def _axes(info: Any, rows: int, cols: int) -> GridAxes:
    """Return where the unrolled cells are: row index toward -x, column index toward -y."""
    yaw, cell = _yaw_rad(info.pose.orientation), float(info.resolution)
    cos, sin = math.cos(yaw), math.sin(yaw)
    first_x, first_y = 0.5 * cell * (rows - 1), 0.5 * cell * (cols - 1)
    centre = info.pose.position
    try:
        return GridAxes(
            (float(centre.x) + cos * first_x - sin * first_y,
             float(centre.y) + sin * first_x + cos * first_y),
            (-cell * cos, -cell * sin), (cell * sin, -cell * cos))
    except GeometryError as exc:
        msg = f'grid map position: {exc}'
        raise MessageError(msg) from exc


def _layer(msg: Any, name: str, rows: int, cols: int) -> NDArray[np.float32]:
    """Return one layer as stored, as a view of shape (rows, cols)."""
    names = [str(layer) for layer in msg.layers]
    if name not in names:
        text = f'grid map has no layer {quoted(name)}; its layers are: {listed(names)}'
        raise MessageError(text)
    part = msg.data[names.index(name)]
    dims = [(str(dim.label), int(dim.size)) for dim in part.layout.dim]
    by_columns = dims == [(COLUMN_MAJOR, cols), (ROW_MAJOR, rows)]
    if not by_columns and dims != [(ROW_MAJOR, rows), (COLUMN_MAJOR, cols)]:
        shown = listed([f'{label}: {size}' for label, size in dims])
        text = (f'layout {shown} of grid map layer {quoted(name)} is not {COLUMN_MAJOR} of size '
                f'{cols} and {ROW_MAJOR} of size {rows}, in either order')
        raise MessageError(text)
    values, start = array_from(part.data, np.float32), int(part.layout.data_offset)
    if start < 0 or len(values) != start + rows * cols:
        text = (f'grid map layer {quoted(name)} holds {len(values)} values; data_offset {start} '
                f'and {rows} x {cols} cells need {start + rows * cols}')
        raise MessageError(text)
    cells: NDArray[np.float32] = values[start:]
    return cells.reshape(cols, rows).T if by_columns else cells.reshape(rows, cols)


def _starts(msg: Any, rows: int, cols: int) -> tuple[int, int]:
    """Return the start indices of the circular buffer."""
    outer, inner = int(msg.outer_start_index), int(msg.inner_start_index)
    if not (0 <= outer < rows and 0 <= inner < cols):
        text = (f'grid map start index ({outer}, {inner}) lies outside its {rows} x {cols} cells')
        raise MessageError(text)
    return outer, inner


def grid_from_grid_map(msg: Any, layer: str) -> ElevationGrid:
    """
    Return one layer of a grid map as an elevation grid.

    Parameters
    ----------
    msg : grid_map_msgs/GridMap
        The message, either storage order, any start indices, any yaw.
    layer : str
        Name of the layer with the heights. Where the map names basic layers, a cell is known
        only if all of them are finite.

    Returns
    -------
    ElevationGrid
        Unrolled; row index toward the map's -x, column index toward its -y; NaN is unknown.

    Raises
    ------
    MessageError
        No such layer, sizes that do not match, a tilted map, or nothing known.

    """
    if len(msg.layers) != len(msg.data):
        text = f'grid map names {len(msg.layers)} layers and holds data of {len(msg.data)}'
        raise MessageError(text)
    rows = _count(msg.info.length_x, msg.info.resolution, 'length_x')
    cols = _count(msg.info.length_y, msg.info.resolution, 'length_y')
    stored = _layer(msg, layer, rows, cols)
    outer, inner = _starts(msg, rows, cols)
    axes = _axes(msg.info, rows, cols)
    heights, any_known = unrolled_heights(stored, outer, inner)
    for basic in {str(name) for name in msg.basic_layers} - {layer}:
        known = np.isfinite(_layer(msg, basic, rows, cols))
        heights[~np.roll(known, (-outer, -inner), axis=(0, 1))] = np.nan
        any_known = bool(np.isfinite(heights).any())
    return checked_grid(
        msg.header, axes, heights, any_known, f'grid map layer {quoted(layer)}')


def fill_grid_map(
    msg: Any, grid: ElevationGrid, layer: str, types: MessageTypes, *,
    start: tuple[int, int] = (0, 0), column_major: bool = True,
) -> None:
    """
    Write an elevation grid into a grid map with one layer.

    Parameters
    ----------
    msg : grid_map_msgs/GridMap
        Filled in place.
    grid : ElevationGrid
        Its column step must lie a quarter turn counter-clockwise of its row step, as in a grid
        map; the map's yaw is taken from it.
    layer : str
        Name of the layer.
    types : MessageTypes
        Makers of ``Float32MultiArray`` and ``MultiArrayDimension``.
    start : tuple of int
        Start indices of the circular buffer (row, column).
    column_major : bool
        Storage order; grid_map's own writers use True.

    Raises
    ------
    MessageError
        A mirrored grid, which a grid map cannot hold.

    """
    fill_header(msg.header, grid.stamp_ns, grid.frame_id)
    rows, cols = grid.height_m.shape
    _fill_info(msg.info, grid)
    msg.layers, msg.basic_layers = [layer], [layer]
    msg.outer_start_index, msg.inner_start_index = int(start[0]), int(start[1])
    stored = np.roll(grid.height_m, start, axis=(0, 1))
    sizes = [(COLUMN_MAJOR, cols, rows * cols), (ROW_MAJOR, rows, rows)]
    if not column_major:
        sizes = [(ROW_MAJOR, rows, rows * cols), (COLUMN_MAJOR, cols, cols)]
    part = types.Float32MultiArray()
    part.layout.data_offset, part.layout.dim = 0, []
    for label, size, stride in sizes:
        dim = types.MultiArrayDimension()
        dim.label, dim.size, dim.stride = label, size, stride
        part.layout.dim.append(dim)
    put_array(part, 'data', np.ravel(stored, order='F' if column_major else 'C'))
    msg.data = [part]


def _fill_info(info: Any, grid: ElevationGrid) -> None:
    """Write resolution, lengths and the pose of the map's centre."""
    row, col = grid.axes.row_step_xy, grid.axes.col_step_xy
    if row[0] * col[1] - row[1] * col[0] < 0.0:
        msg = 'a mirrored grid cannot be written as a grid map'
        raise MessageError(msg)
    rows, cols = grid.height_m.shape
    cell, yaw = grid.axes.cell_m, math.atan2(-row[1], -row[0])
    middle = grid.axes.world_from_index([0.5 * (rows - 1), 0.5 * (cols - 1)])
    info.resolution = cell
    info.length_x, info.length_y = cell * rows, cell * cols
    position, quat = info.pose.position, info.pose.orientation
    position.x, position.y, position.z = float(middle[0]), float(middle[1]), 0.0
    quat.x, quat.y = 0.0, 0.0
    quat.z, quat.w = math.sin(0.5 * yaw), math.cos(0.5 * yaw)
