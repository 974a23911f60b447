# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Figures of one segment from its sections, and the error budget behind them."""

from dataclasses import replace
import math

from berm_ledger.geometry import GridAxes
from berm_ledger.survey.area import survey_area
from berm_ledger.survey.crest import Crest
from berm_ledger.survey.error_budget import volume_error
from berm_ledger.survey.grid import ElevationGrid
from berm_ledger.survey.noise import GridNoise, RANGE_M
from berm_ledger.survey.readings import (
    Budget,
    COMMON_FLOOR_M,
    crest_figures,
    INTERPOLATION_GAIN,
    segment_reading,
    SHAPE_FLOOR_M,
    SHAPE_PER_GRID_CELL,
    SHAPE_PER_HEIGHT,
)
from berm_ledger.survey.resample import bilinear
from berm_ledger.survey.sections import sections_of_berm
from berm_ledger.survey.volumes import Stock
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import pytest
from survey_kit import straight

SITE = straight(0.8, segment_m=0.4)
AREA = survey_area(SITE)
SECTIONS = sections_of_berm(AREA, 0)
COUNT = len(SECTIONS.station_m)
TARGET = np.full(COUNT, 0.2)
NAN = math.nan


def budget_of(*, total_m=0.004, shared=0.3, looks=20.0, common_m=0.0003, level_m=0.0):
    return Budget(GridNoise(total_m, shared), looks, common_m, level_m, 0.015, 0.02)


def stock_of(placed_m3=0.02):
    return Stock(0.05, placed_m3, 0.003, 0.002, 0.001)


def reading_of(height_m, *, offset_m=None, budget=None, stock=None, tolerance_m=0.02):
    """Return the reading of the second segment from crest heights of all sections."""
    height = np.asarray(height_m, dtype=float)
    offset = np.zeros(COUNT) if offset_m is None else np.asarray(offset_m, dtype=float)
    crest = Crest(height, np.where(np.isfinite(height), offset, NAN), np.full(COUNT, 0.5))
    along = crest_figures(crest, SECTIONS, TARGET, tolerance_m, np.array([1]))
    return segment_reading(
        AREA.segments[1], 1, *along, stock or stock_of(), budget or budget_of(), 0.3, 0.0)


def test_hand_values_of_a_half_seen_segment() -> None:
    own = np.flatnonzero(SECTIONS.row == 1)
    height = np.full(COUNT, 0.9)  # the first segment does not count
    height[own] = NAN
    height[own[:4]] = [0.19, 0.17, 0.21, 0.23]
    offset = np.zeros(COUNT)
    offset[own[:4]] = [0.01, 0.03, 0.02, 0.02]
    reading = reading_of(height, offset_m=offset)
    assert reading.height_m == pytest.approx(0.20)
    assert (reading.low_m, reading.high_m) == (0.17, 0.23)
    assert reading.coverage == pytest.approx(4 / len(own))
    assert reading.at_grade == pytest.approx(2 / len(own))  # 0.17 and 0.23 are out by 3 cm
    assert reading.line_offset_m == pytest.approx(0.02)
    assert (reading.row, reading.placed_m3, reading.missing_m3) == (1, 0.02, 0.003)
    assert (reading.over_m3, reading.spilled_m3) == (0.002, 0.001)


def test_an_unseen_segment_has_no_height_and_no_grade() -> None:
    reading = reading_of(np.full(COUNT, NAN), stock=stock_of(NAN))
    assert (reading.coverage, reading.at_grade) == (0.0, 0.0)
    for name in ('height_m', 'height_se_m', 'low_m', 'high_m', 'line_offset_m', 'placed_m3',
                 'placed_se_m3'):
        assert math.isnan(getattr(reading, name))


@pytest.mark.parametrize(('height_m', 'share'), [
    (0.1801, 1.0), (0.2199, 1.0), (0.1799, 0.0), (0.2201, 0.0), (NAN, 0.0)])
def test_grade_is_within_the_tolerance_either_way(height_m, share) -> None:
    assert reading_of(np.full(COUNT, height_m)).at_grade == share


@given(st.lists(st.booleans(), min_size=COUNT, max_size=COUNT))
def test_more_unseen_never_raises_coverage_or_grade(hidden) -> None:
    whole = reading_of(TARGET)
    part = reading_of(np.where(hidden, NAN, TARGET))
    assert part.coverage <= whole.coverage
    assert part.at_grade <= whole.at_grade
    if part.coverage:
        assert part.height_m == pytest.approx(0.2)
        assert part.height_se_m >= whole.height_se_m


@pytest.mark.parametrize(('cell_m', 'range_m'), [(0.02, RANGE_M), (0.1, 0.4)])
def test_parts_of_the_error_of_a_mean_are_those_of_a_volume(cell_m, range_m) -> None:
    # The same budget as Anderson 2019, worked by the function tested against the USGS example;
    # what neighbours share of a coarse grid they share further.
    area_m2, budget = 0.25, budget_of(looks=1.0)
    budget = replace(budget, noise=budget.noise.of_cell(cell_m))
    cells = area_m2 / 0.02**2
    error = volume_error(
        0.02, np.full(round(cells), budget.noise.white_m * math.sqrt(INTERPOLATION_GAIN)),
        correlated_m=budget.noise.correlated_m, range_m=range_m, systematic_m=0.0003)
    exact = math.hypot(error.total_m3 / area_m2, COMMON_FLOOR_M)
    assert budget.mean_error_m(area_m2) == pytest.approx(exact, rel=1e-6)


def test_a_thousand_looks_do_not_pretend_to_micrometres() -> None:
    budget = budget_of(looks=1000.0)
    assert budget.mean_error_m(0.3) >= COMMON_FLOOR_M
    assert reading_of(TARGET, budget=budget).height_se_m >= SHAPE_FLOOR_M


def test_coarse_grids_and_high_heaps_are_known_less_well() -> None:
    sure = budget_of(looks=1000.0)
    coarse = replace(sure, grid_cell_m=0.10)
    assert reading_of(TARGET, budget=coarse).height_se_m >= 0.10 * SHAPE_PER_GRID_CELL
    high = reading_of(5.0 * TARGET, budget=sure)
    assert high.height_se_m >= SHAPE_PER_HEIGHT * high.height_m > SHAPE_FLOOR_M


@pytest.mark.parametrize('worse', [
    {'total_m': 0.008}, {'shared': 0.9}, {'looks': 2.0}, {'common_m': 0.003},
    {'level_m': 0.002}, {'looks': 0.0}])
def test_whatever_is_worse_makes_the_error_larger(worse) -> None:
    assert budget_of(**worse).mean_error_m(0.3) > budget_of().mean_error_m(0.3)
    assert math.isfinite(budget_of(**worse).mean_error_m(0.3))


def test_white_noise_alone_averages_as_simulated() -> None:
    # Means over bilinear values of white grids; the budget says how far they scatter.
    rng = np.random.default_rng(1)
    axis = 0.015 * np.arange(20)
    points = np.stack(np.meshgrid(axis, axis), axis=-1).reshape(-1, 2)
    means, single = [], []
    for _ in range(400):
        axes = GridAxes(tuple(-0.02 * rng.uniform(1.0, 2.0, 2)), (0.0, 0.02), (0.02, 0.0))
        grid = ElevationGrid(1, 'map', axes, rng.normal(0.0, 0.005, (20, 20)))
        values = bilinear(grid, points)
        means.append(values.mean())
        single.append(values.std())
    noise = GridNoise(float(np.mean(single)), 0.0)
    budget = Budget(noise, 1.0, 0.0, 0.0, 0.015, 0.02)
    stated = math.sqrt(budget.mean_error_m(0.3**2)**2 - COMMON_FLOOR_M**2)
    assert np.std(means) == pytest.approx(stated, rel=0.15)


def test_where_noise_stays_looks_from_one_place_average_less_away() -> None:
    """Of noise that all stays five looks are worth one; white noise and floor are as before."""
    def error_m(noise: GridNoise) -> float:
        return Budget(noise, 16.0, 0.0, 0.0, 0.015, 0.02).mean_error_m(0.02)
    alone, with_it = (error_m(GridNoise(0.004, 1.0, staying_m=m)) for m in (0.0, 0.004))
    floor = COMMON_FLOOR_M**2
    assert (with_it**2 - floor) / (alone**2 - floor) == pytest.approx(5.0)
