# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Small bags for the tests of reading and writing them."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from berm_ledger.geometry import GridAxes, Pose2, StampedPose
from berm_ledger.offline.bag_types import bag_typestore, blank_message
from berm_ledger.offline.bag_writer import write_bag
from berm_ledger.offline.bags import BagEvent, BagOptions, open_bag
from berm_ledger.survey import assert_grid_equal, ElevationGrid
import numpy as np
from rosbags.rosbag2 import CompressionFormat, CompressionMode, StoragePlugin, Writer

START_NS = 1_700_000_000_000_000_000
STEP_NS = 200_000_000
# Roles of messages that have another name where they are made.
ROLES = {'grid': 'elevation'}
STORAGES = {'mcap': StoragePlugin.MCAP, 'sqlite3': StoragePlugin.SQLITE3}


def grid(stamp_ns: int, side: int = 4) -> ElevationGrid:
    """Return a grid on which the heights tell the stamp, one of them unknown."""
    heights = np.full((side, side), (stamp_ns - START_NS) / 1e9, np.float32)
    heights[0, 1] = np.nan
    return ElevationGrid(
        stamp_ns, 'map', GridAxes((0.5, 1.0), (0.0, 0.5), (0.5, 0.0)), heights)


def events(count: int = 12, first: int = 0, side: int = 4) -> list[tuple[int, str, Any]]:
    """Return `count` steps: a pose, every third time a dump, then a grid, all of one time."""
    out: list[tuple[int, str, Any]] = []
    for k in range(first, first + count):
        stamp_ns = START_NS + k * STEP_NS
        out.append((stamp_ns, 'pose', StampedPose(stamp_ns, 'map', Pose2(0.1 * k, 2.0, 0.5))))
        if k % 3 == 0:
            out.append((stamp_ns, 'dump', 7.5 + k))
        out.append((stamp_ns, 'grid', grid(stamp_ns, side)))
    return out


def assert_events(found: Iterable[BagEvent], expected: Iterable[tuple[int, str, Any]]) -> None:
    """Raise AssertionError unless a bag gave what was written, in the same order."""
    found, expected = list(found), list(expected)
    assert [(e.bag_ns, e.role) for e in found] == [
        (t, ROLES.get(kind, kind)) for t, kind, _ in expected]
    for event, (stamp_ns, kind, value) in zip(found, expected):
        if kind == 'grid':
            assert_grid_equal(event.value, value)
        elif kind == 'dump':
            assert event.value == value
        else:
            assert event.value.stamp_ns == value.stamp_ns
            np.testing.assert_allclose(event.value.pose.xy, value.pose.xy, atol=1e-12)
        assert event.stamp_ns == (None if kind == 'dump' else stamp_ns)


def small_bag(path: Path, count: int = 12, first: int = 0, side: int = 4, **options: Any) -> Path:
    """Write a bag of ``events`` and return its folder."""
    write_bag(path, events(count, first, side), **options)
    return path


def raw_bag(
    path: Path, rows: Iterable[tuple[str, str, int, Any]], *, storage: str = 'mcap',
    mode: CompressionMode = CompressionMode.NONE, definitions: dict[str, str] | None = None,
) -> Path:
    """
    Write a bag of anything and return its folder.

    Parameters
    ----------
    path : Path
        Folder to make.
    rows : iterable of (topic, type, bag_ns, message or bytes)
        What to write; None instead of a message only makes the topic.
    storage : str
        Name of the storage.
    mode : CompressionMode
        Compression.
    definitions : dict, optional
        Text of the definition by type, instead of the right one.

    """
    store, channels = bag_typestore(), {}
    writer = Writer(path, version=8, storage_plugin=STORAGES[storage])
    writer.set_compression(mode, CompressionFormat.ZSTD)
    with writer:
        for topic, kind, bag_ns, msg in rows:
            if topic not in channels:
                text = (definitions or {}).get(kind)
                how = {'typestore': store} if text is None else {'msgdef': text, 'rihs01': 'x'}
                channels[topic] = writer.add_connection(topic, kind, **how)
            if msg is not None:
                raw = msg if isinstance(msg, bytes) else store.serialize_cdr(msg, kind)
                writer.write(channels[topic], bag_ns, raw)
    return path


def stamped(kind: str, stamp_ns: int) -> Any:
    """Return a blank message with a stamp."""
    msg = blank_message(kind)
    msg.header.stamp.sec, msg.header.stamp.nanosec = divmod(stamp_ns, 10 ** 9)
    msg.header.frame_id = 'map'
    return msg


def read(path: Any, **options: Any) -> tuple[list[BagEvent], list[str]]:
    """Return all events of a bag, and the codes of the findings."""
    with open_bag(path, BagOptions(**options)) as stream:
        found = list(stream)
        return found, [finding.code for finding in stream.findings]


def storage_file(path: Path) -> Path:
    """Return the one storage file of a bag's folder."""
    (file,) = [p for p in path.iterdir() if p.name != 'metadata.yaml']
    return file
