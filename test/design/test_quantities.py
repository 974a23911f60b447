# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Volumes against closed forms, and loads against what the trade expects."""

import math

from berm_ledger.design import (
    design_quantities,
    quantity_of_volume,
    total_quantity,
)
from berm_ledger.geometry import Polyline, Pose2
from design_kit import berm_of, closed_form_volume_m3, moved_site, site_of
from hypothesis import given, settings
from hypothesis import strategies as st
import numpy.testing as npt
import pytest

STRAIGHT = Polyline([[0.1, 0.2], [1.9, 1.1]])


def volumes_m3(site):
    return [quantity.volume_m3 for _, quantity in design_quantities(site)]


def closed_form_m3(berm, *, closed=False, length_m=None):
    length = berm.centreline.length_m if length_m is None else length_m
    return closed_form_volume_m3(
        length, berm.crest_height_m, berm.side_slope_rad, berm.crest_width_m, closed=closed)


def test_closed_form_of_a_berm_as_its_mass():
    # 75 cm long and 15 cm high at 34 degrees, of 1500 kg/m3.
    assert closed_form_volume_m3(0.75, 0.15, math.radians(34)) * 1500 == pytest.approx(
        49.2, abs=0.05)


def test_closed_form_of_a_sharp_straight_berm():
    # L H^2 / tan(s) + pi H^3 / (3 tan^2(s)), the form of the design; at 45 degrees by hand.
    assert closed_form_volume_m3(2.0, 0.3, math.radians(45)) == pytest.approx(
        2.0 * 0.09 + math.pi * 0.027 / 3)


def test_closed_form_without_length_is_a_truncated_cone():
    # Textbook volume of a frustum: pi h (R^2 + R r + r^2) / 3, r = 0.1 m, R = 0.1 + 0.3 m.
    assert closed_form_volume_m3(0.0, 0.3, math.radians(45), 0.2) == pytest.approx(
        math.pi * 0.3 * (0.4 ** 2 + 0.4 * 0.1 + 0.1 ** 2) / 3)


def test_closed_form_of_a_ring_is_a_cone_ring():
    # Pappus: area of the section, H^2 / tan(s), times the path of its centroid.
    assert closed_form_volume_m3(2 * math.pi * 1.5, 0.2, math.radians(45), closed=True) == (
        pytest.approx(0.04 * 2 * math.pi * 1.5))


@given(st.floats(0.08, 0.3), st.floats(0.0, 0.2), st.floats(20, 40), st.floats(0, math.pi))
@settings(max_examples=15)
def test_straight_berms_at_15_mm_cells(height, width, slope, yaw):
    site = site_of(berm_of(Polyline(Pose2(0.3, 0.1, yaw).apply(STRAIGHT.points_xy)),
                           height_m=height, width_m=width, slope_deg=slope))
    assert sum(volumes_m3(site)) == pytest.approx(closed_form_m3(site.berms[0]), rel=5e-4)


@pytest.mark.parametrize('width', [0.0, 0.1])
@pytest.mark.parametrize('sweep', [2.0, -4.0, 2 * math.pi])
def test_arcs_at_15_mm_cells(width, sweep):
    site = site_of(berm_of(Polyline.arc([0.2, 0.1], 0.9, 0.4, sweep), width_m=width))
    berm = site.berms[0]
    expected = closed_form_m3(berm, closed=berm.centreline.closed, length_m=0.9 * abs(sweep))
    assert sum(volumes_m3(site)) == pytest.approx(expected, rel=5e-4)


def test_middle_segments_of_a_straight_berm_are_prisms():
    site = site_of(berm_of(Polyline([[0.003, 0.001], [2.403, 0.001]])))
    prism = 0.4 * 0.15 ** 2 / math.tan(math.radians(33))
    npt.assert_allclose(volumes_m3(site)[1:-1], prism, rtol=1e-3)


@given(st.floats(0, math.pi), st.floats(-3, 3), st.floats(-3, 3))
@settings(max_examples=15)
def test_rigid_motion_changes_no_volume(yaw, x, y):
    bend = berm_of(Polyline([[0, 0], [1.2, 0], [1.2, 1.2], [0.4, 1.6]]), segment_m=0.6)
    site = site_of(bend)
    npt.assert_allclose(
        volumes_m3(moved_site(site, Pose2(x, y, yaw))), volumes_m3(site), rtol=2e-3)


def test_cell_size_changes_no_volume():
    coarse, fine = (volumes_m3(site_of(berm_of(STRAIGHT), cell_m=cell)) for cell in (0.04, 0.005))
    npt.assert_allclose(coarse, fine, rtol=0.01)


def test_a_level_crest_on_a_plane_takes_what_the_ground_lacks():
    # Along the line the ground rises from 0 to 0.1 m under a level crest at 0.2 m. Away from the
    # ends a section of height h is a triangle over a ground that is level across: h^2 / tan(s).
    line = Polyline([[-2, 0], [3, 0]])
    site = site_of(berm_of(line, level_m=0.2, slope_deg=30, segment_m=1.0), plane=(0.05, 0, 0))
    found = volumes_m3(site)
    for k, volume in enumerate(found[1:-1], start=1):
        low, high = 0.2 - 0.05 * (-2 + k + 1), 0.2 - 0.05 * (-2 + k)
        prism = (high ** 3 - low ** 3) / (3 * 0.05) / math.tan(math.radians(30))
        assert volume == pytest.approx(prism, rel=5e-3)


def test_a_level_crest_on_a_surveyed_datum_is_unknown_and_not_nothing():
    site = site_of(berm_of(STRAIGHT, level_m=1.0), berm_of(Polyline([[5, 5], [6, 5]]), name='b'))
    found = design_quantities(site)
    for segment, quantity in found:
        assert math.isnan(quantity.volume_m3) == (segment.berm == 'west')
        assert (quantity.whole_loads is None) == (segment.berm == 'west')
    assert math.isnan(total_quantity(site, [quantity for _, quantity in found]).mass_kg)


def test_soil_under_two_berms_is_counted_once():
    cross = site_of(berm_of(Polyline([[-1, 0], [1, 0]])),
                    berm_of(Polyline([[0, -1], [0, 1]]), name='b'))
    alone = closed_form_m3(cross.berms[0])
    # Two ridges that cross share a pyramid of slope tan(s), 4 H^3 / (3 tan^2(s)).
    shared = 4 * 0.15 ** 3 / (3 * math.tan(math.radians(33)) ** 2)
    assert sum(volumes_m3(cross)) == pytest.approx(2 * alone - shared, rel=5e-4)


def test_what_the_trade_expects_of_a_small_sand_berm():
    # 15 cm high, 75 cm long, 1500 kg/m3, 34 degrees: about 50 kg, six loads of 8 kg (common
    # practice, no source).
    site = site_of(berm_of(Polyline([[0, 0], [0.75, 0]]), slope_deg=34.0))
    whole = total_quantity(site, [quantity for _, quantity in design_quantities(site)])
    assert whole.mass_kg == pytest.approx(50.0, abs=1.0)
    assert whole.whole_loads == 6


@pytest.mark.parametrize(('volume', 'loads'), [
    (0.0, 0), (0.0026, 0), (0.0027, 1), (0.0080, 2), (0.0081, 2), (-0.0054, -1)])
def test_whole_loads_are_the_nearest_and_half_a_load_is_called_for(volume, loads):
    # A load of 8 kg is 5.33 litres. 0.0080 m3 are 1.5 loads: a second overshoots by as much as
    # would be missing without it.
    assert quantity_of_volume(site_of(berm_of(STRAIGHT)), volume).whole_loads == loads
