# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The strip beside a berm in the plan view: states, borders and numbers of its segments."""

from __future__ import annotations

import math

from matplotlib.axes import Axes
from matplotlib.patches import Polygon as Shape
from matplotlib.patheffects import withStroke
import numpy as np
from numpy.typing import NDArray

from .facts import Facts
from .palette import BLACK, GREY, STATE_STYLES, WHITE
from ...design import Berm

# Gap to the footprint [m], width in parts of half the footprint and at least on paper [inch].
STRIP_GAP_M, STRIP_SHARE, STRIP_IN = 0.04, 0.16, 0.07
# Room along the strip for a figure of a number [inch].
FIGURE_IN = 0.08
EDGE_POINTS = 61
# Loops that are less deep are not seen [m].
LOOP_M = 0.002
# A line that lies closer along its chord is straight [m2].
LEAST_AREA_M2 = 1e-6
HALO = [withStroke(linewidth=2.6, foreground=WHITE)]


def strip(axes: Axes, facts: Facts, berm: Berm, scale: float) -> None:
    """Draw the strip of states beside the footprint, with borders and the numbers that fit."""
    side = outer_side(berm)
    half = facts.half_width_m(berm)
    near = half + STRIP_GAP_M
    far = near + max(STRIP_IN / scale, min(0.14, max(0.06, STRIP_SHARE * half)))
    rows = facts.rows_of(berm)
    shortest_in = scale * min(row.station_to_m - row.station_from_m for row in rows)
    every = math.ceil(FIGURE_IN * (1 + len(str(len(rows)))) / shortest_in)
    for row in rows:
        style = STATE_STYLES[row.state]
        corners = band(berm, row.station_from_m, row.station_to_m, side * near, side * far)
        axes.add_patch(Shape(
            corners, closed=True, facecolor=style.colour, hatch=style.hatch, edgecolor=BLACK,
            linewidth=0.7, zorder=3))
        outline = _edge(berm, row.station_from_m, row.station_to_m, side * far)
        place = outline[len(outline) // 2]
        foot = berm.centreline.point_at(berm.centreline.station_offset(place)[0][0])
        outward = (place - foot) / far
        if (row.segment - 1) % every == 0:
            axes.annotate(str(row.segment), place, xytext=8.0 * outward,
                          textcoords='offset points', ha='center', va='center', fontsize=7.5,
                          fontweight='bold', zorder=7, path_effects=HALO)
        for station in (row.station_from_m, row.station_to_m):
            ends = berm.centreline.point_at(np.full(2, station), np.array([-side * half,
                                                                           side * near]))
            axes.plot(*ends.T, color=GREY, linewidth=0.4, zorder=3)


def outer_side(berm: Berm) -> float:
    """Return on which side the strip lies: outside of the bend, and to the left (1) of none."""
    x, y = berm.centreline.points_xy.T
    # Twice the area between the line and the chord of its ends; positive where it turns left.
    area_m2 = float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))
    return -1.0 if area_m2 > LEAST_AREA_M2 else 1.0


def band(
    berm: Berm, from_m: float, to_m: float, offset_a_m: float, offset_b_m: float
) -> NDArray[np.float64]:
    """Return the outline (n, 2) [m] of a stretch of stations between two offsets."""
    return np.vstack([_edge(berm, from_m, to_m, offset_a_m),
                      _edge(berm, from_m, to_m, offset_b_m)[::-1]])


def _edge(berm: Berm, from_m: float, to_m: float, offset_m: float) -> NDArray[np.float64]:
    """Return the line (n, 2) [m] at an offset, without the loops it has inside of bends."""
    line = berm.centreline
    inner = line.vertex_station_m
    inner = inner[(inner > from_m) & (inner < to_m)]
    station = np.sort(np.concatenate([
        np.linspace(from_m + 1e-9, to_m - 1e-9, EDGE_POINTS), inner - 1e-9, inner + 1e-9]))
    points = line.point_at(station, offset_m)
    _, distance = line.station_offset(points)
    keep = np.abs(distance) >= abs(offset_m) - LOOP_M
    return points[keep] if np.count_nonzero(keep) > 1 else points
