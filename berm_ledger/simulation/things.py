# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What stands or moves on the soil and is seen by the sensor: people, machines, the own body."""

from __future__ import annotations

from dataclasses import dataclass
import math
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from ..design import Rover
from ..geometry import Polygon, Polyline, Pose2

# Length of a drum along the heading of the robot [m].
DRUM_LENGTH_M = 0.18
# How far somebody walks before and after the line, and how far off the perpendicular.
WALK_M, SKEW_RAD = 1.6, 0.4


class Thing(Protocol):
    """Something that stands on the ground for a while."""

    def height_m(self, points_xy: NDArray[np.float64], time_s: float) -> NDArray[np.float64]:
        """Return its height above the ground at points (..., 2), 0 where it is not [m]."""
        ...


@dataclass(frozen=True, eq=False)
class Person:
    """
    Somebody who walks along a line once.

    Parameters
    ----------
    path : Polyline
        Where [m].
    start_s : float
        When, from the start of the simulation [s].
    speed_m_s : float
        Walking speed [m/s].
    width_m, tall_m : float
        Shoulder width and height [m].

    """

    path: Polyline
    start_s: float
    speed_m_s: float = 0.8
    width_m: float = 0.4
    tall_m: float = 1.7

    def height_m(self, points_xy: NDArray[np.float64], time_s: float) -> NDArray[np.float64]:
        """Return the person's height above the ground at points (..., 2) [m]."""
        walked = (time_s - self.start_s) * self.speed_m_s
        if not 0.0 <= walked <= self.path.length_m:
            return np.zeros(points_xy.shape[:-1])
        place = self.path.point_at(walked)
        distance = np.hypot(points_xy[..., 0] - place[0], points_xy[..., 1] - place[1])
        shoulders = 0.82 * self.tall_m
        body = np.where(distance <= self.width_m / 2.0, shoulders, 0.0)
        return np.where(distance <= 0.1, self.tall_m, body)


@dataclass(frozen=True, eq=False)
class ParkedRobot:
    """A machine that stands still: its ``outline`` at ``pose`` and how ``tall_m`` it is."""

    pose: Pose2
    outline: Polygon
    tall_m: float = 0.35

    def height_m(self, points_xy: NDArray[np.float64], time_s: float) -> NDArray[np.float64]:
        """Return the machine's height above the ground at points (..., 2) [m]."""
        return np.where(self.outline.contains(self.pose.inverse().apply(points_xy)),
                        self.tall_m, 0.0)


@dataclass(frozen=True, eq=False)
class OwnBody:
    """
    The robot that carries the sensor, as it appears in its own grid.

    Parameters
    ----------
    rover : Rover
        Its outline, drop point and drum.
    pose : Pose2
        Where it is.
    body_m, drum_m : float
        Height of the body and of the drum held over the drop point [m].

    """

    rover: Rover
    pose: Pose2
    body_m: float = 0.30
    drum_m: float = 0.45

    def height_m(self, points_xy: NDArray[np.float64], time_s: float) -> NDArray[np.float64]:
        """Return the robot's height above the ground at points (..., 2) [m]."""
        own = self.pose.inverse().apply(points_xy)
        body = np.where(self.rover.footprint.contains(own), self.body_m, 0.0)
        x, y = self.rover.drop_point_xy
        drum = ((np.abs(own[..., 0] - x) <= DRUM_LENGTH_M / 2.0)
                & (np.abs(own[..., 1] - y) <= self.rover.drum_width_m / 2.0))
        return np.where(drum, self.drum_m, body)


def crossing(line: Polyline, station_m: float, start_s: float) -> Person:
    """
    Return a person who walks over a line at a station.

    Parameters
    ----------
    line : Polyline
        The line.
    station_m : float
        Where it is crossed [m].
    start_s : float
        When the walk begins [s].

    Returns
    -------
    Person
        From the right of the line to the left.

    """
    middle = line.point_at(station_m)
    heading = float(line.heading_at(station_m)) + math.pi / 2.0 - SKEW_RAD
    step = WALK_M * np.array([math.cos(heading), math.sin(heading)])
    return Person(Polyline([middle - step, middle + step]), start_s)
