# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Messages of both kinds for the tests of the converters: of rclpy and of the bag library."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
import importlib
import math
from typing import Any
import warnings

from berm_ledger.books import Row, State
from berm_ledger.design import Berm, Material, Plane, Rover, segments_of_site, Site, Yard
from berm_ledger.geometry import GridAxes, Polygon, Polyline
from berm_ledger.ros.messages import message_types, MessageTypes
from berm_ledger.survey import ElevationGrid
import numpy as np
import pytest


@dataclass(frozen=True)
class Kit:
    """Makers of blank messages, and the way over the wire and back."""

    blank: Callable[[str], Any]
    types: MessageTypes
    over_the_wire: Callable[[Any, str], Any]


def bag_kit() -> Kit:
    pytest.importorskip('rosbags')
    from berm_ledger.offline.bag_types import bag_message_types, bag_typestore, blank_message

    def over_the_wire(msg: Any, name: str) -> Any:
        store = bag_typestore()
        return store.deserialize_cdr(bytes(store.serialize_cdr(msg, name)), name)

    return Kit(blank_message, bag_message_types(), over_the_wire)


def rclpy_kit() -> Kit:
    serialization = pytest.importorskip('rclpy.serialization')

    def find(name: str) -> Any:
        package, _, kind = name.split('/')
        return getattr(importlib.import_module(f'{package}.msg'), kind)

    # The first message of all loads parsers that use deprecated modules of Python.
    with warnings.catch_warnings():
        warnings.simplefilter('ignore', DeprecationWarning)
        serialization.serialize_message(find('std_msgs/msg/Header')())

    def over_the_wire(msg: Any, name: str) -> Any:
        raw = serialization.serialize_message(msg)
        return serialization.deserialize_message(raw, find(name))

    return Kit(lambda name: find(name)(), message_types(find), over_the_wire)


KITS = {'bag': bag_kit, 'rclpy': rclpy_kit}


def axes(
    cell_m: float = 0.02, yaw_rad: float = 0.0, origin_xy: tuple[float, float] = (3.0, -4.0),
    mirrored: bool = False,
) -> GridAxes:
    """Return grid axes; unmirrored, the column step is a quarter turn left of the row step."""
    cos, sin = cell_m * math.cos(yaw_rad), cell_m * math.sin(yaw_rad)
    sign = -1.0 if mirrored else 1.0
    return GridAxes(origin_xy, (cos, sin), (-sign * sin, sign * cos))


def cloud_message(
    kit: Kit, x: Any, y: Any, z: Any, *, kinds: str = 'fff', lead: int = 0, gaps: int = 0,
    row_pad: int = 0, big: bool = False, order: str = 'xyz',
) -> Any:
    """Return a PointCloud2 with the given layout, built with struct-like records."""
    mark = '>' if big else '<'
    sizes = {'f': 4, 'd': 8}
    offsets, at = {}, lead
    for name in order:
        offsets[name] = at
        at += sizes[kinds['xyz'.index(name)]] + gaps
    record = np.dtype({
        'names': list('xyz'), 'formats': [mark + kind.replace('f', 'f4').replace('d', 'f8')
                                          for kind in kinds],
        'offsets': [offsets[name] for name in 'xyz'], 'itemsize': at})
    height, width = np.shape(z)
    points = np.zeros((height, width), record)
    for name, values in zip('xyz', (x, y, z)):
        points[name] = values
    rows = np.full((height, width * at + row_pad), 0xA5, np.uint8)
    rows[:, :width * at] = points.view(np.uint8).reshape(height, -1)
    msg = kit.blank('sensor_msgs/msg/PointCloud2')
    for name in order:
        field = kit.types.PointField()
        field.name, field.offset, field.count = name, offsets[name], 1
        field.datatype = 7 if kinds['xyz'.index(name)] == 'f' else 8
        msg.fields.append(field)
    msg.header.frame_id = 'map'
    msg.header.stamp.sec, msg.header.stamp.nanosec = 7, 5
    msg.height, msg.width, msg.is_bigendian = height, width, big
    msg.point_step, msg.row_step = at, width * at + row_pad
    put(msg, rows.tobytes())
    return msg


def put(msg: Any, data: bytes) -> None:
    """Put bytes into a message's data in the message's own kind."""
    if hasattr(msg.data, 'frombytes'):
        fresh = type(msg.data)('B')
        fresh.frombytes(data)
        msg.data = fresh
    else:
        msg.data = np.frombuffer(data, np.uint8)


def grid(grid_axes: GridAxes, heights: Any, stamp_ns: int = 7_000_000_005) -> ElevationGrid:
    """Return an elevation grid in frame map."""
    return ElevationGrid(stamp_ns, 'map', grid_axes, np.array(heights, np.float32))


def berm(name: str, points_xy: Any, **changes: Any) -> Berm:
    """Return a berm 25 cm high with segments of at most 40 cm."""
    values = {
        'crest_height_m': 0.25, 'crest_level_m': None, 'crest_width_m': 0.0,
        'side_slope_rad': math.radians(33.0), 'segment_length_m': 0.4,
        'height_tolerance_m': 0.02, 'line_tolerance_m': 0.06, **changes}
    return Berm(name, Polyline(points_xy), **values)


def site(datum_plane: Plane | None = None) -> Site:
    """Return a site of two berms with three and two segments."""
    rover = Rover(
        Polygon([[0.5, 0.3], [-0.5, 0.3], [-0.5, -0.3], [0.5, -0.3]]), (0.75, 0.0), 0.36, 7.5,
        1.0, 0.5, 0.05)
    berms = (
        berm('west', [[0.0, 0.0], [1.2, 0.0]]),
        berm('level', [[3.0, 1.0], [3.0, 1.8]], crest_height_m=None, crest_level_m=0.6))
    boundary = Polygon([[-5.0, -5.0], [9.0, -5.0], [9.0, 9.0], [-5.0, 9.0]])
    return Site(
        'map', berms, datum_plane, Material(1500.0, math.radians(33.0)), rover, Yard(boundary))


def table_rows(of: Site, now_ns: int) -> tuple[Row, ...]:
    """Return rows of all states, figures that float32 holds exactly, one never seen."""
    rows = []
    for k, segment in enumerate(segments_of_site(of)):
        known = {} if k == 3 else {
            'height_m': 0.125 + k / 64, 'height_se_m': 1 / 512, 'low_m': 0.0625, 'high_m': 0.5,
            'coverage': 0.75, 'at_grade': 0.5, 'deficit_height_m': -k / 32,
            'deficit_volume_m3': 0.25 * k, 'deficit_mass_kg': 375.0 * k, 'dumps_made': k,
            'dumps_remaining': 3 * k, 'line_offset_m': -1 / 64,
            'state': State(1 + k % 4), 'last_seen_ns': now_ns - (k + 1) * 500_000_000}
        rows.append(Row(
            segment.berm, segment.berm_index, segment.number, segment.station_from_m,
            segment.station_to_m, 0.25, **known))
    return tuple(rows)
