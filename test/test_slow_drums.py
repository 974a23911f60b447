# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Builds whose drum lets a load go by and by, told of as it begins to turn."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

from berm_ledger.pipeline import Pipeline
from berm_ledger.simulation import BuildOptions, NOISE_PRESETS, SimulatedBuild, YardOptions
from berm_ledger.site_source import load_site
import pytest

DEMO = Path(__file__).parents[1] / 'config' / 'demo_site.yaml'
LOADS = 5
# Single loads scatter by 3 to 4 %; so much of the sum of five is left open.
MOST_OFF = 0.05


@pytest.mark.parametrize('period_s', [0.25, 2.0])
def test_slow_loads_are_measured_whole_however_often_there_is_a_grid(period_s: float) -> None:
    """They come down evenly over 25 s; none of it is soil that nobody has announced."""
    yard = YardOptions(
        noise=NOISE_PRESETS['field'], grid_period_s=period_s, pour_s=25.0, dump_s=27.0)
    build = SimulatedBuild(
        load_site(DEMO).site, options=BuildOptions(yard=yard, most_loads=LOADS))
    pipeline = Pipeline(build.site)
    take = {'pose': pipeline.add_pose, 'grid': pipeline.add_grid, 'dump': pipeline.add_dump}
    kinds: Counter[str] = Counter()
    for event in build.events():
        kinds.update(entry.kind for entry in take[event.kind](event.value).entries)
    poured_m3 = sum(dump['volume_m3'] for dump in build.yard.dumps)
    assert kinds['rise'] == LOADS
    assert sum(dump.volume_m3 for dump in pipeline.books.dumps) == pytest.approx(
        poured_m3, rel=MOST_OFF)
    assert not kinds['unbooked_fill'] + kinds['disturbed'] + kinds['stray_dump']
