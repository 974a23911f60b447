# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A mapper between sensor and ledger that publishes all it remembers, as most do."""

from __future__ import annotations

from dataclasses import replace
import math

from berm_ledger.geometry import StampedPose
from berm_ledger.simulation import SimEvent
from berm_ledger.survey import ElevationGrid
import numpy as np
from numpy.typing import NDArray

# The sensor looks ahead to both sides, and so far; before this it has looked all round.
VIEW_RAD = math.radians(65.0)
REACH_M = 2.6
LOOK_ROUND_S = 45.0


class Mapper:
    """
    Keeps the heights of what the sensor does not see, as long as the window holds them.

    Grids must move by whole cells and lie along x and y.
    """

    def __init__(self) -> None:
        """Begin with an empty map."""
        self._pose: StampedPose | None = None
        self._map: ElevationGrid | None = None
        self._begun_ns = 0

    def published(self, event: SimEvent) -> SimEvent:
        """Return what comes out of the mapper: a grid of the sensor as the map it makes."""
        if event.kind == 'pose':
            self._pose = event.value
            self._begun_ns = self._begun_ns or event.stamp_ns
        if event.kind != 'grid':
            return event
        scan = event.value
        seen_m = np.where(self._in_view(scan), scan.height_m, np.nan)
        height_m = np.where(np.isfinite(seen_m), seen_m, self._remembered(scan))
        self._map = replace(scan, height_m=height_m.astype(np.float32))
        return event._replace(value=self._map)

    def _in_view(self, scan: ElevationGrid) -> NDArray[np.bool_]:
        """Tell which cells the sensor sees from where the robot stands."""
        assert self._pose is not None
        pose = self._pose.pose
        east, north = np.moveaxis(scan.centres_xy() - pose.xy, -1, 0)
        aside = np.angle(np.exp(1j * (np.arctan2(north, east) - pose.yaw_rad)))
        view = (np.hypot(east, north) < REACH_M) & (np.abs(aside) < VIEW_RAD)
        out: NDArray[np.bool_] = view | (
            scan.stamp_ns - self._begun_ns < LOOK_ROUND_S * 1e9)
        return out

    def _remembered(self, scan: ElevationGrid) -> NDArray[np.float32]:
        """Return what the map holds at the cells of a grid, NaN for what it does not."""
        out = np.full(scan.height_m.shape, np.nan, dtype=np.float32)
        if self._map is None:
            return out
        index = np.rint(self._map.axes.index_from_world(scan.centres_xy().reshape(-1, 2)))
        row, col = index.astype(int).T
        rows, cols = self._map.height_m.shape
        there = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
        out.ravel()[there] = self._map.height_m[row[there], col[there]]
        return out
