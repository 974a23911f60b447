# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Ruts of the wheels in simulated soil."""

import math

from berm_ledger.geometry import Lattice, Pose2
from berm_ledger.simulation.ruts import Ruts, SHARE, TREAD_M
from berm_ledger.simulation.soil import Soil
import numpy as np
import pytest
from simulation_kit import straight

LATTICE = Lattice(-1.0, -1.0, 0.01, 201, 201)
DEPTH_M = 0.012
MIDDLE = Pose2(0.0, 0.0, 0.3)


def soil_after(passes: int, pose: Pose2 = MIDDLE) -> Soil:
    """Return level soil on which a rover has stood so many times."""
    soil = Soil(LATTICE, np.zeros(LATTICE.shape), math.radians(33.0))
    ruts = Ruts(soil, straight().rover, DEPTH_M)
    for _ in range(passes):
        ruts.press(pose)
    return soil


@pytest.mark.parametrize('passes', [1, 3])
def test_each_pass_presses_a_share_of_what_is_left(passes: int) -> None:
    """A geometric series: 1 - (1 - s)^n of the depth."""
    deepest_m = -soil_after(passes).rise_m.min()
    assert deepest_m == pytest.approx(DEPTH_M * (1.0 - (1.0 - SHARE) ** passes))


def test_four_wheels_have_pressed_a_frustum_each() -> None:
    """Square of the tread, its rim at the angle of repose and rounded at the corners."""
    soil = soil_after(60)
    reach_m = DEPTH_M / soil.slope
    # A square and all around it up to a reach that shrinks with the depth, integrated over that.
    frustum_m3 = DEPTH_M * (TREAD_M**2 + 2.0 * TREAD_M * reach_m + math.pi * reach_m**2 / 3.0)
    assert -soil.rise_m.sum() * LATTICE.cell_area_m2 == pytest.approx(4 * frustum_m3, rel=0.03)
    steepest = max(np.abs(np.diff(soil.height_m, axis=axis)).max() for axis in (0, 1))
    assert steepest <= soil.slope * LATTICE.cell_m * (1.0 + 1e-9)


def test_wheels_beyond_the_yard_press_nothing() -> None:
    """Half of the rover stands outside."""
    assert soil_after(1, Pose2(-1.0, 0.0, math.pi / 2)).rise_m.min() < 0.0
    assert not soil_after(1, Pose2(-5.0, 0.0, 0.0)).rise_m.any()
