# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Volumes against closed forms, their sums, and what noise and unseen cells do to them."""

import math

from berm_ledger.design.surface import design_height_of_site_m
from berm_ledger.geometry import Polyline
from berm_ledger.survey.area import survey_area
from berm_ledger.survey.volumes import positive_part, VolumeSums
from hypothesis import given, settings
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest
from survey_kit import arc, berm_of, site_of, straight, volumes_of

TAN = math.tan(math.radians(33.0))
H = 0.2
HALF_M = H / TAN


def measured(site, height_of, *, spread_m=0.0):
    """Return the area, the design and the volumes of heights given as a function of points."""
    area = survey_area(site)
    design = design_height_of_site_m(site, area.corridor.centres_xy)
    height = np.asarray(height_of(area.corridor.centres_xy), dtype=float)
    volumes = volumes_of(VolumeSums(area, design), height, np.full(len(area), spread_m))
    return area, design, volumes


@pytest.mark.parametrize('turn_deg', [0.0, 33.0])
def test_a_ridge_with_round_ends(turn_deg) -> None:
    # Closed form: L H^2 / tan + pi H^3 / (3 tan^2), reference figures for earthworks.
    site = straight(1.2, turn_deg=turn_deg)
    _, _, volumes = measured(site, lambda p: design_height_of_site_m(site, p))
    exact = 1.2 * H**2 / TAN + math.pi * H**3 / (3.0 * TAN**2)
    assert volumes.placed_m3.sum() == pytest.approx(exact, rel=0.002)
    npt.assert_allclose(volumes.missing_m3, 0.0, atol=1e-9)
    npt.assert_allclose(volumes.over_m3, 0.0, atol=1e-9)
    npt.assert_allclose(volumes.spilled_m3, 0.0, atol=1e-6)
    # The middle segment has no end: exactly length x H^2 / tan, by the closed form too.
    assert volumes.placed_m3[1] == pytest.approx(0.4 * H**2 / TAN, rel=0.002)


def test_a_cone_dumped_on_the_line() -> None:
    # pi h^3 / (3 tan^2): 0.010 m3 at 35 degrees stands 0.1672919 m high (reference figure).
    tan35 = math.tan(math.radians(35.0))
    _, _, volumes = measured(straight(1.2), lambda p: np.maximum(
        0.0, 0.1672919 - tan35 * np.hypot(p[:, 0] - 0.6, p[:, 1])))
    assert volumes.placed_m3.sum() == pytest.approx(0.010, rel=0.003)
    assert volumes.spilled_m3.sum() == pytest.approx(0.0, abs=1e-6)


def test_an_arc_by_pappus() -> None:
    # A ridge swept about an axis: section area times the way of its centroid, which is the
    # centreline for a symmetric section; ends are half cones.
    site = arc(1.0, sweep_deg=140.0)
    _, _, volumes = measured(site, lambda p: design_height_of_site_m(site, p))
    exact = H**2 / TAN * math.radians(140.0) + math.pi * H**3 / (3.0 * TAN**2)
    assert volumes.placed_m3.sum() == pytest.approx(exact, rel=0.002)


def test_a_ring_by_pappus() -> None:
    site = arc(1.0, sweep_deg=360.0)
    _, _, volumes = measured(site, lambda p: design_height_of_site_m(site, p))
    assert volumes.placed_m3.sum() == pytest.approx(2.0 * math.pi * H**2 / TAN, rel=0.002)
    npt.assert_allclose(volumes.placed_m3, volumes.placed_m3.mean(), rtol=0.005)


def test_a_trapezoid_section() -> None:
    # Reference figures for earthworks: (b + s h) h per metre of a flat-topped section.
    site = straight(2.0, width_m=0.3)
    _, _, volumes = measured(site, lambda p: design_height_of_site_m(site, p))
    middle = (0.3 + H / TAN) * H * 0.4
    npt.assert_allclose(volumes.placed_m3[1:-1], middle, rtol=0.002)


def test_half_a_berm_is_missing_and_a_blanket_is_over_and_spilled() -> None:
    site = straight(1.2)
    area, design, low = measured(site, lambda p: 0.5 * design_height_of_site_m(site, p))
    whole = VolumeSums(area, design).design_m3()
    npt.assert_allclose(low.placed_m3, 0.5 * whole, rtol=1e-6)
    npt.assert_allclose(low.missing_m3, 0.5 * whole, rtol=1e-6)
    _, _, high = measured(site, lambda p: 0.01 + design_height_of_site_m(site, p))
    inside = area.shares @ area.in_footprint * area.lattice.cell_area_m2
    outside = area.shares @ ~area.in_footprint * area.lattice.cell_area_m2
    npt.assert_allclose(high.over_m3, 0.01 * inside, rtol=1e-4)
    npt.assert_allclose(high.spilled_m3, 0.01 * outside, rtol=1e-3)


def test_soil_slid_past_the_toe_is_spilled() -> None:
    def lump(points):
        near = np.hypot(points[:, 0] - 0.6, points[:, 1] - HALF_M - 0.12)
        return np.maximum(0.0, 0.05 - 0.6 * near)

    _, _, volumes = measured(straight(1.2), lump)
    exact = math.pi * 0.05**3 / (3.0 * 0.6**2)
    assert volumes.spilled_m3.sum() == pytest.approx(exact, rel=0.02)
    assert volumes.placed_m3.sum() == pytest.approx(exact, rel=0.02)


SITE = straight(1.13, turn_deg=27.0)
AREA = survey_area(SITE)
DESIGN = design_height_of_site_m(SITE, AREA.corridor.centres_xy)
SUMS = VolumeSums(AREA, DESIGN)


@settings(max_examples=30)
@given(st.integers(0, 1000), st.floats(0.0, 0.1), st.floats(0.0, 0.01))
def test_placed_and_missing_less_over_is_the_design(seed, scatter_m, spread_m) -> None:
    height = DESIGN * 0.8 + np.random.default_rng(seed).normal(0.0, scatter_m, len(AREA))
    volumes = volumes_of(SUMS, height, np.full(len(AREA), spread_m))
    npt.assert_allclose(
        volumes.placed_m3 - volumes.spilled_m3 + volumes.missing_m3 - volumes.over_m3,
        SUMS.design_m3(), atol=1e-12)


@settings(max_examples=30)
@given(st.integers(0, 1000))
def test_segments_add_up_to_the_berm(seed) -> None:
    height = np.random.default_rng(seed).normal(0.1, 0.05, len(AREA))
    volumes = volumes_of(SUMS, height, np.zeros(len(AREA)))
    corridor, area_m2 = AREA.in_corridor, AREA.lattice.cell_area_m2
    assert volumes.placed_m3.sum() == pytest.approx(height[corridor].sum() * area_m2, rel=1e-12)
    outside = corridor & ~AREA.in_footprint
    assert volumes.spilled_m3.sum() == pytest.approx(height[outside].sum() * area_m2, rel=1e-12)


def test_what_is_not_cut_into_segments_is_the_same_berm() -> None:
    line = Polyline([[0.0, 0.0], [1.0, 0.4]])
    sums = []
    for segment_m in (2.0, 0.13):
        site = site_of(berm_of(line, segment_m=segment_m))
        _, _, volumes = measured(site, lambda p: 0.02 * (1 + p[:, 0]))
        sums.append([v.sum() for v in volumes])
    npt.assert_allclose(sums[0], sums[1], rtol=1e-9)


@settings(max_examples=20)
@given(st.floats(-0.05, 0.05))
def test_a_higher_surface_lowers_each_deficit_exactly(change_m) -> None:
    spread = np.full(len(AREA), 0.001)
    low = volumes_of(SUMS, 0.6 * DESIGN, spread)
    high = volumes_of(SUMS, 0.6 * DESIGN + change_m, spread)
    inside = AREA.shares @ AREA.in_footprint * AREA.lattice.cell_area_m2
    npt.assert_allclose(
        (low.missing_m3 - low.over_m3) - (high.missing_m3 - high.over_m3), change_m * inside,
        atol=1e-9)


def test_unseen_cells_count_like_the_seen_ones_and_too_few_count_for_nothing() -> None:
    height = np.full(len(AREA), 0.03)
    height[np.random.default_rng(1).random(len(AREA)) < 0.4] = np.nan
    whole = volumes_of(SUMS, np.full(len(AREA), 0.03), np.zeros(len(AREA)))
    part = volumes_of(SUMS, height, np.zeros(len(AREA)))
    npt.assert_allclose(part.placed_m3, whole.placed_m3, rtol=1e-9)
    height[AREA.corridor.segment_index == 1] = np.nan
    gone = volumes_of(SUMS, height, np.zeros(len(AREA)))
    for values in gone:
        assert np.isnan(values).tolist() == [False, True, False]


def test_noise_about_the_design_makes_little_missing_and_over() -> None:
    # Uncorrected, both would be 0.4 sigma times the footprint.
    rng = np.random.default_rng(1)
    height = DESIGN + rng.normal(0.0, 0.004, len(AREA))
    inside = float(AREA.in_footprint.sum()) * AREA.lattice.cell_area_m2
    plain = volumes_of(SUMS, height, np.zeros(len(AREA))).missing_m3.sum()
    mended = volumes_of(SUMS, height, np.full(len(AREA), 0.004)).missing_m3.sum()
    assert plain == pytest.approx(0.4 * 0.004 * inside, rel=0.1)
    assert abs(mended) < 0.65 * plain


def test_a_stretch_without_design_has_only_what_lies_on_it() -> None:
    # Ground that rises above a level crest: nothing is to be built there.
    design = np.where(AREA.corridor.segment_index == 1, 0.0, DESIGN)
    volumes = volumes_of(
        VolumeSums(AREA, design), np.full(len(AREA), 0.01), np.zeros(len(AREA)))
    whole = AREA.shares @ np.full(len(AREA), 0.01) * AREA.lattice.cell_area_m2
    npt.assert_allclose(volumes.placed_m3, whole, rtol=1e-9)
    assert volumes.missing_m3[1] < 0.05 * volumes.missing_m3[0]


def test_positive_part_far_from_zero_is_plain() -> None:
    gaps = np.array([-0.1, -0.02, 0.02, 0.1])
    npt.assert_allclose(
        positive_part(gaps, np.full(4, 0.003)), np.maximum(0.0, gaps), atol=1e-9)
