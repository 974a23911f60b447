# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Strategies and shapes for the tests of geometry."""

from berm_ledger.geometry import Pose2
from hypothesis import strategies as st
import numpy as np


def coordinates(limit=50.0):
    return st.floats(-limit, limit, allow_nan=False, allow_infinity=False)


def points(limit=50.0):
    return st.tuples(coordinates(limit), coordinates(limit))


def motions(limit=200.0):
    return st.builds(Pose2, coordinates(limit), coordinates(limit), coordinates(3.14))


def star(rng, corners, low=0.5, high=2.0):
    """Return a ring with sharp bends both ways around the origin, counter-clockwise."""
    # No gap of half a turn, so that the origin is inside and nothing crosses.
    angle = 2.0 * np.pi * (np.arange(corners) + rng.uniform(0.0, 0.4, corners)) / corners
    radius = rng.uniform(low, high, corners)
    return np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=-1)


def zigzag(rng, count):
    """Return an open line that runs along x and bends sharply."""
    return np.stack(
        [np.cumsum(rng.uniform(0.02, 0.2, count)), rng.uniform(-0.6, 0.6, count)], axis=-1)
