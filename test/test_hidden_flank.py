# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A build that the rover can look at from one side only, against the simulated truth."""

import math

from berm_ledger.books import Entry
from berm_ledger.geometry import Pose2, StampedPose
from berm_ledger.pipeline import Pipeline
from berm_ledger.simulation import (
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
from survey_kit import grid_of, SECOND_NS, START_NS, straight

# Where two loads fall on each other, on the line of a straight berm.
HEAP_XY = (0.6, 0.0)
# The yard ends behind the berm; the sensor stands 0.2 m above its crest.
MAST_M = 0.4
SITE = """\
format: 1
frame: map
berms:
  - {name: bank, centreline: [[-0.75, 0.0], [0.75, 0.0]], crest_height_m: 0.20, side_slope_deg: 33,
     segment_length_m: 0.50, height_tolerance_m: 0.02, line_tolerance_m: 0.06}
material: {loose_density_kg_m3: 1500, repose_deg: 33}
rover: {footprint: [[-0.35, -0.3], [0.45, -0.3], [0.45, 0.3], [-0.35, 0.3]],
        drop_point: [0.9, 0.0], drum_width_m: 0.36, payload_kg: 8.0, turning_radius_m: 0.8,
        run_up_m: 0.5}
yard:
  boundary: [[-4.0, -4.5], [4.0, -4.5], [4.0, 0.6], [-4.0, 0.6]]
"""


@pytest.fixture(scope='module')
def booked(
    tmp_path_factory: pytest.TempPathFactory
) -> tuple[SimulatedBuild, Pipeline, list[Entry]]:
    """Build it and keep its books, once."""
    path = tmp_path_factory.mktemp('site') / 'bank.yaml'
    path.write_text(SITE)
    yard = YardOptions(noise=NOISE_PRESETS['field'], sensor=SensorOptions(mast_m=MAST_M))
    build = SimulatedBuild(load_site(str(path)).site, seed=1, options=BuildOptions(yard=yard))
    pipeline = Pipeline(build.site)
    entries = [entry for event in build.events() for entry in feed(pipeline, event).entries]
    return build, pipeline, entries


def test_soil_that_nobody_sees_is_booked_all_the_same(
    booked: tuple[SimulatedBuild, Pipeline, list[Entry]]
) -> None:
    """Nearly half of it lies behind the crest; left out, a third of the soil is missing."""
    simulated, pipeline, entries = booked
    rows, truth = pipeline.books.rows, simulated.truth()['segments']
    placed, true = (np.array([row.placed_m3 for row in rows]),
                    np.array([row['placed_m3'] for row in truth]))
    assert np.all(np.abs(placed - true) < 2.0 * np.array([row.placed_se_m3 for row in rows]))
    assert placed.sum() == pytest.approx(true.sum(), rel=0.10)
    assert [row.height_m for row in rows] == pytest.approx(
        [row['height_m'] for row in truth], abs=0.006)
    # Every load is measured, and none taken for anything else.
    kinds = [entry.kind for entry in entries]
    assert kinds.count('rise') == kinds.count('dump') == simulated.loads
    assert not {'stray_dump', 'disturbed', 'slump', 'unbooked_fill'} & set(kinds)
    rises = sum(e.data['volume_m3'] for e in entries if e.kind == 'rise')
    assert rises == pytest.approx(true.sum(), rel=0.15)


def test_a_restart_knows_what_nobody_has_seen(
    booked: tuple[SimulatedBuild, Pipeline, list[Entry]]
) -> None:
    simulated, pipeline, entries = booked
    layers = pipeline.finish().surfaces
    again = Pipeline(simulated.site, entries=entries, surfaces=layers)
    assert pipeline.survey.surface.hidden.size > 100
    np.testing.assert_array_equal(
        again.survey.likely_height_m(), pipeline.survey.likely_height_m())
    assert [r.placed_m3 for r in again.survey.readings()] == pytest.approx(
        [r.placed_m3 for r in pipeline.survey.readings()], rel=1e-6)


def test_soil_that_lay_out_of_view_is_no_part_of_the_load_after_it() -> None:
    """Two loads on one heap, the first seen from the right only, the second from the left."""
    site, tan = straight(plane=None), math.tan(math.radians(33.0))
    load_m3 = site.load_volume_m3
    pipeline, entries = Pipeline(site), []

    def looked_at(loads: int, side: float) -> None:
        """Show a cone of so many loads, but for what lies past its top seen from a side."""
        top_m = (3.0 * loads * load_m3 * tan**2 / math.pi) ** (1.0 / 3.0)

        def seen_m(points: np.ndarray) -> np.ndarray:
            cone = np.maximum(top_m - tan * np.linalg.norm(points - HEAP_XY, axis=-1), 0.0)
            return np.where(side * points[..., 1] > 0.04, np.nan, cone)

        for _ in range(12):
            stamp_ns = pipeline.stamp_ns + SECOND_NS if pipeline.stamp_ns else START_NS
            pipeline.add_pose(StampedPose(stamp_ns, 'map', Pose2(0.6, -2.0, 0.5 * math.pi)))
            entries.extend(pipeline.add_grid(grid_of(
                site, seen_m, noise_m=0.003, seed=(stamp_ns - START_NS) // SECOND_NS,
                stamp_ns=stamp_ns)).entries)

    def dumped() -> None:
        """Dump a load onto the heap."""
        at = Pose2(HEAP_XY[0], HEAP_XY[1] - 0.75, 0.5 * math.pi)
        pipeline.add_pose(StampedPose(pipeline.stamp_ns + SECOND_NS, 'map', at))
        entries.extend(pipeline.add_dump(math.nan).entries)

    looked_at(0, 0.0)
    for loads, side in ((1, 1.0), (2, -1.0)):
        dumped()
        looked_at(loads, side)
        looked_at(loads, side)
    rises = [entry.data for entry in entries if entry.kind == 'rise']
    assert [rise['volume_m3'] for rise in rises] == pytest.approx([load_m3] * 2, rel=0.2)
