# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Natural ground of the simulated yard."""

from berm_ledger.geometry import Lattice
from berm_ledger.simulation import natural_ground, Relief
import numpy as np
import numpy.testing as npt
import pytest

LATTICE = Lattice(-4.0, -4.0, 0.02, 401, 401)


def test_relief_has_its_size_and_gentle_slopes():
    spread = [
        natural_ground(LATTICE, Relief(rms_m=0.02, slope=0.0), np.random.default_rng(n)).std()
        for n in range(8)]
    assert np.mean(spread) == pytest.approx(0.02, rel=0.15)
    ground = natural_ground(LATTICE, Relief(), np.random.default_rng(0))
    assert np.hypot(*np.gradient(ground, LATTICE.cell_m)).max() < 0.5


def test_ground_without_relief_is_the_plane():
    ground = natural_ground(
        LATTICE, Relief(rms_m=0.0, slope=0.05, level_m=0.3), np.random.default_rng(0))
    rows, cols = np.gradient(ground, LATTICE.cell_m)
    npt.assert_allclose(np.hypot(rows, cols), 0.05, atol=1e-9)
    assert ground[200, 200] == pytest.approx(0.3, abs=1e-9)


def test_the_same_seed_gives_the_same_ground():
    first, same, other = (
        natural_ground(LATTICE, Relief(), np.random.default_rng(n)) for n in (5, 5, 6))
    npt.assert_array_equal(first, same)
    assert np.abs(first - other).max() > 0.01


def test_a_yard_far_from_the_origin_lies_no_higher():
    far = Lattice(32_412_350.0, 5_655_810.0, 0.05, 40, 60)
    height_m = natural_ground(far, Relief(), np.random.default_rng(3))
    # Half a diagonal of a square of 100 m at the slope, and the relief.
    assert np.abs(height_m).max() < 0.02 * 71.0 + 0.1
