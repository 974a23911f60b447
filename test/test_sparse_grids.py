# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Whole builds under grids of which a share of the cells is known, against the simulated truth."""

from collections import Counter
from dataclasses import replace
from pathlib import Path

from berm_ledger.pipeline import Pipeline
from berm_ledger.simulation import BuildOptions, NOISE_PRESETS, SimulatedBuild, YardOptions
from berm_ledger.site_source import load_site
from disturbance_kit import feed
import numpy as np
import pytest

SITE = Path(__file__).resolve().parents[1] / 'config' / 'demo_site.yaml'
FALSE = {'disturbed', 'hold', 'slump', 'unbooked_fill', 'stray_dump'}


def built(share, seed, *, most_loads=None):
    """Return build and pipeline after it, how many entries there are of a kind, and findings."""
    options = BuildOptions(yard=YardOptions(noise=NOISE_PRESETS['field']), most_loads=most_loads)
    build = SimulatedBuild(load_site(SITE).site, seed=seed, options=options)
    pipeline, rng = Pipeline(build.site), np.random.default_rng(seed)
    kinds, found = Counter(), Counter()
    for event in build.events():
        if event.kind == 'grid':
            height_m = event.value.height_m
            seen = rng.random(height_m.shape) < share
            event = event._replace(value=replace(
                event.value, height_m=np.where(seen, height_m, np.float32('nan'))))
        update = feed(pipeline, event)
        kinds.update(entry.kind for entry in update.entries)
        found.update(finding.code for finding in update.findings)
    return build, pipeline, kinds, found


@pytest.mark.parametrize(('share', 'seed'), [(0.5, 1), (0.3, 2)])
def test_loads_and_heights_are_measured_where_a_third_of_the_cells_is_known(share, seed) -> None:
    build, pipeline, kinds, found = built(share, seed)

    assert kinds['rise'] == kinds['dump'] == build.loads
    assert not FALSE & set(kinds)
    assert 'sparse_grid' not in found
    truth = build.truth()['segments']
    readings = pipeline.survey.readings()
    off = [abs(r.height_m - t['height_m']) / r.height_se_m for r, t in zip(readings, truth)]
    assert np.mean(np.array(off) <= 2.0) >= 5.0 / 6.0
    placed = sum(t['placed_m3'] for t in truth)
    assert sum(r.placed_m3 for r in readings) == pytest.approx(placed, rel=0.01)


def test_too_few_cells_are_told_of_and_nothing_is_made_of_them() -> None:
    _, pipeline, kinds, found = built(0.12, 3, most_loads=3)

    assert kinds['dump'] == 3
    assert kinds['rise'] == 0
    assert found['sparse_grid'] > 20
    assert all(reading.coverage == 0.0 for reading in pipeline.survey.readings())
