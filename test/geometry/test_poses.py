# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Plane poses and yaw of quaternions, with transforms3d as the reference."""

import math

from berm_ledger.errors import GeometryError
from berm_ledger.geometry import Pose2, yaw_from_quat_xyzw
from berm_ledger.geometry.poses import wrap_rad
from geometry_kit import motions, points
from hypothesis import given
from hypothesis import strategies as st
import numpy.testing as npt
import pytest
from transforms3d.euler import euler2quat


@given(motions(), st.lists(points(), min_size=1, max_size=5))
def test_inverse_undoes(motion, where):
    npt.assert_allclose(motion.inverse().apply(motion.apply(where)), where, atol=1e-9)
    there = motion @ motion.inverse()
    npt.assert_allclose([there.x_m, there.y_m, there.yaw_rad], 0.0, atol=1e-9)


@given(motions(), motions(), st.lists(points(), min_size=1, max_size=5))
def test_chain_applies_the_right_hand_one_first(a_from_b, b_from_c, where):
    npt.assert_allclose(
        (a_from_b @ b_from_c).apply(where), a_from_b.apply(b_from_c.apply(where)), atol=1e-8)


@given(st.floats(-1e6, 1e6))
def test_wrap_keeps_the_direction_in_half_open_range(angle):
    wrapped = wrap_rad(angle)
    assert -math.pi <= wrapped < math.pi
    assert math.cos(wrapped) == pytest.approx(math.cos(angle), abs=1e-9)
    assert math.sin(wrapped) == pytest.approx(math.sin(angle), abs=1e-9)


@pytest.mark.parametrize('angle', [
    math.pi, -math.pi, 3 * math.pi, math.nextafter(-math.pi, -4.0), math.nextafter(math.pi, 4.0),
])
def test_wrap_at_the_edge(angle):
    assert -math.pi <= wrap_rad(angle) < math.pi


@given(st.floats(-3.1, 3.1), st.floats(-0.7, 0.7), st.floats(-0.7, 0.7),
       st.floats(0.995, 1.005), st.sampled_from([1.0, -1.0]))
def test_yaw_is_that_of_the_rotation(yaw, pitch, roll, length, sign):
    # A quaternion and its negative are one rotation; lengths differ a little in float32.
    w, x, y, z = sign * length * euler2quat(roll, pitch, yaw, 'sxyz')
    assert yaw_from_quat_xyzw(x, y, z, w) == pytest.approx(yaw, abs=1e-9)


@pytest.mark.parametrize(('quat', 'match'), [
    ((0.0, 0.0, 0.0, 0.0), 'not of unit length'),
    ((0.0, 0.0, 0.0, 2.0), 'not of unit length'),
    ((math.nan, 0.0, 0.0, 1.0), 'not of unit length'),
    ((1.0, 0.0, 0.0, 0.0), 'tilted by more than 45'),         # upside down
    ((math.sqrt(0.5), 0.0, 0.0, math.sqrt(0.5)), 'tilted'),   # on its side
])
def test_bad_quaternions_are_refused(quat, match):
    with pytest.raises(GeometryError, match=match):
        yaw_from_quat_xyzw(*quat)


@pytest.mark.parametrize('values', [
    (math.nan, 0.0, 0.0), (0.0, math.inf, 0.0), (0.0, 0.0, math.nan),
])
def test_poses_that_are_not_finite_are_refused(values):
    with pytest.raises(GeometryError, match='not finite'):
        Pose2(*values)
