# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A build under a stereo camera, whose noise grows with the square of the distance."""

from dataclasses import replace
from pathlib import Path

from berm_ledger.pipeline import Pipeline
from berm_ledger.simulation import BuildOptions, NOISE_PRESETS, SimulatedBuild, YardOptions
from berm_ledger.site_source import load_site
from disturbance_kit import feed

SITE = Path(__file__).parents[1] / 'config' / 'demo_site.yaml'
# 5 mm at 1 m, 20 mm at 2 m; near the robot it is that of other builds.
STEREO = replace(NOISE_PRESETS['field'], ranging_m=0.005)
LOADS = 16


def test_cells_that_are_seen_badly_are_not_taken_for_soil_that_came_or_went() -> None:
    """Of as much noise everywhere two losses and eight fills were booked here, and a hold."""
    build = SimulatedBuild(load_site(str(SITE)).site, seed=2, options=BuildOptions(
        yard=YardOptions(noise=STEREO), most_loads=LOADS))
    pipeline = Pipeline(build.site)
    kinds = [entry.kind for event in build.events() for entry in feed(pipeline, event).entries]
    assert kinds.count('rise') == kinds.count('dump') == LOADS
    assert not {'disturbed', 'hold', 'slump', 'unbooked_fill', 'stray_dump'} & {*kinds}
    assert 1.0 <= pipeline.health.judged_within_m <= 2.0
