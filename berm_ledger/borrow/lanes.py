# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Lanes of a borrow area: parallel strips as wide as the drum, one pass each.

Rule: lanes run along the longer side of the smallest rectangle around the area, so that a pass is
long and its cut shallow. As many as fit lie side by side, centred across it. A lane is the longest
stretch of its strip that lies inside the area over the whole width; strips with less than one drum
width of it are left out. A lane is dug towards the berms, from the end that is further from them.
"""

from __future__ import annotations

from dataclasses import dataclass
import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..design import BorrowArea, Site
from ..geometry import Pose2

# Distance of the points at which a strip is compared with the area [m].
STEP_M = 0.02
# A strip may touch the outline: it is compared a little narrower than it is [m].
SLACK_M = 1e-6


@dataclass(frozen=True)
class Lane:
    """
    One strip of a borrow area.

    Parameters
    ----------
    area : str
        Name of the borrow area.
    number : int
        Number in the area, from 1, counted from the right of the digging direction to the left.
    start : Pose2
        Middle of its beginning, heading along it; site frame.
    length_m, width_m : float
        Its size [m].

    """

    area: str
    number: int
    start: Pose2
    length_m: float
    width_m: float

    def along_across(self, points_xy: ArrayLike) -> tuple[NDArray[np.float64], ...]:
        """Return distance along the lane and off its middle line, left positive, of points."""
        own = self.start.inverse().apply(points_xy)
        return own[..., 0], own[..., 1]

    def contains(self, points_xy: ArrayLike, pad_m: float = 0.0) -> NDArray[np.bool_]:
        """Tell which points (n, 2) [m] lie in the lane or within a pad around it."""
        along, across = self.along_across(points_xy)
        inside: NDArray[np.bool_] = (
            (along >= -pad_m) & (along <= self.length_m + pad_m)
            & (np.abs(across) <= self.width_m / 2.0 + pad_m))
        return inside

    @property
    def end(self) -> Pose2:
        """Middle of its end, heading along it; site frame."""
        return self.start @ Pose2(self.length_m, 0.0)

    @property
    def area_m2(self) -> float:
        """Area [m2]."""
        return self.length_m * self.width_m


def heading_rad(area: BorrowArea) -> float:
    """
    Return the direction of the longer side of the smallest rectangle around an area [rad].

    The smallest rectangle has a side along an edge of the convex hull (H. Freeman, R. Shapira,
    Commun. ACM 18, 1975); every edge of the outline is tried, which includes those of the hull
    that are edges, and the lines between corners that make up the others.
    """
    corners = area.polygon.corners_xy
    best: tuple[float, float] | None = None
    for first in range(len(corners)):
        for second in range(first + 1, len(corners)):
            dx, dy = corners[second] - corners[first]
            yaw = math.atan2(dy, dx)
            width, height = np.ptp(Pose2(0.0, 0.0, -yaw).apply(corners), axis=0)
            along = yaw if width >= height else yaw + math.pi / 2.0
            size = round(float(width * height), 9)
            if best is None or size < best[0]:
                best = (size, along % math.pi)
    assert best is not None
    return best[1]


def lanes_of_area(site: Site, area: BorrowArea) -> tuple[Lane, ...]:
    """
    Return the lanes of a borrow area.

    Parameters
    ----------
    site : Site
        The site: width of the drum, and where the berms are.
    area : BorrowArea
        The area.

    Returns
    -------
    tuple of Lane
        From right to left of the digging direction; none where not even one fits.

    """
    width = site.rover.drum_width_m
    yaw = _towards_berms(site, area, heading_rad(area))
    corners = Pose2(0.0, 0.0, -yaw).apply(area.polygon.corners_xy)
    low, high = corners.min(axis=0), corners.max(axis=0)
    count = max(1, math.floor((high[1] - low[1]) / width + 1e-6))
    first = 0.5 * (low[1] + high[1]) - 0.5 * (count - 1) * width
    turn = Pose2(0.0, 0.0, yaw)
    lanes: list[Lane] = []
    for k in range(count):
        across = first + k * width
        span = _longest_inside(area, turn, float(low[0]), float(high[0]), float(across), width)
        if span is not None and span[1] - span[0] >= width:
            x_m, y_m = turn.apply([[span[0], across]])[0]
            lanes.append(Lane(area.name, len(lanes) + 1, Pose2(float(x_m), float(y_m), yaw),
                              span[1] - span[0], width))
    return tuple(lanes)


def areas_without_lanes(site: Site) -> tuple[str, ...]:
    """Return a note for every borrow area in which not one lane fits."""
    return tuple(
        f'borrow area {area.name}: no lane fits into it, as wide as the drum '
        f'({site.rover.drum_width_m:g} m) and no shorter, so none will be named to dig next; make '
        f'it larger'
        for area in site.yard.borrow_areas if not lanes_of_area(site, area))


def _towards_berms(site: Site, area: BorrowArea, yaw_rad: float) -> float:
    """Return the one of two opposite headings that leads towards the berms [rad]."""
    middle = np.mean([berm.centreline.points_xy.mean(axis=0) for berm in site.berms], axis=0)
    gap = middle - area.polygon.corners_xy.mean(axis=0)
    forward = math.cos(yaw_rad) * gap[0] + math.sin(yaw_rad) * gap[1]
    return yaw_rad if forward >= -1e-9 else yaw_rad - math.pi


def _longest_inside(
    area: BorrowArea, turn: Pose2, low_m: float, high_m: float, across_m: float, width_m: float
) -> tuple[float, float] | None:
    """Return the longest stretch along which a strip lies inside an area, None for none."""
    count = max(2, math.ceil((high_m - low_m) / STEP_M) + 1)
    along = np.linspace(low_m + SLACK_M, high_m - SLACK_M, count)
    off = np.linspace(-1.0, 1.0, max(3, math.ceil(width_m / STEP_M) + 1))
    sides = across_m + off * (width_m / 2.0 - SLACK_M)
    points = turn.apply(np.stack(np.meshgrid(along, sides, indexing='ij'), axis=-1))
    inside = area.polygon.contains(points).all(axis=1)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], inside.astype(np.int8), [0]])))
    if not len(edges):
        return None
    starts, stops = edges[::2], edges[1::2] - 1
    best = int(np.argmax(stops - starts))
    return float(along[starts[best]]), float(along[stops[best]])
