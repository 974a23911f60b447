# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Cells and their shares: complete, exact at borders, each cell once."""

from dataclasses import replace
import math

from berm_ledger.design import (
    corridor_of_site,
    design_height_in_cells_m,
    design_height_of_site_m,
    half_width_m,
    Plane,
)
from berm_ledger.design.corridor import cells_near, in_few_bytes
from berm_ledger.errors import GeometryError
from berm_ledger.geometry import Lattice, Polyline, Pose2
from design_kit import berm_of, moved_site, site_of
from hypothesis import given, settings
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest

LINE = Polyline([[0, 0], [2.4, 0]])
BEND = Polyline([[0, 0], [1.2, 0], [1.2, 1.2]])
RING = Polyline.arc([0.4, -0.2], 1.0, 0.3, 2 * math.pi)


def lattice_of(site, cell_m=0.015, margin_m=1.0):
    points = np.vstack([berm.centreline.points_xy for berm in site.berms])
    return Lattice.covering(points, cell_m, margin_m)


@pytest.mark.parametrize('cell_m', [0.01, 0.015])
def test_inside_a_bend_the_cells_that_the_border_cuts_in_two_are_shared(cell_m):
    # Inside the corner the border lies along x + y = 1.2, through the corners of these cells,
    # and the stations on both sides of it are far apart.
    site = site_of(berm_of(BEND))
    corridor = corridor_of_site(site, lattice_of(site, cell_m), 0.1)
    x, y = corridor.centres_xy.T
    cut = (np.abs(x + y - 1.2) < 1e-6) & (y > 2.5 * cell_m)
    assert cut.sum() > 10
    shares = corridor.shares.toarray()[:, cut]
    # Of 4 x 4 points in such a cell 4 lie on the border itself.
    npt.assert_allclose(shares[2:4], 0.5, atol=2.0 / 16.0 + 1e-9)
    npt.assert_allclose(shares[2] + shares[3], 1.0)


def area_m2(corridor):
    return corridor.total(np.ones(len(corridor))) * corridor.lattice.cell_area_m2


@pytest.mark.parametrize('line', [LINE, BEND, RING], ids=['straight', 'bend', 'ring'])
def test_the_corridor_holds_every_cell_in_reach_and_no_other(line):
    site = site_of(berm_of(line))
    lattice = lattice_of(site)
    corridor = corridor_of_site(site, lattice, 0.1)
    centres = lattice.centres_xy().reshape(-1, 2)
    station, offset = line.station_offset(centres)
    inside = np.flatnonzero(np.abs(offset) <= half_width_m(site.berms[0]) + 0.1)
    npt.assert_array_equal(corridor.flat_index, inside)
    npt.assert_allclose(corridor.centres_xy, centres[inside])
    npt.assert_array_equal(corridor.station_m, station[inside])
    npt.assert_array_equal(corridor.offset_m, offset[inside])
    assert corridor.shares.shape == (len(corridor.segments), len(inside))


@pytest.mark.parametrize('line', [LINE, BEND, RING], ids=['straight', 'bend', 'ring'])
@pytest.mark.parametrize('cell_m', [0.015, 0.05])
def test_the_shares_of_a_cell_add_up_to_one(line, cell_m):
    site = site_of(berm_of(line), cell_m=cell_m)
    corridor = corridor_of_site(site, lattice_of(site, cell_m), 0.1)
    npt.assert_allclose(np.asarray(corridor.shares.sum(axis=0)).ravel(), 1.0, atol=1e-12)
    assert corridor.shares.data.min() >= 0.0
    # The segment that the centre falls in has a share, on a straight line not the smaller one.
    centre = np.asarray(corridor.shares[corridor.segment_index, np.arange(len(corridor))]).ravel()
    assert centre.min() >= (0.499 if line is LINE else 0.2)


@given(st.floats(-0.02, 0.02), st.floats(0.3, 0.5))
def test_borders_across_cells_are_shared_exactly(shift, longest):
    # Along a lattice axis the middle segments are rectangles, wherever borders cut the cells.
    site = site_of(berm_of(Polyline([[shift, 0], [2.4 + shift, 0]]), segment_m=longest))
    corridor = corridor_of_site(site, lattice_of(site), 0.1)
    rows = np.unique(corridor.flat_index // corridor.lattice.cols)
    middle = area_m2(corridor)[1:-1]
    part = corridor.segments[0].length_m
    npt.assert_allclose(middle, part * len(rows) * 0.015, rtol=1e-9)


@given(st.floats(0.0, math.pi), st.floats(0.0, 0.015), st.floats(0.0, 0.015))
@settings(max_examples=40)
def test_areas_are_those_of_the_plane_whatever_the_lattice(yaw, x, y):
    site = moved_site(site_of(berm_of(LINE)), Pose2(x, y, yaw))
    area = area_m2(corridor_of_site(site, lattice_of(site, margin_m=0.4), 0.1))
    half = float(half_width_m(site.berms[0])) + 0.1
    # The edge of the corridor runs along cells: at most half a row on either side.
    npt.assert_allclose(area[1:-1], 0.4 * 2 * half, rtol=0.008 / half)
    assert area.sum() == pytest.approx(2.4 * 2 * half + math.pi * half ** 2, rel=0.008 / half)


def test_a_cell_that_a_border_cuts_is_shared_as_it_is_cut():
    # Cells of 15 mm around 0.405 m reach from 0.3975 to 0.4125 m, the border lies at 0.4 m.
    site = site_of(berm_of(LINE))
    corridor = corridor_of_site(site, lattice_of(site), 0.1)
    cut = np.abs(corridor.centres_xy[:, 0] - 0.405) < 1e-6
    shares = corridor.shares.toarray()[:, cut]
    npt.assert_allclose(shares[0], 0.0025 / 0.015)
    npt.assert_allclose(shares[1], 1.0 - 0.0025 / 0.015)


def test_outside_a_bend_both_segments_get_half():
    site = site_of(berm_of(BEND, segment_m=1.2))
    corridor = corridor_of_site(site, lattice_of(site), 0.2)
    x, y = corridor.centres_xy.T
    wedge = (x > 1.2 + 1e-9) & (y < -1e-9)
    assert wedge.sum() > 100
    npt.assert_allclose(corridor.shares.toarray()[:, wedge], 0.5)
    assert area_m2(corridor)[0] == pytest.approx(area_m2(corridor)[1], rel=0.002)


def test_the_seam_of_a_ring_is_a_border_like_others():
    site = site_of(berm_of(RING, segment_m=0.9))
    corridor = corridor_of_site(site, lattice_of(site), 0.05)
    npt.assert_allclose(area_m2(corridor), area_m2(corridor).mean(), rtol=0.003)


@given(st.floats(0.0, 0.02))
@settings(max_examples=20)
def test_the_seam_of_a_ring_cuts_cells_exactly(shift):
    # The seam lies amid the long side of a rectangle: first and last segment are rectangles too.
    ring = Polyline([[1.2 + shift, 0], [2.4, 0], [2.4, 1.2], [0, 1.2], [0, 0]], True)
    site = site_of(berm_of(ring, segment_m=0.2))
    corridor = corridor_of_site(site, lattice_of(site, margin_m=0.4), 0.1)
    rows = np.unique(corridor.flat_index[corridor.segment_index == 0] // corridor.lattice.cols)
    npt.assert_allclose(area_m2(corridor)[[0, -1]], 0.2 * len(rows) * 0.015, rtol=1e-9)


def test_a_cell_of_two_corridors_belongs_to_the_nearest_line():
    site = site_of(berm_of(LINE), berm_of(Polyline([[0, 0.45], [2.4, 0.45]]), name='b'))
    corridor = corridor_of_site(site, lattice_of(site), 0.1)
    assert len(np.unique(corridor.flat_index)) == len(corridor)
    assert (np.diff(corridor.flat_index) > 0).all()
    y = corridor.centres_xy[:, 1]
    # Row 15 lies at 0.225 m, as far from one line as from the other: it goes to the first.
    certain = np.abs(y - 0.225) > 1e-9
    npt.assert_array_equal(corridor.berm_index[certain], (y > 0.225)[certain])
    # No share crosses from one berm to the other.
    berm_of_row = np.array([segment.berm_index for segment in corridor.segments])
    row, col = corridor.shares.nonzero()
    npt.assert_array_equal(berm_of_row[row], corridor.berm_index[col])
    npt.assert_allclose(np.asarray(corridor.shares.sum(axis=0)).ravel(), 1.0, atol=1e-12)


def test_a_lattice_beside_the_berm_holds_no_corridor():
    site = site_of(berm_of(LINE))
    for lattice in (Lattice(10.0, 10.0, 0.015, 50, 60), Lattice(0.0, 0.6, 0.015, 3, 3)):
        corridor = corridor_of_site(site, lattice, 0.1)
        assert len(corridor) == 0
        assert corridor.total(np.zeros(0)).tolist() == [0.0] * 6


@given(st.integers(1, 40), st.integers(1, 40), st.floats(-1, 3), st.floats(-1, 2),
       st.floats(0.0, 0.6))
def test_no_cell_in_reach_is_pruned(rows, cols, x, y, reach):
    lattice = Lattice(x, y, 0.04, rows, cols)
    _, offset = BEND.station_offset(lattice.centres_xy().reshape(-1, 2))
    near = cells_near(BEND, lattice, reach)
    assert set(np.flatnonzero(np.abs(offset) <= reach)) <= set(near.tolist())
    assert len(set(near.tolist())) == len(near)
    assert near.size == 0 or (near.min() >= 0 and near.max() < rows * cols)


def test_a_level_crest_is_as_wide_as_the_ground_lets_it():
    site = site_of(berm_of(LINE, level_m=1.0, slope_deg=45.0))
    lattice = lattice_of(site)
    # 0.8 m on the left, where the toe is 0.2 m away; 0.9 m on the right; a hole with no height.
    datum = np.where(lattice.centres_xy()[..., 1] > 0.0, 0.8, 0.9)
    datum[lattice.rows // 2 + 5, lattice.cols // 2] = math.nan
    corridor = corridor_of_site(site, lattice, 0.0, datum_m=datum)
    assert corridor.offset_m.max() == pytest.approx(0.2, abs=0.015)
    assert corridor.offset_m.min() == pytest.approx(-0.1, abs=0.015)
    assert np.isnan(corridor.pick(datum)).sum() == 1
    with pytest.raises(GeometryError, match='level crest'):
        corridor_of_site(site, lattice, 0.0)
    with pytest.raises(GeometryError, match='level crest'):
        corridor_of_site(site, lattice, 0.0, datum_m=np.full(lattice.shape, math.nan))
    on_plane = replace(site, datum_plane=Plane(0.0, 0.0, 0.8))
    assert corridor_of_site(on_plane, lattice, 0.0).offset_m.min() == pytest.approx(
        -0.2, abs=0.015)


def test_pick_and_total_go_from_lattice_to_segments():
    site = site_of(berm_of(LINE))
    lattice = lattice_of(site)
    corridor = corridor_of_site(site, lattice, 0.1)
    layer = np.zeros(lattice.shape)
    layer.reshape(-1)[corridor.flat_index] = corridor.segment_index
    npt.assert_array_equal(corridor.pick(layer), corridor.segment_index)
    # Sums of whatever was in the cells are the same by segment and in all.
    assert corridor.total(corridor.pick(layer)).sum() == pytest.approx(layer.sum())
    with pytest.raises(ValueError, match='read-only'):
        corridor.station_m[0] = 0.0


def test_the_mean_over_a_cell_is_lower_than_its_centre_on_the_crest():
    site = site_of(berm_of(LINE))
    corridor = corridor_of_site(site, lattice_of(site), 0.1)
    mean = design_height_in_cells_m(site, corridor)
    centre = design_height_of_site_m(site, corridor.centres_xy)
    crest = np.abs(corridor.offset_m) < 1e-9
    # A sharp crest in the middle of a cell: slope times a quarter of the cell.
    inner = crest & (corridor.station_m > 0.1) & (corridor.station_m < 2.3)
    npt.assert_allclose((centre - mean)[inner], math.tan(math.radians(33)) * 0.015 / 4, rtol=1e-6)
    npt.assert_allclose(mean, centre, atol=0.0035)


def test_berm_and_segment_of_a_cell_take_two_bytes_and_four_where_they_must():
    site = site_of(berm_of(LINE))
    corridor = corridor_of_site(site, lattice_of(site, 0.05), 0.1)
    assert {corridor.berm_index.dtype, corridor.segment_index.dtype} == {np.dtype(np.int16)}
    for most, kind in ((32_767, np.int16), (32_768, np.int32)):
        few = in_few_bytes(np.array([0, most]))
        assert (few.dtype, few.tolist()) == (kind, [0, most])
    assert in_few_bytes(np.zeros(0, dtype=np.intp)).shape == (0,)
