# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Messages, site files, books and bags made from bytes; for atheris and for hypothesis alike.

No bytes make a sound message; each further byte may spoil one more thing. The fields keep to the
types that ROS gives them, as no message arrives otherwise; everything else is fair game.
"""

from __future__ import annotations

from collections.abc import Callable
import functools
import math
from pathlib import Path
import struct
from types import SimpleNamespace
from typing import Any

from berm_ledger.books import Row, State
from berm_ledger.books.profile import CrestProfile
from berm_ledger.design import Berm, Material, Plane, Rover, segments_of_site, Site, Yard
from berm_ledger.errors import MessageError
from berm_ledger.geometry import Polygon, Polyline
from berm_ledger.ros.messages import (
    blind_text_from_rework,
    blocked_from_occupancy_grid,
    fill_crest_cloud,
    fill_segments_cloud,
    grid_from_grid_map,
    grid_from_point_cloud,
    hold_from_rework,
    pose_from_msg,
    profiles_from_crest_cloud,
    rows_from_segments_cloud,
    stamp_ns_from,
)
from berm_ledger.ros.messages.common import SUB_MESSAGES
import numpy as np

ODD_FLOATS = (
    math.nan, math.inf, -math.inf, 0.0, -0.0, 1e-320, 1e300, -1e300, 3.4e38, 1e4, 1e8, -1.0, 0.5)
ODD_COUNTS = (0, 1, 2, 3, 2 ** 31 - 1, 2 ** 31, 2 ** 32 - 1, 1_000_000_000, 65536, 31623)
NAMES = ('map', '', '/map', 'odom', 'x', 'y', 'z', 'elevation', '\ufffd' * 3, 'a' * 300, '\n', '0')


class Bytes:
    """Choices out of bytes; when they run out, the usual one."""

    def __init__(self, data: bytes) -> None:
        self.data, self.at = data, 0

    def byte(self) -> int:
        """Return the next byte, 0 at the end."""
        self.at += 1
        return self.data[self.at - 1] if self.at <= len(self.data) else 0

    def take(self, count: int) -> bytes:
        """Return so many bytes, zeros at the end."""
        part = self.data[self.at:self.at + count]
        self.at += count
        return part + b'\0' * (count - len(part))

    def odd(self) -> bool:
        """Tell whether the next thing is to be unusual."""
        return self.byte() & 7 == 7

    def float64(self, usual: float) -> float:
        """Return a float64."""
        if not self.odd():
            return usual
        pick = self.byte()
        if pick < 128:
            return ODD_FLOATS[pick % len(ODD_FLOATS)]
        if pick < 192:
            return usual * (1.0 + (self.byte() - 128) / 1024.0)
        return float(struct.unpack('<d', self.take(8))[0])

    def count(self, usual: int) -> int:
        """Return an unsigned 32 bit number."""
        if not self.odd():
            return usual
        pick = self.byte()
        if pick < 128:
            return ODD_COUNTS[pick % len(ODD_COUNTS)]
        if pick < 224:
            return (usual + pick - 176) & 0xFFFFFFFF
        return int.from_bytes(self.take(4), 'little')

    def name(self, usual: str) -> str:
        """Return a text."""
        return NAMES[self.byte() % len(NAMES)] if self.odd() else usual


def header(src: Bytes) -> Any:
    """Return a header."""
    sec = src.count(7)
    return SimpleNamespace(
        frame_id=src.name('map'),
        stamp=SimpleNamespace(sec=sec - 2 ** 32 if sec >= 2 ** 31 else sec, nanosec=src.count(5)))


def quaternion(src: Bytes) -> Any:
    """Return a quaternion."""
    return SimpleNamespace(
        x=src.float64(0.0), y=src.float64(0.0), z=src.float64(0.6), w=src.float64(0.8))


def position(src: Bytes) -> Any:
    """Return a point."""
    return SimpleNamespace(x=src.float64(3.0), y=src.float64(-4.0), z=src.float64(0.0))


def spoiled(src: Bytes, data: bytes) -> bytes:
    """Return data with some bytes changed, cut off or added."""
    if not src.odd():
        return data
    out = bytearray(data)
    for _ in range(src.byte() % 8):
        where = int.from_bytes(src.take(2), 'little')
        if out:
            out[where % len(out)] = src.byte()
    cut = src.byte()
    return bytes(out[:-cut] if cut & 1 else out + b'\x7f' * (cut // 8))


def cloud_around(src: Bytes, msg: Any) -> Any:
    """Spoil the sizes, fields and data of a sound cloud."""
    msg.header = header(src)
    for name in ('height', 'width', 'point_step', 'row_step'):
        setattr(msg, name, src.count(getattr(msg, name)))
    msg.is_bigendian = src.odd()
    if src.odd() and msg.fields:
        del msg.fields[src.byte() % len(msg.fields)]
    for field in msg.fields[:src.byte() % 8]:
        field.name = src.name(field.name)
        field.offset, field.count = src.count(field.offset), src.count(field.count)
        field.datatype = src.count(field.datatype) & 0xFF
    msg.data = np.frombuffer(spoiled(src, bytes(msg.data)), np.uint8)
    return msg


def heights(src: Bytes, count: int) -> np.ndarray:
    """Return heights, some of them odd."""
    out = np.linspace(0.0, 0.25, count).astype(np.float32)
    with np.errstate(over='ignore'):
        for _ in range(src.byte() % 8):
            out[src.byte() % count] = src.float64(0.1)
    return out


def elevation_cloud(src: Bytes) -> Any:
    """Return an organised cloud."""
    rows, cols, big = 2 + src.byte() % 5, 2 + src.byte() % 5, src.byte() & 1
    kind = np.dtype(('>' if big else '<') + ('f8' if src.byte() & 1 else 'f4'))
    gap = src.byte() % 3
    names = ['x', 'y', 'z'][:: -1 if src.byte() & 1 else 1]
    record = np.dtype({
        'names': names, 'formats': [kind] * 3, 'itemsize': 3 * (kind.itemsize + gap),
        'offsets': [k * (kind.itemsize + gap) for k in range(3)]})
    yaw, cell = src.float64(0.3), src.float64(0.05)
    i, j = np.meshgrid(np.arange(rows), np.arange(cols), indexing='ij')
    points = np.zeros((rows, cols), record)
    with np.errstate(all='ignore'):
        cos, sin = np.cos(np.float64(yaw)) * cell, np.sin(np.float64(yaw)) * cell
        points['x'], points['y'] = 3.0 + cos * i - sin * j, 1.0 + sin * i + cos * j
        points['z'] = heights(src, rows * cols).reshape(rows, cols)
        for _ in range(src.byte() % 4):
            where = src.byte() % rows, src.byte() % cols
            points['xy'[src.byte() & 1]][where] = src.float64(math.nan)
    msg = SimpleNamespace(
        height=rows, width=cols, point_step=record.itemsize, row_step=record.itemsize * cols,
        data=points.tobytes(), fields=[
            SimpleNamespace(name=name, offset=int(record.fields[name][1]), count=1,
                            datatype=8 if kind.itemsize == 8 else 7) for name in names])
    cloud_around(src, msg)
    msg.is_bigendian ^= bool(big)
    return msg


def grid_map(src: Bytes) -> Any:
    """Return a grid map."""
    rows, cols = 2 + src.byte() % 5, 2 + src.byte() % 5
    by_columns = not src.byte() & 1
    sizes = [('column_index', cols), ('row_index', rows)][::1 if by_columns else -1]
    names = ['elevation', 'variance'][:1 + src.byte() % 2]
    layers = []
    for _ in names:
        dims = [SimpleNamespace(label=src.name(label), size=src.count(size), stride=0)
                for label, size in sizes]
        cells = np.frombuffer(spoiled(src, heights(src, rows * cols).tobytes())[:4096], np.uint8)
        layers.append(SimpleNamespace(
            layout=SimpleNamespace(dim=dims[:2 - src.odd()], data_offset=src.count(0)),
            data=cells[:len(cells) // 4 * 4].view(np.float32)))
    cell = src.float64(0.05)
    info = SimpleNamespace(
        resolution=cell, length_x=src.float64(cell * rows), length_y=src.float64(cell * cols),
        pose=SimpleNamespace(position=position(src), orientation=quaternion(src)))
    return SimpleNamespace(
        header=header(src), info=info, layers=[src.name(name) for name in names],
        basic_layers=[src.name(name) for name in names[:src.byte() % 3]],
        data=layers[:len(layers) - src.odd()], outer_start_index=src.count(0) & 0xFFFF,
        inner_start_index=src.count(0) & 0xFFFF)


def pose(src: Bytes) -> Any:
    """Return a pose of one of the three types."""
    head, inner = header(src), SimpleNamespace(position=position(src), orientation=quaternion(src))
    if src.byte() & 1:
        return SimpleNamespace(header=head, pose=inner)
    covariance = np.zeros(36)
    for k in (0, 1, 6, 7, 35):
        covariance[k] = src.float64(0.01 if k in (0, 7, 35) else 0.0)
    return SimpleNamespace(header=head, pose=SimpleNamespace(pose=inner, covariance=covariance))


def occupancy(src: Bytes) -> Any:
    """Return an occupancy grid."""
    rows, cols = 1 + src.byte() % 5, 1 + src.byte() % 5
    info = SimpleNamespace(
        height=src.count(rows), width=src.count(cols), resolution=src.float64(0.05),
        origin=SimpleNamespace(position=position(src), orientation=SimpleNamespace(
            x=src.float64(0.0), y=src.float64(0.0), z=src.float64(0.0), w=src.float64(1.0))))
    data = np.frombuffer(spoiled(src, bytes(range(0, 100, 4))[:rows * cols]), np.int8)
    return SimpleNamespace(header=header(src), info=info, data=data)


def rework(src: Bytes) -> Any:
    """Return an array of statuses."""
    names = ('berm_ledger: hold', 'berm_ledger: west segment 1', '')
    keys = ('reason', 'berm', 'segment', '')
    return SimpleNamespace(header=header(src), status=[
        SimpleNamespace(
            name=src.name(names[src.byte() % 3]), message=src.name('m'), hardware_id='',
            level=bytes([src.byte()]), values=[
                SimpleNamespace(key=keys[src.byte() % 4], value=src.name('1'))
                for _ in range(src.byte() % 4)])
        for _ in range(src.byte() % 4)])


@functools.lru_cache(maxsize=1)
def small_site() -> Site:
    """Return a site of two berms."""
    rover = Rover(
        Polygon([[0.5, 0.3], [-0.5, 0.3], [-0.5, -0.3], [0.5, -0.3]]), (0.75, 0.0), 0.36, 7.5,
        1.0, 0.5, 0.05)
    rest = (None, 0.0, math.radians(33.0), 0.4, 0.02, 0.06)
    berms = (Berm('west', Polyline([[0.0, 0.0], [1.2, 0.0]]), 0.25, *rest),
             Berm('east', Polyline([[3.0, 1.0], [3.0, 1.8]]), 0.25, *rest))
    boundary = Polygon([[-5.0, -5.0], [9.0, -5.0], [9.0, 9.0], [-5.0, 9.0]])
    return Site('map', berms, Plane(0.0, 0.0, 0.0), Material(1500.0, math.radians(33.0)), rover,
                Yard(boundary))


def blank() -> SimpleNamespace:
    """Return a message without content."""
    return SimpleNamespace(header=SimpleNamespace(stamp=SimpleNamespace()), fields=[], data=None)


@functools.lru_cache(maxsize=2)
def sound_table(crest: bool) -> Any:
    """Return a sound crest or segments cloud of the small site."""
    site, msg = small_site(), blank()
    types = SimpleNamespace(**dict.fromkeys(SUB_MESSAGES, SimpleNamespace))
    if crest:
        station = np.arange(5) * 0.2
        profiles = [CrestProfile(k, station, 0.1 * station, 0.0 * station, station)
                    for k in range(2)]
        fill_crest_cloud(msg, site, profiles, [np.zeros((5, 3))] * 2, 7_000_000_005, types)
        return msg
    rows = [Row(s.berm, s.berm_index, s.number, s.station_from_m, s.station_to_m, 0.25,
                height_m=0.1, state=State.SHORT, last_seen_ns=6_000_000_000)
            for s in segments_of_site(site)]
    fill_segments_cloud(msg, site, rows, 7_000_000_005, types)
    return msg


def table(src: Bytes, *, crest: bool) -> Any:
    """Return a spoiled crest or segments cloud."""
    sound = sound_table(crest)
    return cloud_around(src, SimpleNamespace(
        height=sound.height, width=sound.width, point_step=sound.point_step,
        row_step=sound.row_step, data=bytes(sound.data),
        fields=[SimpleNamespace(**vars(field)) for field in sound.fields]))


def check_grid(grid: Any, msg: Any) -> None:
    """Check what every elevation grid promises."""
    assert grid.height_m.dtype == np.float32
    assert not grid.height_m.flags.writeable
    assert min(grid.height_m.shape) >= 2
    known = grid.height_m[np.isfinite(grid.height_m)]
    assert len(known) > 0
    assert float(np.abs(known).max()) <= 1e4
    assert not np.isinf(grid.height_m).any()
    assert 0.0 < grid.axes.cell_m < math.inf
    assert np.isfinite(grid.axes.world_from_index([[0.0, 0.0], [1.0, 1.0]])).all()
    assert grid.frame_id == msg.header.frame_id


def decode_cloud(src: Bytes) -> None:
    """Decode an elevation cloud."""
    msg = elevation_cloud(src)
    check_grid(grid_from_point_cloud(msg), msg)


def decode_grid_map(src: Bytes) -> None:
    """Decode a grid map."""
    msg = grid_map(src)
    check_grid(grid_from_grid_map(msg, 'elevation'), msg)


def decode_pose(src: Bytes) -> None:
    """Decode a pose."""
    found = pose_from_msg(pose(src))
    assert all(map(math.isfinite, (*found.pose.xy, found.pose.yaw_rad)))
    assert abs(found.pose.yaw_rad) <= math.pi + 1e-9
    assert not found.std_xy_m < 0.0
    assert not found.std_yaw_rad < 0.0


def decode_segments(src: Bytes) -> None:
    """Decode a table for machines."""
    rows = rows_from_segments_cloud(table(src, crest=False), small_site())
    assert [(row.berm, row.segment) for row in rows] == [
        (s.berm, s.number) for s in segments_of_site(small_site())]


def decode_crest(src: Bytes) -> None:
    """Decode a crest."""
    profiles = profiles_from_crest_cloud(table(src, crest=True), small_site())
    assert len(profiles) == 2
    assert all((np.diff(p.station_m) > 0.0).all() for p in profiles)


def decode_occupancy(src: Bytes) -> None:
    """Decode the ground to keep off."""
    lattice, blocked = blocked_from_occupancy_grid(occupancy(src))
    assert blocked.shape == lattice.shape
    assert 0.0 < lattice.cell_m < math.inf


def decode_rework(src: Bytes) -> None:
    """Decode flags and hold."""
    msg = rework(src)
    stamp_ns_from(msg.header)
    assert isinstance(hold_from_rework(msg)[1], str)
    assert isinstance(blind_text_from_rework(msg), str)


DECODERS: tuple[Callable[[Bytes], None], ...] = (
    decode_cloud, decode_grid_map, decode_pose, decode_segments, decode_crest, decode_occupancy,
    decode_rework)


def decode(data: bytes) -> str:
    """
    Decode what bytes make of a message; the first byte says which.

    Returns
    -------
    str
        Name of the decoder, with `!` when it refused; anything it raises but its own error
        comes through.

    """
    src = Bytes(data)
    decoder = DECODERS[src.byte() % len(DECODERS)]
    try:
        decoder(src)
    except MessageError:
        return decoder.__name__ + '!'
    return decoder.__name__


def site_texts() -> list[str]:
    """Return the site files that come with the package."""
    folder = Path(__file__).resolve().parents[2] / 'config'
    return [path.read_text(encoding='utf-8') for path in sorted(folder.glob('*site*.yaml'))]
