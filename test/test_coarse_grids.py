# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Grids of ever wider cells over a finished berm: right, or refused, and never far too high."""

import math

from berm_ledger.geometry import GridAxes, Pose2, StampedPose
from berm_ledger.pipeline import Pipeline
from berm_ledger.survey import ElevationGrid
import numpy as np
import pytest
from survey_kit import SECOND_NS, START_NS, straight

HEIGHT_M = 0.20
SLOPE = math.tan(math.radians(33.0))


def berm_m(points_xy):
    """Return the height of a sharp roof along x from 0 to 2, closed form, at points (..., 2)."""
    x, y = points_xy[..., 0], points_xy[..., 1]
    beyond_m = np.maximum(0.0, np.abs(x - 1.0) - 1.0)
    return np.maximum(0.0, HEIGHT_M - SLOPE * np.hypot(beyond_m, y))


def grid_of(stamp_ns, cell_m, origin_m, rng):
    """Return a grid whose cells are the means of what lies in them, with 3 mm of noise."""
    centre_m = origin_m + cell_m * np.arange(int(4.0 / cell_m))
    fine_m = cell_m * (np.arange(8) - 3.5) / 8.0
    x, y = (centre_m[:, None] + fine_m).ravel(), (centre_m[:, None] + fine_m).ravel()
    height_m = berm_m(np.stack(np.meshgrid(x, y), axis=-1))
    count = len(centre_m)
    height_m = height_m.reshape(count, 8, count, 8).mean(axis=(1, 3))
    height_m += rng.normal(0.0, 0.003, height_m.shape)
    axes = GridAxes((origin_m, origin_m), (0.0, cell_m), (cell_m, 0.0))
    return ElevationGrid(stamp_ns, 'map', axes, height_m.astype(np.float32))


@pytest.mark.parametrize('place', [0.0, 0.25, 0.5, 0.75])
@pytest.mark.parametrize(('cell_m', 'used'), [
    (0.05, True), (0.10, True), (0.13, True), (0.16, False), (0.20, False), (0.45, False)])
def test_a_crest_is_stated_by_grids_that_show_it(cell_m, used, place) -> None:
    """With cells of 0.2 m it was stated as 0.37 m high; with 0.45 m the fit of it failed."""
    site = straight(2.0, height_m=HEIGHT_M, segment_m=1.0)
    pipeline, rng = Pipeline(site), np.random.default_rng(1)
    codes = set()
    for step in range(6):
        stamp_ns = START_NS + step * SECOND_NS
        pipeline.add_pose(StampedPose(stamp_ns, 'map', Pose2(1.0, -1.6)))
        grid = grid_of(stamp_ns, cell_m, -1.0 + place * cell_m, rng)
        codes |= {finding.code for finding in pipeline.add_grid(grid).findings}
    assert ('coarse_grid' in codes) == (not used)
    heights_m = [row.height_m for row in pipeline.books.rows]
    if used:
        # A ridge along the cells of a grid that always lies alike is seen up to a fifth too low.
        assert 0.8 * HEIGHT_M <= min(heights_m) <= max(heights_m) <= 1.05 * HEIGHT_M
    else:
        assert np.isnan(heights_m).all()
