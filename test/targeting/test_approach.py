# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Poses of an approach, one in the frame of the other."""

import math

from berm_ledger.geometry import Pose2
from berm_ledger.targeting.approach import chained
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import pytest

LENGTHS, ANGLES = st.floats(-5.0, 5.0), st.floats(-3.0, 3.0)
POSES = st.tuples(LENGTHS, LENGTHS, ANGLES)


def matrix(x_m, y_m, yaw_rad):
    """Return a pose as the homogeneous matrix of textbooks."""
    cos, sin = math.cos(yaw_rad), math.sin(yaw_rad)
    return np.array([[cos, -sin, x_m], [sin, cos, y_m], [0.0, 0.0, 1.0]])


@given(POSES, st.lists(POSES, min_size=1, max_size=3))
def test_chained_poses_are_products_of_matrices(first, poses):
    chain = chained(Pose2(*first), np.array(poses))
    for pose, out in zip(poses, chain):
        assert matrix(*out) == pytest.approx(matrix(*first) @ matrix(*pose), abs=1e-9)
