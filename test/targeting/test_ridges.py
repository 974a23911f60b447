# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Ridges and heaps against closed forms."""

import math

from berm_ledger.targeting.ridges import (
    heap_height_m,
    load_of_rise_m3,
    ridge_area_m2,
    ridge_height_m,
    ridge_volume_m3,
    rise_of_load_m,
)
from hypothesis import given
from hypothesis import strategies as st
import pytest
from scipy.integrate import quad
from targeting_kit import SLOPE_DEG

TAN = math.tan(math.radians(SLOPE_DEG))


def test_tall_ridge_rises_less_than_a_low_one():
    # dh = dV tan / (2 h L) for a small load on a ridge.
    for height in (0.1, 0.3):
        area = ridge_area_m2(height, TAN) + 1e-5 / 0.4
        expected = 1e-5 * TAN / (2.0 * height * 0.4)
        assert ridge_height_m(area, TAN) - height == pytest.approx(expected, rel=1e-3)


def test_heap_of_one_load_has_its_volume():
    height = heap_height_m(0.005, 0.36, TAN)
    volume = 0.36 * height ** 2 / TAN + math.pi * height ** 3 / (3.0 * TAN ** 2)
    assert volume == pytest.approx(0.005, rel=1e-9)


@given(st.floats(0.02, 0.5), st.floats(0.0, 0.4), st.integers(0, 2))
def test_the_volume_is_that_of_its_slices(height, width, ends):
    # Cut level, the slice is a rectangle, and at an end half a disc as wide as it.
    def slice_m2(z):
        wide = width + 2.0 * (height - z) / TAN
        return 0.8 * wide + 0.5 * ends * math.pi * (0.5 * wide) ** 2

    assert ridge_volume_m3(0.8, height, TAN, width, ends) == pytest.approx(
        quad(slice_m2, 0.0, height)[0], rel=1e-9)


@given(st.floats(0.0, 0.4), st.floats(0.001, 0.05), st.floats(0.0, 0.1))
def test_the_rise_under_a_load_and_the_load_of_a_rise_undo_each_other(height, rise, width):
    load = load_of_rise_m3(height, rise, 0.36, TAN, width)
    assert rise_of_load_m(height, load, 0.36, TAN, width) == pytest.approx(rise, abs=1e-9)


def test_the_load_of_a_rise_by_hand():
    # At 45 degrees from 0.2 to 0.3 m: 0.09 - 0.04 = 0.05 m2 over 0.4 and 0.1 m of ends.
    assert load_of_rise_m3(0.2, 0.1, 0.4, 1.0, 0.0) == pytest.approx(0.05 * 0.5)
