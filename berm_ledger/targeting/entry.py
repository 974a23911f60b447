# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
How the robot turns into its run-up.

Seen from the start of the run-up the ways in are always the same, so they are laid out once: from
eight directions and three distances, heading for the start of the run-up, by the shortest curve of
the turning radius, forwards only (Dubins) and with backing up (Reeds-Shepp).
"""

from __future__ import annotations

from dataclasses import dataclass
import math

import numpy as np
from numpy.typing import NDArray

from .curves import Curve, dubins, reeds_shepp
from ..design import Rover
from ..geometry import Pose2
from ..geometry.poses import wrap_rad

# Where ways through the yard end: directions around the start of the run-up, and distances.
DIRECTIONS = 8
DISTANCES_IN_RADII = (0.0, 1.0, 2.0)
# What a robot that turns on the spot is taken to turn in [m].
SMALLEST_RADIUS_M = 0.02
# Spacing of the poses along a curve [m].
STEP_M = 0.1

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Entry:
    """
    One way into the run-up, in the frame of the run-up's start.

    Parameters
    ----------
    curve : Curve
        From where the way through the yard ends to the start of the run-up.
    direction : int
        Number of the direction it comes from.
    length_m : float
        Length of the curve [m].
    excess_m : float
        How much longer than the straight line it is [m].
    poses : array
        Shape (k, 3): poses along the curve.
    trace_xy : array
        Shape (n, 2): centres of discs of the half width that cover the footprint on the way [m].

    """

    curve: Curve
    direction: int
    length_m: float
    excess_m: float
    poses: Floats
    trace_xy: Floats


def entry_fan(rover: Rover) -> tuple[Entry, ...]:
    """Return the ways into a run-up, in the frame of its start, least detour first."""
    radius = max(rover.turning_radius_m, SMALLEST_RADIUS_M)
    spine = spine_points(rover)
    goal = Pose2(0.0, 0.0, 0.0)
    out = []
    for direction in range(DIRECTIONS):
        angle = 2.0 * math.pi * direction / DIRECTIONS
        for factor in DISTANCES_IN_RADII:
            away = factor * radius
            start = Pose2(away * math.cos(angle), away * math.sin(angle),
                          wrap_rad(angle + math.pi))
            curves = [reeds_shepp(start, goal, radius)]
            forward = dubins(start, goal, radius)
            if forward.length_m > curves[0].length_m + 1e-6:
                curves.append(forward)
            sampled = [(curve, curve.sample(STEP_M)) for curve in curves]
            out += [Entry(c, direction, c.length_m, c.length_m - away, poses,
                          _trace(poses, spine)) for c, poses in sampled]
    return tuple(sorted(out, key=lambda entry: (round(entry.excess_m, 6), entry.length_m)))


def spine_points(rover: Rover) -> Floats:
    """Return centres (n, 2) of discs of the half width along the footprint, in base_link [m]."""
    corners = rover.footprint.corners_xy
    half = rover.half_width_m
    rear, front = float(corners[:, 0].min()) + half, float(corners[:, 0].max()) - half
    if front <= rear:
        middle = 0.5 * (rear + front)
        return np.array([[middle, 0.0]])
    count = max(2, math.ceil((front - rear) / half) + 1)
    return np.stack([np.linspace(rear, front, count), np.zeros(count)], axis=-1)


def _trace(poses: Floats, spine: Floats) -> Floats:
    """Return the disc centres along poses (n, 3)."""
    cos, sin = np.cos(poses[:, 2])[:, None], np.sin(poses[:, 2])[:, None]
    x = poses[:, :1] + cos * spine[:, 0] - sin * spine[:, 1]
    y = poses[:, 1:2] + sin * spine[:, 0] + cos * spine[:, 1]
    return np.stack([x.reshape(-1), y.reshape(-1)], axis=-1)
