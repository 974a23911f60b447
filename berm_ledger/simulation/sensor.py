# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The elevation grid as a rover would publish it: rolling, robot-centric, noisy, with holes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
import math

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from .noise import MapError, Noise
from .soil import Soil
from .things import Thing
from ..geometry import GridAxes, Pose2

# A Gaussian filter of width s makes white noise correlated as exp(-d^2 / (4 s^2)).
FILTER_PER_LENGTH = 0.5
# Points of a line of sight at which soil may cut it.
RAY_STEPS = 48


@dataclass(frozen=True)
class SensorOptions:
    """
    Shape of the published grid.

    Parameters
    ----------
    size_m : float
        Edge of the grid [m].
    cell_m : float
        Edge of a cell [m].
    yaw_rad : float
        Direction of the columns [rad]; 0 is aligned with the map.
    turns_with_robot : bool
        Whether the robot's heading is added to it.
    snap : bool
        Whether the rolling grid moves by whole cells, as a circular buffer does.
    offset_xy_m : tuple of float
        Where its cells lie against the map's origin [m], so that they match no other lattice.
    flipped : bool
        Whether rows run against y and columns against x.
    mast_m : float or None
        Height of the sensor above the robot's ground; what it cannot see from there is a hole.
        None sees all.
    sees_itself : bool
        Whether the robot's body and drum show in the grid.
    askew_rad : float
        How far the sensor is mounted askew: level ground rises so much ahead of the robot [rad].

    """

    size_m: float = 4.0
    cell_m: float = 0.02
    yaw_rad: float = 0.0
    turns_with_robot: bool = False
    snap: bool = True
    offset_xy_m: tuple[float, float] = (0.0067, 0.0113)
    flipped: bool = False
    mast_m: float | None = None
    sees_itself: bool = False
    askew_rad: float = 0.0

    @property
    def count(self) -> int:
        """Cells along an edge."""
        return max(2, round(self.size_m / self.cell_m))


def rolling_axes(options: SensorOptions, robot: Pose2) -> GridAxes:
    """
    Return the axes of the grid around a robot.

    Parameters
    ----------
    options : SensorOptions
        Shape of the grid.
    robot : Pose2
        Reported pose.

    Returns
    -------
    GridAxes
        In the map frame.

    """
    yaw = options.yaw_rad + (robot.yaw_rad if options.turns_with_robot else 0.0)
    sign = -1.0 if options.flipped else 1.0
    turn = Pose2(0.0, 0.0, yaw)
    row, col = turn.apply(sign * options.cell_m * np.array([[0.0, 1.0], [1.0, 0.0]]))
    centre = robot.xy
    if options.snap:
        own = turn.inverse().apply(centre - options.offset_xy_m)
        centre = turn.apply(np.rint(own / options.cell_m) * options.cell_m) + options.offset_xy_m
    origin = centre - (options.count - 1) / 2.0 * (row + col)
    return GridAxes(
        (float(origin[0]), float(origin[1])), (float(row[0]), float(row[1])),
        (float(col[0]), float(col[1])))


def correlated(
    shape: tuple[int, int], length_cells: float, rng: np.random.Generator
) -> NDArray[np.float64]:
    """
    Return a random field of unit variance whose correlation falls to 1/e at a distance.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns.
    length_cells : float
        That distance [cells].
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    array
        Of the shape.

    """
    width = FILTER_PER_LENGTH * length_cells
    reach = math.ceil(4.0 * width)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / width) ** 2)
    kernel /= math.sqrt(float(kernel @ kernel))
    field = rng.standard_normal((shape[0] + 2 * reach, shape[1] + 2 * reach))
    for axis in (0, 1):
        field = ndimage.convolve1d(field, kernel, axis=axis, mode='constant')
    out: NDArray[np.float64] = field[reach:reach + shape[0], reach:reach + shape[1]]
    return out


def holes(
    shape: tuple[int, int], noise: Noise, cell_m: float, rng: np.random.Generator
) -> NDArray[np.bool_]:
    """
    Return which cells are not seen: patches and single cells.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns.
    noise : Noise
        Shares.
    cell_m : float
        Edge of a cell [m].
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    array
        True where there is a hole.

    """
    clumped = noise.hole_share * noise.clumped_share
    single = (noise.hole_share - clumped) / (1.0 - clumped)
    field = correlated(shape, 0.08 / cell_m, rng)
    patches = field < np.quantile(field, clumped) if clumped > 0.0 else np.zeros(shape, bool)
    out: NDArray[np.bool_] = patches | (rng.random(shape) < single)
    return out


def shadows(
    soil: Soil, true_xy: NDArray[np.float64], surface_m: NDArray[np.float64], robot: Pose2,
    mast_m: float,
) -> NDArray[np.bool_]:
    """
    Return which cells something higher hides from the sensor on its mast.

    Parameters
    ----------
    soil : Soil
        The surface.
    true_xy : array
        Cell centres, shape (rows, cols, 2) [m].
    surface_m : array
        Surface there [m].
    robot : Pose2
        True pose.
    mast_m : float
        Height of the sensor above the ground at the robot [m].

    Returns
    -------
    array
        True where the line of sight is cut.

    """
    lattice = soil.lattice
    eye_m = float(soil.at(robot.xy)) + mast_m
    start = lattice.index_from_xy(robot.xy)
    way = np.moveaxis(lattice.index_from_xy(true_xy) - start, -1, 0).astype(np.float32)
    fall = (surface_m - eye_m).astype(np.float32)
    top = soil.height_m.astype(np.float32).ravel()
    hidden = np.zeros(surface_m.shape, bool)
    for share in ((np.arange(RAY_STEPS) + 0.5) / RAY_STEPS).astype(np.float32):
        row = np.clip((start[0] + 0.5 + share * way[0]).astype(np.int32), 0, lattice.rows - 1)
        col = np.clip((start[1] + 0.5 + share * way[1]).astype(np.int32), 0, lattice.cols - 1)
        hidden |= top[row * lattice.cols + col] > eye_m + 0.01 + share * fall
    return hidden


def measured(
    soil: Soil,
    axes: GridAxes,
    robot: Pose2,
    time_s: float,
    rng: np.random.Generator,
    *,
    noise: Noise,
    options: SensorOptions,
    error: MapError,
    things: Sequence[Thing] = (),
) -> NDArray[np.float32]:
    """
    Return the heights that one grid reports.

    Parameters
    ----------
    soil : Soil
        The true surface.
    axes : GridAxes
        Reported geometry of the grid.
    robot : Pose2
        True pose of the robot.
    time_s : float
        Since the start [s].
    rng : numpy.random.Generator
        Source of chance.
    noise : Noise
        Errors of the sensor.
    options : SensorOptions
        Shape of the grid.
    error : MapError
        Error of the localisation.
    things : sequence of Thing
        What else is in view.

    Returns
    -------
    array
        Shape (rows, cols), NaN where nothing is seen [m].

    """
    shape = (options.count, options.count)
    place = np.arange(options.count, dtype=float)[:, None]
    centres_xy = (axes.origin_xy + place * np.array(axes.col_step_xy)
                  + (place * np.array(axes.row_step_xy))[:, None, :])
    true_xy = error.true_points(centres_xy, robot)
    true_xy = true_xy + rng.normal(0.0, noise.jitter_m, 2)
    height = soil.at(true_xy)
    hidden = holes(shape, noise, options.cell_m, rng) if noise.hole_share > 0.0 else (
        np.zeros(shape, bool))
    if options.mast_m is not None:
        hidden |= shadows(soil, true_xy, height, robot, options.mast_m)
    if things:
        height = height + np.max([t.height_m(true_xy, time_s) for t in things], axis=0)
    height = height + error.dz_m + rng.normal(0.0, noise.bias_m)
    height += _tilted(true_xy, robot, rng, noise.tilt_rad, options.askew_rad)
    height += noise.white_m * rng.standard_normal(shape)
    if noise.ranging_m > 0.0:
        apart_m = true_xy - robot.xy
        height += noise.ranging_m * (apart_m**2).sum(axis=-1) * rng.standard_normal(shape)
    if noise.correlated_m > 0.0:
        height += noise.correlated_m * correlated(
            shape, noise.correlation_length_m / options.cell_m, rng)
    _add_spikes(height, noise, rng)
    height[hidden] = math.nan
    return height.astype(np.float32)


def _tilted(
    true_xy: NDArray[np.float64], robot: Pose2, rng: np.random.Generator, tilt_rad: float,
    askew_rad: float,
) -> NDArray[np.float64] | float:
    """Return by how much a grid shows points (r, c, 2) too high as it is tilted [m]."""
    if not tilt_rad and not askew_rad:
        return 0.0
    ahead, left = np.moveaxis(robot.inverse().apply(true_xy), -1, 0)
    pitch, roll = np.tan(np.array([askew_rad, 0.0]) + tilt_rad * rng.standard_normal(2))
    out: NDArray[np.float64] = pitch * ahead + roll * left
    return out


def _add_spikes(height: NDArray[np.float64], noise: Noise, rng: np.random.Generator) -> None:
    """Throw single cells up or down."""
    count = int(rng.poisson(noise.spikes))
    cells = rng.integers(0, height.size, count)
    size = rng.uniform(noise.spike_low_m, noise.spike_high_m, count)
    height.flat[cells] += size * rng.choice([-1.0, 1.0], count)
