# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Ground to keep off as an occupancy grid, both ways."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .common import array_from, fill_header, fill_stamp, put_array
from ...errors import GeometryError, MessageError
from ...geometry import Lattice, yaw_from_quat_xyzw

FREE, BLOCKED = 0, 100
# nav_msgs/OccupancyGrid gives percent, -1 for unknown; what is not known is not driven on.
BLOCKED_FROM = 50
MAX_YAW_RAD = 1e-3
# The resolution is sent as float32, which carries seven digits.
RESOLUTION_DIGITS = 7


def fill_occupancy_grid(
    msg: Any, lattice: Lattice, blocked: NDArray[np.bool_], *, frame_id: str, stamp_ns: int
) -> None:
    """
    Write blocked cells into an occupancy grid: 100 where blocked, 0 elsewhere.

    Parameters
    ----------
    msg : nav_msgs/OccupancyGrid
        Filled in place.
    lattice : Lattice
        Where the cells are.
    blocked : array
        Shape of the lattice, True where nobody may drive.
    frame_id : str
        Frame.
    stamp_ns : int
        Stamp [ns].

    Raises
    ------
    MessageError
        Cells of another shape than the lattice.

    """
    if blocked.shape != lattice.shape:
        text = f'blocked cells have shape {blocked.shape}, the lattice {lattice.shape}'
        raise MessageError(text)
    fill_header(msg.header, stamp_ns, frame_id)
    info = msg.info
    fill_stamp(info.map_load_time, stamp_ns)
    info.resolution = float(lattice.cell_m)
    info.height, info.width = lattice.shape
    # The message's origin is the outer corner of the first cell, ours the cell's centre.
    position, quat = info.origin.position, info.origin.orientation
    position.x = lattice.x0_m - 0.5 * lattice.cell_m
    position.y = lattice.y0_m - 0.5 * lattice.cell_m
    position.z = 0.0
    quat.x, quat.y, quat.z, quat.w = 0.0, 0.0, 0.0, 1.0
    put_array(msg, 'data', np.where(blocked, BLOCKED, FREE).astype(np.int8).reshape(-1))


def blocked_from_occupancy_grid(msg: Any) -> tuple[Lattice, NDArray[np.bool_]]:
    """
    Return lattice and blocked cells of an occupancy grid.

    Parameters
    ----------
    msg : nav_msgs/OccupancyGrid
        Not turned; a cell is blocked from 50 percent, and where it is unknown.

    Returns
    -------
    tuple of Lattice and array
        The cells, and True where blocked, shape (rows, cols), read-only.

    Raises
    ------
    MessageError
        Sizes that do not match the data, no positive resolution, or a turned map.

    """
    height, width = int(msg.info.height), int(msg.info.width)
    data = array_from(msg.data, np.int8)
    if min(height, width) < 1 or height * width != len(data):
        text = f'occupancy grid claims {height} x {width} cells and holds {len(data)}'
        raise MessageError(text)
    cell_m = float(msg.info.resolution)
    corner = (float(msg.info.origin.position.x), float(msg.info.origin.position.y))
    if not 0.0 < cell_m < math.inf or not all(math.isfinite(v) for v in corner):
        text = f'occupancy grid has resolution {cell_m} m and origin {corner}'
        raise MessageError(text)
    _check_unturned(msg.info.origin.orientation)
    cell_m = float(f'{cell_m:.{RESOLUTION_DIGITS}g}')
    lattice = Lattice(
        corner[0] + 0.5 * cell_m, corner[1] + 0.5 * cell_m, cell_m, height, width)
    blocked = ((data >= BLOCKED_FROM) | (data < 0)).reshape(height, width)
    blocked.flags.writeable = False
    return lattice, blocked


def _check_unturned(quat: Any) -> None:
    """Refuse a map that is not aligned with its frame; zeros are what some writers leave."""
    values = [float(v) for v in (quat.x, quat.y, quat.z, quat.w)]
    if not any(values):
        return
    try:
        yaw_rad = yaw_from_quat_xyzw(*values, max_tilt_rad=MAX_YAW_RAD)
    except GeometryError as exc:
        text = f'occupancy grid orientation: {exc}'
        raise MessageError(text) from exc
    if abs(yaw_rad) > MAX_YAW_RAD:
        text = f'occupancy grid is turned by {yaw_rad:.4g} rad; only an unturned one can be read'
        raise MessageError(text)
