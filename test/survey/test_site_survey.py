# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The whole survey: laws that its figures keep, masks, datum, and a stream of drifting grids."""

from dataclasses import replace
import math

from berm_ledger.design import Plane
from berm_ledger.design.quantities import design_quantities
from berm_ledger.geometry import Polyline, Pose2
from berm_ledger.survey.datum import Source
from berm_ledger.survey.error_budget import likeness
from berm_ledger.survey.noise_range import LAGS_M, LEAST_LEARNED
from berm_ledger.survey.registration import Refused, Shift
from berm_ledger.survey.site_survey import COMPLETE_LOOKS, SiteSurvey
from hypothesis import given, Phase, settings
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest
from survey_kit import (
    arc,
    berm_of,
    design_of,
    filled_survey,
    grid_of,
    relief_m,
    SECOND_NS,
    site_of,
    START_NS,
    straight,
)

FAR = Pose2(30.0, 30.0)
# An example takes a while here; it is told as it was found.
NO_SHRINKING = (Phase.explicit, Phase.reuse, Phase.generate)
FIGURES = ('height_m', 'height_se_m', 'low_m', 'high_m', 'coverage', 'at_grade',
           'line_offset_m', 'placed_m3', 'placed_se_m3', 'missing_m3', 'over_m3', 'spilled_m3')


def figures(survey, *names):
    """Return figures of all segments, shape (segments, names)."""
    names = names or FIGURES
    return np.array([[getattr(r, name) for name in names] for r in survey.readings()])


def low_berm(site):
    """Return a berm at 80 % of its height, as a function of points."""
    return lambda points: 0.8 * design_of(site)(points)


def stream(survey, grids):
    """Feed grids and return what each told; nobody works."""
    nobody = np.zeros(len(survey.area), dtype=bool)
    return [survey.take_grid(grid, FAR, nobody) for grid in grids]


def test_a_low_berm_at_the_foot_of_a_high_one_is_built_as_designed() -> None:
    """What their designs share is counted once, and nothing of it is too much."""
    low = berm_of(Polyline([[0.0, 0.0], [1.2, 0.0]]), name='low', height_m=0.16)
    high = berm_of(Polyline([[0.0, 0.5], [1.2, 0.5]]), name='high', height_m=0.28)
    site = site_of(low, high)
    survey = filled_survey(site, design_of(site))
    designed = survey.design_volumes_m3()
    assert designed.sum() == pytest.approx(
        sum(quantity.volume_m3 for _, quantity in design_quantities(site)), rel=0.002)
    npt.assert_allclose(figures(survey, 'placed_m3')[:, 0], designed, rtol=0.005)
    npt.assert_allclose(figures(survey, 'missing_m3', 'over_m3', 'spilled_m3'), 0.0, atol=1.5e-4)


# ---- laws ------------------------------------------------------------------------------------


# Whole cells and quarter turns, which the lattice does not feel, and motions that it does.
MOTIONS = [Pose2(13 * 0.015, -41 * 0.015, n * math.pi / 2.0) for n in range(4)]
MOTIONS += [Pose2(0.0, 1.0, 0.0), Pose2(-0.307, 0.004, 0.3), Pose2(2.0, 1.0, 0.785),
            Pose2(0.001, -0.7, 1.9), Pose2(5.0, 5.0, -2.6)]


@pytest.mark.parametrize('motion', MOTIONS)
def test_moving_site_and_ground_together_changes_no_figure(motion) -> None:
    line = np.array([[0.15, 0.3], [0.75, 0.45], [1.2, 0.9]])
    site = site_of(berm_of(Polyline(line)))
    moved = site_of(berm_of(Polyline(motion.apply(line))))

    def lumpy(points):
        waves = np.sin(9.0 * points[..., 0] - 5.0 * points[..., 1])
        return low_berm(site)(points) + 0.01 * waves

    def lumpy_moved(points):
        back = motion.inverse().apply(points.reshape(-1, 2)).reshape(points.shape)
        return lumpy(back)

    first = figures(filled_survey(site, lumpy))
    second = figures(filled_survey(moved, lumpy_moved))
    # Grids and lattice sample the ground anew, which leaves fractions of a millimetre and cell.
    npt.assert_allclose(second[:, :4], first[:, :4], atol=0.001)
    npt.assert_allclose(second[:, 4:6], first[:, 4:6], atol=0.05)
    npt.assert_allclose(second[:, 6], first[:, 6], atol=0.003)
    npt.assert_allclose(second[:, 7:], first[:, 7:], rtol=0.01, atol=0.0001)


@settings(max_examples=5, phases=NO_SHRINKING)
@given(st.floats(-0.03, 0.03))
def test_a_surface_that_is_higher_lowers_each_deficit_by_exactly_as_much(change_m) -> None:
    site = straight(0.8, turn_deg=23.0)
    low = filled_survey(site, low_berm(site), noise_m=0.003)
    high = filled_survey(site, lambda p: low_berm(site)(p) + change_m, noise_m=0.003)
    names = ('height_m', 'low_m', 'high_m')
    npt.assert_allclose(figures(high, *names) - figures(low, *names), change_m, atol=1e-6)
    less = np.subtract(*figures(low, 'missing_m3', 'over_m3').T)
    less -= np.subtract(*figures(high, 'missing_m3', 'over_m3').T)
    inside = low.area.shares @ low.area.in_footprint * low.area.lattice.cell_area_m2
    npt.assert_allclose(less, change_m * inside, atol=1e-6)


@settings(max_examples=5, phases=NO_SHRINKING)
@given(st.integers(0, 100), st.floats(0.0, 1.0))
def test_unknown_cells_lower_coverage_and_never_invent_height(seed, share) -> None:
    site = straight(0.8, turn_deg=23.0)
    whole = filled_survey(site, low_berm(site))
    blind = filled_survey(site, low_berm(site))
    points = blind.area.corridor.centres_xy
    rng = np.random.default_rng(seed)
    centres = rng.uniform(-0.3, 1.1, (round(12 * share), 2))
    for centre in centres:
        hidden = np.hypot(*(points - centre).T) < 0.08
        blind.surface.height_m[hidden], blind.surface.looks[hidden] = np.nan, 0.0
    seen, part = figures(whole), figures(blind)
    assert (part[:, 4] <= seen[:, 4]).all()
    assert (part[:, 5] <= seen[:, 5]).all()
    known = part[:, 4] > 0.0
    assert (part[known, 3] <= seen[known, 3] + 0.003).all()


@pytest.mark.parametrize('site', [
    straight(0.8, turn_deg=23.0), arc(1.0, sweep_deg=60.0),
    straight(0.8, width_m=0.1, plane=Plane(0.03, -0.02, 0.4)),
    site_of(berm_of(Polyline([[0, 0], [0.8, 0.1]]), level_m=0.62), plane=Plane(0.05, 0.0, 0.4)),
])
def test_a_berm_built_as_designed_reads_as_designed(site) -> None:
    def built(points):
        ground = site.datum_plane.height_m(points)
        return ground + design_of(site)(points)

    survey = filled_survey(site, built, noise_m=0.0005)
    got = figures(survey, 'height_m', 'at_grade', 'coverage')
    npt.assert_allclose(got[:, 0], survey.target_heights_m(), atol=0.0015)
    npt.assert_allclose(got[:, 1:], 1.0)
    placed, missing, over, spilled = figures(
        survey, 'placed_m3', 'missing_m3', 'over_m3', 'spilled_m3').T
    npt.assert_allclose(placed, survey.design_volumes_m3(), rtol=0.003)
    for none in (missing, over, spilled):
        npt.assert_allclose(none, 0.0, atol=0.004 * placed.max())


def test_only_the_rows_asked_for_are_read_and_as_with_all() -> None:
    site = straight(1.2)
    survey = filled_survey(site, low_berm(site))
    whole = survey.readings()
    assert survey.readings(np.array([1])) == (whole[1],)
    assert survey.readings(np.array([0, 2])) == (whole[0], whole[2])


def test_before_there_is_a_datum_there_is_no_reading() -> None:
    survey = filled_survey(straight(0.8, plane=None), relief_m)
    assert survey.readings() == ()
    assert survey.target_heights_m() is None
    assert survey.design_volumes_m3() is None
    assert np.isnan(survey.targets_m(0)).all()
    assert np.isnan(survey.crest_line_xyz(0)[:, 2]).all()


def test_the_crest_line_lies_where_the_crest_stands() -> None:
    site = straight(0.8, turn_deg=23.0, plane=Plane(0.02, 0.0, 1.0))
    survey = filled_survey(site, lambda p: site.datum_plane.height_m(p) + low_berm(site)(p))
    xyz = survey.crest_line_xyz(0)
    station, offset = site.berms[0].centreline.station_offset(xyz[:, :2])
    npt.assert_allclose(station, survey.sections[0].station_m, atol=1e-6)
    npt.assert_allclose(offset, 0.0, atol=0.008)
    npt.assert_allclose(
        xyz[:, 2] - site.datum_plane.height_m(xyz[:, :2]), 0.16, atol=0.003)


# ---- a stream of grids -----------------------------------------------------------------------


UNEVEN = straight(1.2, turn_deg=20.0, plane=None)


def looks_at(ground, count, *, first=0, shift_of=lambda n: (0.0, 0.0, 0.0), noise_m=0.004):
    """Return grids, one a second; the n-th is moved and raised by ``shift_of(n)``."""
    out = []
    for n in range(first, first + count):
        shift = np.array(shift_of(n))
        out.append(grid_of(
            UNEVEN, lambda p, s=shift: ground(p - s[:2]) + s[2], noise_m=noise_m, seed=n,
            stamp_ns=START_NS + n * SECOND_NS))
    return out


def surveyed(count=12):
    """Return a survey with a datum of uneven ground."""
    survey = SiteSurvey(UNEVEN)
    stream(survey, looks_at(relief_m, count))
    assert survey.survey_complete
    assert survey.take_datum(START_NS + count * SECOND_NS)
    return survey


def test_the_survey_is_complete_after_so_many_looks_and_not_before() -> None:
    survey = SiteSurvey(UNEVEN)
    looks = looks_at(relief_m, int(COMPLETE_LOOKS))
    stream(survey, looks[:-1])
    assert not survey.survey_complete
    stream(survey, looks[-1:])
    assert survey.survey_complete


def test_untouched_ground_stays_at_zero_through_drift_and_jump() -> None:
    # 30 mm of slow drift, 20 mm at once, 2 mm bias of each grid: figures to be met by design.
    survey = surveyed()
    rng = np.random.default_rng(7)
    heights = []

    def shift_of(n):
        drift = 0.03 * (n - 12) / 40
        jump = 0.02 if n >= 30 else 0.0
        return 0.7 * drift + 0.8 * jump, -0.7 * drift + 0.6 * jump, rng.normal(0.0, 0.002) - drift

    for look in looks_at(relief_m, 40, first=12, shift_of=shift_of):
        stream(survey, [look])
        heights.append(figures(survey, 'height_m')[:, 0])
    assert np.abs(heights).max() <= 0.002
    assert abs(survey.height_m()[survey.area.in_corridor].mean()) < 0.0003
    assert math.hypot(survey.shift.dx_m - 0.037, survey.shift.dy_m + 0.009) < 0.003


def test_a_new_berm_shows_within_a_few_looks() -> None:
    survey = surveyed()

    def built(points):
        return relief_m(points) + design_of(UNEVEN)(points)

    worked = survey.area.in_corridor
    for look in looks_at(built, 5, first=12):
        survey.take_grid(look, FAR, worked)
    npt.assert_allclose(figures(survey, 'height_m')[:, 0], 0.2, atol=0.004)


def test_a_grid_beyond_belief_is_refused_and_changes_nothing() -> None:
    survey = surveyed()
    before, shift, noise = survey.surface.height_m.copy(), survey.shift, survey.noise
    told = stream(survey, looks_at(relief_m, 1, first=12, shift_of=lambda n: (0.0, 0.0, 0.4)))
    assert isinstance(told[0], Refused)
    npt.assert_array_equal(survey.surface.height_m, before)
    assert (survey.shift, survey.noise) == (shift, noise)


def test_spikes_rover_and_person_are_masked() -> None:
    survey = surveyed()
    before = survey.surface.looks.copy()

    def crowded(points):
        person = np.hypot(points[..., 0] - 0.2, points[..., 1] - 0.1) < 0.15
        return relief_m(points) + np.where(person, 1.7, 0.0)

    grid = looks_at(crowded, 1, first=12)[0]
    heights = grid.height_m.copy()
    heights[20, 30] += 0.3
    grid = replace(grid, height_m=heights)
    nobody = np.zeros(len(survey.area), dtype=bool)
    at = Pose2(0.9, 0.0, 0.0)
    look = survey.take_grid(grid, at, nobody)
    assert look.spikes == 1
    assert look.under_rover > 1000
    assert look.objects > 200
    points = survey.area.corridor.centres_xy
    for place in ((0.2, 0.1), (0.9, 0.0)):
        cell = int(np.argmin(np.hypot(*(points - place).T)))
        assert not look.fused.seen[cell]
        assert survey.surface.looks[cell] == before[cell]


def test_the_noise_of_the_grids_is_learned_on_the_way() -> None:
    survey = SiteSurvey(UNEVEN)
    stream(survey, looks_at(relief_m, 40, noise_m=0.006))
    # Bilinear values have 4/9 of the variance of a cell on average.
    assert survey.noise.total_m == pytest.approx(0.006 * 2.0 / 3.0, rel=0.12)


def test_cells_first_seen_later_are_surveyed_after_all() -> None:
    survey = SiteSurvey(UNEVEN)
    hidden = np.hypot(*(survey.area.corridor.centres_xy - (0.5, 0.2)).T) < 0.1

    def holed(points):
        return np.where(np.hypot(points[..., 0] - 0.5, points[..., 1] - 0.2) < 0.12, np.nan,
                        relief_m(points))

    stream(survey, looks_at(holed, 12))
    assert survey.take_datum(START_NS)
    assert survey.datum.filled[hidden].all()
    stream(survey, looks_at(relief_m, 12, first=12))
    survey.survey_late(np.ones(len(survey.area), dtype=bool))
    assert survey.datum.filled[hidden].all()
    survey.survey_late(np.zeros(len(survey.area), dtype=bool))
    assert (survey.datum.source[hidden] == Source.SURVEYED).all()
    npt.assert_allclose(figures(survey, 'height_m')[:, 0], 0.0, atol=0.003)


def test_that_the_level_of_the_frame_is_not_known_is_in_the_errors() -> None:
    given_plane = filled_survey(straight(), lambda p: np.zeros(p.shape[:-1]))
    assert (figures(given_plane, 'height_se_m') > 0.002).all()
    assert (figures(surveyed(), 'height_se_m') < 0.002).all()


# ---- place of the grids -------------------------------------------------------------------------

def test_where_the_cells_lie_is_learned_with_the_shift_of_the_map_taken_off(monkeypatch) -> None:
    """A point of the site that a grid shows further on lies further on between its cells."""
    site = straight(0.8)
    survey = SiteSurvey(site)
    cell_m, lattice = survey.area.lattice.cell_m, survey.area.lattice
    shift = Shift(0.25 * cell_m, -0.375 * cell_m, se_z_m=0.001)
    monkeypatch.setattr(survey.registration, 'register', lambda *given: shift)
    origin_xy = (lattice.x0_m - 40 * cell_m, lattice.y0_m - 40 * cell_m)
    stream(survey, [grid_of(site, relief_m, cell_m=cell_m, origin_xy=origin_xy)])
    assert (survey.places.along(0), survey.places.along(1)) == ((2, 4), (5, 4))


def test_of_grids_with_other_cells_nothing_is_known_of_their_place() -> None:
    site = straight(0.8)
    survey = SiteSurvey(site)
    cell_m = survey.area.lattice.cell_m
    grids = [grid_of(site, relief_m, cell_m=cell, stamp_ns=START_NS + n * SECOND_NS)
             for n, cell in enumerate((cell_m, 0.02))]
    stream(survey, grids[:1])
    assert survey.places.along(0)[1] == survey.places.along(1)[1] == 4
    stream(survey, grids[1:])
    assert survey.places.along(0)[1] == survey.places.along(1)[1] == 0


# ---- errors of single sections ---------------------------------------------------------------


def survey_of(site, heights_m, noise_m):
    """Return a survey whose surface is as given, each cell seen once with noise."""
    survey = SiteSurvey(site)
    survey.surface.height_m[:] = heights_m
    survey.surface.looks[:] = np.where(np.isfinite(heights_m), 1.0, 0.0)
    survey.noise = type(survey.noise)(noise_m, 0.0)
    survey.use_cell(0.02)
    return survey


@pytest.mark.parametrize('noise_m', [0.002, 0.005, 0.010])
def test_error_of_a_section_is_the_scatter_that_noise_gives_it(noise_m) -> None:
    site = straight(1.2, turn_deg=20.0)
    still = filled_survey(site, low_berm(site)).surface.height_m
    rng = np.random.default_rng(5)
    surveys = [survey_of(site, still + noise_m * rng.standard_normal(len(still)), noise_m)
               for _ in range(16)]
    found = [survey.crest(0).height_m for survey in surveys]
    scatter = float(np.sqrt(np.nanmean(np.nanvar(found, axis=0, ddof=1))))
    stated = float(np.sqrt(np.nanmean(surveys[0].crest_error_m(0) ** 2)))
    # 16 draws of some 80 sections that share a few neighbours: the ratio is known to some 10 %.
    assert 0.7 < scatter / stated < 1.3
    assert stated < noise_m


def test_error_of_a_section_is_unknown_where_there_is_no_crest() -> None:
    site = straight(1.2)
    full = filled_survey(site, low_berm(site))
    heights = full.surface.height_m.copy()
    heights[full.area.corridor.station_m > 0.6] = np.nan
    survey = survey_of(site, heights, 0.003)
    crest, error = survey.crest(0), survey.crest_error_m(0)
    npt.assert_array_equal(np.isfinite(error), crest.seen)
    assert 0 < crest.seen.sum() < len(error)


def test_the_range_that_errors_are_shared_over_outlasts_cells_that_differ_by_rounding() -> None:
    survey = SiteSurvey(straight())
    lags_m = np.array(LAGS_M)
    survey.noise_range.resume(0, LEAST_LEARNED, 1.0, *likeness(lags_m / 0.4).tolist())
    for cell_m in (0.02, np.nextafter(0.02, 1.0), 0.02):
        survey.use_cell(cell_m)
        assert survey.noise.range_m == pytest.approx(0.4, rel=0.05)
    survey.use_cell(0.15)
    assert survey.noise.range_m == pytest.approx(0.6)
    survey.use_cell(0.02)
    assert survey.noise.range_m == pytest.approx(0.4, rel=0.05)
