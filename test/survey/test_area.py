# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Which cells are surveyed, their neighbours, and curvature over them."""

from dataclasses import replace
import math

from berm_ledger.design import BorrowArea
from berm_ledger.geometry import Polygon, Polyline
from berm_ledger.survey.area import APRON_M, CORRIDOR_MARGIN_M, DUG_MARGIN_M, survey_area
import numpy as np
import numpy.testing as npt
import pytest
from survey_kit import arc, berm_of, site_of, straight

HALF_M = 0.2 / math.tan(math.radians(33.0))


@pytest.mark.parametrize('site', [
    straight(turn_deg=20.0), arc(), site_of(
        berm_of(Polyline([[0, 0], [1, 0]])), berm_of(Polyline([[0, 2], [1, 2]]), name='b2'))])
def test_cells_lie_within_their_distances(site) -> None:
    area = survey_area(site)
    distance = np.abs(area.corridor.offset_m)
    assert distance.max() <= HALF_M + CORRIDOR_MARGIN_M + APRON_M + 1e-9
    npt.assert_array_equal(area.in_footprint, distance <= HALF_M)
    npt.assert_array_equal(area.in_corridor, distance <= HALF_M + CORRIDOR_MARGIN_M)
    npt.assert_array_equal(
        area.cell_of_flat[area.corridor.flat_index], np.arange(len(area)))
    assert np.count_nonzero(area.cell_of_flat >= 0) == len(area)


def test_dug_ground_is_no_corridor_but_a_footprint_stays_whole() -> None:
    site = straight(2.0)
    pit = Polygon([[0.5, -0.9], [1.5, -0.9], [1.5, 0.0], [0.5, 0.0]])
    yard = replace(site.yard, borrow_areas=(BorrowArea('pit', pit, None),))
    plain, area = survey_area(site), survey_area(replace(site, yard=yard))
    near = pit.contains(area.centres_xy) | (pit.distance_m(area.centres_xy) <= DUG_MARGIN_M)
    npt.assert_array_equal(area.is_dug, near & ~plain.in_footprint)
    npt.assert_array_equal(area.in_corridor, plain.in_corridor & ~area.is_dug)
    npt.assert_array_equal(area.in_footprint, plain.in_footprint)
    assert not plain.is_dug.any()


def test_areas_are_those_of_a_stadium() -> None:
    area = survey_area(straight(2.0))
    for inside, half in ((area.in_footprint, HALF_M),
                         (area.in_corridor, HALF_M + CORRIDOR_MARGIN_M)):
        exact = 2.0 * half * 2.0 + math.pi * half**2
        assert inside.sum() * area.lattice.cell_area_m2 == pytest.approx(exact, rel=0.005)


def test_shares_add_up_to_the_corridor_and_are_nothing_outside() -> None:
    area = survey_area(straight(turn_deg=31.0))
    npt.assert_allclose(
        np.asarray(area.shares.sum(axis=0)).ravel(), area.in_corridor.astype(float), atol=1e-12)


def test_neighbours_are_a_step_away_or_none() -> None:
    area = survey_area(straight())
    points = area.corridor.centres_xy
    every = np.arange(len(area))
    for row_step, col_step in ((0, 1), (-1, 0), (2, -2), (1000, 0)):
        near = area.neighbours(every, row_step, col_step)
        known = near >= 0
        step = points[near[known]] - points[known]
        npt.assert_allclose(step, np.tile([0.015 * col_step, 0.015 * row_step], (len(step), 1)),
                            atol=1e-9)
        # Nobody has lost a neighbour: the cells without one are those whose place is not there.
        flat = {tuple(np.round(p / 0.015).astype(int)) for p in points}
        missing = np.round(points[~known] / 0.015 + np.array([col_step, row_step])).astype(int)
        assert not any(tuple(place) in flat for place in missing[::17])


def test_neighbours_do_not_wrap_around_the_lattice() -> None:
    area = survey_area(straight())
    col = area.corridor.flat_index % area.lattice.cols
    assert (area.neighbours(np.flatnonzero(col == area.lattice.cols - 1), 0, 1) == -1).all()
    assert (area.neighbours(np.flatnonzero(col == 0), 0, -1) == -1).all()


def test_sides_of_some_cells_are_those_of_all_and_themselves_at_the_border() -> None:
    area = survey_area(straight())
    every = np.arange(len(area))
    sides, some = area.sides_of(every), np.random.default_rng(5).permutation(every)[:200]
    npt.assert_array_equal(area.sides_of(some), sides[:, some])
    lone = (sides == every).any(axis=0)
    assert 0 < lone.sum() < len(area) / 2
    cell_m = area.lattice.cell_m
    gap = np.linalg.norm(area.centres_xy[sides[:, ~lone]] - area.centres_xy[~lone], axis=2)
    npt.assert_allclose(gap, cell_m)


def test_spreading_over_the_lattice_and_back() -> None:
    area = survey_area(straight())
    values = np.arange(len(area), dtype=np.float32)
    spread = area.on_lattice(values, fill=np.nan)
    assert spread.shape == area.lattice.shape
    assert np.isnan(spread).sum() == spread.size - len(area)
    npt.assert_array_equal(area.corridor.pick(spread), values)


def test_a_level_crest_widens_with_the_depth_of_the_ground() -> None:
    line = Polyline([[0.0, 0.0], [1.0, 0.0]])
    site = site_of(berm_of(line, level_m=10.2), plane=None)
    wide, narrow = survey_area(site, ground_m=9.9), survey_area(site, ground_m=10.0)
    slope = math.tan(math.radians(33.0))
    for area, height in ((wide, 0.3), (narrow, 0.2)):
        assert np.abs(area.corridor.offset_m[area.in_footprint]).max() == pytest.approx(
            height / slope, abs=0.015)


def test_no_zeros_are_kept_among_the_shares() -> None:
    area = survey_area(straight(turn_deg=31.0))
    assert area.shares.data.min() > 0.0
    assert area.shares.nnz < area.corridor.shares.nnz
