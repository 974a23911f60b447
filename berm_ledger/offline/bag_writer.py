# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Write simulated messages to a rosbag2 bag: the same events give the same bytes."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
import shutil
import sqlite3
from typing import Any

from rosbags.interfaces import (
    Qos,
    QosDurability,
    QosHistory,
    QosLiveliness,
    QosReliability,
    QosTime,
)
from rosbags.rosbag2 import CompressionFormat, CompressionMode, StoragePlugin, Writer, WriterError

from .bag_damage import apsw, reason_of
from .bag_topics import GRID_MAP, MASS, POINT_CLOUD, POSE_STAMPED
from .bag_types import bag_message_types, bag_typestore, blank_message
from ..errors import BagError, UsageError
from ..ros.messages import fill_grid_map, fill_point_cloud, fill_pose

STORAGES = {'mcap': StoragePlugin.MCAP, 'sqlite3': StoragePlugin.SQLITE3}
COMPRESSIONS = {
    'none': CompressionMode.NONE, 'message': CompressionMode.MESSAGE, 'file': CompressionMode.FILE}
ELEVATION_KINDS = {'point_cloud': POINT_CLOUD, 'grid_map': GRID_MAP}
BAG_VERSION = 8
QUEUE_DEPTH = 10


@dataclass(frozen=True)
class BagTopics:
    """Names of the topics written: ``elevation``, ``pose``, ``dump`` and ``drum_current``."""

    elevation: str = '/elevation'
    pose: str = '/pose'
    dump: str = '/dump'
    drum_current: str = '/drum_current'


def _qos(*, reliable: bool) -> Qos:
    """Return the quality of service that a player offers: sensor data or reliable."""
    forever = QosTime(2147483647, 4294967295)
    reliability = QosReliability.RELIABLE if reliable else QosReliability.BEST_EFFORT
    return Qos(
        QosHistory.KEEP_LAST, QUEUE_DEPTH, reliability, QosDurability.VOLATILE, forever,
        forever, QosLiveliness.AUTOMATIC, forever, avoid_ros_namespace_conventions=False)


def _fillers(elevation_kind: str) -> dict[str, tuple[str, Callable[[Any, Any], None]]]:
    """Return message type and what fills it, by kind of event."""
    types = bag_message_types()

    def fill_mass(msg: Any, mass_kg: float) -> None:
        msg.data = float(mass_kg)

    grid: Callable[[Any, Any], None] = partial(fill_point_cloud, types=types)
    if elevation_kind == GRID_MAP:
        grid = partial(fill_grid_map, layer='elevation', types=types)
    return {'grid': (elevation_kind, grid), 'pose': (POSE_STAMPED, fill_pose),
            'dump': (MASS, fill_mass), 'drum_current': (MASS, fill_mass)}


def write_bag(
    path: str | Path, events: Iterable[tuple[int, str, Any]], *, storage: str = 'mcap',
    compression: str = 'none', elevation_type: str = 'point_cloud',
    topics: BagTopics | None = None,
) -> dict[str, int]:
    """
    Write events to a new bag, recorded at their stamps.

    Parameters
    ----------
    path : path
        Folder to make; must not exist.
    events : iterable of (stamp_ns, kind, value)
        ``pose`` with a StampedPose, ``grid`` with an ElevationGrid, ``dump`` with a mass [kg],
        ``drum_current`` with a current [A].
    storage : str
        ``mcap`` or ``sqlite3``.
    compression : str
        ``none``, or zstd by ``message`` or by ``file``.
    elevation_type : str
        ``point_cloud`` or ``grid_map``.
    topics : BagTopics, optional
        Names of the topics.

    Returns
    -------
    dict
        Number of messages by kind.

    Raises
    ------
    BagError
        The path exists or cannot be written; nothing is left behind then.
    UsageError
        An unknown storage, compression or elevation type.

    """
    for value, known in ((storage, STORAGES), (compression, COMPRESSIONS),
                         (elevation_type, ELEVATION_KINDS)):
        if value not in known:
            msg = f'{value!r} is none of {", ".join(known)}'
            raise UsageError(msg)
    target = Path(path)
    if target.exists():
        msg = f'{target}: exists already and is not overwritten; give another path'
        raise BagError(msg)
    fillers = _fillers(ELEVATION_KINDS[elevation_type])
    try:
        writer = Writer(target, version=BAG_VERSION, storage_plugin=STORAGES[storage])
        writer.set_compression(COMPRESSIONS[compression], CompressionFormat.ZSTD)
        with writer:
            return _write(writer, events, fillers, topics or BagTopics())
    except (OSError, WriterError, apsw.Error, sqlite3.Error) as exc:
        shutil.rmtree(target, ignore_errors=True)
        msg = f'{target}: cannot be written: {reason_of(exc)}; name a bag elsewhere'
        raise BagError(msg) from exc
    except BaseException:
        shutil.rmtree(target, ignore_errors=True)
        raise


def _write(
    writer: Any, events: Iterable[tuple[int, str, Any]],
    fillers: dict[str, tuple[str, Callable[[Any, Any], None]]], topics: BagTopics,
) -> dict[str, int]:
    """Write all events; topics without messages are in the bag too, but for the current."""
    store = bag_typestore()
    names = {'grid': topics.elevation, 'pose': topics.pose, 'dump': topics.dump,
             'drum_current': topics.drum_current}

    def channel(kind: str) -> Any:
        return writer.add_connection(
            names[kind], fillers[kind][0], typestore=store,
            offered_qos_profiles=[_qos(reliable=kind != 'grid')])

    channels = {kind: channel(kind) for kind in fillers if kind != 'drum_current'}
    counts = dict.fromkeys(fillers, 0)
    for stamp_ns, kind, value in events:
        name, fill = fillers[kind]
        if kind not in channels:
            channels[kind] = channel(kind)
        msg = blank_message(name)
        fill(msg, value)
        writer.write(channels[kind], int(stamp_ns), store.serialize_cdr(msg, name))
        counts[kind] += 1
    return counts
