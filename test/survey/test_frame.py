# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The frame of a survey lies where most grids do, not where the first ones came to lie."""

from __future__ import annotations

import math

from berm_ledger.design import Site
from berm_ledger.geometry import Pose2
from berm_ledger.survey.registration import Shift
from berm_ledger.survey.site_survey import SiteSurvey
import numpy as np
import pytest
from survey_kit import grid_of, relief_m, straight

SITE: Site = straight(2.0, turn_deg=20.0, plane=None)
FAR = Pose2(30.0, 30.0)


def ground_m(points):
    return relief_m(points, height_m=0.06)


def placed_m(points, moved_xy, yaw_rad):
    """Return the relief as a grid shows it that is turned about the origin and then moved."""
    cos, sin = math.cos(yaw_rad), math.sin(yaw_rad)
    return ground_m((points - moved_xy) @ np.array([[cos, -sin], [sin, cos]]))


def surveyed(placings) -> SiteSurvey:
    """Return a survey of the ground by grids that lie so."""
    survey = SiteSurvey(SITE)
    nobody = np.zeros(len(survey.area), dtype=bool)
    for seed, placing in enumerate(placings):
        grid = grid_of(SITE, lambda p, placing=placing: placed_m(p, *placing), noise_m=0.003,
                       seed=seed, stamp_ns=(1 + seed) * 1_000_000_000)
        assert hasattr(survey.take_grid(grid, FAR, nobody), 'shift')
    return survey


def off_m(survey: SiteSurvey) -> float:
    """Return by how much the datum is off the relief, as a root mean square [m]."""
    assert survey.datum is not None
    gap = survey.datum.level_m - ground_m(survey.area.centres_xy)
    return float(np.sqrt(np.mean(np.square(gap[~survey.datum.filled]))))


STRAIGHT = ((0.0, 0.0), 0.0)


@pytest.mark.parametrize(
    'first', [((0.03, -0.02), 0.0), ((0.0, 0.0), 0.03), ((0.02, 0.03), -0.03)])
def test_first_grids_that_lie_elsewhere_do_not_make_the_frame(first) -> None:
    survey = surveyed([first, *[STRAIGHT] * 14])
    assert survey.take_datum(10**12)
    assert off_m(survey) < 0.0015
    # And the next grid is expected where it lies.
    assert np.hypot(*survey.registration.mean[:2]) < 0.005
    after = survey.take_grid(
        grid_of(SITE, ground_m, noise_m=0.003, seed=99, stamp_ns=2 * 10**12), FAR,
        np.zeros(len(survey.area), dtype=bool))
    assert np.hypot(after.shift.dx_m, after.shift.dy_m) < 0.005


def test_a_frame_that_lies_well_is_left_to_the_bit() -> None:
    """So is one that few grids know of."""
    for placings in ([STRAIGHT] * 14, [((0.03, 0.0), 0.0), *[STRAIGHT] * 6]):
        survey = surveyed(placings)
        before_m, mean = survey.surface.height_m.copy(), survey.registration.mean.copy()
        assert survey.take_datum(10**12)
        np.testing.assert_array_equal(survey.surface.height_m, before_m)
        assert (survey.registration.mean == mean).all()
    assert off_m(survey) > 0.004


def test_what_lies_past_the_surveyed_edge_is_not_known() -> None:
    """Nothing is guessed where the frame moves on: that ground is surveyed as it is seen."""
    survey = SiteSurvey(SITE)
    middle = survey.area.centres_xy.mean(axis=0)
    survey.surface.height_m[:] = ground_m(survey.area.centres_xy)
    survey.surface.looks[:] = 20.0
    for _ in range(10):
        survey._frame.note(Shift(dx_m=0.10, cells=100))
    shift = survey._frame.settled(
        survey.surface, survey.registration, Shift(dx_m=0.12, dy_m=0.01))
    assert (shift.dx_m, shift.dy_m) == pytest.approx((0.02, 0.01))
    assert survey.registration.mean == pytest.approx([-0.10, 0.0, 0.0])
    known = survey.surface.known
    assert 0.8 < known.mean() < 0.99
    assert np.isfinite(survey.surface.height_m[known]).all()
    assert np.isnan(survey.surface.height_m[~known]).all()
    at = survey.area.centres_xy[known] - (0.10, 0.0)
    assert survey.surface.height_m[known] == pytest.approx(ground_m(at), abs=0.0005)
    assert survey.area.cells_at(middle[None, :] - (0.10, 0.0))[0] >= 0
