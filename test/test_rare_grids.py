# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Builds of which a grid comes every ten seconds only: loads that are hardly seen are booked."""

from __future__ import annotations

import math
from pathlib import Path

from berm_ledger.pipeline import Pipeline
from berm_ledger.simulation import BuildOptions, NOISE_PRESETS, SimulatedBuild, YardOptions
from berm_ledger.site_source import load_site
import pytest

RING = Path(__file__).parents[1] / 'config' / 'ring_site.yaml'
LOADS = 14
# What is hidden of a load, and one look instead of four, leave so much of a sum open.
MOST_OFF = 0.06


@pytest.mark.parametrize('seed', [0, 1])
def test_loads_side_by_side_that_are_seen_once_each_are_measured(seed: int) -> None:
    """Each falls beside the last before that was seen twice; none may wait for ever."""
    yard = YardOptions(noise=NOISE_PRESETS['field'], grid_period_s=10.0)
    build = SimulatedBuild(load_site(RING).site, seed=seed, options=BuildOptions(
        yard=yard, looks_per_load=1, most_loads=LOADS))
    pipeline = Pipeline(build.site)
    take = {'pose': pipeline.add_pose, 'grid': pipeline.add_grid, 'dump': pipeline.add_dump}
    for event in build.events():
        take[event.kind](event.value)
    rises_m3 = [dump.volume_m3 for dump in pipeline.books.dumps]
    assert len(rises_m3) == LOADS
    assert all(map(math.isfinite, rises_m3))
    poured_m3 = sum(dump['volume_m3'] for dump in build.yard.dumps)
    assert sum(rises_m3) == pytest.approx(poured_m3, rel=MOST_OFF)
