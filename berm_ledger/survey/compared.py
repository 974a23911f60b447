# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The ground that grids are laid onto: cells picked from all, where nobody works, and slopes."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from .area import SLOPE_REACH, SurveyArea
from .shift_fit import CELLS_PER_INDEPENDENT
from .surface import SiteSurface
from ..kernels import compiled

# Cells used: every third row and column or fewer, about as many as are enough, known by enough
# looks; more lie so close that they say the same.
THINNING = 3
ENOUGH_CELLS = 6000
LEAST_LOOKS = 1.0
# And where the noise is learned.
STEADY_LOOKS = 5.0
# Slopes below this, or below so many of their own errors, are noise and no relief [m/m].
LEAST_SLOPE = 0.06
SLOPE_SIGMAS = 3.0
# The slopes of the surface are worked out again after so many looks: where nobody works it hardly
# moves.
SLOPE_LOOKS = 8


class ComparedGround:
    """
    The cells at which grids are compared with the surface.

    Parameters
    ----------
    area : SurveyArea
        The surveyed cells.

    """

    def __init__(self, area: SurveyArea) -> None:
        """Pick the cells to compare and their neighbours."""
        self._area = area
        flat, near = area.corridor.flat_index, area.neighbours
        row, col = np.divmod(flat, area.lattice.cols)
        thinning = max(THINNING, round(math.sqrt(len(flat) / ENOUGH_CELLS)))
        #: Of how many of the cells one tells something that the others do not.
        self.per_independent = max(1.0, CELLS_PER_INDEPENDENT * (THINNING / thinning) ** 2)
        picked = (row % thinning == 0) & (col % thinning == 0) & ~area.is_dug
        self._cells: NDArray[np.intp] = np.flatnonzero(picked)
        self._points = area.centres_xy[self._cells]
        self._beside = near(self._cells, 0, THINNING)
        steps = [(s * SLOPE_REACH, side) for s in (1, -1) for side in (-1, 0, 1)]
        self._north_south, self._east_west = (
            np.stack([near(self._cells, *step[::way]) for step in steps]).astype(np.int32)
            for way in (1, -1))
        self._slope = np.empty((2, 0))
        self._slope_age = 0

    def pairs(
        self, measured_m: NDArray[np.float32], surface: SiteSurface, worked: NDArray[np.bool_]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float32], float]:
        """
        Return by how much heights (n,) differ from a surface at cells compared that lie still.

        Parameters
        ----------
        measured_m : array
            Heights of a grid, shape (n,) [m]; NaN is not seen.
        surface : SiteSurface
            The surface.
        worked : array
            Cells where change is expected, shape (n,).

        Returns
        -------
        tuple of array
            Differences there and at a cell beside each [m], and how many independent looks the
            surface is worth there, (k,).
        float
            Distance of the two [m].

        """
        spacing_m = THINNING * self._area.lattice.cell_m
        if compiled.ground is not None and measured_m.dtype == np.float32:
            count = len(self._cells)
            there, near, worth = np.empty(count), np.empty(count), np.empty(count, np.float32)
            kept = compiled.ground.pairs(
                measured_m, surface.height_m, surface.looks, worked, self._cells, self._beside,
                STEADY_LOOKS, surface.most_independent_looks, there, near, worth)
            return there[:kept], near[:kept], worth[:kept], spacing_m
        steady = surface.looks[self._cells] >= STEADY_LOOKS
        steady &= ~worked[self._cells] & (self._beside >= 0)
        cells, beside = self._cells[steady], self._beside[steady]
        left, right = (
            (measured_m[at] - surface.height_m[at]).astype(float) for at in (cells, beside))
        return left, right, surface.effective_looks(cells), spacing_m

    def known(
        self, surface: SiteSurface, worked: NDArray[np.bool_], noise_m: float, *, rises: bool
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """
        Return what is known of the ground where nobody works, at k of the cells compared.

        Parameters
        ----------
        surface : SiteSurface
            The surface so far.
        worked : array
            Cells where change is expected, shape (n,).
        noise_m : float
            Standard deviation of one look at one cell [m].
        rises : bool
            Whether the surface moves with every grid, so that its slopes do, too.

        Returns
        -------
        tuple of array
            Points (k, 2) [m], heights (k,) [m] and slopes along x and y (2, k) [m/m], zero where
            too small or unknown.

        """
        if self._slope_age == 0 or rises:
            self._slope = self.slopes(surface)
        # Each slope is the difference of two means of three cells.
        error = noise_m * math.sqrt(2.0 / 3.0) / (2.0 * SLOPE_REACH * self._area.lattice.cell_m)
        variance = float((SLOPE_SIGMAS * error)**2)
        if compiled.ground is not None:
            count = len(self._cells)
            points, height, slope = np.empty((count, 2)), np.empty(count), np.empty(2 * count)
            kept = compiled.ground.known(
                surface.looks, worked, surface.aside_looks, surface.height_m, self._cells,
                self._points, self._slope, LEAST_LOOKS, variance, surface.most_independent_looks,
                LEAST_SLOPE**2, points, height, slope)
            found = points[:kept], height[:kept], slope[:2 * kept].reshape(2, kept)
        else:
            found = self._known_by_numpy(surface, worked, variance)
        if len(found[1]):
            self._slope_age = (self._slope_age + 1) % SLOPE_LOOKS
        return found

    def _known_by_numpy(
        self, surface: SiteSurface, worked: NDArray[np.bool_], variance: float
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Return the same in several passes; ``variance`` is that of slopes after one look."""
        usable = (surface.looks[self._cells] >= LEAST_LOOKS) & ~worked[self._cells]
        usable &= surface.aside_looks[self._cells] == 0
        picked = np.flatnonzero(usable)
        cells, slope = self._cells[picked], self._slope[:, picked]
        real = slope[0] * slope[0] + slope[1] * slope[1] >= np.maximum(
            variance / surface.effective_looks(cells), LEAST_SLOPE**2)
        return self._points[picked], surface.height_m[cells].astype(float), slope * real

    def slopes(self, surface: SiteSurface) -> NDArray[np.float64]:
        """Return slopes along x and y at all cells compared, zero where unknown, shape (2, m)."""
        out = np.empty((2, len(self._cells)))
        across_m = 2.0 * SLOPE_REACH * self._area.lattice.cell_m
        if compiled.ground is not None:
            compiled.ground.slopes(
                surface.height_m, self._east_west, self._north_south, across_m, out)
            return out
        height = np.append(surface.height_m, np.float32(np.nan))
        for axis, near in enumerate((self._east_west, self._north_south)):
            # Added up one by one: numpy's sums begin with a zero of either sign.
            a, b, c, d, e, f = height[near]
            out[axis] = (a + b + c) / np.float32(3.0) - (d + e + f) / np.float32(3.0)
        out /= across_m
        out[:, ~np.isfinite(out).all(axis=0)] = 0.0
        return out
