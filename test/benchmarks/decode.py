# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
A message of 1000 x 1000 cells to an elevation grid, against a plain copy of the floats it needs.

Of a point cloud x, y and z of every point are needed: where the cells lie stands nowhere else in
the message, and each is checked; the peer copies the three columns. Of a grid map the heights of
one layer are needed; where its circular buffer does not start at zero the peer rolls them.
"""

from __future__ import annotations

import array
from collections.abc import Iterator
from pathlib import Path
import sys
from types import SimpleNamespace
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / 'test' / 'benchmarks')]  # runs from a clone

from bench_kit import compared, Line, medians_s  # noqa: E402
from berm_ledger.ros.messages.grid_maps import grid_from_grid_map  # noqa: E402
from berm_ledger.ros.messages.grids import grid_from_point_cloud  # noqa: E402
import numpy as np  # noqa: E402
from numpy.typing import NDArray  # noqa: E402

SIDE = 1000
CELL_M = 0.015
ROUNDS = 25
LIMIT = 1.5


def heights() -> NDArray[np.float32]:
    """Return heights with holes."""
    rng = np.random.default_rng(1)
    out = rng.normal(0.0, 0.1, (SIDE, SIDE)).astype(np.float32)
    out[rng.random(out.shape) < 0.02] = np.nan
    return out


def header() -> SimpleNamespace:
    """Return a header."""
    return SimpleNamespace(stamp=SimpleNamespace(sec=1, nanosec=0), frame_id='map')


def cloud(floats: int) -> SimpleNamespace:
    """Return a point cloud of so many floats per point, as rclpy holds it."""
    points = np.zeros((SIDE, SIDE, floats), dtype=np.float32)
    along = CELL_M * np.arange(SIDE) - 7.5
    points[..., 0], points[..., 1], points[..., 2] = along, along[:, None], heights()
    fields = [SimpleNamespace(name=name, offset=4 * k, datatype=7, count=1)
              for k, name in enumerate('xyz')]
    return SimpleNamespace(
        header=header(), height=SIDE, width=SIDE, fields=fields, is_bigendian=False,
        point_step=4 * floats, row_step=4 * floats * SIDE, is_dense=False,
        data=array.array('B', points.tobytes()))


def grid_map(start: int) -> SimpleNamespace:
    """Return a grid map as its own library stores it, its buffer starting at a row and column."""
    dims = [SimpleNamespace(label=label, size=SIDE, stride=stride)
            for label, stride in (('column_index', SIDE * SIDE), ('row_index', SIDE))]
    layer = SimpleNamespace(
        layout=SimpleNamespace(dim=dims, data_offset=0),
        data=array.array('f', np.ravel(heights(), order='F').tobytes()))
    zero = SimpleNamespace(x=0.0, y=0.0, z=0.0, w=1.0)
    info = SimpleNamespace(
        resolution=CELL_M, length_x=SIDE * CELL_M, length_y=SIDE * CELL_M,
        pose=SimpleNamespace(position=zero, orientation=zero))
    return SimpleNamespace(
        header=header(), info=info, layers=['elevation'], basic_layers=['elevation'],
        data=[layer], outer_start_index=start, inner_start_index=start)


def columns(msg: Any) -> list[NDArray[np.float32]]:
    """Copy x, y and z out of a point cloud."""
    floats = np.frombuffer(msg.data, dtype=np.float32).reshape(SIDE, SIDE, -1)
    return [floats[..., k].copy() for k in range(3)]


def layer(msg: Any, start: int) -> NDArray[np.float32]:
    """Copy the heights out of a grid map."""
    stored = np.frombuffer(msg.data[0].data, dtype=np.float32).reshape(SIDE, SIDE).T
    return np.roll(stored, (-start, -start), (0, 1)) if start else stored.copy(order='K')


def cloud_line(floats: int) -> Line:
    """Measure a point cloud of so many floats a point."""
    msg = cloud(floats)
    z = np.frombuffer(msg.data, dtype=np.float32).reshape(SIDE, SIDE, -1)[..., 2]
    ours, peer, heights_only = medians_s(
        ROUNDS, lambda: grid_from_point_cloud(msg), lambda: columns(msg), z.copy)
    return compared(
        f'decode PointCloud2, {4 * floats} bytes a point', ours, peer, LIMIT,
        f'{ours / heights_only:.2f} of a copy of z alone, positions not looked at')


def map_line(start: int) -> Line:
    """Measure a grid map whose circular buffer starts at a row and column."""
    msg = grid_map(start)
    ours, peer = medians_s(
        ROUNDS, lambda: grid_from_grid_map(msg, 'elevation'), lambda: layer(msg, start))
    return compared(f'decode GridMap, buffer starts at {start}', ours, peer, LIMIT)


def rows() -> Iterator[Line]:
    """Yield the lines of the benchmark."""
    for floats in (3, 4, 8):
        yield cloud_line(floats)
    for start in (0, 300):
        yield map_line(start)
