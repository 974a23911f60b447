# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Shift of a measured grid against the site surface, found on ground that is not being worked.

The grid is sampled at the surveyed cells moved by the expected shift; the differences to the
site surface are explained by a small further shift through the slopes of the surface (linearised
surface differences, as in Nuth and Kaab 2011, The Cryosphere 5:271-290, here in least-squares
form) and by a vertical offset. The estimate is robust (Tukey weights that tighten step by step)
and is combined with what was expected, weighted by information: where the ground has no relief
the planar part has no information and stays where it was.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from .area import SLOPE_REACH, SurveyArea
from .grid import ElevationGrid
from .resample import bilinear
from .surface import SiteSurface

# What the shift may do between two grids (standard deviations) [m]: placement and drift.
WALK_XY_M = 0.004
WALK_Z_M = 0.004
# Most that is believed [m]; beyond, the grid is refused.
LIMIT_XY_M = 0.15
LIMIT_Z_M = 0.15
LIMIT_SPREAD_M = 0.012
# Cells used: every third row and column, known by enough looks.
THINNING = 3
LEAST_LOOKS = 3.0
LEAST_CELLS = 150
# Slopes below this, or below so many of their own errors, are noise and no relief [m/m].
LEAST_SLOPE = 0.06
SLOPE_SIGMAS = 3.0
# Neighbouring differences are correlated: how many cells are worth one.
CELLS_PER_INDEPENDENT = 10.0
# Half widths of the robust weights, step by step [m]; the last is in noise sigmas.
ROBUST_STEPS_M = (0.10, 0.05, 0.03)
LAST_STEP_SIGMAS = 4.0
# A step smaller than this ends the search [m].
SMALL_STEP_M = 0.0005
# Share of stable cells that may disagree after the best shift.
MOST_DISAGREEING = 0.4


@dataclass(frozen=True)
class Shift:
    """
    Where a grid lies: a point of the site is shown moved by (dx, dy) and raised by dz.

    Parameters
    ----------
    dx_m, dy_m, dz_m : float
        The shift [m].
    se_xy_m, se_z_m : float
        Standard errors [m]; ``se_xy_m`` is that of the less certain direction.
    residual_m : float
        Robust spread of the differences left over [m].
    cells : int
        Cells compared.
    planar_observed : bool
        Whether the ground had enough relief to see the planar part.

    """

    dx_m: float = 0.0
    dy_m: float = 0.0
    dz_m: float = 0.0
    se_xy_m: float = 0.0
    se_z_m: float = 0.0
    residual_m: float = float('nan')
    cells: int = 0
    planar_observed: bool = False


@dataclass(frozen=True)
class Refused:
    """Why a grid could not be placed: ``code`` and a sentence ``text``."""

    code: str
    text: str


@dataclass
class Registration:
    """
    Follows the shift of the map from grid to grid.

    Parameters
    ----------
    area : SurveyArea
        The surveyed cells.

    """

    area: SurveyArea
    mean: NDArray[np.float64] = field(default_factory=lambda: np.zeros(3))
    covariance: NDArray[np.float64] = field(default_factory=lambda: np.zeros((3, 3)))

    def __post_init__(self) -> None:
        """Pick the cells to compare and their neighbours."""
        flat = self.area.corridor.flat_index
        row, col = np.divmod(flat, self.area.lattice.cols)
        picked = (row % THINNING == 0) & (col % THINNING == 0)
        self._cells: NDArray[np.intp] = np.flatnonzero(picked)
        self._points = self.area.corridor.centres_xy[self._cells]
        steps = [(s * SLOPE_REACH, side) for s in (1, -1) for side in (-1, 0, 1)]
        near = self.area.neighbours
        self._north_south = np.stack([near(self._cells, a, b) for a, b in steps])
        self._east_west = np.stack([near(self._cells, b, a) for a, b in steps])

    def expect(self, shift: Shift) -> None:
        """Expect the next grid where an earlier run has left the map."""
        self.mean = np.array([shift.dx_m, shift.dy_m, shift.dz_m])

    def pairs(self) -> tuple[NDArray[np.intp], NDArray[np.intp], float]:
        """Return the cells compared, the cell beside each (-1: none), and their distance [m]."""
        beside = self.area.neighbours(self._cells, 0, THINNING)
        return self._cells, beside, THINNING * self.area.lattice.cell_m

    def register(
        self, grid: ElevationGrid, surface: SiteSurface, worked: NDArray[np.bool_],
        noise_m: float,
    ) -> Shift | Refused:
        """
        Find the shift of a grid and keep it as the expectation for the next.

        Parameters
        ----------
        grid : ElevationGrid
            The grid, spikes removed.
        surface : SiteSurface
            The surface so far.
        worked : array
            Cells where change is expected, shape (n,).
        noise_m : float
            Standard deviation of one look at one cell [m].

        Returns
        -------
        Shift or Refused
            The shift, or why there is none; a refused grid leaves the expectation alone.

        """
        prior = self.covariance + np.diag([WALK_XY_M**2, WALK_XY_M**2, WALK_Z_M**2])
        top = LIMIT_SPREAD_M**2
        prior *= min(1.0, top / max(prior[0, 0], prior[1, 1], prior[2, 2]))
        usable = (surface.looks[self._cells] >= LEAST_LOOKS) & ~worked[self._cells]
        usable &= surface.aside_looks[self._cells] == 0
        picked = np.flatnonzero(usable)
        if not len(picked):
            return self._unseen(surface, prior)
        slope = self._slopes(surface, picked, noise_m)
        return self._search(grid, surface, picked, slope, prior, noise_m)

    def _unseen(self, surface: SiteSurface, prior: NDArray[np.float64]) -> Shift:
        """Take the expectation where nothing known could be compared."""
        if surface.known.any():
            self.covariance = prior
        return self._shift(float('nan'), 0)

    def _shift(self, residual_m: float, cells: int, observed: bool = False) -> Shift:
        """Return the present expectation as a shift."""
        dx, dy, dz = (float(v) for v in self.mean)
        se_xy = float(np.sqrt(max(0.0, np.linalg.eigvalsh(self.covariance[:2, :2])[-1])))
        se_z = float(np.sqrt(max(0.0, self.covariance[2, 2])))
        return Shift(dx, dy, dz, se_xy, se_z, residual_m, cells, observed)

    def _slopes(
        self, surface: SiteSurface, picked: NDArray[np.intp], noise_m: float
    ) -> NDArray[np.float64]:
        """Return slopes (k, 2) along x and y; zero where too small or unknown."""
        height = np.append(surface.height_m, np.float32(np.nan))
        run = 2.0 * SLOPE_REACH * self.area.lattice.cell_m
        out = np.empty((len(picked), 2))
        for axis, near in enumerate((self._east_west, self._north_south)):
            values = height[near[:, picked]]
            out[:, axis] = (values[:3].mean(axis=0) - values[3:].mean(axis=0)) / run
        out[~np.isfinite(out).all(axis=1)] = 0.0
        # Each slope is the difference of two means of three cells.
        error = noise_m * np.sqrt(2.0 / 3.0) / run
        error = error / np.sqrt(surface.effective_looks()[self._cells[picked]])
        least = np.maximum(LEAST_SLOPE, SLOPE_SIGMAS * error)
        out[np.hypot(out[:, 0], out[:, 1]) < least] = 0.0
        return out

    def _search(
        self, grid: ElevationGrid, surface: SiteSurface, picked: NDArray[np.intp],
        slope: NDArray[np.float64], prior: NDArray[np.float64], noise_m: float,
    ) -> Shift | Refused:
        """Tighten the robust weights step by step around the best shift."""
        height = surface.height_m[self._cells[picked]].astype(float)
        points = self._points[picked]
        information = np.linalg.inv(prior).astype(np.float64)
        mean = self.mean.astype(np.float64)
        design = np.column_stack([-slope, np.ones(len(picked))])
        variance = noise_m**2 * CELLS_PER_INDEPENDENT
        for width in (*ROBUST_STEPS_M, max(0.012, LAST_STEP_SIGMAS * noise_m)):
            left = bilinear(grid, points + mean[:2]).astype(float) - mean[2] - height
            known = np.isfinite(left)
            if np.count_nonzero(known) < LEAST_CELLS:
                return self._unseen(surface, prior)
            centre = float(np.median(left[known]))
            weight = tukey(np.where(known, left - centre, np.inf), width)
            weighted = design * weight[:, None]
            normal = weighted.T @ design / variance
            toward = weighted.T @ np.where(known, left, 0.0) / variance
            step = np.linalg.solve(
                normal + information, toward + information @ (self.mean - mean))
            mean += step
        return self._judge(mean, normal, information, left - design @ step, known, noise_m)

    def _judge(
        self, mean: NDArray[np.float64], normal: NDArray[np.float64],
        information: NDArray[np.float64], left: NDArray[np.float64],
        known: NDArray[np.bool_], noise_m: float,
    ) -> Shift | Refused:
        """Believe the shift or say why not."""
        left = left[known]
        residual = 1.4826 * float(np.median(np.abs(left - np.median(left))))
        disagreeing = float(np.mean(np.abs(left) > max(0.02, 5.0 * noise_m)))
        if np.hypot(mean[0], mean[1]) > LIMIT_XY_M or abs(mean[2]) > LIMIT_Z_M:
            return Refused('map_shift', (
                f'the grid lies {mean[0]:+.3f}, {mean[1]:+.3f}, {mean[2]:+.3f} m off the site '
                f'surface, more than is believed; check the localisation'))
        if disagreeing > MOST_DISAGREEING:
            return Refused('map_shift', (
                f'{disagreeing:.0%} of the ground that nobody works on disagrees with the site '
                f'surface whatever the shift; check the localisation'))
        self.mean = mean
        self.covariance = np.linalg.inv(normal + information).astype(np.float64)
        # Information from the ground itself must outweigh a centimetre of ignorance.
        observed = bool(np.linalg.eigvalsh(normal[:2, :2])[0] > 1.0 / 0.01**2)
        return self._shift(residual, len(left), observed)


def tukey(values: NDArray[np.float64], width: float) -> NDArray[np.float64]:
    """
    Return Tukey's biweight of values: 1 at zero, 0 from the width on.

    Examples
    --------
    >>> tukey(np.array([0.0, 1.0, np.inf]), 1.0).tolist()
    [1.0, 0.0, 0.0]

    """
    ratio = np.minimum(np.abs(values) / width, 1.0)
    out: NDArray[np.float64] = (1.0 - ratio**2) ** 2
    return out
