# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The truth of a simulated yard against closed forms."""

import math

from berm_ledger.design import Plane
from berm_ledger.geometry import Polyline, Pose2
from berm_ledger.simulation import Patch, Yard, YardOptions
import pytest
from simulation_kit import a_berm, a_site, straight

LEVEL = Plane(0.0, 0.0, 0.0)
SLOPE = math.tan(math.radians(33.0))


def as_designed(*berms, plane=LEVEL):
    """Return the truth of berms put there as designed."""
    yard = Yard(a_site(*berms, plane=plane))
    yard.heap_to_design()
    return yard.truth()


@pytest.mark.parametrize('plane', [LEVEL, Plane(0.03, -0.02, 0.5)])
def test_a_prism_along_the_lattice_is_measured_exactly(plane):
    truth = as_designed(a_berm(Polyline([[-1.2, 0.3], [1.2, 0.3]])), plane=plane)
    assert len(truth['segments']) == 6
    # closed form of a triangular ridge: H^2 / tan per metre; the ends hold half a cone each
    ridge, half_cone = 0.4 * 0.16 ** 2 / SLOPE, math.pi * 0.16 ** 3 / (6.0 * SLOPE ** 2)
    for n, row in enumerate(truth['segments']):
        for name in ('height_m', 'low_m', 'high_m', 'target_height_m'):
            assert row[name] == pytest.approx(0.16, abs=1e-6), name
        expected = ridge + half_cone * (n in (0, 5))
        for name in ('placed_m3', 'footprint_m3', 'design_m3'):
            assert row[name] == pytest.approx(expected, rel=4e-3), name
        assert row['line_offset_m'] == pytest.approx(0.0, abs=1e-6)
        assert row['at_grade'] == 1.0
        assert max(row['over_m3'], row['missing_m3'], row['spilled_m3']) < 0.01 * ridge


def test_off_the_lattice_the_peak_is_cut_by_less_than_half_a_cell():
    truth = as_designed(a_berm(Polyline([[-1.13, 0.211], [0.97, 0.777]])))
    closed = truth['berms'][0]['design_m3']
    length = math.hypot(2.1, 0.566)
    assert closed == pytest.approx(
        length * 0.16 ** 2 / SLOPE + math.pi * 0.16 ** 3 / (3.0 * SLOPE ** 2), rel=2e-3)
    for row in truth['segments']:
        assert row['low_m'] >= 0.16 - 0.005 * SLOPE * math.sqrt(2.0)
        assert row['high_m'] <= 0.16 + 1e-9


@pytest.mark.parametrize('turn_deg', [90.0, -120.0])
def test_the_crest_of_a_sharp_bend_lies_on_its_line(turn_deg):
    turn = math.radians(turn_deg)
    line = Polyline([[-0.8, 0.0], [0.0, 0.0], [0.8 * math.cos(turn), 0.8 * math.sin(turn)]])
    for row in as_designed(a_berm(line))['segments']:
        assert row['line_offset_m'] == pytest.approx(0.0, abs=0.006)


def test_a_ring_by_pappus():
    truth = as_designed(a_berm(Polyline.arc([0.0, 0.0], 1.0, 0.0, 2.0 * math.pi)))
    # Pappus: section area H^2 / tan times the way of its centroid, 2 pi R
    expected = 2.0 * math.pi * 0.16 ** 2 / SLOPE
    assert truth['placed_m3'] == pytest.approx(expected, rel=2e-3)
    shares = [row['placed_m3'] / expected for row in truth['segments']]
    assert shares == pytest.approx([1.0 / 16.0] * 16, rel=5e-3)


def test_a_flat_top_and_a_level_crest():
    line = Polyline([[-1.0, 0.3], [1.0, 0.3]])
    flat = as_designed(a_berm(line, crest_width_m=0.3, crest_height_m=0.2))
    section = 0.3 * 0.2 + 0.2 ** 2 / SLOPE
    assert flat['segments'][2]['placed_m3'] == pytest.approx(0.4 * section, rel=4e-3)
    assert flat['segments'][2]['line_offset_m'] == pytest.approx(0.0, abs=0.005)
    level = as_designed(a_berm(line, crest_height_m=None, crest_level_m=0.3),
                        plane=Plane(0.05, 0.0, 0.1))
    heights = [row['height_m'] for row in level['segments']]
    # target 0.3 - (0.1 + 0.05 x) in the middle of each 0.4 m segment
    assert heights == pytest.approx([0.24, 0.22, 0.20, 0.18, 0.16], abs=1e-3)


def test_segments_add_up_and_berms_do_not_share_soil():
    berms = (a_berm(Polyline([[-1.0, 0.0], [1.0, 0.1]])),
             a_berm(Polyline([[-1.0, 1.5], [1.0, 1.4]]), name='b2'))
    yard = Yard(a_site(*berms))
    yard.soil.pour(Patch(0.3, 0.1), 0.004)
    yard.soil.pour(Patch(-0.6, 1.5), 0.003)
    truth = yard.truth()
    assert [b['placed_m3'] for b in truth['berms']] == pytest.approx([0.004, 0.003], abs=1e-12)
    assert truth['placed_m3'] == pytest.approx(0.007, abs=1e-12)
    for row in truth['segments']:
        assert row['placed_m3'] == pytest.approx(
            row['footprint_m3'] + row['spilled_m3'], abs=1e-12)
        assert row['footprint_m3'] + row['missing_m3'] - row['over_m3'] == pytest.approx(
            row['design_m3'], abs=1e-12)


def test_a_crest_beside_the_line_has_a_signed_offset():
    yard = Yard(straight())
    line = yard.site.berms[0].centreline
    x, y = line.point_at(1.2, 0.03)
    yard.soil.pour(Patch(float(x), float(y), float(line.heading_at(1.2)), length_m=2.0), 0.05)
    offsets = [row['line_offset_m'] for row in yard.truth()['segments'][2:5]]
    assert offsets == pytest.approx([0.03] * 3, abs=0.005)


def test_untouched_ground_is_a_berm_of_no_height():
    truth = Yard(straight()).truth()
    assert {row['height_m'] for row in truth['segments']} == {0.0}
    assert truth['placed_m3'] == 0.0
    row = truth['segments'][2]
    closed = (row['station_to_m'] - row['station_from_m']) * 0.16 ** 2 / SLOPE
    assert row['missing_m3'] == pytest.approx(closed, rel=4e-3)


def test_ruts_beside_a_berm_are_no_lack_of_soil():
    """A rover drives along the toe and leaves 20 mm deep ruts: what was placed is there still."""
    yard = Yard(a_site(a_berm(Polyline([[-1.2, 0.3], [1.2, 0.3]])), plane=LEVEL),
                options=YardOptions(rut_m=0.02))
    placed_m3 = yard.heap_to_design()
    # The near wheels 0.05 m past the toe.
    y_m = 0.3 - 0.16 / SLOPE - 0.05 + float(yard.site.rover.footprint.corners_xy[:, 1].min())
    for _ in yard.move([Pose2(-1.2 + 0.05 * step, y_m, 0.0) for step in range(49)]):
        pass
    assert yard.soil.rise_m.min() < -0.015
    truth = yard.truth()
    assert truth['placed_m3'] == pytest.approx(placed_m3, rel=2e-3)
    assert sum(row['spilled_m3'] for row in truth['segments']) == pytest.approx(0.0, abs=1e-4)
