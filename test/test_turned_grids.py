# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Builds under grids that are tilted or turned by half a degree, against the simulated truth."""

from dataclasses import replace

from berm_ledger.books import Entry
from berm_ledger.pipeline import Pipeline
from berm_ledger.simulation import (
    BorrowOptions,
    BuildOptions,
    NOISE_PRESETS,
    SimulatedBuild,
    YardOptions,
)
from berm_ledger.simulation.sensor import SensorOptions
from berm_ledger.site_source import load_site
from disturbance_kit import feed
import numpy as np
import pytest

# The sensor is mounted askew by so much, or the attitude of each grid is off by it: 0.57 degrees.
TILT_RAD = 0.010
LOADS = 12
ASKEW = YardOptions(
    sensor=SensorOptions(askew_rad=TILT_RAD), borrow=BorrowOptions(), weighed=False)
UNSTEADY = YardOptions(noise=replace(NOISE_PRESETS['field'], tilt_rad=TILT_RAD))
# The heading wanders by twice as much and back again while a few loads are brought.
TURNING = YardOptions(noise=replace(
    NOISE_PRESETS['field'], drift_yaw_rad=2.0 * TILT_RAD, drift_time_s=120.0))
SITE = """\
format: 1
frame: map
berms:
  - {name: bank, centreline: [[-0.75, 0.0], [0.75, 0.0]], crest_height_m: 0.16, side_slope_deg: 33,
     segment_length_m: 0.50, height_tolerance_m: 0.02, line_tolerance_m: 0.06}
material: {loose_density_kg_m3: 1500, repose_deg: 33}
rover: {footprint: [[-0.35, -0.3], [0.45, -0.3], [0.45, 0.3], [-0.35, 0.3]],
        drop_point: [0.9, 0.0], drum_width_m: 0.36, payload_kg: 8.0, turning_radius_m: 0.8,
        run_up_m: 0.5}
yard:
  boundary: [[-4.0, -4.5], [4.0, -4.5], [4.0, 4.5], [-4.0, 4.5]]
  borrow_areas:
    - {name: pit, polygon: [[-1.0, -3.6], [1.0, -3.6], [1.0, -2.2], [-1.0, -2.2]],
       max_cut_m: 0.08}
"""


@pytest.fixture(scope='module', params=[ASKEW, UNSTEADY, TURNING],
                ids=['askew', 'unsteady', 'turning'])
def booked(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[SimulatedBuild, Pipeline, list[Entry]]:
    """Build it and keep its books."""
    path = tmp_path_factory.mktemp('site') / 'bank.yaml'
    path.write_text(SITE)
    build = SimulatedBuild(load_site(str(path)).site, seed=1, options=BuildOptions(
        yard=request.param, most_loads=LOADS))
    pipeline = Pipeline(build.site)
    entries = [entry for event in build.events() for entry in feed(pipeline, event).entries]
    return build, pipeline, entries


def test_nothing_is_booked_that_was_not_done(
    booked: tuple[SimulatedBuild, Pipeline, list[Entry]]
) -> None:
    kinds = [entry.kind for entry in booked[2]]
    assert kinds.count('rise') == kinds.count('dump') == LOADS
    false = {'disturbed', 'hold', 'slump', 'unbooked_fill', 'stray_dump', 'imbalance'}
    assert not false & {*kinds}


def test_heights_and_volumes_are_right_within_their_errors(
    booked: tuple[SimulatedBuild, Pipeline, list[Entry]]
) -> None:
    simulated, pipeline, entries = booked
    rows, truth = pipeline.books.rows, simulated.truth()['segments']
    off_m = np.array([row.height_m - true['height_m'] for row, true in zip(rows, truth)])
    assert np.all(np.abs(off_m) < 0.004)
    off_m3 = np.array([row.placed_m3 - true['placed_m3'] for row, true in zip(rows, truth)])
    assert np.all(np.abs(off_m3) < 3.0 * np.array([row.placed_se_m3 for row in rows]))
    risen = sum(entry.data['volume_m3'] for entry in entries if entry.kind == 'rise')
    assert risen == pytest.approx(
        sum(dump['volume_m3'] for dump in simulated.truth()['dumps']), rel=0.03)


@pytest.mark.parametrize('booked', [ASKEW], ids=['askew'], indirect=True)
def test_the_cut_is_right(
    booked: tuple[SimulatedBuild, Pipeline, list[Entry]]
) -> None:
    simulated, pipeline, _ = booked
    cut_m3, cut_se_m3 = pipeline.borrow.cut_m3
    true_m3 = sum(area['cut_m3'] for area in simulated.truth()['borrow']['areas'])
    assert abs(cut_m3 - true_m3) < 3.0 * cut_se_m3
    assert cut_m3 == pytest.approx(true_m3, rel=0.04)
