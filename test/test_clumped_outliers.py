# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Builds under a sensor that shows clumps of cells too high or too low, others in every grid."""

import math
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
# By so much a clump of 3 x 3 cells is off [m].
LEAST_M, MOST_M = 0.02, 0.06


def clumped(monkeypatch: pytest.MonkeyPatch, per_million: int, up: int) -> None:
    """Let so many of a million cells of each simulated grid be the middle of a clump."""
    measured, rng = yard.measured, np.random.default_rng(3)

    def with_clumps(*args, **settings):
        height_m = measured(*args, **settings)
        middles = rng.random(height_m.shape) < 1e-6 * per_million
        off_m = np.where(middles, rng.uniform(LEAST_M, MOST_M, height_m.shape), 0.0)
        return (height_m + up * maximum_filter(off_m, 3)).astype(np.float32)
    monkeypatch.setattr(yard, 'measured', with_clumps)


@pytest.mark.parametrize(('per_million', 'up'), [(300, 1), (1000, -1)])
def test_clumps_of_wrong_cells_are_neither_dust_nor_soil(
    monkeypatch: pytest.MonkeyPatch, per_million: int, up: int
) -> None:
    """
    Taken for dust, each look but the last was thrown away, and its clumps for soil.

    And where two of four looks had clumps too low at the same cells, soil was taken to be gone.
    """
    clumped(monkeypatch, per_million, up)
    build = SimulatedBuild(load_site(str(SITE)).site, seed=0, options=BuildOptions(
        yard=YardOptions(noise=NOISE_PRESETS['field']), most_loads=LOADS))
    pipeline = Pipeline(build.site)
    entries = [entry for event in build.events() for entry in feed(pipeline, event).entries]
    kinds = [entry.kind for entry in entries]
    assert kinds.count('rise') == kinds.count('dump') == LOADS
    assert not {'disturbed', 'hold', 'slump', 'unbooked_fill', 'stray_dump'} & {*kinds}
    truth_m3 = sum(dump['volume_m3'] for dump in build.truth()['dumps'])
    rises = [entry.data for entry in entries if entry.kind == 'rise']
    error_m3 = math.hypot(*(rise['volume_se_m3'] for rise in rises))
    # Two standard errors, 95 %: what is wrong is chance, and other machines round otherwise.
    assert sum(rise['volume_m3'] for rise in rises) == pytest.approx(truth_m3, abs=2.0 * error_m3)
    assert error_m3 < 0.02 * truth_m3
