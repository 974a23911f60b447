# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A long berm under large grids, for the benchmark of one update: site, grids and pipeline."""

from __future__ import annotations

import math

from berm_ledger.design import Berm, Material, Rover, Site, Yard
from berm_ledger.design.site import Plane
from berm_ledger.geometry import GridAxes, Polygon, Polyline, Pose2, StampedPose
from berm_ledger.pipeline import Pipeline
from berm_ledger.survey import ElevationGrid
import numpy as np
from numpy.typing import NDArray

LENGTH_M = 12.0
HEIGHT_M = 0.35
SLOPE_RAD = math.radians(33.0)
CELL_M = 0.015
NOISE_M = 0.004
PERIOD_NS = 1_000_000_000
START_NS = 1_700_000_000_000_000_000
# Soil that stands at the start, as a share of the design height.
STANDING = 0.8
# The rover stands here, beside the middle of the berm, and dumps there.
ROVER = Pose2(0.3, -1.35, math.pi / 2.0)
LOOKS_TO_SETTLE = 60


def a_site(segments: int, cell_m: float = CELL_M, length_m: float = LENGTH_M) -> Site:
    """Return a straight berm cut into so many segments, over a given plane."""
    berm = Berm(
        name='long', centreline=Polyline([[-length_m / 2, 0.0], [length_m / 2, 0.0]]),
        crest_height_m=HEIGHT_M, crest_level_m=None, crest_width_m=0.0, side_slope_rad=SLOPE_RAD,
        segment_length_m=length_m / segments * (1.0 + 1e-9), height_tolerance_m=0.02,
        line_tolerance_m=0.06)
    rover = Rover(
        footprint=Polygon([[-0.35, -0.3], [0.45, -0.3], [0.45, 0.3], [-0.35, 0.3]]),
        drop_point_xy=(1.35, 0.0), drum_width_m=0.36, payload_kg=7.5, turning_radius_m=1.0,
        run_up_m=0.5, clearance_m=0.05)
    side_m = length_m / 2 + 10.0
    boundary = Polygon([[-side_m, -16.0], [side_m, -16.0], [side_m, 16.0], [-side_m, 16.0]])
    return Site('map', (berm,), Plane(0.0, 0.0, 0.0), Material(1500.0, math.radians(33.0)), rover,
                Yard(boundary), cell_m=cell_m)


def soil_m(
    x: NDArray[np.float64], y: NDArray[np.float64], load: float, length_m: float = LENGTH_M
) -> NDArray[np.float32]:
    """Return a lumpy berm and so much of a load on it [m]."""
    off = np.maximum(np.abs(x) - length_m / 2, 0.0)
    crest = STANDING * HEIGHT_M + 0.01 * np.sin(3.1 * x) + 0.006 * np.sin(11.0 * x + 1.0)
    berm = np.maximum(0.0, crest - math.tan(SLOPE_RAD) * np.hypot(y, off))
    ground = 0.004 * np.sin(2.0 * x) * np.cos(1.7 * y)
    heap = 0.05 * np.exp(-0.5 * (((x - ROVER.x_m) / 0.16)**2 + (y / 0.12)**2))
    return (berm + ground + load * heap).astype(np.float32)


class Patrol:
    """
    A pipeline over the berm and the grids that it is shown, one after the other.

    Parameters
    ----------
    side : int
        Rows and columns of the grids.
    segments : int
        Segments of the berm.
    cell_m : float
        Cell of the grids and of the site [m].
    seed : int
        Of the noise.
    looks : int
        Looks before anything is measured.
    between : float or None
        Where the cells of the site lie between those of the grids, 0 to 1; left out, somewhere, as
        on most machines.
    length_m : float
        Length of the berm [m].

    """

    def __init__(
        self, side: int = 1000, segments: int = 24, *, cell_m: float = CELL_M, seed: int = 0,
        looks: int = LOOKS_TO_SETTLE, between: float | None = None, length_m: float = LENGTH_M,
    ) -> None:
        """Survey the berm until it has settled."""
        self.pipeline = Pipeline(a_site(segments, cell_m, length_m))
        self._noise = np.random.default_rng(seed)
        x, y = (self._axis_m(k, side, cell_m, between) for k in (0, 1))
        self.axes = GridAxes((x[0], y[0]), (0.0, cell_m), (cell_m, 0.0))
        self._still, loaded = (
            soil_m(x[None, :], y[:, None], k, length_m) for k in (0.0, 1.0))
        self._heap = loaded - self._still
        self._room, self._spare = np.empty_like(self._still), np.empty_like(self._still)
        self.stamp_ns = START_NS
        self.load = 0.0
        self.entries = 0
        for _ in range(looks):
            self.show(self.next_grid())

    def _axis_m(
        self, axis: int, side: int, cell_m: float, between: float | None
    ) -> NDArray[np.float64]:
        """Return the x or y of the cells of the grids, shape (side,) [m]."""
        low = -0.5 * cell_m * (side - 1) + 0.004
        if between is not None:
            lattice = self.pipeline.survey.area.lattice
            first = (lattice.x0_m, lattice.y0_m)[axis]
            low = first - cell_m * (math.floor((first - low) / cell_m) + between)
        return low + cell_m * np.arange(side)

    def next_grid(self) -> ElevationGrid:
        """Return the next grid, with noise of its own and a small shift of the map."""
        self.stamp_ns += PERIOD_NS
        # Into the same memory each time: no large array is given back between two steps.
        noise = self._noise.standard_normal(dtype=np.float32, out=self._room)
        noise *= np.float32(NOISE_M)
        noise += self._still
        noise += np.multiply(self._heap, np.float32(self.load), out=self._spare)
        noise += np.float32(self._noise.normal(0.0, 0.001))
        dx, dy = self._noise.normal(0.0, 0.002, 2)
        return ElevationGrid(self.stamp_ns, 'map', self.axes.moved(dx, dy), noise)

    def show(self, grid: ElevationGrid) -> None:
        """Do one step of the pipeline, books in memory."""
        pose = StampedPose(grid.stamp_ns, 'map', ROVER)
        self.entries += len(self.pipeline.add_pose(pose).entries)
        self.entries += len(self.pipeline.add_grid(grid).entries)

    def dump(self) -> None:
        """Announce a load; it lies there from the next grid on."""
        booked = self.pipeline.add_dump(7.5)
        assert not booked.findings, booked.findings
        self.load += 1.0

    def points_rc(self, *, corridor: bool = True) -> NDArray[np.float64]:
        """Return rows and columns (2, n) of the corridor's cells, or of all surveyed, in view."""
        area = self.pipeline.survey.area
        points = area.centres_xy[area.in_corridor] if corridor else area.centres_xy
        index = self.axes.index_from_world(points)
        side = self._still.shape[0]
        seen = ((index >= 0.0) & (index <= side - 1)).all(axis=1)
        return np.ascontiguousarray(index[seen].T)
