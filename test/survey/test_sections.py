# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Cross-sections: where they are, how long each stands for, what they sample."""

from berm_ledger.geometry import Polyline
from berm_ledger.survey.area import survey_area
from berm_ledger.survey.sections import largest_cell_m, SECTION_MARGIN_M, sections_of_berm
import numpy as np
import numpy.testing as npt
import pytest
from survey_kit import arc, berm_of, site_of, straight


@pytest.mark.parametrize('site', [
    straight(), straight(1.13, turn_deg=40.0), arc(), arc(sweep_deg=360.0)])
def test_sections_fill_every_segment(site) -> None:
    area = survey_area(site)
    sections = sections_of_berm(area, 0)
    line = site.berms[0].centreline
    assert sections.closed == line.closed
    assert sections.length_m.sum() == pytest.approx(line.length_m)
    assert (np.diff(sections.station_m) > 0.0).all()
    for row, segment in enumerate(area.segments):
        own = sections.station_m[sections.row == row]
        assert segment.station_from_m < own[0]
        assert own[-1] < segment.station_to_m
        npt.assert_allclose(own.mean(), (segment.station_from_m + segment.station_to_m) / 2.0)


def test_offsets_reach_past_the_toe_with_the_line_in_the_middle() -> None:
    area = survey_area(straight())
    offset = sections_of_berm(area, 0).offset_m
    assert offset[len(offset) // 2] == 0.0
    npt.assert_allclose(np.diff(offset), 0.015)
    toe = np.abs(area.corridor.offset_m[area.in_footprint]).max()
    assert offset[-1] == pytest.approx(toe + SECTION_MARGIN_M, abs=0.015)


@pytest.mark.parametrize(('changes', 'most_m'), [
    # By hand: 0.45 * (H / tan 33 deg + w / 2), and half a segment of 0.25 m.
    ({'height_m': 0.12}, 0.083), ({'height_m': 0.15}, 0.104), ({'height_m': 0.5}, 0.125),
    ({'height_m': 0.12, 'width_m': 0.05}, 0.094)])
def test_cells_that_no_longer_show_a_berm(changes, most_m) -> None:
    site = straight(2.5, slope_deg=33.0, segment_m=0.25, **changes)
    assert largest_cell_m(survey_area(site)) == pytest.approx(most_m, abs=0.007)


@pytest.mark.parametrize('turn_deg', [0.0, 25.0, 90.0, 200.0])
def test_a_plane_is_sampled_exactly_and_left_is_positive(turn_deg) -> None:
    area = survey_area(straight(turn_deg=turn_deg))
    sections = sections_of_berm(area, 0)
    sampled = sections.sample(
        (area.corridor.centres_xy @ (0.3, -0.2)).astype(np.float32), slice(None))
    line = area.site.berms[0].centreline
    points = line.point_at(sections.station_m[:, None], sections.offset_m)
    npt.assert_allclose(sampled, points @ (0.3, -0.2), atol=1e-6)
    # Offsets of the cells themselves, by the nearest point of the line, say the same.
    _, offset = line.station_offset(points.reshape(-1, 2))
    npt.assert_allclose(offset.reshape(sampled.shape), np.tile(sections.offset_m, (
        len(sampled), 1)), atol=1e-9)


def test_an_unknown_cell_is_unknown_in_every_sample_that_leans_on_it() -> None:
    area = survey_area(straight(turn_deg=25.0))
    sections = sections_of_berm(area, 0)
    cells = sections.cells(slice(None))
    cell = int(cells[10, 20, 0])
    values = np.ones(len(area), dtype=np.float32)
    values[cell] = np.nan
    sampled = sections.sample(values, slice(None))
    npt.assert_array_equal(np.isnan(sampled), (cells == cell).any(axis=-1))


def test_samples_of_some_sections_are_those_of_all() -> None:
    area = survey_area(arc())
    sections = sections_of_berm(area, 0)
    values = np.random.default_rng(1).normal(size=len(area)).astype(np.float32)
    npt.assert_array_equal(
        sections.sample(values, slice(5, 9)), sections.sample(values, slice(None))[5:9])


def test_each_berm_has_its_own_rows() -> None:
    site = site_of(berm_of(Polyline([[0, 0], [1, 0]])),
                   berm_of(Polyline([[0, 2], [0.7, 2]]), name='b2'))
    area = survey_area(site)
    assert set(sections_of_berm(area, 0).row) == {0, 1, 2}
    assert set(sections_of_berm(area, 1).row) == {3, 4}
