# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What the samples of a cross-section are means of."""

import math

from berm_ledger.geometry import GridAxes, Lattice, Polyline
from berm_ledger.survey.area import survey_area
from berm_ledger.survey.blur import (
    Across,
    Alike,
    blur_across,
    blur_at,
    lie_of_rows,
    PlaceOfGrids,
    usual_blur,
)
from berm_ledger.survey.sections import sections_of_berm
from berm_ledger.survey.surface import MOST_LOOKS
import numpy as np
import pytest
from survey_kit import arc, berm_of, site_of, straight

CELL_M = 0.015
LATTICE = Lattice(-0.3, 0.6, CELL_M, 80, 120)


def axes_at(part_x, part_y, *, cell_m=CELL_M, yaw_rad=0.0, mirrored=False):
    """Return a grid whose cells have the lattice's at such parts of the way between them."""
    along = np.array([math.cos(yaw_rad), math.sin(yaw_rad)])
    left = np.array([-along[1], along[0]]) * (-1.0 if mirrored else 1.0)
    origin = np.array([-0.3, 0.6]) - cell_m * np.array([7.0 + part_x, 3.0 + part_y])
    return GridAxes(tuple(origin), tuple(cell_m * left), tuple(cell_m * along))


def after(*all_axes, looks=1, moved_xy=(0.0, 0.0)):
    places = PlaceOfGrids(LATTICE)
    for axes in all_axes * looks:
        places.take(axes, moved_xy)
    return places


@pytest.mark.parametrize('turned', [{}, {'mirrored': True}, {'yaw_rad': math.pi / 2},
                                    {'yaw_rad': math.pi}, {'yaw_rad': -math.pi / 2}])
def test_grids_that_always_lie_alike_are_learned(turned) -> None:
    for places in (after(axes_at(0.25, 0.875, **turned), looks=n) for n in (1, 5)):
        assert (places.along(0), places.along(1)) == ((2, 4), (7, 4))


def test_grids_that_lie_anywhere_agree_on_nothing() -> None:
    for seed in range(8):
        parts = np.random.default_rng(seed).random((200, 2))
        places = after(*(axes_at(*part) for part in parts))
        assert places.along(0)[1] == places.along(1)[1] == 0


def test_looks_count_as_long_as_they_do_in_the_surface() -> None:
    many = int(MOST_LOOKS)
    half = [axes_at(0.25, 0.0)] * (many // 2) + [axes_at(0.75, 0.0)] * (many // 2)
    assert after(*half).along(0)[1] == 0
    assert after(axes_at(0.25, 0.0), axes_at(0.25, 0.0), looks=many).along(0) == (2, 4)
    assert after(*half, *[axes_at(0.5, 0.0)] * 5 * many).along(0) == (4, 4)


def test_the_shift_of_the_map_is_taken_off() -> None:
    places = after(axes_at(0.0, 0.5), moved_xy=(0.25 * CELL_M, -0.375 * CELL_M))
    assert (places.along(0)[0], places.along(1)[0]) == (2, 1)


@pytest.mark.parametrize('axes', [
    axes_at(0.0, 0.0, cell_m=0.02), axes_at(0.0, 0.0, yaw_rad=0.3),
    axes_at(0.0, 0.0, cell_m=CELL_M * 1.002), axes_at(0.0, 0.0, yaw_rad=0.002),
    axes_at(0.0, 0.0, cell_m=0.01), axes_at(0.0, 0.0, cell_m=CELL_M * 0.998)])
def test_cells_that_do_not_keep_their_place_agree_on_nothing(axes) -> None:
    assert after(axes, looks=5).toward == (0.0, 0.0)


def test_an_earlier_run_is_gone_on_from() -> None:
    first, second = after(axes_at(0.1, 0.2), looks=5), PlaceOfGrids(LATTICE)
    second.resume(first.looks, first.toward)
    for places in (first, second):
        places.take(axes_at(0.5, 0.25), (0.0, 0.0))
    assert (second.looks, second.toward) == (first.looks, first.toward)
    first.forget()
    assert first.along(0)[1] == 0


def lie_of(site, berm_index=0):
    area = survey_area(site)
    return lie_of_rows(area, sections_of_berm(area, berm_index))


@pytest.mark.parametrize('part', [0.0, 0.25, 0.5, 0.75])
@pytest.mark.parametrize('back', [False, True])
@pytest.mark.parametrize('axis', [0, 1])
def test_samples_of_a_line_along_the_lattice_lie_alike(axis, back, part) -> None:
    # Cells lie on multiples of their edge. Offsets grow to the left of the line.
    ends = np.array([[0.0, part * CELL_M], [1.2, part * CELL_M]])[::-1 if back else 1]
    site = site_of(berm_of(Polyline(ends if axis else ends[:, ::-1])))
    assert lie_of(site) == [Alike(axis, back != bool(axis), round(8 * part))] * 3


@pytest.mark.parametrize(('turn_deg', 'normal'), [
    (17.0, 7), (45.0, 9), (3.0, 6), (-80.0, 1), (100.0, 13), (190.0, 19)])
def test_those_of_other_lines_do_not(turn_deg, normal) -> None:
    # Offsets grow to the left: a quarter turn further than the line, in steps of 15 degrees.
    assert set(lie_of(straight(2.4, turn_deg=turn_deg))) == {Across(normal)}


def test_of_a_ring_each_segment_lies_by_its_own_normal() -> None:
    # Counter-clockwise: offsets grow inwards. No segment has its middle on an axis.
    rows = lie_of(arc(1.0, sweep_deg=360.0))
    middles = (np.arange(len(rows)) + 0.5) / len(rows)
    assert rows == [Across(round(24 * (part + 0.5)) % 24) for part in middles]


def test_each_berm_has_its_own_rows() -> None:
    lines = [[[0.0, 0.0], [1.2, 0.0]], [[3.0, 0.0], [4.0, 0.5]], [[0.0, 3.03], [0.8, 3.03]]]
    site = site_of(*(berm_of(Polyline(line), name=name) for line, name in zip(lines, 'abc')))
    found = [lie_of(site, index) for index in range(3)]
    assert found == [[Alike(1, True, 0)] * 3, [Across(8)] * 3, [Alike(1, True, 0)] * 2]


def test_the_weights_of_a_blur_are_those_of_interpolation() -> None:
    blur = blur_at(Alike(0, True, 2), 4, 3, 1.0)
    places, widths, weights = map(np.array, zip(*blur.parts))
    assert weights.sum() == pytest.approx(1.0)
    assert places @ weights == pytest.approx(0.0)  # interpolation keeps planes
    # Variances of both steps: f (1 - f), and 1/6 where the place is not known.
    variance = (places**2 + widths**2 / 6.0) @ weights
    assert variance == pytest.approx(0.25 * 0.75 + 0.75 * 0.25 + 0.25 / 6.0)


def test_offsets_against_the_axis_mirror_a_blur() -> None:
    ahead, back = (blur_at(Alike(1, forward, 3), 1, 4, 1.0) for forward in (True, False))
    assert [(-place, *rest) for place, *rest in ahead.parts] == [*back.parts]


@pytest.mark.parametrize('x', [(0, 4), (3, 4), (6, 2), (5, 0)])
@pytest.mark.parametrize('y', [(0, 4), (4, 3), (2, 0)])
@pytest.mark.parametrize('normal', [2, 9, 17])
def test_across_the_axes_the_variances_of_both_add_up(normal, x, y) -> None:
    places, widths, weights = map(np.array, zip(*blur_across(Across(normal), x, y, 1.3).parts))
    assert weights.sum() == pytest.approx(1.0)
    assert places @ weights == pytest.approx(0.0)
    turn, expected = 2.0 * math.pi * normal / 24, 1.0 / 6.0
    for part, (place, share) in ((math.cos(turn), x), (math.sin(turn), y)):
        beside = share / 4 * place / 8 * (1.0 - place / 8) + (1.0 - share / 4) / 6.0
        expected += (1.3 * part)**2 * beside
    assert (places**2 + widths**2 / 6.0) @ weights == pytest.approx(expected)


def test_where_grids_agree_on_nothing_the_blur_is_the_usual_one() -> None:
    places = PlaceOfGrids(LATTICE)
    assert places.blur(Across(5), CELL_M, 0.02) == usual_blur(CELL_M, 0.02)
    places.take(axes_at(0.25, 0.5), (0.0, 0.0))
    assert places.blur(Across(5), CELL_M, CELL_M) == blur_across(Across(5), (2, 4), (4, 4), 1.0)
    assert places.blur(Alike(1, True, 3), CELL_M, CELL_M) == blur_at(Alike(1, True, 3), 4, 4, 1.0)
