# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The crest is found without bias under the noise of a single grid, wherever and however it lies.

The figures to be met, of the design: bias of at most 1 mm and a standard deviation of at most
2 mm per segment at 5 mm white noise and cells of 15 mm. The largest of n noisy cells would be off
by sigma sqrt(2 ln n), 10 mm here.
"""

import math

from berm_ledger.geometry import Polyline
from berm_ledger.survey import crest_lines
from berm_ledger.survey.area import survey_area
from berm_ledger.survey.blur import PlaceOfGrids, usual_blur
from berm_ledger.survey.crest import crest_of_sections
from berm_ledger.survey.crest_lines import CrestLines
from berm_ledger.survey.readings import SHAPE_FLOOR_M, SHAPE_PER_GRID_CELL
from berm_ledger.survey.resample import bilinear
from berm_ledger.survey.roof import DETAILS, roof_templates
from berm_ledger.survey.sections import sections_of_berm
import numpy as np
import numpy.testing as npt
import pytest
from survey_kit import arc, berm_of, design_of, grid_of, noise_of, site_of, straight

H = 0.2
NOISE_M = 0.005
CELL_M = 0.015


def lines_of(site):
    area = survey_area(site)
    sections = [sections_of_berm(area, i) for i in range(len(site.berms))]
    lines = CrestLines(area, sections, PlaceOfGrids(area.lattice))
    return area, sections, lines


def segment_figures(site, height_of, *, seeds=range(5), noise_m=NOISE_M, cell_m=CELL_M,
                    looks=1, yaw_rad=0.0, origin_xy=None):
    """Return heights and offsets of every segment in means of grids, one row per seed."""
    area, sections, lines = lines_of(site)
    lines.use_cell(cell_m)
    # Bilinear values have 4/9 of the variance of a cell on average.
    spread = np.full(len(area), noise_m * 2.0 / 3.0 / math.sqrt(looks), dtype=np.float32)
    heights, offsets = [], []
    for seed in seeds:
        lines.places.forget()
        total = np.zeros(len(area), dtype=np.float32)
        for n in range(looks):
            grid = grid_of(site, height_of, cell_m=cell_m, noise_m=noise_m, yaw_rad=yaw_rad,
                           seed=1000 * seed + n, origin_xy=origin_xy)
            lines.places.take(grid.axes, (0.0, 0.0))
            total += bilinear(grid, area.corridor.centres_xy)
        lines.touch()
        crest = lines.crest(0, total / looks, noise_of(total, spread))
        rows = np.unique(sections[0].row)
        heights.append([crest.height_m[sections[0].row == row].mean() for row in rows])
        offsets.append([crest.offset_m[sections[0].row == row].mean() for row in rows])
    return np.array(heights), np.array(offsets)


@pytest.mark.parametrize('slope_deg', [25.0, 33.0, 40.0])
@pytest.mark.parametrize('width_m', [0.0, 0.06, 0.10])
@pytest.mark.parametrize('line', ['along', 'turned', 'diagonal', 'arc'])
def test_bias_and_scatter_of_a_single_grid(line, width_m, slope_deg) -> None:
    changes = {'height_m': H, 'width_m': width_m, 'slope_deg': slope_deg}
    turn = {'along': 0.0, 'turned': 17.0, 'diagonal': 45.0}
    site = (arc(1.0, sweep_deg=92.0, **changes) if line == 'arc'
            else straight(1.6, turn_deg=turn[line], **changes))
    # The mean of one grid scatters by 0.6 mm: three of them say little of a bias of 1 mm.
    heights, offsets = segment_figures(site, design_of(site), seeds=range(10))
    assert abs(heights.mean() - H) <= 0.001
    assert heights.std() <= 0.002
    assert abs(offsets.mean()) <= 0.002


@pytest.mark.parametrize('ridge_m', [0.0, 0.005, -0.0075])
@pytest.mark.parametrize('grid_part', [None, 0.0, 0.25, 0.5])
@pytest.mark.parametrize('line_part', [0.0, 0.25, 0.5])
def test_a_berm_along_the_lattice_is_free_of_bias(line_part, grid_part, ridge_m) -> None:
    """However line, ridge and the cells of grids that always lie alike lie to the lattice."""
    y_m = line_part * CELL_M
    site = site_of(berm_of(Polyline([[0.0, y_m], [1.2, y_m]]), height_m=H))
    ridge = design_of(site_of(berm_of(
        Polyline([[-0.3, y_m + ridge_m], [1.5, y_m + ridge_m]]), height_m=H)))
    origin_xy = None if grid_part is None else (-1.2, -1.2 + grid_part * CELL_M)
    heights, _ = segment_figures(
        site, ridge, seeds=range(2), looks=10, origin_xy=origin_xy)
    assert abs(heights.mean() - H) <= 0.0006


@pytest.mark.parametrize('grid_part', [0.0, 0.5])
@pytest.mark.parametrize('turn_deg', [2.0, 10.0, 26.565, 45.0, 100.0])
def test_grids_that_always_lie_alike_are_free_of_bias_across_the_lattice_too(
        turn_deg, grid_part) -> None:
    site = straight(1.6, turn_deg=turn_deg, height_m=H)
    corner = np.min(site.berms[0].centreline.points_xy, axis=0) - 1.2
    origin_xy = CELL_M * (np.floor(corner / CELL_M) + grid_part)
    heights, _ = segment_figures(
        site, design_of(site), seeds=range(2), looks=10, origin_xy=origin_xy)
    assert abs(heights.mean() - H) <= 0.0006


@pytest.mark.parametrize(('looks', 'cell_m'), [(20, 0.015), (20, 0.02), (20, 0.03), (5, 0.02)])
def test_many_looks_are_free_of_bias_too(looks, cell_m) -> None:
    site = straight(1.2, turn_deg=17.0, height_m=H)
    heights, _ = segment_figures(
        site, design_of(site), seeds=range(2), noise_m=0.003, cell_m=cell_m, looks=looks)
    npt.assert_allclose(heights, H, atol=0.0015)


@pytest.mark.parametrize('width_m', [0.0, 0.10])
@pytest.mark.parametrize('turn_deg', [0.0, 17.0, 45.0])
@pytest.mark.parametrize('cell_m', [0.05, 0.07, 0.10])
def test_coarse_grids_are_free_of_bias_on_an_even_berm(cell_m, turn_deg, width_m) -> None:
    site = straight(1.6, turn_deg=turn_deg, height_m=H, width_m=width_m)
    heights, _ = segment_figures(
        site, design_of(site), seeds=range(1), noise_m=0.003, cell_m=cell_m, looks=10)
    npt.assert_allclose(heights, H, atol=0.002)


@pytest.mark.parametrize(('cell_m', 'error_m'), [(0.02, 0.0025), (0.05, 0.0025), (0.10, 0.006)])
def test_lumps_that_a_coarse_grid_cannot_show_cost_what_its_error_says(cell_m, error_m) -> None:
    # Cones of overlapping loads, their crest known by looking at every millimetre of it.
    site = straight(2.4, turn_deg=25.0, height_m=H)
    height_of = heaps(site)
    sections = lines_of(site)[1][0]
    offset_m = np.arange(-0.1, 0.1, 0.001)
    points_xy = site.berms[0].centreline.point_at(sections.station_m[:, None], offset_m)
    truth_m = height_of(points_xy).max(axis=1)
    truth_m = [truth_m[sections.row == row].mean() for row in np.unique(sections.row)]
    heights, _ = segment_figures(
        site, height_of, seeds=range(1), noise_m=0.003, cell_m=cell_m, looks=10)
    error = math.sqrt(np.mean((heights - truth_m)**2))
    assert error <= error_m
    assert error <= 2.5 * max(SHAPE_FLOOR_M, SHAPE_PER_GRID_CELL * cell_m)


def heaps(site, *, every_m=0.06):
    """Return the height of cones at 33 degrees along the line, each beside and off by a little."""
    rng = np.random.default_rng(1)
    line = site.berms[0].centreline
    station_m = np.arange(0.0, line.length_m, every_m)
    tops_xy = line.point_at(station_m, rng.normal(0.0, 0.015, len(station_m)))
    tops_m = H + rng.normal(0.0, 0.012, len(station_m))
    slope = math.tan(math.radians(33.0))

    def height_of(points_xy):
        out = np.zeros(points_xy.shape[:-1])
        for top_xy, top_m in zip(tops_xy, tops_m):
            away_m = np.linalg.norm(points_xy - top_xy, axis=-1)
            out = np.maximum(out, top_m - slope * away_m)
        return out

    return height_of


def test_the_lattice_of_the_grid_may_lie_in_any_direction() -> None:
    site = straight(1.2, height_m=H)
    for yaw_deg in (0.0, 22.0, 45.0, 100.0):
        heights, _ = segment_figures(
            site, design_of(site), seeds=range(2), yaw_rad=math.radians(yaw_deg))
        assert abs(heights.mean() - H) <= 0.001


@pytest.mark.parametrize('offset_m', [0.03, -0.02])
@pytest.mark.parametrize('turn_deg', [0.0, 130.0])
def test_the_side_that_a_crest_lies_on_has_its_sign(offset_m, turn_deg) -> None:
    site = straight(1.2, turn_deg=turn_deg, height_m=H)
    beside = straight(1.2, turn_deg=turn_deg, height_m=H).berms[0].centreline
    left = np.array([-math.sin(math.radians(turn_deg)), math.cos(math.radians(turn_deg))])
    moved = site_of(berm_of(Polyline(beside.points_xy + offset_m * left), height_m=H))
    heights, offsets = segment_figures(site, design_of(moved), seeds=range(3))
    npt.assert_allclose(offsets, offset_m, atol=0.003)
    assert abs(heights.mean() - H) <= 0.002


@pytest.mark.parametrize('turn_deg', [90.0, -90.0, 120.0])
def test_the_crest_follows_the_line_around_a_sharp_bend(turn_deg) -> None:
    """Inside the bend the sections of one leg run along or across the crest of the other."""
    turn = math.radians(turn_deg)
    line = Polyline([[0, 0], [0.8, 0], [0.8 + 0.8 * math.cos(turn), 0.8 * math.sin(turn)]])
    site = site_of(berm_of(line, height_m=0.16, slope_deg=32.0))
    heights, offsets = segment_figures(site, design_of(site), seeds=range(2), looks=10)
    npt.assert_allclose(offsets, 0.0, atol=0.003)
    npt.assert_allclose(heights, 0.16, atol=0.003)


def test_the_flank_of_a_higher_berm_is_no_crest_of_one_at_its_foot() -> None:
    """Two berms stand toe to toe, and only the high one is built."""
    tangent = math.tan(math.radians(32.0))
    high, low = (
        berm_of(Polyline([[0.0, y], [1.2, y]]), name=name, height_m=height, slope_deg=32.0)
        for name, y, height in (('high', (0.30 + 0.16) / tangent, 0.30), ('low', 0.0, 0.16)))
    heights, offsets = segment_figures(site_of(low, high), design_of(site_of(high)), looks=4)
    npt.assert_allclose(heights, 0.0, atol=0.005)
    assert np.abs(offsets).max() < 0.16 / tangent + 0.03


def test_a_berm_of_which_nothing_was_seen_has_no_crest_on_the_flank_of_another() -> None:
    tangent = math.tan(math.radians(32.0))
    built, unseen = (
        berm_of(Polyline([[0.0, y], [1.2, y]]), name=name, height_m=0.35, slope_deg=32.0)
        for name, y in (('built', 0.0), ('unseen', 0.6)))
    site = site_of(unseen, built)
    area, _, lines = lines_of(site)
    height = design_of(site_of(built))(area.corridor.centres_xy).astype(np.float32)
    height[area.corridor.centres_xy[:, 1] > 0.2] = np.nan
    assert 0.35 / tangent > 0.5  # The other one's sections reach what was seen.
    spread = np.full(len(area), 0.0005, dtype=np.float32)
    assert not lines.crest(0, height, noise_of(height, spread)).seen.any()
    assert lines.crest(1, height, noise_of(height, spread)).seen.all()


def test_level_ground_has_no_crest_of_its_own() -> None:
    site = straight(1.2, height_m=H)
    heights, _ = segment_figures(site, lambda p: np.zeros(p.shape[:-1]), looks=4)
    npt.assert_allclose(heights.mean(), 0.0, atol=0.001)
    npt.assert_allclose(heights, 0.0, atol=0.004)


def test_unknown_stretches_are_unseen_and_leave_the_rest_alone() -> None:
    site = straight(1.2, height_m=H)
    area, sections, lines = lines_of(site)
    height = design_of(site)(area.corridor.centres_xy).astype(np.float32)
    spread = np.full(len(area), 0.0005, dtype=np.float32)
    whole = lines.crest(0, height, noise_of(height, spread))
    hidden = (area.corridor.station_m > 0.4) & (area.corridor.station_m < 0.6)
    height[hidden] = np.nan
    lines.touch(hidden)
    part = lines.crest(0, height, noise_of(height, spread))
    station = sections[0].station_m
    assert not part.seen[(station > 0.42) & (station < 0.58)].any()
    assert part.seen[(station < 0.38) | (station > 0.62)].all()
    far = (station < 0.3) | (station > 0.7)
    npt.assert_array_equal(part.height_m[far], whole.height_m[far])
    assert np.nanmax(part.height_m) <= np.nanmax(whole.height_m) + 0.002
    assert whole.seen.all()  # what was handed out before does not change


def test_only_segments_that_lean_on_a_cell_are_fitted_again() -> None:
    site = straight(2.4, height_m=H)
    area, sections, lines = lines_of(site)
    height = design_of(site)(area.corridor.centres_xy).astype(np.float32)
    spread = np.full(len(area), 0.0005, dtype=np.float32)
    before = lines.crest(0, height, noise_of(height, spread))
    touched = (area.corridor.station_m > 0.9) & (area.corridor.station_m < 1.0)
    height += np.float32(0.01)
    lines.touch(touched)
    after = lines.crest(0, height, noise_of(height, spread))
    # The third segment, and those beside it, whose last sections are pooled with its own.
    again = np.unique(sections[0].row[after.height_m != before.height_m])
    assert again.tolist() == [1, 2, 3]
    lines.touch()
    again = lines.crest(0, height, noise_of(height, spread))
    npt.assert_allclose(again.height_m, before.height_m + 0.01, atol=1e-6)


@pytest.mark.parametrize('together', [0, 10, 10**6])
@pytest.mark.parametrize('noise_m', [0.0005, 0.004, 0.02])
def test_neighbours_are_sharpened_together_without_a_trace(monkeypatch, noise_m, together) -> None:
    figures, touched = [], np.array([0, 3, 4, 9])
    for most in (crest_lines.MOST_TOGETHER, together):
        monkeypatch.setattr(crest_lines, 'MOST_TOGETHER', most)
        site = site_of(berm_of(Polyline([[0.0, 0.0], [0.9, 0.3]]), segment_m=0.08),
                       berm_of(Polyline([[0.0, 2.0], [0.5, 2.0]]), segment_m=0.3, name='second'))
        area, _, lines = lines_of(site)
        noise = np.random.default_rng(1).normal(0.0, noise_m, len(area))
        height = (design_of(site)(area.corridor.centres_xy) + noise).astype(np.float32)
        along = noise_of(height, np.full(len(area), noise_m, np.float32))
        for index in (0, 1):
            lines.crest(index, height, along)
        height += np.float32(0.01)
        lines.touch_rows(touched)
        figures += [lines.crest(index, height, along) for index in (0, 1)]
    for ours, other in zip(figures[:2], figures[2:]):
        for name in ('height_m', 'offset_m', 'spread'):
            npt.assert_array_equal(getattr(ours, name), getattr(other, name))


def test_piecewise_fitting_is_that_of_the_whole_ring() -> None:
    # Segments are fitted with what lies beside them: their borders leave no trace.
    figures = []
    for segment_m in (0.4, 1.1):
        site = arc(1.0, sweep_deg=360.0, height_m=H, segment_m=segment_m)
        area, _, lines = lines_of(site)
        noisy = design_of(site)(area.corridor.centres_xy)
        noisy += np.random.default_rng(1).normal(0.0, 0.0005, len(area))
        noise = noise_of(noisy, np.full(len(area), 5e-4, np.float32))
        crest = lines.crest(0, noisy.astype(np.float32), noise)
        assert crest.seen.all()
        figures.append((crest.height_m.mean(), crest.height_m.std()))
    npt.assert_allclose(figures[0], figures[1], atol=0.0002)


def test_the_higher_of_two_humps_is_the_crest() -> None:
    site = straight(1.2, height_m=H)
    area, sections, _ = lines_of(site)
    y = area.corridor.centres_xy[:, 1]
    height = np.maximum(0.15 - 0.6 * np.abs(y - 0.12), 0.12 - 0.6 * np.abs(y + 0.12))
    templates = roof_templates(CELL_M, CELL_M, DETAILS[0], usual_blur(CELL_M, CELL_M))
    profile = sections[0].sample(np.maximum(0.0, height).astype(np.float32), slice(None))
    crest = crest_of_sections(
        profile, np.full(len(profile), 0.0005), sections[0], sections[0].own, templates)
    npt.assert_allclose(crest.offset_m, 0.12, atol=0.004)
    npt.assert_allclose(crest.height_m, 0.15, atol=0.004)
