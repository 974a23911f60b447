# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What lies behind a crest that nobody has looked over: against closed forms of whole ridges."""

from collections.abc import Callable
import math

from berm_ledger.design import Site
from berm_ledger.geometry import Polyline, Pose2
from berm_ledger.survey.other_flank import OtherFlank
from berm_ledger.survey.site_survey import SiteSurvey
import numpy as np
import numpy.testing as npt
import pytest
from survey_kit import arc, berm_of, design_of, grid_of, SECOND_NS, site_of, START_NS, straight

FAR = Pose2(30.0, 30.0)
TAN = math.tan(math.radians(33.0))
HEIGHT_M, LENGTH_M = 0.2, 1.2
# Closed form of a ridge with round ends: L H^2 / tan + pi H^3 / (3 tan^2).
RIDGE_M3 = LENGTH_M * HEIGHT_M**2 / TAN + math.pi * HEIGHT_M**3 / (3.0 * TAN**2)
# A sensor sees a little past the crest.
PAST_CREST_M = 0.04
Heights = Callable[[np.ndarray], np.ndarray]


def bare(points: np.ndarray) -> np.ndarray:
    """Return flat ground."""
    return np.zeros(points.shape[:-1])


def looked_at(survey: SiteSurvey, height_of: Heights, count: int, start: int) -> None:
    """Take grids, one a second, while any of the berm may have changed."""
    for k in range(count):
        survey.take_grid(grid_of(
            survey.site, height_of, noise_m=0.003, seed=start + k,
            stamp_ns=START_NS + (start + k) * SECOND_NS), FAR, survey.area.in_corridor)


def from_the_right(site: Site, height_of: Heights) -> Heights:
    """Return heights as seen from the right of the first berm, or of an arc about the origin."""
    line = site.berms[0].centreline
    along = np.diff(line.points_xy[[0, -1]], axis=0)[0]
    left = np.array([-along[1], along[0]]) / np.hypot(*along)

    def seen(points: np.ndarray) -> np.ndarray:
        behind_m = points @ left
        if len(line.points_xy) > 2:
            behind_m = np.hypot(*line.points_xy[0]) - np.linalg.norm(points, axis=-1)
        return np.where(behind_m > PAST_CREST_M, np.nan, height_of(points))
    return seen


def poured(site: Site, height_of: Heights, before: Heights = bare) -> SiteSurvey:
    """Return a survey of ground on which a berm was poured, seen from its right since."""
    survey = SiteSurvey(site)
    looked_at(survey, before, 12, 0)
    survey.surface.loosen(np.ones(len(survey.area), dtype=bool))
    looked_at(survey, from_the_right(site, height_of), 12, 12)
    return survey


def total(survey: SiteSurvey, name: str) -> float:
    """Return the sum of a figure over all segments."""
    return float(sum(getattr(reading, name) for reading in survey.readings()))


@pytest.mark.parametrize('site', [straight(), straight(turn_deg=33.0)])
def test_a_ridge_seen_from_one_side_is_as_large_as_it_is(site: Site) -> None:
    survey = poured(site, design_of(site))
    assert total(survey, 'placed_m3') == pytest.approx(RIDGE_M3, rel=0.01)
    assert total(survey, 'missing_m3') < 0.01 * RIDGE_M3
    assert total(survey, 'spilled_m3') == pytest.approx(0.0, abs=0.01 * RIDGE_M3)
    npt.assert_allclose([r.height_m for r in survey.readings()], HEIGHT_M, atol=0.002)


def test_a_bend_seen_from_outside_is_as_large_as_it_is() -> None:
    # Pappus: section area times the way of its centroid, ends are half cones.
    site = arc(1.0, sweep_deg=100.0)
    exact = HEIGHT_M**2 / TAN * math.radians(100.0) + math.pi * HEIGHT_M**3 / (3.0 * TAN**2)
    assert total(poured(site, design_of(site)), 'placed_m3') == pytest.approx(exact, rel=0.02)


def test_a_crest_beside_its_line_has_its_flanks_beside_it_too() -> None:
    site = straight(LENGTH_M)
    aside = site_of(berm_of(Polyline([[0.0, -0.05], [LENGTH_M, -0.05]])))
    survey = poured(site, design_of(aside))
    assert total(survey, 'placed_m3') == pytest.approx(RIDGE_M3, rel=0.02)


def test_what_is_hidden_is_stated_less_surely() -> None:
    site = straight()
    survey = poured(site, design_of(site))
    hidden = [reading.placed_se_m3 for reading in survey.readings()]
    looked_at(survey, design_of(site), 12, 24)
    seen = [reading.placed_se_m3 for reading in survey.readings()]
    # A fifth of the triangle behind what is seen, in the middle segment, which has no end.
    behind_m3 = 0.4 * 0.5 * TAN * (HEIGHT_M / TAN - PAST_CREST_M)**2
    assert hidden[1] == pytest.approx(0.2 * behind_m3, rel=0.1)
    assert max(seen) < 0.2 * min(hidden)
    assert total(survey, 'placed_m3') == pytest.approx(RIDGE_M3, rel=0.01)


def test_soil_that_was_seen_behind_the_crest_does_not_become_less() -> None:
    """The other flank was built up first; then loads came on this one only."""
    site = straight()

    def other_flank(points: np.ndarray) -> np.ndarray:
        return np.where(points[..., 1] > 0.0, design_of(site)(points), 0.0)

    def this_one_low(points: np.ndarray) -> np.ndarray:
        return np.where(points[..., 1] > 0.0, 1.0, 0.6) * design_of(site)(points)

    survey = SiteSurvey(site)
    looked_at(survey, bare, 12, 0)
    survey.surface.loosen(np.ones(len(survey.area), dtype=bool))
    looked_at(survey, other_flank, 12, 12)
    survey.surface.loosen(np.ones(len(survey.area), dtype=bool))
    looked_at(survey, from_the_right(site, this_one_low), 12, 24)
    assert total(survey, 'placed_m3') == pytest.approx(0.8 * RIDGE_M3, rel=0.03)


def test_ground_that_no_load_came_near_stays_as_it_was_seen() -> None:
    """The far side of a berm that stands is out of view for long: nothing is taken for it."""
    site = straight()
    survey = SiteSurvey(site)
    looked_at(survey, design_of(site), 12, 0)

    def worn(points: np.ndarray) -> np.ndarray:
        return 0.9 * design_of(site)(points)

    looked_at(survey, from_the_right(site, worn), 12, 12)
    own = survey.area.corridor.offset_m > 2.0 * PAST_CREST_M
    npt.assert_array_equal(survey.likely_height_m()[own], survey.height_m()[own])
    assert survey.likely_height_m()[own].max() > 0.05


def test_heights_for_the_wheels_hold_what_lies_behind_the_crest() -> None:
    site = straight()
    survey = poured(site, design_of(site))
    behind = survey.area.in_footprint & (survey.area.centres_xy[:, 1] > 2.0 * PAST_CREST_M)
    assert np.abs(survey.height_m()[behind]).max() < 0.02
    design = design_of(site)(survey.area.centres_xy[behind])
    npt.assert_allclose(survey.likely_height_m()[behind], design, atol=0.03)


def test_soil_of_a_berm_beside_is_not_taken_for_what_lies_across() -> None:
    """Seen from between two berms side by side, of which the further one stood before."""
    first, second = (
        berm_of(Polyline([[0.0, y], [LENGTH_M, y]]), name=name)
        for name, y in (('first', 0.0), ('second', 0.65)))
    site = site_of(first, second)
    survey = SiteSurvey(site)
    looked_at(survey, bare, 12, 0)
    survey.surface.loosen(np.ones(len(survey.area), dtype=bool))
    looked_at(survey, design_of(site_of(second)), 12, 12)
    survey.surface.loosen(survey.area.centres_xy[:, 1] < 0.65)

    def from_between(points: np.ndarray) -> np.ndarray:
        return np.where(points[..., 1] < -PAST_CREST_M, np.nan, design_of(site)(points))

    looked_at(survey, from_between, 12, 24)
    placed = sum(r.placed_m3 for r in survey.readings(np.arange(3)))
    assert placed == pytest.approx(RIDGE_M3, rel=0.03)
    beyond = survey.area.centres_xy[:, 1] < -HEIGHT_M / TAN
    assert survey.likely_height_m()[beyond].max() < 0.05


def test_what_is_hidden_is_followed_as_it_comes_and_goes() -> None:
    """A survey that has filled in other cells before fills in what one made anew would."""
    site = straight()
    survey = poured(site, design_of(site))
    before = survey.likely_height_m()
    looked_at(survey, lambda points: np.where(
        points[..., 0] < 0.5 * LENGTH_M, design_of(site)(points), np.nan), 6, 24)
    halfway = survey.likely_height_m()
    alone = OtherFlank(survey.area, survey.sections).filled(survey.surface, survey.datum)
    npt.assert_array_equal(halfway, (alone.surface.height_m - survey.datum.level_m).astype(float))
    behind = survey.area.in_footprint & (survey.area.centres_xy[:, 1] > 2.0 * PAST_CREST_M)
    right = survey.area.centres_xy[:, 0] > 0.6 * LENGTH_M
    assert np.abs(halfway - before)[behind & right].max() < 0.01
    assert not np.array_equal(halfway[behind & ~right], before[behind & ~right])
