# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Small sites, grids of functions and filled surveys for the tests of the survey room."""

from __future__ import annotations

import math
from typing import NamedTuple

from berm_ledger.design import Berm, Material, Plane, Rover, Site, Yard
from berm_ledger.design.surface import design_height_of_site_m
from berm_ledger.geometry import GridAxes, Polygon, Polyline
from berm_ledger.survey.grid import ElevationGrid
from berm_ledger.survey.resample import bilinear
from berm_ledger.survey.site_survey import SiteSurvey
from berm_ledger.survey.standing import Standing
from berm_ledger.survey.volumes import VolumeSums
import numpy as np

SECOND_NS = 1_000_000_000
START_NS = 1_700_000_000 * SECOND_NS
FLAT = Plane(0.0, 0.0, 0.0)


def berm_of(line, *, name='b1', height_m=0.2, level_m=None, width_m=0.0, slope_deg=33.0,
            segment_m=0.4, tolerance_m=0.02):
    return Berm(name, line, None if level_m is not None else height_m, level_m, width_m,
                math.radians(slope_deg), segment_m, tolerance_m, 0.06)


def site_of(*berms, plane=FLAT, cell_m=0.015):
    rover = Rover(Polygon([[-0.5, -0.3], [0.4, -0.3], [0.4, 0.3], [-0.5, 0.3]]), (0.75, 0.0),
                  0.36, 7.5, 1.0, 0.5, 0.05)
    yard = Yard(Polygon([[-50, -50], [50, -50], [50, 50], [-50, 50]]))
    return Site('map', berms, plane, Material(1500.0, math.radians(34.0)), rover, yard,
                cell_m=cell_m)


def straight(length_m=1.2, *, turn_deg=0.0, plane=FLAT, cell_m=0.015, **changes):
    """Return a site with one straight berm from the origin."""
    turn = math.radians(turn_deg)
    line = Polyline([[0.0, 0.0], [length_m * math.cos(turn), length_m * math.sin(turn)]])
    return site_of(berm_of(line, **changes), plane=plane, cell_m=cell_m)


def arc(radius_m=1.0, *, sweep_deg=140.0, plane=FLAT, **changes):
    """Return a site with one berm on an arc about the origin."""
    line = Polyline.arc([0.0, 0.0], radius_m, 0.0, math.radians(sweep_deg))
    return site_of(berm_of(line, **changes), plane=plane)


def relief_m(points_xy, *, height_m=0.02, seed=1):
    """Return uneven ground: waves of 0.4 to 2 m in all directions."""
    rng = np.random.default_rng(seed)
    out = np.zeros(np.shape(points_xy)[:-1])
    for _ in range(12):
        heading, phase = rng.uniform(0.0, 2.0 * math.pi, 2)
        number = 2.0 * math.pi / rng.uniform(0.4, 2.0)
        along = points_xy[..., 0] * math.cos(heading) + points_xy[..., 1] * math.sin(heading)
        out += np.sin(number * along + phase)
    return height_m * out / math.sqrt(6.0)


def design_of(site):
    """Return the design shape over the datum of a site, as a function of points."""
    return lambda points: design_height_of_site_m(site, points)


def grid_of(site, height_of, *, cell_m=0.02, yaw_rad=0.0, noise_m=0.0, seed=0, stamp_ns=START_NS,
            margin_m=1.15, origin_xy=None):
    """Return a grid over all berms of a site with heights of a function and white noise."""
    rng = np.random.default_rng(seed)
    points = np.vstack([berm.centreline.points_xy for berm in site.berms])
    low, high = points.min(axis=0) - margin_m, points.max(axis=0) + margin_m
    middle = (low + high) / 2.0
    reach = (high - low) / 2.0
    if yaw_rad:
        reach = np.full(2, np.hypot(*reach))
    counts = np.ceil(2.0 * reach / cell_m).astype(int) + 2
    cos, sin = cell_m * math.cos(yaw_rad), cell_m * math.sin(yaw_rad)
    col_step, row_step = np.array([cos, sin]), np.array([-sin, cos])
    if origin_xy is None:
        origin_xy = (middle - (counts[0] - 1) / 2.0 * col_step - (counts[1] - 1) / 2.0 * row_step
                     + rng.uniform(-0.5, 0.5, 2) * cell_m)
    axes = GridAxes(tuple(float(v) for v in origin_xy), tuple(row_step), tuple(col_step))
    index = np.stack(np.indices((counts[1], counts[0])), axis=-1)
    centres = axes.world_from_index(index.reshape(-1, 2)).reshape(counts[1], counts[0], 2)
    height = height_of(centres) + noise_m * rng.standard_normal(centres.shape[:2])
    return ElevationGrid(stamp_ns, 'map', axes, height.astype(np.float32))


def sampled(site, height_of, points_xy, *, cell_m=0.02, grids=12):
    """Return heights at points as the mean of noiseless grids that lie anyhow shows them."""
    return np.mean([bilinear(grid_of(site, height_of, cell_m=cell_m, seed=n), points_xy)
                    for n in range(grids)], axis=0)


def filled_survey(site, height_of, *, looks=100.0, noise_m=None):
    """Return a survey whose surface shows a function, as if seen so often without noise."""
    survey = SiteSurvey(site)
    survey.surface.height_m[:] = sampled(site, height_of, survey.area.corridor.centres_xy)
    survey.surface.looks[:] = np.where(np.isfinite(survey.surface.height_m), looks, 0.0)
    if noise_m is not None:
        survey.noise = type(survey.noise)(noise_m, 0.0)
    survey.use_cell(0.02)
    return survey


class Volumes(NamedTuple):
    """Volumes of all segments, each of shape (segments,) [m3]."""

    placed_m3: np.ndarray
    missing_m3: np.ndarray
    over_m3: np.ndarray
    spilled_m3: np.ndarray


def volumes_of(sums: VolumeSums, height_m: np.ndarray, spread_m: np.ndarray) -> Volumes:
    """Return the volumes of every segment for heights and spreads of all cells."""
    cells = [sums.cells(row) for row in range(len(sums.design_m3()))]
    found = [sums.of_row(row, Standing(height_m[own], spread_m[own], 0.0))
             for row, own in enumerate(cells)]
    return Volumes(*np.array(found).T[1:])


def noise_of(height_m: np.ndarray, spread_m: np.ndarray):
    """Return the noise along some rows of cells, for ``CrestLines``, from that of all cells."""
    def along(cells, ends, rows):
        own = [cells[ends[row]:ends[row + 1]] for row in rows]
        known = [part[np.isfinite(height_m[part])] for part in own]
        return np.array([float(np.median(spread_m[k])) if len(k) else np.inf for k in known])

    return along
