# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
An independent eye on a build: footprints by shapely, ways by networkx, no code of targeting.

Finished work is every segment on which a load has been dumped, with the whole of its footprint as
designed, its round ends included.
"""

from __future__ import annotations

import math
from typing import Any

from berm_ledger.design import segments_of_site, Site
from berm_ledger.geometry import Pose2
import networkx as nx
import numpy as np
import shapely
from shapely.geometry import LineString, MultiPoint, Polygon
from shapely.ops import unary_union

CELL_M = 0.1
# A robot is put to the nearest free cell of the lattice, no farther away than this [m].
SNAP_M = 0.2
AREA_M2 = 1e-6


class Referee:
    """
    Watches one build.

    Parameters
    ----------
    site : Site
        The site.
    gate_xy : tuple of float
        Where one gets out of the yard [m].

    """

    def __init__(self, site: Site, gate_xy: tuple[float, float]) -> None:
        """Lay out the yard for shapely and networkx."""
        self.site, self.gate_xy = site, gate_xy
        #: What was against the rules, in words.
        self.faults: list[str] = []
        self.haul_m = self.least_m = 0.0
        corners = site.rover.footprint.corners_xy
        self.half_width_m = float(np.abs(corners[:, 1]).max())
        self.boundary = Polygon(site.yard.boundary.corners_xy)
        self.keep_outs = [Polygon(area.polygon.corners_xy) for area in site.yard.keep_outs]
        self.pits = [Polygon(area.polygon.corners_xy) for area in site.yard.borrow_areas]
        self.segments = segments_of_site(site)
        self.discs = [self._footprint_of(segment) for segment in self.segments]
        self.begun: set[int] = set()
        self._lattice()
        self._ways: dict[frozenset[int], dict[Any, float]] = {}

    def _footprint_of(self, segment: Any) -> Polygon:
        """Return a segment's footprint as designed."""
        berm = self.site.berms[segment.berm_index]
        stations = np.linspace(segment.station_from_m, segment.station_to_m, 25)
        line = berm.centreline.point_at(stations)
        toe = 0.5 * berm.crest_width_m + float(berm.crest_height_m or 0.0) / berm.side_slope
        # A round outline of short straight lines lies inside the true one.
        return LineString(line).buffer(toe, 32)

    # ---- footprints --------------------------------------------------------------------------

    def judge_target(self, row: int, pose: Pose2, run_up: Pose2) -> None:
        """Check the footprint on a handed-out run-up against the yard and finished work."""
        swept = self.swept(pose, run_up)
        if not self.boundary.contains(swept):
            self.faults.append('a footprint outside the boundary')
        if any(swept.intersection(area).area > AREA_M2 for area in self.keep_outs):
            self.faults.append('a footprint in a keep-out')
        for other in {*self.begun, row}:
            if swept.intersection(self.discs[other]).area > AREA_M2:
                what = 'the segment it serves' if other == row else 'finished work'
                self.faults.append(f'a footprint on {what}')

    def judge_driven(self, pose: Pose2, run_up: Pose2, soil: Any) -> None:
        """Check where the robot truly drove against soil too high for it, and the yard."""
        swept = self.swept(pose, run_up)
        low, high = np.array(swept.bounds[:2]), np.array(swept.bounds[2:])
        lattice = soil.lattice
        first = np.maximum(np.floor(lattice.index_from_xy(low)), 0).astype(int)
        last = np.ceil(lattice.index_from_xy(high)).astype(int) + 1
        part = soil.rise_m[first[0]:last[0], first[1]:last[1]]
        row, col = np.nonzero(part > self.site.rover.clearance_m)
        x = lattice.x0_m + lattice.cell_m * (col + first[1])
        y = lattice.y0_m + lattice.cell_m * (row + first[0])
        if len(x) and shapely.contains_xy(swept, x, y).any():
            self.faults.append('the robot stood on soil')
        if any(swept.intersection(area).area > AREA_M2 for area in self.keep_outs):
            self.faults.append('the robot stood in a keep-out')
        if not self.boundary.contains(swept):
            self.faults.append('the robot stood outside the boundary')

    def swept(self, pose: Pose2, run_up: Pose2) -> Polygon:
        """Return what the footprint sweeps between two poses of one heading."""
        corners = self.site.rover.footprint.corners_xy
        return MultiPoint(np.concatenate([pose.apply(corners), run_up.apply(corners)])).convex_hull

    # ---- ways --------------------------------------------------------------------------------

    def _lattice(self) -> None:
        """Cut the yard into cells that base_link may be in, and join them."""
        low, high = np.array(self.boundary.bounds[:2]), np.array(self.boundary.bounds[2:])
        self.low = low + 0.5 * CELL_M
        self.shape = np.floor((high - low) / CELL_M).astype(int)
        x, y = np.meshgrid(*(self.low[k] + CELL_M * np.arange(self.shape[k]) for k in (0, 1)),
                           indexing='ij')
        self.x, self.y = x, y
        room = self.boundary.buffer(-self.half_width_m)
        things = unary_union([area.buffer(self.half_width_m) for area in self.keep_outs])
        self.open = shapely.contains_xy(room, x, y) & ~shapely.contains_xy(things, x, y)
        self.graph = nx.Graph()
        for dx, dy in ((1, 0), (0, 1), (1, 1), (1, -1)):
            for i, j in zip(*np.nonzero(self.open)):
                a, b = (i, j), (i + dx, j + dy)
                inside = b[0] < self.shape[0] and 0 <= b[1] < self.shape[1]
                if inside and self.open[b]:
                    self.graph.add_edge(a, b, weight=CELL_M * math.hypot(dx, dy))
        self.pit_cells = [(i, j) for i, j in zip(*np.nonzero(self.open)) if any(
            pit.contains(shapely.Point(x[i, j], y[i, j])) for pit in self.pits)]

    def ways(self, standing: frozenset[int]) -> dict[Any, float]:
        """Return the distance to the pits one can leave, per cell, with segments standing [m]."""
        if standing not in self._ways:
            soil = unary_union([self.discs[k].buffer(self.half_width_m) for k in standing])
            shut = shapely.contains_xy(soil, self.x, self.y) if standing else np.zeros_like(
                self.open)
            graph = self.graph.subgraph([n for n in self.graph if not shut[n]]).copy()
            gate = self._near(graph, self.gate_xy)
            outside = nx.node_connected_component(graph, gate) if gate is not None else set()
            pits = [cell for cell in self.pit_cells if cell in outside]
            self._ways[standing] = dict(
                nx.multi_source_dijkstra_path_length(graph, pits)) if pits else {}
        return self._ways[standing]

    def _near(self, cells: Any, point_xy: Any) -> Any:
        """Return the nearest of some cells to a point, None where none is near."""
        i, j = np.rint((np.asarray(point_xy) - self.low) / CELL_M).astype(int)
        reach = math.ceil(SNAP_M / CELL_M)
        near = [(math.hypot(a - i, b - j), (a, b)) for a in range(i - reach, i + reach + 1)
                for b in range(j - reach, j + reach + 1) if (a, b) in cells]
        return min(near)[1] if near else None

    def judge_way(self, row: int, run_up: Pose2) -> None:
        """Check that a run-up can be reached from a pit and left again, before and after."""
        before = self.ways(frozenset(self.begun))
        cell = self._near(before, run_up.xy)
        if cell is None:
            self.faults.append('no way to a run-up')
        else:
            self.haul_m += before[cell] + self.site.rover.run_up_m
            self.least_m += self._least_m(row, run_up)
        self.begun.add(row)
        if self._near(self.ways(frozenset(self.begun)), run_up.xy) is None:
            self.faults.append('the robot is shut in')

    def _least_m(self, row: int, run_up: Pose2) -> float:
        """Return the least way of this load with no berm in the yard, from either side [m]."""
        segment = self.segments[row]
        line = self.site.berms[segment.berm_index].centreline
        station, offset = line.station_offset(np.array([run_up.xy]))
        mirrored = line.point_at(float(station[0]), -float(offset[0]))
        free = self.ways(frozenset())
        cells = [self._near(free, point) for point in (run_up.xy, mirrored)]
        ways = [free[cell] for cell in cells if cell is not None]
        return min(ways, default=math.nan) + self.site.rover.run_up_m
