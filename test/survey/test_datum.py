# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The natural ground: surveyed, filled where unseen and marked, given as a plane, completed."""

from berm_ledger.design import Plane
from berm_ledger.survey.area import survey_area
from berm_ledger.survey.datum import (
    FILLED_LOOKS,
    plane_datum,
    Source,
    surveyed_datum,
    with_late_survey,
)
import numpy as np
import numpy.testing as npt
import pytest
from survey_kit import relief_m, START_NS, straight

SURVEYED = straight(turn_deg=15.0, plane=None)
AREA = survey_area(SURVEYED)
XY = AREA.corridor.centres_xy


def ground(of):
    return np.asarray(of(XY), dtype=np.float32)


def tilted(points):
    return 0.05 * points[:, 0] - 0.02 * points[:, 1] + 0.3


def disk(centre_xy, radius_m):
    return np.hypot(*(XY - centre_xy).T) < radius_m


def test_a_whole_survey_is_taken_as_it_is() -> None:
    looks = np.linspace(0.5, 30.0, len(AREA)).astype(np.float32)
    datum = surveyed_datum(AREA, ground(relief_m), looks, START_NS)
    npt.assert_array_equal(datum.level_m, ground(relief_m))
    assert (datum.source == Source.SURVEYED).all()
    assert not datum.filled.any()
    npt.assert_array_equal(datum.looks, np.maximum(1.0, looks))
    assert datum.stamp_ns == START_NS


def test_holes_in_a_plane_are_filled_exactly_and_marked() -> None:
    height = ground(tilted)
    hole = disk((0.5, 0.1), 0.25) | (XY[:, 0] > 1.5)
    height[hole] = np.nan
    datum = surveyed_datum(AREA, height, np.full(len(AREA), 9.0, np.float32), START_NS)
    npt.assert_allclose(datum.level_m, ground(tilted), atol=1e-5)
    npt.assert_array_equal(datum.filled, hole)
    npt.assert_allclose(datum.looks[hole], FILLED_LOOKS)
    assert np.isnan(height[hole]).all()  # the surface itself is left alone


def test_a_hole_in_uneven_ground_is_filled_from_its_surroundings() -> None:
    height = ground(relief_m)
    hole = disk((0.6, 0.0), 0.15)
    height[hole] = np.nan
    datum = surveyed_datum(AREA, height, np.full(len(AREA), 9.0, np.float32), START_NS)
    error = (datum.level_m - ground(relief_m))[hole]
    # Waves of 2 cm and 0.4 to 2 m: a plane around 0.3 m of it is wrong by less than they are high.
    assert 0.0 < np.abs(error).mean() < 0.015
    assert np.isfinite(datum.level_m).all()


def test_ground_metres_beyond_what_was_seen_is_no_steeper_than_all_of_it() -> None:
    """Uneven by 2 cm on a slope of 2 %, 4 of 12 m seen: not carried away by the last of it."""
    area = survey_area(straight(12.0, plane=None))
    xy = area.centres_xy
    seen, errors = xy[:, 0] < 4.0, []
    for seed in range(4):
        whole = relief_m(xy, seed=seed) + 0.02 * xy[:, 0]
        height = np.where(seen, whole, np.nan).astype(np.float32)
        datum = surveyed_datum(area, height, np.full(len(area), 9.0, np.float32), START_NS)
        errors.append(datum.level_m - whole)
    spread_m = np.sqrt(np.mean(np.square(errors), axis=0))
    # As uneven as it is, and an error of the slope of half a percent over those metres.
    assert spread_m[xy[:, 0] > 6.0].max() < 0.08
    assert spread_m[(xy[:, 0] > 6.0) & (xy[:, 0] < 8.0)].mean() < 0.04


def test_too_little_ground_gives_no_datum() -> None:
    height = np.full(len(AREA), np.nan, dtype=np.float32)
    looks = np.zeros(len(AREA), dtype=np.float32)
    assert surveyed_datum(AREA, height, looks, START_NS) is None
    height[:20] = 0.0
    assert surveyed_datum(AREA, height, looks, START_NS) is None


def test_a_narrow_strip_of_ground_is_enough_to_be_finite() -> None:
    # Nearly a line of known cells says nothing across it: no wild slopes there.
    height = ground(tilted)
    height += np.random.default_rng(1).normal(0.0, 0.004, len(AREA)).astype(np.float32)
    height[np.abs(XY[:, 1] - 0.7 - 0.3 * XY[:, 0]) > 0.01] = np.nan
    datum = surveyed_datum(AREA, height, np.ones(len(AREA), np.float32), START_NS)
    assert np.abs(datum.level_m - ground(tilted)).max() < 0.1


def test_a_given_plane_is_known_without_error() -> None:
    area = survey_area(straight(plane=Plane(0.05, -0.02, 0.3)))
    datum = plane_datum(area, 7)
    npt.assert_allclose(datum.level_m, tilted(area.corridor.centres_xy), atol=1e-6)
    assert (datum.source == Source.PLANE).all()
    assert np.isinf(datum.looks).all()
    assert plane_datum(AREA, 7) is None


def test_a_late_survey_takes_its_cells_only() -> None:
    height = ground(tilted)
    hole = disk((0.5, 0.1), 0.2)
    height[hole] = np.nan
    before = surveyed_datum(AREA, height, np.full(len(AREA), 9.0, np.float32), START_NS)
    late = hole & (XY[:, 0] > 0.5)
    seen = ground(tilted) + np.float32(0.004)
    after = with_late_survey(before, late, seen, np.full(len(AREA), 12.0, np.float32))
    npt.assert_array_equal(after.level_m[late], seen[late])
    npt.assert_array_equal(after.level_m[~late], before.level_m[~late])
    npt.assert_array_equal(after.filled, hole & ~late)
    assert after.looks[late] == pytest.approx(12.0)
    npt.assert_array_equal(before.filled, hole)  # the one before is left alone
