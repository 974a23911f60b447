# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Ground to keep off, against each coarse cell counted by hand."""

from berm_ledger.geometry import Polygon
from berm_ledger.survey.area import survey_area
from berm_ledger.targeting.no_go import CELL_M, FREE_BELOW, LEAST_SHARE, NoGo
import numpy as np
from targeting_kit import rectangle, site_of, straight


def counted(no_go, height_m):
    site, lattice = no_go.site, no_go.lattice
    index = np.rint(lattice.index_from_xy(no_go.area.centres_xy)).astype(int)
    cells, high = {}, {}
    for place, height in zip(map(tuple, index), height_m):
        cells[place] = cells.get(place, 0) + 1
        high[place] = high.get(place, 0) + (height > site.rover.clearance_m)
    out = np.zeros(lattice.shape, dtype=bool)
    for place, count in cells.items():
        out[place] = high[place] / count >= LEAST_SHARE
    return out


def test_a_coarse_cell_is_blocked_by_its_share_of_high_cells():
    site = site_of(straight(2.0))
    no_go = NoGo(site, survey_area(site))
    height_m = np.random.default_rng(3).choice(
        [0.0, np.nan, 0.2], size=len(no_go.area), p=[0.93, 0.02, 0.05])

    blocked = no_go.blocked(height_m)
    assert 0 < blocked.sum() < blocked.size
    np.testing.assert_array_equal(blocked, counted(no_go, height_m))
    assert no_go.lattice.cell_m == CELL_M


def test_keep_outs_are_blocked_as_far_as_a_cell_touches_them():
    site = site_of(straight(2.0), keep_outs=[
        Polygon([[-1.0, 1.0], [0.3, 1.1], [-0.4, 2.2]]), rectangle(3.0, -40.0, 3.5, -39.0)],
        yard=rectangle(-5.0, -45.0, 9.0, 5.0))
    no_go = NoGo(site, survey_area(site))
    blocked = no_go.blocked(np.zeros(len(no_go.area)))
    centres = no_go.lattice.centres_xy()
    expected = np.zeros(no_go.lattice.shape, dtype=bool)
    for area in site.yard.keep_outs:
        near = area.polygon.distance_m(centres) <= CELL_M / np.sqrt(2.0)
        expected |= near | area.polygon.contains(centres)
    assert expected.any(axis=1).sum() > 40
    np.testing.assert_array_equal(blocked, expected)


def test_the_grid_is_no_larger_than_the_place_of_work_needs():
    yard = rectangle(-500.0, -500.0, 500.0, 500.0)
    site = site_of(straight(2.0), yard=yard, borrow=[rectangle(4.0, -1.0, 5.0, 1.0)])
    no_go = NoGo(site, survey_area(site))
    assert no_go.lattice.rows * no_go.lattice.cols < 500_000
    assert no_go.lattice.contains(no_go.lattice.index_from_xy([[-9.0, 0.0], [14.0, 0.0]])).all()


def test_what_is_blocked_now_does_not_stay_so():
    site = site_of(straight(2.0))
    no_go = NoGo(site, survey_area(site))
    assert no_go.blocked(np.full(len(no_go.area), 0.2)).any()
    assert not no_go.blocked(np.zeros(len(no_go.area))).any()
    assert not no_go.blocked(np.full(len(no_go.area), np.nan)).any()


def test_the_noise_of_looks_opens_no_cell_and_blocks_it_once():
    site = site_of(straight(2.0))
    no_go = NoGo(site, survey_area(site))
    clearance_m, chance = site.rover.clearance_m, np.random.default_rng(5)
    looks = [no_go.blocked(clearance_m + 0.0005 * chance.standard_normal(len(no_go.area)))
             for _ in range(20)]
    assert looks[0].any()
    for before, after in zip(looks, looks[1:]):
        assert not (before & ~after).any()
    # What would come and go by itself is no more than that of one look.
    alone = [NoGo(site, no_go.area).blocked(np.full(len(no_go.area), share * clearance_m))
             for share in (FREE_BELOW, 1.01)]
    assert not alone[0].any()
    np.testing.assert_array_equal(looks[-1], alone[1])
    np.testing.assert_array_equal(
        no_go.blocked(np.full(len(no_go.area), 0.99 * FREE_BELOW * clearance_m)), alone[0])
