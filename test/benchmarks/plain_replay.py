# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The script that a field engineer would write for a bag in an afternoon: highest point per segment.

It reads the bag with rosbags, resamples every grid onto one fixed lattice, takes off the first
one, and keeps the highest point of every segment. No gates, no registration, no noise, no books;
it is the yardstick for what reading and resampling alone take.
"""

from __future__ import annotations

from pathlib import Path

from berm_ledger.design import Site
from berm_ledger.offline.bag_types import bag_typestore
import numpy as np
from rosbags.rosbag2 import Reader
from scipy.ndimage import map_coordinates, maximum

FIELDS = 3


def lattice_of(site: Site, margin_m: float | None) -> tuple[np.ndarray, np.ndarray]:
    """
    Return the cells of a lattice and the segment of each.

    Parameters
    ----------
    site : Site
        The site; its first berm counts.
    margin_m : float or None
        The lattice covers the line with so much around it [m]; None covers the yard.

    Returns
    -------
    tuple of array
        Cells (n, 2) [m] and segment of each from 1 on; 0 outside the footprint.

    """
    berm, cell_m = site.berms[0], site.cell_m
    around = berm.centreline.points_xy if margin_m is not None else site.yard.boundary.corners_xy
    low, high = around.min(axis=0) - (margin_m or 0.0), around.max(axis=0) + (margin_m or 0.0)
    x, y = (np.arange(a, b, cell_m) for a, b in zip(low, high))
    cells_xy = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    station_m, offset_m = berm.centreline.station_offset(cells_xy)
    half_m = berm.crest_width_m / 2 + berm.crest_height_m / berm.side_slope
    number = 1 + (station_m / berm.segment_length_m).astype(int)
    return cells_xy, np.where(np.abs(offset_m) <= half_m, number, 0)


def heights_at(msg: object, cells_xy: np.ndarray) -> np.ndarray:
    """Return the heights of an organised cloud at some points."""
    cloud = np.frombuffer(msg.data, np.float32).reshape(msg.height, msg.width, -1)
    x, y, z = (cloud[..., axis] for axis in range(FIELDS))
    origin = np.array([x[0, 0], y[0, 0]], float)
    along_row = np.array([x[0, -1], y[0, -1]], float) - origin
    along_col = np.array([x[-1, 0], y[-1, 0]], float) - origin
    steps = np.array([along_col / (msg.height - 1), along_row / (msg.width - 1)])
    index = (cells_xy - origin) @ np.linalg.inv(steps)
    return map_coordinates(z, index.T, order=1, cval=np.nan, output=np.float32)


def highest(bag: Path, site: Site, margin_m: float | None = None) -> np.ndarray:
    """Return the highest point of each segment above the first grid, at the end of a bag [m]."""
    store = bag_typestore()
    cells_xy, segment = lattice_of(site, margin_m)
    numbers = np.arange(1, segment.max() + 1)
    ground = np.full(len(cells_xy), np.nan, np.float32)
    now = ground.copy()
    best = np.full(len(numbers), np.nan)
    with Reader(bag) as reader:
        wanted = [c for c in reader.connections if c.topic == '/elevation']
        for connection, _, raw in reader.messages(wanted):
            seen = heights_at(store.deserialize_cdr(raw, connection.msgtype), cells_xy)
            ground = np.where(np.isnan(ground), seen, ground)
            now = np.where(np.isnan(seen), now, seen)
            best = maximum(np.nan_to_num(now - ground, nan=-1.0), segment, numbers)
    return np.asarray(best)
