# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
What was dug where: figures of the lanes of a borrow area, and which lane is next.

A lane is a void, closed for good, when it is too deep (no room for one more cut above
``max_cut_m``) or too steep for the wheels (the ground falls by more than the rover's clearance
within ``STEP_RUN_M``). The next lane is the open one that was dug least, so that steps between
lanes stay small and cuts shallow.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
import math

import numpy as np
from numpy.typing import NDArray

from .lanes import Lane
from .patch import BorrowPatch
from .swell import bank_from_loose_m3
from ..design import Site
from ..geometry import Pose2

# Length over which a wheel meets a step [m]: about the radius of a small wheel, common practice,
# no source.
STEP_RUN_M = 0.10
# The deepest place is that of squares of this edge [m], and steps are those between squares of so
# many cells: the largest of many noisy cells would be too large.
DEEPEST_M = 0.12
STEP_CELLS = 3
# Lanes whose mean depths differ by less than this were dug equally [m].
ALIKE_M = 0.002


@dataclass(frozen=True)
class LaneFigures:
    """
    What was measured of one lane; depths below the datum, NaN is unknown.

    Parameters
    ----------
    lane : int
        Its number.
    volume_m3 : float
        Bank volume taken from it [m3].
    mean_m, deepest_m : float
        Mean depth, and that of the deepest place [m].
    step_m : float
        Greatest fall of the cut within ``STEP_RUN_M`` on it or at its edge [m].

    """

    lane: int
    volume_m3: float
    mean_m: float
    deepest_m: float
    step_m: float

    @property
    def edge_slope_rad(self) -> float:
        """Slope of the cut's steepest edge [rad]."""
        return math.atan(self.step_m / STEP_RUN_M)


def figures_of(
    patch: BorrowPatch, lanes: Sequence[Lane], *, least_looks: float = 0.0
) -> tuple[LaneFigures, ...]:
    """
    Measure the lanes of a borrow area.

    Parameters
    ----------
    patch : BorrowPatch
        Its surface.
    lanes : sequence of Lane
        Its lanes.
    least_looks : float
        Looks that a place must have had to count for the deepest one and for steps.

    Returns
    -------
    tuple of LaneFigures
        One per lane.

    """
    depth = patch.depth_m()
    cell_m = patch.lattice.cell_m
    run = max(1, round(STEP_RUN_M / cell_m))
    step = _steps(patch.smooth_depth_m(STEP_CELLS, least_looks, filled=False), run).ravel()
    smooth = patch.smooth_depth_m(
        2 * round(DEEPEST_M / cell_m / 2.0) + 1, least_looks).ravel()
    out = []
    for lane in lanes:
        own = lane.contains(patch.points_xy)
        known = own & np.isfinite(depth)
        mean = float(depth[known].mean()) if known.any() else math.nan
        around = lane.contains(patch.points_xy, STEP_RUN_M) & patch.touched
        area_m2 = int(own.sum()) * patch.lattice.cell_area_m2
        out.append(LaneFigures(
            lane.number, mean * area_m2, mean, _largest(smooth[own]), _largest(step[around])))
    return tuple(out)


def _largest(values: NDArray[np.float64]) -> float:
    """Return the largest known value, NaN for none."""
    known = values[np.isfinite(values)]
    return float(known.max()) if len(known) else math.nan


def _steps(depth_m: NDArray[np.float64], run: int) -> NDArray[np.float64]:
    """Return the greatest difference of depth between a cell and those a run of cells away."""
    slant = max(1, round(run / math.sqrt(2.0)))
    rows, cols = depth_m.shape
    out = np.full(depth_m.shape, np.nan)
    for down, right in ((run, 0), (0, run), (slant, slant), (slant, -slant)):
        here = (slice(0, rows - down), slice(max(0, -right), cols - max(0, right)))
        there = (slice(down, rows), slice(max(0, right), cols - max(0, -right)))
        step = np.abs(depth_m[here] - depth_m[there])
        out[here] = np.fmax(out[here], step)
        out[there] = np.fmax(out[there], step)
    return out


def cut_of_load_m(site: Site, lane: Lane) -> float:
    """Return how deep a full load cuts over a whole lane [m]."""
    return bank_from_loose_m3(site.load_volume_m3, site.material.swell) / lane.area_m2


def why_void(
    site: Site, max_cut_m: float | None, figures: LaneFigures, next_cut_m: float
) -> str | None:
    """
    Return why a lane is no good any more, None while it is.

    Parameters
    ----------
    site : Site
        The site.
    max_cut_m : float or None
        Deepest cut allowed in the area [m]; None is no limit.
    figures : LaneFigures
        What was measured.
    next_cut_m : float
        How much deeper one more load would dig it [m].

    Returns
    -------
    str or None
        ``deep`` or ``steep``.

    """
    if max_cut_m is not None and figures.deepest_m + next_cut_m > max_cut_m:
        return 'deep'
    if figures.step_m > site.rover.clearance_m:
        return 'steep'
    return None


def next_lane(
    lanes: Iterable[Lane], figures: Iterable[LaneFigures], closed: Iterable[int],
    robot: Pose2 | None = None,
) -> Lane | None:
    """
    Return the lane to dig next: of those open the one dug least; None when all are closed.

    Parameters
    ----------
    lanes : iterable of Lane
        The lanes of an area.
    figures : iterable of LaneFigures
        What was measured of them, in the same order; an unknown depth counts as none.
    closed : iterable of int
        Numbers of the voids.
    robot : Pose2, optional
        Among lanes dug equally the one that begins nearest to it, else the first.

    Returns
    -------
    Lane or None
        The lane.

    """
    shut = set(closed)
    open_lanes = [
        (0.0 if math.isnan(f.mean_m) else f.mean_m, lane)
        for lane, f in zip(lanes, figures) if lane.number not in shut]
    if not open_lanes:
        return None
    least = min(mean for mean, _ in open_lanes)
    alike = [lane for mean, lane in open_lanes if mean <= least + ALIKE_M]
    if robot is None:
        return alike[0]
    return min(alike, key=lambda lane: (
        math.hypot(lane.start.x_m - robot.x_m, lane.start.y_m - robot.y_m), lane.number))


def room_left(
    patch: BorrowPatch, lanes: Sequence[Lane], closed: Iterable[int], next_cut_m: float
) -> tuple[float, float]:
    """
    Return the area and the bank volume left within ``max_cut_m`` in open lanes [m2, m3].

    Parameters
    ----------
    patch : BorrowPatch
        Surface of the area.
    lanes : sequence of Lane
        Its lanes.
    closed : iterable of int
        Numbers of the voids.
    next_cut_m : float
        Room for this much at least is left where a place counts [m].

    Returns
    -------
    area_m2, volume_m3 : float
        Infinite volume where there is no limit.

    """
    shut = set(closed)
    limit_m = math.inf if patch.area.max_cut_m is None else patch.area.max_cut_m
    depth = np.nan_to_num(patch.depth_m())
    open_cells = np.zeros(len(depth), dtype=bool)
    for lane in lanes:
        if lane.number not in shut:
            open_cells |= lane.contains(patch.points_xy)
    room = limit_m - depth[open_cells]
    room = room[room >= next_cut_m]
    cell_m2 = patch.lattice.cell_area_m2
    return len(room) * cell_m2, float(room.sum()) * cell_m2
