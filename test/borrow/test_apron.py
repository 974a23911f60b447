# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Looks at a borrow area that lie too high, and tilted, against ground that nobody digs."""

from berm_ledger.borrow.apron import Apron
from berm_ledger.geometry import Lattice
from berm_ledger.survey.noise import GridNoise
from berm_ledger.survey.surface import SiteSurface
import numpy as np
import numpy.testing as npt
import pytest

LATTICE = Lattice(0.0, 0.0, 0.03, 80, 80)
POINTS = LATTICE.centres_xy().reshape(-1, 2)
MIDDLE_XY = POINTS.mean(axis=0)
INSIDE = np.abs(POINTS - MIDDLE_XY).max(axis=1) < 0.75
NOISE = GridNoise(0.004, 0.0)


def apron():
    around = np.abs(POINTS - MIDDLE_XY).max(axis=1) > 0.85
    return Apron(POINTS, np.flatnonzero(around), LATTICE.cell_m, INSIDE)


def flat_ground():
    surface = SiteSurface(len(POINTS))
    surface.height_m[:], surface.looks[:] = 0.0, 30.0
    return surface


def look(level_m, slope, seed=0):
    """Return a look at flat ground [m], dug away by 80 mm in the area."""
    rng = np.random.default_rng(seed)
    up = level_m + (POINTS - MIDDLE_XY) @ np.array(slope) - 0.08 * INSIDE
    return (up + rng.normal(0.0, 0.004, len(POINTS))).astype(np.float32)


@pytest.mark.parametrize('slope', [(0.0, 0.0), (0.004, 0.0), (-0.01, 0.02)])
def test_level_and_tilt_are_found_beside_what_is_dug(slope) -> None:
    placed = apron().placed(look(0.012, slope), flat_ground(), NOISE)
    assert placed is not None
    up = 0.012 + (POINTS - MIDDLE_XY) @ np.array(slope)
    npt.assert_allclose(placed.left.up_m(POINTS), up, atol=0.0015)


def test_an_area_seen_from_one_side_is_less_sure() -> None:
    """Its far side is reckoned by a slope that a strip of the near one tells."""
    strip = look(0.0, (0.005, 0.005))
    strip[POINTS[:, 0] > 0.5] = np.nan
    far, near = (apron().placed(m, flat_ground(), NOISE)
                 for m in (strip, look(0.0, (0.005, 0.005))))
    assert far is not None
    assert near is not None
    assert far.error_m > 2.0 * near.error_m
    off_m = far.left.up_m(POINTS)[INSIDE].mean()
    assert abs(off_m) < 3.0 * far.error_m


def test_too_little_apron_and_other_ground_tell_nothing() -> None:
    hidden = np.full(len(POINTS), np.nan, dtype=np.float32)
    assert apron().placed(hidden, flat_ground(), NOISE) is None
    assert apron().placed(hidden, SiteSurface(len(POINTS)), NOISE) is None
    assert apron().placed(look(0.4, (0.0, 0.0)), flat_ground(), NOISE) is None
    first = apron().placed(look(0.4, (0.0, 0.0)), SiteSurface(len(POINTS)), NOISE)
    assert first is not None
    assert not first.left.up_m(POINTS).any()
