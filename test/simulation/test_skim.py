# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A layer of even thickness taken from loose soil."""

import math

from berm_ledger.errors import GeometryError
from berm_ledger.geometry import Lattice
from berm_ledger.simulation import Patch, Soil
from berm_ledger.simulation.skim import skimmed
import numpy as np
import numpy.testing as npt
import pytest

REPOSE_RAD = math.radians(33.0)
LATTICE = Lattice(-1.5, -1.0, 0.01, 201, 301)


def a_soil(slope: float = 0.0) -> Soil:
    return Soil(LATTICE, slope * LATTICE.centres_xy()[..., 0], REPOSE_RAD)


def steepest(soil: Soil) -> float:
    """Return the steepest slope along rows, columns and diagonals."""
    height, cell = soil.height_m, soil.lattice.cell_m
    pairs = [(height[1:] - height[:-1], cell), (height[:, 1:] - height[:, :-1], cell),
             (height[1:, 1:] - height[:-1, :-1], cell * math.sqrt(2.0)),
             (height[1:, :-1] - height[:-1, 1:], cell * math.sqrt(2.0))]
    return max(float(np.abs(step).max()) / run for step, run in pairs)


def test_the_volume_is_exact_and_the_strip_is_even() -> None:
    """Length x width x thickness plus sides at the angle of repose, in closed form."""
    soil = a_soil()
    thickness = soil.skim(Patch(0.0, 0.0, 0.0, 2.0, 0.36), 0.015)
    taken = -soil.rise_m
    assert taken.sum() * LATTICE.cell_area_m2 == pytest.approx(0.015, rel=1e-12)
    x, y = np.moveaxis(LATTICE.centres_xy(), -1, 0)
    inside = (np.abs(x) <= 0.99) & (np.abs(y) <= 0.17)
    npt.assert_allclose(taken[inside], thickness, atol=1e-12)
    # Prism, wedges along the sides, quarter cones at the corners.
    reach, area = thickness / soil.slope, 2.0 * 0.36
    closed = area * thickness + (2.0 * 2.36) * thickness * reach / 2.0 + (
        math.pi * reach**2 * thickness / 3.0)
    assert closed == pytest.approx(0.015, rel=0.05)


@pytest.mark.parametrize('slope', [0.0, 0.2])
def test_no_side_stands_steeper_than_repose(slope: float) -> None:
    """Pass after pass side by side and in one place, on level and on sloping ground."""
    soil = a_soil(slope)
    for across in (0.0, 0.36, 0.0, 0.1, 0.0, 0.0):
        soil.skim(Patch(0.0, across, 0.0, 1.6, 0.36), 0.006)
    assert steepest(soil) <= soil.slope * 1.001
    assert -soil.rise_m.sum() * LATTICE.cell_area_m2 == pytest.approx(0.036, rel=1e-9)
    assert (soil.rise_m <= 1e-12).all()


def test_the_layer_follows_the_ground() -> None:
    """On a slope the floor keeps the slope: the cut is as thick at both ends."""
    soil = a_soil(0.1)
    soil.skim(Patch(0.0, 0.0, 0.0, 1.6, 0.36), 0.006)
    ends = soil.at([[-0.7, 0.0], [0.7, 0.0]], -soil.rise_m)
    assert ends[0] == pytest.approx(ends[1], rel=1e-6)
    assert ends[0] > 0.008


def test_nothing_is_skimmed_for_no_volume() -> None:
    """No soil, no change."""
    soil = a_soil()
    assert soil.skim(Patch(0.0, 0.0, 0.0, 1.0, 0.3), 0.0) == 0.0
    assert not soil.rise_m.any()


def test_a_drum_that_meets_no_cell_is_refused() -> None:
    """There must be soil under it."""
    with pytest.raises(GeometryError, match='passes over no soil'):
        skimmed(np.zeros((3, 3)), np.zeros((3, 3), bool), 0.1, 0.6, 0.01)
