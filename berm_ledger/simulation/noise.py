# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What is wrong with the simulated sensor and localisation: figures, presets, map error."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
import math
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from ..errors import UsageError
from ..geometry import Pose2


@dataclass(frozen=True)
class Noise:
    """
    Errors of elevation grids and poses; standard deviations unless said otherwise.

    Parameters
    ----------
    white_m : float
        Independent error of each cell [m].
    ranging_m : float
        Further such error at 1 m from the robot; it grows with the square of the distance, as that
        of stereo cameras does [m].
    correlated_m : float
        Error that neighbouring cells share [m].
    correlation_length_m : float
        Distance at which that error's correlation has fallen to 1/e [m].
    jitter_m : float
        Planar misplacement of a whole grid, each axis [m].
    bias_m : float
        Vertical error of a whole grid [m].
    tilt_rad : float
        Tilt of a whole grid along and across the robot's heading, each [rad].
    hole_share : float
        Share of cells not seen, 0 to 1.
    clumped_share : float
        Share of those that lie together in patches, 0 to 1.
    spikes : float
        Mean number of spikes in a grid.
    spike_low_m, spike_high_m : float
        Range of their size, up or down [m].
    drift_xy_m, drift_z_m, drift_yaw_rad : float
        Greatest slow error of the localisation [m, m, rad].
    drift_time_s : float
        Time in which it grows from nothing to its greatest [s]; then it goes back, and so on.
    jump_xy_m, jump_z_m : float
        Size of a sudden step of the localisation [m].
    jump_times_s : tuple of float
        When it jumps, from the start [s]: out, back, out in another direction, and so on.
    pose_m, pose_yaw_rad : float
        Error of each pose [m, rad].

    """

    white_m: float = 0.0
    ranging_m: float = 0.0
    correlated_m: float = 0.0
    correlation_length_m: float = 0.15
    jitter_m: float = 0.0
    bias_m: float = 0.0
    tilt_rad: float = 0.0
    hole_share: float = 0.0
    clumped_share: float = 0.6
    spikes: float = 0.0
    spike_low_m: float = 0.1
    spike_high_m: float = 0.5
    drift_xy_m: float = 0.0
    drift_z_m: float = 0.0
    drift_yaw_rad: float = 0.0
    drift_time_s: float = 1800.0
    jump_xy_m: float = 0.0
    jump_z_m: float = 0.0
    jump_times_s: tuple[float, ...] = ()
    pose_m: float = 0.0
    pose_yaw_rad: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what is no size, share or time."""
        values = {name: v for name, v in vars(self).items() if name != 'jump_times_s'}
        for name, value in values.items():
            if not (math.isfinite(value) and value >= 0.0):
                msg = f'{name} of {value} is none; give a finite number, 0 or more'
                raise UsageError(msg)
        for name in ('hole_share', 'clumped_share'):
            if values[name] >= 1.0:
                msg = f'{name} of {values[name]} is none; give one below 1'
                raise UsageError(msg)
        for name in ('correlation_length_m', 'drift_time_s'):
            if values[name] <= 0.0:
                msg = f'{name} of {values[name]} is none; give one above 0'
                raise UsageError(msg)
        if list(self.jump_times_s) != sorted(self.jump_times_s):
            msg = f'jump_times_s {self.jump_times_s} go back in time; give them in order'
            raise UsageError(msg)


QUIET = Noise()
FIELD = Noise(
    white_m=0.004, correlated_m=0.002, jitter_m=0.004, hole_share=0.06, spikes=5.0,
    pose_m=0.002, pose_yaw_rad=0.001)
DRIFTING = Noise(
    white_m=0.004, correlated_m=0.002, jitter_m=0.004, hole_share=0.06, spikes=5.0,
    pose_m=0.002, pose_yaw_rad=0.001, bias_m=0.002, drift_xy_m=0.03, drift_z_m=0.03,
    jump_xy_m=0.02, jump_z_m=0.01, jump_times_s=(900.0,))
NOISE_PRESETS: Mapping[str, Noise] = MappingProxyType(
    {'quiet': QUIET, 'field': FIELD, 'drifting': DRIFTING})


@dataclass(frozen=True)
class MapError:
    """
    How far the reported place is off the true one at one time.

    Parameters
    ----------
    dx_m, dy_m, dz_m : float
        Reported minus true [m].
    dyaw_rad : float
        Reported minus true heading [rad]; the map turns about the robot.

    """

    dx_m: float = 0.0
    dy_m: float = 0.0
    dz_m: float = 0.0
    dyaw_rad: float = 0.0

    def reported(self, true: Pose2) -> Pose2:
        """Return the pose that the localisation reports for a true one."""
        return Pose2(true.x_m + self.dx_m, true.y_m + self.dy_m, true.yaw_rad + self.dyaw_rad)

    def true(self, reported: Pose2) -> Pose2:
        """Return the true pose of a robot that believes to be at a reported one."""
        return Pose2(reported.x_m - self.dx_m, reported.y_m - self.dy_m,
                     reported.yaw_rad - self.dyaw_rad)

    def true_points(self, points_xy: NDArray[np.float64], robot: Pose2) -> NDArray[np.float64]:
        """Return the true places of reported points (..., 2), seen by a robot truly at a pose."""
        seen = self.reported(robot)
        if not self.dyaw_rad:
            out: NDArray[np.float64] = points_xy + (robot.xy - seen.xy)
            return out
        turn = Pose2(0.0, 0.0, -self.dyaw_rad)
        return turn.apply(points_xy - seen.xy) + robot.xy


class Localisation:
    """
    The map error over time: a slow drift and sudden jumps, fixed by chance at the start.

    Parameters
    ----------
    noise : Noise
        Sizes and times.
    rng : numpy.random.Generator
        Source of chance.

    """

    def __init__(self, noise: Noise, rng: np.random.Generator) -> None:
        """Draw the directions."""
        self._noise = noise
        self._heading = float(rng.uniform(0.0, 2.0 * math.pi))
        self._turn, self._up, self._left = (float(s) for s in rng.choice([-1.0, 1.0], 3))
        self._jump_headings = rng.uniform(0.0, 2.0 * math.pi, len(noise.jump_times_s))
        self._jump_ups = rng.choice([-1.0, 1.0], len(noise.jump_times_s))

    def at(self, time_s: float) -> MapError:
        """
        Return the map error at a time.

        Parameters
        ----------
        time_s : float
            Since the start [s].

        Returns
        -------
        MapError
            Nothing at the start.

        """
        noise = self._noise
        share = (1.0 - math.cos(math.pi * time_s / noise.drift_time_s)) / 2.0
        heading = self._heading + self._turn * share
        dx = noise.drift_xy_m * share * math.cos(heading)
        dy = noise.drift_xy_m * share * math.sin(heading)
        dz = noise.drift_z_m * share * self._up
        jumps = bisect_right(noise.jump_times_s, time_s)
        if jumps % 2:
            dx += noise.jump_xy_m * math.cos(self._jump_headings[jumps - 1])
            dy += noise.jump_xy_m * math.sin(self._jump_headings[jumps - 1])
            dz += noise.jump_z_m * self._jump_ups[jumps - 1]
        return MapError(dx, dy, dz, noise.drift_yaw_rad * share * self._left)
