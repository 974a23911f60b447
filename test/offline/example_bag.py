# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Make the bag of config/example: a short build, from the survey to a berm at grade.

    python test/offline/example_bag.py NEW_FOLDER

Heights are rounded to 1/512 m, as a map of limited resolution has them, and of the poses only one
in 1.5 s is kept but for those next to a grid or a dump: so the bag is small enough to be part of
the package.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
import sys

from berm_ledger.commands.simulate import turned_for_grid_map
from berm_ledger.offline.bag_topics import GRID_MAP, MASS, POSE_STAMPED
from berm_ledger.offline.bag_types import bag_message_types, bag_typestore, blank_message
from berm_ledger.ros.messages import fill_grid_map, fill_pose
from berm_ledger.simulation import (
    BuildOptions,
    NOISE_PRESETS,
    SensorOptions,
    SimEvent,
    SimulatedBuild,
    YardOptions,
)
from berm_ledger.site_source import load_site
import numpy as np
from rosbags.rosbag2 import CompressionFormat, CompressionMode, StoragePlugin, Writer

FOLDER = Path(__file__).resolve().parents[2] / 'config' / 'example'
STEP = 512.0
THIN_NS = 1_500_000_000
NEAR_NS = 250_000_000


def events() -> list[SimEvent]:
    """Return the messages of the build."""
    options = BuildOptions(
        yard=YardOptions(
            noise=NOISE_PRESETS['field'], sensor=SensorOptions(size_m=1.98, cell_m=0.036),
            soil_cell_m=0.01, grid_period_s=6.0, look_within_m=0.6),
        looks_per_load=3, final_looks=6)
    return list(SimulatedBuild(load_site(FOLDER / 'site.yaml').site, seed=3,
                               options=options).events())


def thinned(found: list[SimEvent]) -> Iterator[SimEvent]:
    """Yield the messages with fewer poses and rounded heights."""
    marks = np.array([event.stamp_ns for event in found if event.kind != 'pose'])
    last_ns = 0
    for event in found:
        if event.kind == 'grid':
            grid = turned_for_grid_map(event.value)
            rounded = (np.round(grid.height_m * STEP) / STEP).astype(np.float32)
            event = event._replace(value=replace(grid, height_m=rounded))
        if event.kind == 'pose':
            near = np.abs(marks - event.stamp_ns).min() <= NEAR_NS
            if not near and event.stamp_ns - last_ns < THIN_NS:
                continue
            last_ns = event.stamp_ns
        yield event


def write(folder: Path) -> None:
    """Write the bag: grid maps in an MCAP file whose chunks are compressed."""
    store, types = bag_typestore(), bag_message_types()
    kinds = {'grid': ('/elevation', GRID_MAP), 'pose': ('/pose', POSE_STAMPED),
             'dump': ('/dump', MASS)}
    writer = Writer(folder, version=8, storage_plugin=StoragePlugin.MCAP)
    writer.set_compression(CompressionMode.STORAGE, CompressionFormat.ZSTD)
    with writer:
        channels = {kind: writer.add_connection(topic, name, typestore=store)
                    for kind, (topic, name) in kinds.items()}
        for event in thinned(events()):
            name = kinds[event.kind][1]
            msg = blank_message(name)
            if event.kind == 'grid':
                fill_grid_map(msg, event.value, layer='elevation', types=types)
            elif event.kind == 'pose':
                fill_pose(msg, event.value)
            else:
                msg.data = float(event.value)
            writer.write(channels[event.kind], event.stamp_ns, store.serialize_cdr(msg, name))


if __name__ == '__main__':
    write(Path(sys.argv[1]))
