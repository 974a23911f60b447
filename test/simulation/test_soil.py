# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Simulated soil: volume is kept, nothing stands steeper than the angle of repose."""

import math

from berm_ledger.errors import GeometryError
from berm_ledger.geometry import Lattice
from berm_ledger.simulation import Patch, Soil
from hypothesis import given, settings
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest

CELL_M = 0.01
REPOSE_RAD = math.radians(33.0)


def a_soil(half_m: float = 0.6, cell_m: float = CELL_M, repose_deg: float = 33.0) -> Soil:
    """Return a square of gently rolling ground."""
    count = 2 * round(half_m / cell_m) + 1
    lattice = Lattice(-half_m, -half_m, cell_m, count, count)
    x, y = np.moveaxis(lattice.centres_xy(), -1, 0)
    return Soil(lattice, 0.02 * np.sin(4.0 * x + y) + 0.03 * y, math.radians(repose_deg))


def flat(length_m: float, width_m: float, cell_m: float, repose_deg: float) -> Soil:
    """Return level ground with a cell centre in its middle."""
    cols, rows = (2 * round(v / cell_m / 2.0) + 1 for v in (length_m, width_m))
    lattice = Lattice(-(cols // 2) * cell_m, -(rows // 2) * cell_m, cell_m, rows, cols)
    return Soil(lattice, np.zeros(lattice.shape), math.radians(repose_deg))


def volume_m3(soil: Soil) -> float:
    """Return the volume above the natural ground."""
    return float(soil.rise_m.sum() * soil.lattice.cell_area_m2)


def steepest(soil: Soil, reach: int = 3) -> float:
    """Return the steepest slope between any two cells up to some cells apart [m/m]."""
    z, worst = soil.height_m, 0.0
    for dr in range(reach + 1):
        for dc in range(-reach, reach + 1):
            if (dr, dc) <= (0, 0):
                continue
            a = z[dr:, max(dc, 0):z.shape[1] + min(dc, 0)]
            b = z[:z.shape[0] - dr, max(-dc, 0):z.shape[1] - max(dc, 0)]
            worst = max(worst, float(np.abs(a - b).max()) / math.hypot(dr, dc))
    return worst / soil.lattice.cell_m


# Closed form of a cone at the angle of repose, V = pi h^3 / (3 tan^2), for 0.010 m3.
@pytest.mark.parametrize(
    ('repose_deg', 'height_m'), [(30.0, 0.1471014), (34.0, 0.1631732), (35.0, 0.1672919)])
def test_a_load_on_level_ground_is_a_cone(repose_deg, height_m):
    soil = flat(1.0, 1.0, 0.005, repose_deg)
    soil.pour(Patch(0.0, 0.0), 0.010)
    assert soil.height_m.max() == pytest.approx(height_m, rel=2e-3)


def test_soil_poured_along_a_line_is_a_ridge_with_half_cones():
    # Closed form h^2 L / tan + pi h^3 / (3 tan^2): h 0.5 m, L 4 m, 35 degrees make 1.6951319 m3.
    soil = flat(6.0, 2.0, 0.02, 35.0)
    soil.pour(Patch(0.0, 0.0, length_m=4.0), 1.6951319)
    assert soil.height_m.max() == pytest.approx(0.5, rel=2e-3)
    row = soil.lattice.rows // 2
    crest = soil.height_m[row] > 0.499
    assert crest.sum() * 0.02 == pytest.approx(4.0, abs=0.05)


def test_a_pit_is_a_cone_upside_down():
    soil = flat(1.0, 1.0, 0.005, 34.0)
    soil.dig(Patch(0.0, 0.0), 0.010)
    assert soil.height_m.min() == pytest.approx(-0.1631732, rel=2e-3)


actions = st.lists(
    st.tuples(
        st.sampled_from(['pour', 'dig']), st.floats(-0.6, 0.6), st.floats(-0.6, 0.6),
        st.floats(-3.0, 3.0), st.floats(0.0, 0.3), st.floats(0.0, 0.3), st.floats(1e-6, 8e-3)),
    min_size=1, max_size=8)


@settings(max_examples=40)
@given(actions)
def test_volume_and_repose_are_kept_by_whatever_is_done(things_done):
    soil = a_soil()
    expected = 0.0
    for kind, x, y, yaw, length, width, volume in things_done:
        getattr(soil, kind)(Patch(x, y, yaw, length, width), volume)
        expected += volume if kind == 'pour' else -volume
    assert volume_m3(soil) == pytest.approx(expected, abs=1e-13)
    assert steepest(soil) <= soil.slope * (1.0 + 1e-9)


def test_a_drum_load_keeps_its_volume_and_nearly_its_slope():
    soil, rng = a_soil(), np.random.default_rng(1)
    for n in range(6):
        soil.pour_load(Patch(0.02 * n, 0.0, 1.5, width_m=0.36), 0.005, rng)
    assert volume_m3(soil) == pytest.approx(0.030, abs=1e-12)
    assert steepest(soil) <= soil.slope * 1.05


def test_a_drum_load_lies_across_the_heading():
    soil = flat(1.2, 1.2, CELL_M, 33.0)
    soil.pour_load(Patch(0.0, 0.0, math.pi / 2.0, width_m=0.36), 0.005, np.random.default_rng(2))
    x, y = np.moveaxis(soil.lattice.centres_xy(), -1, 0)
    share = soil.rise_m / soil.rise_m.sum()
    assert math.sqrt((share * x ** 2).sum()) > 1.5 * math.sqrt((share * y ** 2).sum())
    npt.assert_allclose([(share * x).sum(), (share * y).sum()], 0.0, atol=0.02)


def test_a_slump_keeps_the_volume_and_lowers_the_crest():
    soil = flat(1.6, 1.6, CELL_M, 33.0)
    soil.pour(Patch(0.0, 0.0, length_m=0.8), 0.03)
    top = soil.height_m.max()
    soil.slump(0.0, 0.0, (0.0, 0.2), 0.002)
    row, col = soil.lattice.rows // 2, soil.lattice.cols // 2
    assert volume_m3(soil) == pytest.approx(0.03, abs=1e-13)
    assert soil.height_m[row, col] < top - 0.02
    assert steepest(soil) <= soil.slope * (1.0 + 1e-9)


def test_settling_lowers_heaps_and_leaves_ground_and_pits():
    soil = a_soil()
    soil.pour(Patch(-0.2, 0.0), 0.002)
    soil.dig(Patch(0.35, 0.0), 0.001)
    before = soil.rise_m
    soil.settle(0.1)
    npt.assert_allclose(soil.rise_m, np.where(before > 0.0, 0.9 * before, before), atol=1e-12)


def test_soil_at_the_edge_of_the_yard_is_not_lost():
    soil = a_soil()
    soil.pour(Patch(0.6, 0.6), 0.004)
    soil.pour(Patch(5.0, 0.0), 0.001)
    assert volume_m3(soil) == pytest.approx(0.005, abs=1e-13)


def test_nothing_poured_changes_nothing():
    soil = a_soil()
    soil.pour(Patch(0.0, 0.0), 0.0)
    soil.dig(Patch(0.0, 0.0), -1.0)
    soil.pour_load(Patch(0.0, 0.0), 0.0, np.random.default_rng(0))
    npt.assert_array_equal(soil.height_m, soil.ground_m)


def test_the_surface_is_linear_between_cells_and_unknown_outside():
    soil = a_soil()
    x0, y0 = soil.lattice.x0_m, soil.lattice.y0_m
    z = soil.height_m
    middle = z[10:12, 20:22].mean()
    place = [x0 + 20.5 * CELL_M, y0 + 10.5 * CELL_M]
    assert soil.at(place) == pytest.approx(middle, abs=1e-12)
    assert np.isnan(soil.at([[x0 - 0.1, y0], [x0, y0]])).tolist() == [True, False]


def test_raising_to_a_surface_tells_the_volume():
    soil = a_soil()
    volume = soil.raise_to(np.where(soil.ground_m > 0.0, soil.ground_m + 0.01, np.nan))
    assert volume == pytest.approx((soil.ground_m > 0.0).sum() * 0.01 * CELL_M ** 2, rel=1e-9)


def test_natural_ground_cannot_be_written():
    with pytest.raises(ValueError, match='read-only'):
        a_soil().ground_m[0, 0] = 1.0


@pytest.mark.parametrize('repose_rad', [0.0, -0.5, math.pi / 2.0, math.nan])
def test_an_angle_that_no_heap_has_is_refused(repose_rad):
    with pytest.raises(GeometryError, match='angle of repose'):
        Soil(Lattice(0.0, 0.0, CELL_M, 3, 4), np.zeros((3, 4)), repose_rad)


def test_ground_of_another_shape_is_refused():
    with pytest.raises(GeometryError, match=r'\(4, 3\) does not fit'):
        Soil(Lattice(0.0, 0.0, CELL_M, 3, 4), np.zeros((4, 3)), REPOSE_RAD)
