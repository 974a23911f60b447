# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Soil, sensor and bag for ``other_soil.py``: nothing of the package is used here."""

from __future__ import annotations

import math
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
from rosbags.rosbag2 import StoragePlugin, Writer
from rosbags.typesys import get_typestore, Stores
from scipy import ndimage

START_NS = 1_700_000_000_000_000_000
CELL_M, ORIGIN_XY, SHAPE = 0.01, np.array([0.0, -1.0]), (700, 850)
REPOSE = math.tan(math.radians(33.0))
# A load falls as a ridge: so wide along the berm, so much scatter across it [m].
DRUM_M, SCATTER_M = 0.36, 0.05
PATCH = 80
# Of what stands too steep so much moves in a step; it ends when so little moves [m].
RATE, STILL_M, MOST_STEPS = 0.12, 5e-6, 2500
WINDOW_M, HOLES, SPIKES, JITTER_M, SHARED_M, LAG_NS = 4.0, 0.06, 0.001, 0.004, 0.002, 25_000_000
BODY_XY, BODY_M = (0.42, 0.27), 0.25
NEIGHBOURS = ((0, 1, 1.0), (1, 0, 1.0), (1, 1, math.sqrt(2)), (1, -1, math.sqrt(2)))


class Ground:
    """Sloping rough ground and the loose soil on it."""

    def __init__(self, rng: np.random.Generator) -> None:
        rows, cols = np.indices(SHAPE)
        self.x = ORIGIN_XY[0] + CELL_M * (cols + 0.5)
        self.y = ORIGIN_XY[1] + CELL_M * (rows + 0.5)
        self.firm = 0.02 * self.x - 0.015 * self.y + 0.3
        for height_m, smooth in ((0.015, 25), (0.003, 5)):
            relief = ndimage.gaussian_filter(rng.standard_normal(SHAPE), smooth)
            self.firm += height_m * relief / relief.std()
        self.surface = self.firm.copy()

    def pour(self, at_xy: np.ndarray, along: np.ndarray, volume_m3: float) -> None:
        """Pour a load and let it slide to rest."""
        station = (self.x - at_xy[0]) * along[0] + (self.y - at_xy[1]) * along[1]
        offset = (self.y - at_xy[1]) * along[0] - (self.x - at_xy[0]) * along[1]
        shape = np.exp(-0.5 * (offset / SCATTER_M)**2) * (np.abs(station) < DRUM_M / 2)
        self.surface += shape * volume_m3 / (shape.sum() * CELL_M**2)
        self._slide(at_xy)

    def take(self, at_xy: np.ndarray, radius_m: float, volume_m3: float) -> float:
        """Level the top within a radius until so much is gone; return how much that is [m3]."""
        near = np.hypot(self.x - at_xy[0], self.y - at_xy[1]) < radius_m
        low, high, loose = 0.0, float((self.surface - self.firm).max()), self.surface - self.firm
        for _ in range(40):
            level = 0.5 * (low + high)
            gone = float(np.maximum(loose[near] - level, 0.0).sum()) * CELL_M**2
            low, high = (level, high) if gone > volume_m3 else (low, level)
        self.surface[near] = self.firm[near] + np.minimum(loose[near], level)
        self._slide(at_xy)
        return gone

    def above_m(self, points_xy: np.ndarray) -> np.ndarray:
        """Return the height of soil above the firm ground at points (..., 2) [m]."""
        at = self.index_of(points_xy)
        surface, firm = (ndimage.map_coordinates(values, at, order=1)
                         for values in (self.surface, self.firm))
        return surface - firm

    def placed_m3(self) -> float:
        """Return the volume of all soil [m3]."""
        return float((self.surface - self.firm).sum()) * CELL_M**2

    @staticmethod
    def index_of(points_xy: np.ndarray) -> np.ndarray:
        """Return row and column of points, shape (2, ...)."""
        return np.moveaxis((points_xy - ORIGIN_XY) / CELL_M - 0.5, -1, 0)[::-1]

    def _slide(self, at_xy: np.ndarray) -> None:
        """Let soil around a place run down until no slope is steeper than repose."""
        row, col = ((at_xy[::-1] - ORIGIN_XY[::-1]) / CELL_M).astype(int)
        patch = np.s_[row - PATCH:row + PATCH, col - PATCH:col + PATCH]
        height, firm = self.surface[patch], self.firm[patch]
        for _ in range(MOST_STEPS):
            moved = np.zeros_like(height)
            for down, right, far in NEIGHBOURS:
                rows, cols = height.shape
                own = np.s_[:rows - down, max(0, -right):cols - max(0, right)]
                other = np.s_[down:, max(0, right):cols + min(0, right)]
                fall = height[own] - height[other]
                flow = RATE * np.sign(fall) * np.maximum(
                    np.abs(fall) - REPOSE * CELL_M * far, 0.0)
                # No more runs off than lies there.
                flow = np.minimum(flow, 0.2 * (height - firm)[own])
                flow = np.maximum(flow, -0.2 * (height - firm)[other])
                moved[own] -= flow
                moved[other] += flow
            height += moved
            if np.abs(moved).max() < STILL_M:
                break


class Sensor:
    """Looks down on the ground around the rover: noise, shared noise, holes, spikes, the rover."""

    def __init__(self, rng: np.random.Generator, cell_m: float, noise_m: float) -> None:
        self.rng, self.cell_m, self.noise_m = rng, cell_m, noise_m

    def look(
        self, ground: Ground, rover_xy: np.ndarray, yaw_rad: float
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return points (n, n, 2) of the map and heights (n, n), NaN where not seen [m]."""
        rng, count = self.rng, round(WINDOW_M / self.cell_m)
        line = (np.arange(count) - count / 2 + 0.5) * self.cell_m
        centre = np.round(rover_xy / self.cell_m) * self.cell_m
        points = np.stack(np.meshgrid(centre[0] + line, centre[1] + line), axis=-1)
        seen_at = points + rng.normal(0.0, JITTER_M, 2)
        height = ndimage.map_coordinates(
            ground.surface, ground.index_of(seen_at), order=1, cval=np.nan, prefilter=False)
        shared = ndimage.gaussian_filter(rng.standard_normal(height.shape), 4)
        height += rng.normal(0.0, self.noise_m, height.shape) + SHARED_M * shared / shared.std()
        ahead, left = ((seen_at - rover_xy) @ np.array(
            [[math.cos(yaw_rad), -math.sin(yaw_rad)], [math.sin(yaw_rad), math.cos(yaw_rad)]])).T
        height[((np.abs(ahead) < BODY_XY[0]) & (np.abs(left) < BODY_XY[1])).T] += BODY_M
        height[rng.random(height.shape) < HOLES] = np.nan
        spikes = rng.random(height.shape) < SPIKES
        height[spikes] += rng.choice([-1, 1], spikes.sum()) * rng.uniform(0.05, 0.4, spikes.sum())
        return points, height


class Bag:
    """A bag with a cloud, a pose and a dump topic, by rosbags alone."""

    TOPICS = {'/terrain': 'sensor_msgs/msg/PointCloud2', '/where': 'geometry_msgs/msg/PoseStamped',
              '/load': 'std_msgs/msg/Float32'}

    def __init__(self, path: Path) -> None:
        self._store = get_typestore(Stores.ROS2_HUMBLE)
        self._writer = Writer(path, version=9, storage_plugin=StoragePlugin.MCAP)
        self._now_ns = START_NS
        self._channels: dict[str, Any] = {}

    def __enter__(self) -> Bag:
        self._writer.open()
        self._channels = {
            topic: self._writer.add_connection(topic, kind, typestore=self._store)
            for topic, kind in self.TOPICS.items()}
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._writer.close()

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        self._now_ns += round(1e9 * seconds)

    def pose(self, xy: np.ndarray, yaw_rad: float) -> None:
        """Write where the rover is."""
        make = self._made
        self._write('/where', self._now_ns, make(
            'geometry_msgs/msg/PoseStamped', header=self._header(), pose=make(
                'geometry_msgs/msg/Pose',
                position=make('geometry_msgs/msg/Point', x=float(xy[0]), y=float(xy[1]), z=0.3),
                orientation=make('geometry_msgs/msg/Quaternion', x=0.0, y=0.0,
                                 z=math.sin(yaw_rad / 2), w=math.cos(yaw_rad / 2)))))

    def cloud(self, points_xy: np.ndarray, height_m: np.ndarray) -> None:
        """Write what the sensor saw, as it arrives a little later."""
        rows, cols = height_m.shape
        xyz = np.concatenate([points_xy, height_m[..., None]], axis=-1).astype('<f4')
        fields = [self._made('sensor_msgs/msg/PointField', name=name, offset=4 * k, datatype=7,
                             count=1) for k, name in enumerate('xyz')]
        self._write('/terrain', self._now_ns + LAG_NS, self._made(
            'sensor_msgs/msg/PointCloud2', header=self._header(), height=rows, width=cols,
            fields=fields, is_bigendian=False, point_step=12, row_step=12 * cols,
            data=np.frombuffer(xyz.tobytes(), np.uint8), is_dense=False))

    def dump(self, mass_kg: float) -> None:
        """Write that a load was dumped."""
        self._write('/load', self._now_ns + LAG_NS, self._made(
            'std_msgs/msg/Float32', data=mass_kg))

    def _made(self, kind: str, **values: Any) -> Any:
        return self._store.types[kind](**values)

    def _header(self) -> Any:
        sec, nanosec = divmod(self._now_ns, 10**9)
        return self._made('std_msgs/msg/Header', frame_id='map', stamp=self._made(
            'builtin_interfaces/msg/Time', sec=sec, nanosec=nanosec))

    def _write(self, topic: str, bag_ns: int, message: Any) -> None:
        raw = self._store.serialize_cdr(message, self.TOPICS[topic])
        self._writer.write(self._channels[topic], bag_ns, raw)
