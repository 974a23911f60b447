# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Builds under a sensor that shows clumps of cells too high, other ones in every grid."""

from pathlib import Path

from berm_ledger.pipeline import Pipeline
from berm_ledger.simulation import BuildOptions, NOISE_PRESETS, SimulatedBuild, yard, YardOptions
from berm_ledger.site_source import load_site
from disturbance_kit import feed
import numpy as np
import pytest
from scipy.ndimage import maximum_filter

SITE = Path(__file__).parents[1] / 'config' / 'demo_site.yaml'
LOADS = 12
# So many of a million cells are the middle of a clump of 3 x 3 that stands so much too high [m].
CLUMPS, LEAST_M, MOST_M = 300, 0.02, 0.06


@pytest.fixture
def clumped(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let each simulated grid have its clumps."""
    measured, rng = yard.measured, np.random.default_rng(3)

    def with_clumps(*args, **settings):
        height_m = measured(*args, **settings)
        middles = rng.random(height_m.shape) < 1e-6 * CLUMPS
        up_m = np.where(middles, rng.uniform(LEAST_M, MOST_M, height_m.shape), 0.0)
        return (height_m + maximum_filter(up_m, 3)).astype(np.float32)
    monkeypatch.setattr(yard, 'measured', with_clumps)


@pytest.mark.usefixtures('clumped')
def test_clumps_of_wrong_cells_are_neither_dust_nor_soil() -> None:
    """Taken for dust, each look but the last was thrown away, and its clumps for soil."""
    build = SimulatedBuild(load_site(str(SITE)).site, seed=0, options=BuildOptions(
        yard=YardOptions(noise=NOISE_PRESETS['field']), most_loads=LOADS))
    pipeline = Pipeline(build.site)
    entries = [entry for event in build.events() for entry in feed(pipeline, event).entries]
    kinds = [entry.kind for entry in entries]
    assert kinds.count('rise') == kinds.count('dump') == LOADS
    assert not {'disturbed', 'hold', 'slump', 'unbooked_fill', 'stray_dump'} & {*kinds}
    truth_m3 = sum(dump['volume_m3'] for dump in build.truth()['dumps'])
    rises_m3 = sum(entry.data['volume_m3'] for entry in entries if entry.kind == 'rise')
    assert rises_m3 == pytest.approx(truth_m3, rel=0.01)
