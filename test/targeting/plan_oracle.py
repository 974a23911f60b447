# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""An independent judge of plans: shapely for footprints, networkx for reach."""

import math

import networkx as nx
import numpy as np
import shapely
from shapely.geometry import LineString, MultiPoint, Point, Polygon

CELL_M = 0.12
SLACK_M = 0.004


def polygon_of(area):
    return Polygon(area.corners_xy)


def design_footprint(site, row):
    """Return the plan of a segment as designed: all within the half base of its centreline."""
    berm = site.berms[row.berm_index]
    stations = np.linspace(row.station_from_m, row.station_to_m, 9)
    if berm.centreline.closed:
        stations[-1] -= 1e-9
    line = LineString(berm.centreline.point_at(stations))
    height = max(row.target_height_m, row.height_m if math.isfinite(row.height_m) else 0.0)
    return line.buffer(height / berm.side_slope - SLACK_M, quad_segs=32)


def footprint_at(rover, pose):
    return Polygon(pose.apply(rover.footprint.corners_xy))


def sweep_of(rover, step):
    """Return the ground that the footprint passes over on the straight run-up."""
    way = step.approach
    corners = [way.pose.apply(rover.footprint.corners_xy),
               way.run_up_start.apply(rover.footprint.corners_xy)]
    return MultiPoint(np.concatenate(corners)).convex_hull


class Judge:
    """Free ground of a site, cut into other cells than the planner's."""

    def __init__(self, site):
        self.site = site
        corners = site.yard.boundary.corners_xy
        self.half = float(np.abs(site.rover.footprint.corners_xy[:, 1]).max())
        low, high = corners.min(axis=0), corners.max(axis=0)
        x = np.arange(low[0], high[0], CELL_M) + 0.03
        y = np.arange(low[1], high[1], CELL_M) + 0.05
        self.x, self.y = np.meshgrid(x, y)
        inside = polygon_of(site.yard.boundary).buffer(-self.half + CELL_M)
        self.free = shapely.contains_xy(inside, self.x, self.y)
        for area in site.yard.keep_outs:
            grown = polygon_of(area.polygon).buffer(max(0.0, self.half - CELL_M))
            self.free &= ~shapely.contains_xy(grown, self.x, self.y)

    def graph(self, built):
        """Return the free cells, joined edge to edge, with footprints built; a bit generous."""
        free = self.free.copy()
        for shape in built:
            free &= ~shapely.contains_xy(
                shape.buffer(max(0.0, self.half - 0.7 * CELL_M)), self.x, self.y)
        rows, cols = free.shape
        graph = nx.grid_2d_graph(rows, cols)
        graph.remove_nodes_from([(int(r), int(c)) for r, c in zip(*np.nonzero(~free))])
        return graph

    def node(self, graph, x, y):
        """Return the nearest free cell within two cells of a point, None if there is none."""
        gap = np.hypot(self.x - x, self.y - y)
        for flat in np.argsort(gap, axis=None)[:12]:
            cell = tuple(int(k) for k in np.unravel_index(flat, gap.shape))
            if cell in graph and gap[cell] <= 2.0 * CELL_M:
                return cell
        return None

    def borrow_nodes(self, graph):
        out = []
        for area in self.site.yard.borrow_areas:
            inside = shapely.contains_xy(polygon_of(area.polygon), self.x, self.y)
            out += [(int(r), int(c)) for r, c in zip(*np.nonzero(inside)) if (r, c) in graph]
        return out


def check_plan(site, plan, *, every=1):
    """Walk through a plan and assert that no step breaks a rule; return the steps judged."""
    rover, rows = site.rover, plan.rows
    boundary = polygon_of(site.yard.boundary)
    keep_outs = [polygon_of(area.polygon) for area in site.yard.keep_outs]
    shapes = [design_footprint(site, row) for row in rows]
    built = {k for k in range(len(rows)) if plan.standing[k]}
    judge = Judge(site)
    judged = 0
    for n, step in enumerate(plan.steps):
        sweep = sweep_of(rover, step)
        assert boundary.contains(sweep), f'step {n}: leaves the yard'
        for area in keep_outs:
            assert not area.intersects(sweep), f'step {n}: in a keep-out'
        fresh = step.row not in built
        built.add(step.row)
        for k in built:
            assert not shapes[k].intersects(sweep), f'step {n} on row {step.row}: on row {k}'
        way = step.approach
        landing = way.pose.apply([rover.drop_point_xy])[0]
        assert Point(landing).distance(Point(way.drop_xy)) < 1e-9
        station = way.drop.station_m
        row = rows[step.row]
        assert row.station_from_m - 1e-9 <= station <= row.station_to_m + 1e-9
        if fresh and judged % every == 0:
            check_reach(judge, [shapes[k] for k in built], way, n)
        judged += fresh
    return judged


def check_reach(judge, built, way, number):
    """Assert that the run-up's start is joined to a borrow area that is not shut in."""
    graph = judge.graph(built)
    start = judge.node(graph, way.run_up_start.x_m, way.run_up_start.y_m)
    assert start is not None, f'step {number}: the run-up starts on blocked ground'
    joined = nx.node_connected_component(graph, start)
    assert any(node in joined for node in judge.borrow_nodes(graph)), (
        f'step {number}: cut off from the borrow area')
