# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The design over a surveyed datum is the design alone, also where two berms overlap."""

from berm_ledger.design import Plane
from berm_ledger.design.surface import design_height_of_site_m
from berm_ledger.geometry import Polyline
from berm_ledger.survey.area import survey_area
from berm_ledger.survey.datum import plane_datum
from berm_ledger.survey.designed import designed_over
from berm_ledger.survey.sections import sections_of_berm
import numpy.testing as npt
import pytest
from survey_kit import berm_of, FLAT, site_of

SLOPE = Plane(0.05, -0.02, 0.03)


def two_berms(gap_m, *, plane=FLAT, **changes):
    """Return a site with a low berm beside a tall one that reaches over it, and across its end."""
    low = berm_of(Polyline([[0.0, 0.0], [1.6, 0.0]]), height_m=0.06)
    tall = berm_of(Polyline([[0.2, gap_m], [1.9, gap_m + 0.3]]), name='b2', **changes)
    return site_of(low, tall, plane=plane)


@pytest.mark.parametrize('gap_m', [0.15, 0.25, 0.4, 0.8])
@pytest.mark.parametrize(('plane', 'changes'), [
    (FLAT, {'height_m': 0.3}), (FLAT, {'height_m': 0.3, 'width_m': 0.2}),
    (SLOPE, {'level_m': 0.3})], ids=['ridge', 'flat top', 'level crest'])
def test_where_berms_overlap_the_higher_design_holds(gap_m, plane, changes) -> None:
    """Cell by cell as the design alone, wherever a cell lies nearer to the other berm."""
    site = two_berms(gap_m, plane=plane, **changes)
    area = survey_area(site)
    sections = [sections_of_berm(area, index) for index in (0, 1)]
    designed = designed_over(area, sections, plane_datum(area, 0))
    expected = design_height_of_site_m(site, area.centres_xy)
    inside = area.in_corridor
    npt.assert_allclose(designed.height_m[inside], expected[inside], atol=1e-6)
    assert designed.highest_m == designed.height_m.max()


def test_targets_are_the_crest_over_its_own_ground() -> None:
    """Of a level crest the height over a plane: at its line, and on average of each segment."""
    site = two_berms(0.4, plane=SLOPE, level_m=0.3)
    area = survey_area(site)
    sections = [sections_of_berm(area, index) for index in (0, 1)]
    designed = designed_over(area, sections, plane_datum(area, 0))
    npt.assert_allclose(designed.targets_m[0], 0.06)
    line = site.berms[1].centreline
    over_m = 0.3 - SLOPE.height_m(line.point_at(sections[1].station_m, 0.0))
    npt.assert_allclose(designed.targets_m[1], over_m, atol=1e-5)
    for segment, target_m in zip(area.segments, designed.of_segments_m(sections)):
        middle = line.point_at(0.5 * (segment.station_from_m + segment.station_to_m), 0.0)
        wanted = 0.06 if segment.berm_index == 0 else 0.3 - float(SLOPE.height_m(middle))
        assert target_m == pytest.approx(wanted, abs=1e-4)
