# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A mapper between sensor and ledger that publishes all it remembers, as most do, or averages."""

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

    Parameters
    ----------
    weight : float
        How much of each new height a cell takes; the rest is what it had.
    gathered : int
        Of so many last scans a cell holds the mean.

    """

    def __init__(self, weight: float = 1.0, gathered: int = 1) -> None:
        """Begin with an empty map."""
        self._weight, self._gathered = weight, gathered
        self._scans: list[ElevationGrid] = []
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
        self._scans = [*self._scans[1 - self._gathered:], replace(
            scan, height_m=seen_m.astype(np.float32))] if self._gathered > 1 else []
        if self._scans:
            last_m = np.array([_on_cells(one, scan) for one in self._scans])
            known = np.isfinite(last_m)
            total_m, count = np.where(known, last_m, 0.0).sum(axis=0), known.sum(axis=0)
            seen_m = np.where(np.isfinite(seen_m), total_m / np.maximum(count, 1), np.nan)
        before_m = self._remembered(scan)
        mixed_m = np.where(np.isfinite(before_m),
                           before_m + self._weight * (seen_m - before_m), seen_m)
        height_m = np.where(np.isfinite(seen_m), mixed_m, before_m)
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
        if self._map is None:
            return np.full(scan.height_m.shape, np.nan, dtype=np.float32)
        return _on_cells(self._map, scan)


def _on_cells(held: ElevationGrid, scan: ElevationGrid) -> NDArray[np.float32]:
    """Return the heights of a grid at the cells of another one, NaN where it has none."""
    out = np.full(scan.height_m.shape, np.nan, dtype=np.float32)
    index = np.rint(held.axes.index_from_world(scan.centres_xy().reshape(-1, 2)))
    row, col = index.astype(int).T
    rows, cols = held.height_m.shape
    there = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
    out.ravel()[there] = held.height_m[row[there], col[there]]
    return out
