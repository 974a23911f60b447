# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A grid that alone disagrees with the site is told from what comes into view and stays."""

from __future__ import annotations

import math
import re

from berm_ledger.survey.area import survey_area
from berm_ledger.survey.odd_grids import KEPT_GRIDS, LEAST_GRIDS, ODD_SHARE, OddGrids
from berm_ledger.survey.registration import Refused, Registration, Shift
from berm_ledger.survey.surface import SiteSurface
import numpy as np
import pytest
from survey_kit import arc, design_of, grid_of

SITE = arc(2.5, sweep_deg=100.0)
AREA, berm_m = survey_area(SITE), design_of(SITE)
NOISE_M = 0.003


def told(shares: list[float]) -> list[int]:
    """Return which grids, by number, are told to be odd."""
    odd = OddGrids()
    return [n for n, share in enumerate(shares) if odd.is_odd(share)]


def test_one_grid_alone_is_odd() -> None:
    assert told([0.001] * 10 + [0.2] + [0.001] * 5 + [0.1]) == [10, 16]


def test_what_stays_is_odd_once() -> None:
    assert told([0.001] * 10 + [0.2] * 30 + [0.001] * 20) == [10]


def test_what_is_usual_is_not_odd() -> None:
    """Nor is a little more of it, nor are the first grids, of which nothing is usual yet."""
    assert told([0.3, 0.0] * 3 + [0.2] * 20) == []
    assert told([0.1] * 20 + [0.1 + 0.9 * ODD_SHARE] * 3) == []


def misplaced_m(points):
    """Return the same as a grid shows it that is off by a third of a metre and two degrees."""
    cos, sin = math.cos(0.035), math.sin(0.035)
    return berm_m((points - [0.3, -0.15]) @ np.array([[cos, -sin], [sin, cos]]))


def test_what_is_usual_is_known_after_some_grids() -> None:
    odd = OddGrids()
    for share in [0.0] * (LEAST_GRIDS - 1):
        odd.is_odd(share)
        assert math.isnan(odd.usual)
    for share in [0.004] * KEPT_GRIDS:
        odd.is_odd(share)
    assert odd.usual == 0.004


@pytest.mark.parametrize(('heights', 'odd'), [(berm_m, False), (misplaced_m, True)])
def test_a_grid_that_no_fit_finds_the_place_of_is_odd(heights, odd: bool) -> None:
    surface = SiteSurface(len(AREA))
    surface.height_m[:], surface.looks[:] = berm_m(AREA.centres_xy), 30.0
    registration, nobody = Registration(AREA), np.zeros(len(AREA), dtype=bool)

    def shift_of(heights_of, seed: int) -> Shift:
        shift = registration.register(
            grid_of(SITE, heights_of, noise_m=NOISE_M, seed=seed), surface, nobody, NOISE_M)
        assert isinstance(shift, Shift)
        return shift
    assert registration.usual_disagreeing == 0.0
    assert not any(shift_of(berm_m, seed).is_odd for seed in range(10))
    assert registration.usual_disagreeing <= 0.001
    assert shift_of(heights, 10).is_odd is odd
    assert not shift_of(berm_m, 11).is_odd


@pytest.mark.parametrize('off_xy', [(0.22, -0.1), (-0.3, 0.1)])
def test_a_grid_of_which_a_little_disagrees_is_looked_for_where_it_lies(off_xy) -> None:
    """Most of what it shows is flat, so that hardly more is left there than of any other."""
    surface = SiteSurface(len(AREA))
    surface.height_m[:], surface.looks[:] = berm_m(AREA.centres_xy), 30.0
    registration, nobody = Registration(AREA), np.zeros(len(AREA), dtype=bool)

    def shift_of(heights_of, seed: int) -> Shift | Refused:
        return registration.register(
            grid_of(SITE, heights_of, noise_m=NOISE_M, seed=seed), surface, nobody, NOISE_M)
    assert all(isinstance(shift_of(berm_m, seed), Shift) for seed in range(10))
    expected = registration.mean
    refused = shift_of(lambda points: berm_m(points - off_xy), 10)
    assert isinstance(refused, Refused)
    told = [float(figure) for figure in re.findall(r'[+-]\d\.\d+', refused.text)]
    assert told == pytest.approx([*off_xy, 0.0], abs=0.005)
    assert registration.mean is expected
