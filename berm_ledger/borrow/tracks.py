# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
How far the wheels have pressed down the ground in and around one borrow area.

What sank under wheels was not carried off. Where the drum is at work nobody sees the one without
the other, so it is learned on the ground around the area, where no drum works: how far bare ground
sinks in the end (D), and how much of what is left to that a pass presses down, by how far from the
middle of the rover it went over a place: in some of these bands there is a wheel, in others none::

    sunk = D (1 - exp(-sum over bands of passes * rate))

(the first pass sinks most, each further one a like share of the rest; common practice, no source).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ..geometry import Lattice, Polygon, Pose2
from ..survey.surface import SiteSurface
from ..survey.trodden import MOST_M, stays

# Bands from the middle of the rover to its side.
BANDS = 6
# Ground before the first pass is known by so many looks, and tells of ruts from so many cells on.
FIRM_LOOKS, LEAST_CELLS = 3.0, 100
# What the ground may sink to in the end that is tried [m]; cells that are looked at for it.
DEPTHS_M = np.geomspace(0.002, MOST_M, 24)
MOST_CELLS, STEPS = 1500, 8
# What is learned around the area holds in it to this share: it is dug loose there, and wheels slip
# while the drum works (a guess).
SPREAD = 0.2

Passes = NDArray[np.uint8]


class Tracks:
    """
    Passes over the cells of one borrow area, and how far they press the ground down.

    Parameters
    ----------
    lattice : Lattice
        Its n cells.
    footprint : Polygon
        Footprint of the rover, in base_link.

    """

    def __init__(self, lattice: Lattice, footprint: Polygon) -> None:
        """Nobody has gone anywhere."""
        self._lattice, self._footprint = lattice, footprint
        corners_xy = footprint.corners_xy
        self._reach_m = float(np.hypot(*corners_xy.T).max())
        self._half_m = float(np.abs(corners_xy[:, 1]).max())
        count = lattice.rows * lattice.cols
        #: Passes over each cell by band, those that looks have shown, and of them those before
        #: the datum of the cell, shape (n, BANDS).
        self.passes: Passes = np.zeros((count, BANDS), dtype=np.uint8)
        self.shown: Passes = np.zeros((count, BANDS), dtype=np.uint8)
        self.before: Passes = np.zeros((count, BANDS), dtype=np.uint8)
        #: How each cell stood before the first pass; NaN where that is not known [m].
        self.firm_m = np.full(count, np.nan, dtype=np.float32)
        #: Cells gone over that no look has shown since, shape (n,).
        self.gone = np.zeros(count, dtype=bool)
        # Band of each cell under the rover, and which cells these are.
        self._band = np.full(count, -1, dtype=np.int8)
        self._under = np.empty(0, dtype=np.intp)
        self._last: Pose2 | None = None
        # How far it sinks in the end [m], and rate of each band; None while nothing is known.
        self._law: tuple[float, NDArray[np.float64]] | None = None

    def put_back(self, passes: Passes, before: Passes, firm_m: NDArray[np.float32]) -> None:
        """Go on from the passes, and heights before the first, of an earlier run."""
        self.passes, self.shown, self.before = passes, passes.copy(), before
        self.firm_m = firm_m

    def note(self, site_from_base: Pose2, surface: SiteSurface) -> None:
        """Follow the rover to a pose over a surface as it was known before."""
        last, now = self._last, site_from_base
        if last is not None and stays(last, now):
            return
        self._last = now
        cells, own_xy = self._around(now)
        if not len(cells) and not len(self._under):
            return
        inside = self._footprint.contains(own_xy)
        cells, off_m = cells[inside], np.abs(own_xy[inside, 1])
        band = np.minimum(off_m * (BANDS / self._half_m), BANDS - 1).astype(np.int8)
        other = band != self._band[cells]
        self._band[self._under] = -1
        self._under, self._band[cells] = cells, band
        if last is None:
            return
        new, places = cells[other], band[other]
        first = new[~self.passes[new].any(axis=1) & (surface.looks[new] >= FIRM_LOOKS)]
        self.firm_m[first] = surface.height_m[first]
        counts = self.passes[new, places]
        self.passes[new, places] = counts + (counts < np.iinfo(np.uint8).max)
        self.gone[cells] = True

    def _around(self, pose: Pose2) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
        """Return the cells that the rover may reach, and where they lie in its own frame [m]."""
        lattice = self._lattice
        row, col = lattice.index_from_xy(pose.xy)
        reach = self._reach_m / lattice.cell_m
        rows = np.arange(max(0, math.ceil(row - reach)), min(lattice.rows, int(row + reach) + 1))
        cols = np.arange(max(0, math.ceil(col - reach)), min(lattice.cols, int(col + reach) + 1))
        cells = (rows[:, None] * lattice.cols + cols).ravel().astype(np.intp)
        if not len(cells):
            return cells, np.empty((0, 2))
        x_m = lattice.x0_m + lattice.cell_m * (cells % lattice.cols)
        y_m = lattice.y0_m + lattice.cell_m * (cells // lattice.cols)
        own_xy: NDArray[np.float64] = pose.inverse().apply(np.column_stack([x_m, y_m]))
        return cells, own_xy

    def look(self, seen: NDArray[np.bool_]) -> None:
        """Note which cells (n,) a look has shown."""
        cells = np.flatnonzero(self.gone & seen)
        self.shown[cells] = self.passes[cells]
        self.gone[cells] = False

    def learn(self, cells: NDArray[np.intp], height_m: NDArray[np.float32]) -> None:
        """
        Learn from ground where no drum works.

        Parameters
        ----------
        cells : array
            Its cells, shape (k,).
        height_m : array
            The surface, shape (n,) [m].

        """
        fall_m = (self.firm_m[cells] - height_m[cells]).astype(float)
        told = np.abs(fall_m) <= 2.0 * MOST_M
        cells, fall_m = cells[told], fall_m[told]
        if len(cells) < LEAST_CELLS:
            return
        step = max(1, len(cells) // MOST_CELLS)
        passes, fall_m = self.shown[cells[::step]].astype(float), fall_m[::step]
        laws = [(depth_m, _rates(passes, fall_m, depth_m)) for depth_m in DEPTHS_M.tolist()]
        self._law = min(laws, key=lambda law: float(
            ((fall_m - _sunk_m(passes, *law))**2).sum()))

    def sunk_m(self, before: Passes) -> NDArray[np.float64]:
        """Return how far looks show cells (n,) sunk since the passes before (n, BANDS) [m]."""
        if self._law is None:
            return np.zeros(len(before))
        out: NDArray[np.float64] = _sunk_m(self.shown, *self._law) - _sunk_m(before, *self._law)
        return out


def _sunk_m(
    passes: Passes | NDArray[np.float64], depth_m: float, rates: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return how far passes (k, BANDS) press ground down that sinks to a depth in the end [m]."""
    out: NDArray[np.float64] = depth_m * -np.expm1(-(passes @ rates))
    return out


def _rates(
    passes: NDArray[np.float64], fall_m: NDArray[np.float64], depth_m: float
) -> NDArray[np.float64]:
    """Return the rates of the bands, none negative, that falls (k,) [m] fit best."""
    rates = np.full(BANDS, 0.2)
    for _ in range(STEPS):
        left = np.exp(-(passes @ rates))
        slopes = depth_m * left[:, None] * passes
        wanted_m = fall_m - depth_m * (1.0 - left) + slopes @ rates
        rates = 0.5 * (rates + _least_squares(slopes, wanted_m))
    return rates


def _least_squares(
    slopes: NDArray[np.float64], wanted: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the factors, none negative, with which slopes (k, m) come to what is wanted (k,)."""
    square = slopes.T @ slopes
    square[np.diag_indices_from(square)] += 1e-9 * max(float(square.trace()), 1e-12)
    product = slopes.T @ wanted
    out, kept = np.zeros(len(product)), np.arange(len(product))
    while len(kept):
        found = np.linalg.solve(square[np.ix_(kept, kept)], product[kept])
        if (found >= 0.0).all():
            out[kept] = found
            break
        kept = kept[found > 0.0]
    return out
