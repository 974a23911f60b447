# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The design surface by hand, and the laws it keeps."""

import math

from berm_ledger.design import (
    design_height_m,
    design_height_of_site_m,
    half_width_m,
    height_at_distance_m,
    Plane,
)
from berm_ledger.design.surface import footprint_half_width_m
from berm_ledger.errors import GeometryError
from berm_ledger.geometry import Polyline, Pose2
from design_kit import berm_of, site_of
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest

LINE = Polyline([[0, 0], [2, 0]])
# A slope of one in two makes heights easy to check by hand.
HALF_DEG = math.degrees(math.atan(0.5))


def test_heights_by_hand():
    berm = berm_of(LINE, height_m=0.2, width_m=0.1, slope_deg=HALF_DEG)
    where = [[[1.0, 0.0], [1.0, 0.05], [1.0, -0.15]], [[1.0, 0.45], [1.0, 0.6], [2.13, 0.12]]]
    # The last is a round end: 0.1769 m from the end of the line, 0.1269 m from the flat top.
    expected = [[0.2, 0.2, 0.15], [0.0, 0.0, 0.2 - 0.5 * (math.hypot(0.13, 0.12) - 0.05)]]
    npt.assert_allclose(design_height_m(berm, where), expected, atol=1e-12)


def test_a_level_crest_on_a_slope():
    berm = berm_of(LINE, level_m=1.0, slope_deg=HALF_DEG)
    datum = np.array([0.8, 0.9, 1.1, math.nan])
    where = np.array([[0.5, 0.1], [1.0, -0.1], [1.0, 0.0], [1.0, 0.0]])
    # Elevation 1 - 0.5 * 0.1 = 0.95 over the ground; nothing where the ground is higher.
    npt.assert_allclose(design_height_m(berm, where, datum), [0.15, 0.05, 0.0, math.nan])


def test_unknown_datum_does_not_matter_to_a_crest_over_the_datum():
    npt.assert_allclose(design_height_m(berm_of(LINE), [[1.0, 0.0]], [math.nan]), [0.15])


def test_a_level_crest_without_a_datum_is_refused():
    with pytest.raises(GeometryError, match="berm 'west' has a level crest"):
        design_height_m(berm_of(LINE, level_m=1.0), [[0.0, 0.0]])


@given(st.floats(-math.pi, math.pi), st.floats(-9, 9), st.floats(-9, 9))
def test_rigid_motion_moves_the_surface(yaw, x, y):
    motion = Pose2(x, y, yaw)
    where = np.random.default_rng(1).uniform(-0.5, 2.5, (50, 2))
    moved = berm_of(Polyline(motion.apply(LINE.points_xy)))
    npt.assert_allclose(design_height_m(moved, motion.apply(where)),
                        design_height_m(berm_of(LINE), where), atol=1e-9)


@given(st.floats(0.02, 0.5), st.floats(0.0, 0.4), st.floats(20, 40))
def test_the_toe_is_at_half_the_width(height, width, slope):
    berm = berm_of(LINE, height_m=height, width_m=width, slope_deg=slope)
    half = float(half_width_m(berm))
    assert footprint_half_width_m(berm, None) == pytest.approx(half)
    inside, outside = height_at_distance_m(berm, [half - 1e-6, half + 1e-6])
    assert inside > 0.0
    assert outside == 0.0


def test_the_higher_of_two_berms_holds():
    low = berm_of(Polyline([[0, -1], [0, 1]]), height_m=0.1, slope_deg=HALF_DEG)
    high = berm_of(Polyline([[-1, 0], [1, 0]]), name='b', height_m=0.2, slope_deg=HALF_DEG)
    heights = design_height_of_site_m(site_of(low, high), [[0.0, 0.0], [0.0, 0.3], [0.3, 0.0]])
    npt.assert_allclose(heights, [0.2, 0.1, 0.2])


def test_the_plane_of_the_site_is_the_datum():
    site = site_of(berm_of(LINE, level_m=1.0, slope_deg=HALF_DEG), plane=(0.1, 0.0, 0.5))
    npt.assert_allclose(design_height_of_site_m(site, [[1.0, 0.2]]), [1.0 - 0.1 - 0.6])
    # Ground that is known better goes first; of the plane only where none is given.
    npt.assert_allclose(design_height_of_site_m(site, [[1.0, 0.2]], [0.7]), [1.0 - 0.1 - 0.7])


def test_the_toe_of_a_level_crest_down_the_slope_of_a_plane():
    # Across the fall: level 1 m, ground 0.5 m under the line, falling 1 in 10 to the right. The
    # side 1 - 0.5 d meets the ground 0.5 - 0.1 d at d = 1.25 m; uphill it does so nearer.
    berm, plane = berm_of(LINE, level_m=1.0, slope_deg=HALF_DEG), Plane(0.0, 0.1, 0.5)
    assert footprint_half_width_m(berm, plane) == pytest.approx(1.25)
    # A flat top of 0.2 m: 1 - 0.5 (d - 0.1) meets the ground at d = 1.375 m.
    flat = berm_of(LINE, level_m=1.0, slope_deg=HALF_DEG, width_m=0.2)
    assert footprint_half_width_m(flat, plane) == pytest.approx(1.375)
    npt.assert_allclose(
        design_height_m(berm, [[1.0, -1.25], [1.0, -1.24]], [0.375, 0.376]), [0.0, 0.004],
        atol=1e-12)


def test_what_is_not_known_of_the_toe():
    level = berm_of(LINE, level_m=1.0, slope_deg=HALF_DEG)
    assert math.isnan(footprint_half_width_m(level, None))
    assert math.isnan(footprint_half_width_m(level, Plane(0.5, 0.0, 0.0)))
