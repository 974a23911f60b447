# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Regular lattices of cells: cell to world and back.

``Lattice`` is aligned with its frame's axes (row index grows with y, column index with x).
``GridAxes`` is the geometry of any measured grid: moved, turned or mirrored.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import GeometryError

# Share by which the steps of a measured grid may differ, or lean, and still make squares.
SQUARE_TOLERANCE = 0.01


@dataclass(frozen=True)
class Lattice:
    """
    Square cells aligned with the axes of a frame.

    Parameters
    ----------
    x0_m, y0_m : float
        Centre of cell (row 0, column 0) [m].
    cell_m : float
        Edge of a cell [m].
    rows, cols : int
        Number of cells along y and along x.

    Raises
    ------
    GeometryError
        Numbers that are not finite, a cell without size, or no cell at all.

    Examples
    --------
    >>> lattice = Lattice(0.0, 10.0, 0.5, 3, 4)
    >>> lattice.centres_xy()[1, 2].tolist()
    [1.0, 10.5]

    """

    x0_m: float
    y0_m: float
    cell_m: float
    rows: int
    cols: int

    def __post_init__(self) -> None:
        """Refuse what holds no cell."""
        values = (self.x0_m, self.y0_m, self.cell_m)
        if not all(math.isfinite(v) for v in values) or self.cell_m <= 0.0 or (
                min(self.rows, self.cols) < 1):
            msg = (f'a lattice of {self.rows} x {self.cols} cells of {self.cell_m} m at '
                   f'({self.x0_m}, {self.y0_m}) m is none')
            raise GeometryError(msg)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return (self.rows, self.cols)

    @property
    def cell_area_m2(self) -> float:
        """Area of one cell [m2]."""
        return self.cell_m * self.cell_m

    def centres_xy(self) -> NDArray[np.float64]:
        """Return the cell centres, shape (rows, cols, 2) [m]."""
        x = self.x0_m + self.cell_m * np.arange(self.cols)
        y = self.y0_m + self.cell_m * np.arange(self.rows)
        return np.stack(np.meshgrid(x, y), axis=-1)

    def index_from_xy(self, points_xy: ArrayLike) -> NDArray[np.float64]:
        """Return fractional (row, col) of points (n, 2); not clipped to the lattice."""
        points = np.asarray(points_xy, dtype=float)
        row = (points[..., 1] - self.y0_m) / self.cell_m
        col = (points[..., 0] - self.x0_m) / self.cell_m
        return np.stack([row, col], axis=-1)

    def contains(self, index: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Tell which fractional indices (n, 2) round to a cell of the lattice."""
        near = np.rint(index)
        inside: NDArray[np.bool_] = (
            (near[..., 0] >= 0) & (near[..., 0] < self.rows)
            & (near[..., 1] >= 0) & (near[..., 1] < self.cols)
        )
        return inside

    @classmethod
    def covering(cls, points_xy: ArrayLike, cell_m: float, margin_m: float) -> Lattice:
        """
        Return the smallest lattice, centres on multiples of the cell, around points.

        Parameters
        ----------
        points_xy : array
            Shape (n, 2) [m].
        cell_m : float
            Edge of a cell [m].
        margin_m : float
            Least distance kept between a point and the outermost centres [m].

        Returns
        -------
        Lattice
            Lattices of one cell size fit on one another, whatever points they were made for.

        Raises
        ------
        GeometryError
            No points, points that are not finite, or a cell without size.

        """
        points = np.asarray(points_xy, dtype=float).reshape(-1, 2)
        if not len(points) or not np.isfinite(points).all() or not cell_m > 0.0:
            msg = f'no lattice of cells of {cell_m} m covers {len(points)} points (all finite?)'
            raise GeometryError(msg)
        low = np.floor((points.min(axis=0) - margin_m) / cell_m)
        high = np.ceil((points.max(axis=0) + margin_m) / cell_m)
        cols, rows = (int(n) for n in high - low + 1)
        return cls(float(low[0] * cell_m), float(low[1] * cell_m), cell_m, rows, cols)


@lru_cache(maxsize=64)
def _inverse(row_xy: tuple[float, float], col_xy: tuple[float, float]) -> NDArray[np.float64]:
    """Return the inverse of a matrix of two rows; grid after grid has the same, read-only."""
    out: NDArray[np.float64] = np.ascontiguousarray(np.linalg.inv(np.array([row_xy, col_xy])))
    out.flags.writeable = False
    return out


@dataclass(frozen=True)
class GridAxes:
    """
    Geometry of a measured grid: any orientation, also mirrored.

    Parameters
    ----------
    origin_xy : tuple of float
        Centre of cell (row 0, column 0) in the grid's frame [m].
    row_step_xy, col_step_xy : tuple of float
        Move from one row, one column to the next [m]; at right angles and of equal length.

    Raises
    ------
    GeometryError
        Steps not finite, zero, unequal or not at right angles.

    """

    origin_xy: tuple[float, float]
    row_step_xy: tuple[float, float]
    col_step_xy: tuple[float, float]

    def __post_init__(self) -> None:
        """Refuse what is not a square grid."""
        values = (*self.origin_xy, *self.row_step_xy, *self.col_step_xy)
        if not all(math.isfinite(v) for v in values):
            msg = f'grid axes {values} are not finite'
            raise GeometryError(msg)
        row, col = math.hypot(*self.row_step_xy), math.hypot(*self.col_step_xy)
        dot = (self.row_step_xy[0] * self.col_step_xy[0]
               + self.row_step_xy[1] * self.col_step_xy[1])
        if min(row, col) <= 0.0 or abs(row - col) > SQUARE_TOLERANCE * col or (
                abs(dot) > SQUARE_TOLERANCE * row * col):
            msg = (f'grid steps {self.row_step_xy} and {self.col_step_xy} m do not make '
                   f'square cells')
            raise GeometryError(msg)

    @property
    def cell_m(self) -> float:
        """Edge of a cell [m]."""
        return math.hypot(*self.col_step_xy)

    def world_from_index(self, index: ArrayLike) -> NDArray[np.float64]:
        """Turn fractional (row, col) of shape (n, 2) into points (n, 2) [m]."""
        steps = np.array([self.row_step_xy, self.col_step_xy])
        out: NDArray[np.float64] = np.asarray(index, dtype=float) @ steps + self.origin_xy
        return out

    def index_from_world(self, points_xy: ArrayLike) -> NDArray[np.float64]:
        """Turn points (n, 2) [m] into fractional (row, col) of shape (n, 2)."""
        out: NDArray[np.float64] = (
            np.asarray(points_xy, dtype=float) - self.origin_xy) @ self.index_from_step
        return out

    @property
    def index_from_step(self) -> NDArray[np.float64]:
        """Matrix (2, 2) [1/m]: a step (x, y) [m] times this is one in rows and columns."""
        return _inverse(self.row_step_xy, self.col_step_xy)

    def moved(self, dx_m: float, dy_m: float) -> GridAxes:
        """Return the same grid moved by (dx, dy) [m]."""
        origin = (self.origin_xy[0] + dx_m, self.origin_xy[1] + dy_m)
        return GridAxes(origin, self.row_step_xy, self.col_step_xy)
