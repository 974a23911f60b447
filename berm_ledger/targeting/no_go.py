# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Where the wheels must not go: soil that stands, and keep-outs, as a coarse grid of the yard."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from .work_place import work_corners_xy
from ..design import Site
from ..design.corridor import cell_centres_xy
from ..geometry import Lattice, Polygon
from ..survey.area import SurveyArea

# Cell of the grid [m].
CELL_M = 0.05
# Share of a coarse cell's surveyed cells that must be too high; fewer are noise.
LEAST_SHARE = 0.1
# A blocked cell is free again once they are lower than this share of the clearance; at the foot of
# a berm cells would else come and go with the noise of every look.
FREE_BELOW = 0.9


@dataclass(eq=False)
class NoGo:
    """
    Turns the height of the surveyed cells into blocked cells of the yard.

    Parameters
    ----------
    site : Site
        Boundary, keep-outs and clearance.
    area : SurveyArea
        The surveyed cells.

    """

    site: Site
    area: SurveyArea
    lattice: Lattice = field(init=False)

    def __post_init__(self) -> None:
        """Lay the grid over the place of work, and find the keep-outs on it."""
        corners = np.vstack([
            work_corners_xy(self.site, keep_outs=True), self.area.centres_xy])
        self.lattice = Lattice.covering(corners, CELL_M, CELL_M)
        self._kept_out = np.zeros(self.lattice.shape, dtype=bool)
        for area in self.site.yard.keep_outs:
            cells = self._cells_around(area.polygon)
            centres = cell_centres_xy(self.lattice, cells)
            # A cell that a keep-out only touches is blocked too.
            near = area.polygon.distance_m(centres) <= CELL_M / np.sqrt(2.0)
            self._kept_out.reshape(-1)[cells[near | area.polygon.contains(centres)]] = True
        index = np.rint(self.lattice.index_from_xy(self.area.centres_xy)).astype(int)
        cell = index[:, 0] * self.lattice.cols + index[:, 1]
        # Only these can be built on; of the yard they are few.
        self._surveyed, place = np.unique(cell, return_inverse=True)
        self._cell, self._per_cell = place.astype(np.int32), np.bincount(place)
        self._built_on = np.zeros(len(self._surveyed), dtype=bool)

    def _cells_around(self, polygon: Polygon) -> NDArray[np.intp]:
        """Return the cells (n,) of the rectangle around a polygon; the yard may be large."""
        corners = polygon.corners_xy
        low = np.floor(self.lattice.index_from_xy(corners.min(axis=0) - CELL_M)).astype(int)
        high = np.ceil(self.lattice.index_from_xy(corners.max(axis=0) + CELL_M)).astype(int) + 1
        rows, cols = (np.arange(max(0, low[k]), min(high[k], self.lattice.shape[k]))
                      for k in (0, 1))
        return (rows[:, None] * self.lattice.cols + cols).reshape(-1)

    def blocked(self, height_m: NDArray[np.float64]) -> NDArray[np.bool_]:
        """
        Return which cells are blocked, those that were and may still be among them.

        Parameters
        ----------
        height_m : array
            Height above the datum of the n surveyed cells [m]; NaN is unknown.

        Returns
        -------
        array
            Shape of the lattice.

        """
        clearance_m = self.site.rover.clearance_m
        built_on = self._rises_above(clearance_m, height_m)
        if (self._built_on & ~built_on).any():
            built_on |= self._built_on & self._rises_above(FREE_BELOW * clearance_m, height_m)
        self._built_on = built_on
        out = self._kept_out.copy()
        out.reshape(-1)[self._surveyed[built_on]] = True
        return out

    def _rises_above(self, limit_m: float, height_m: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Tell of each coarse cell with surveyed cells whether enough of these are higher."""
        with np.errstate(invalid='ignore'):
            high = self._cell[height_m > limit_m]
        count = np.bincount(high, minlength=len(self._per_cell))
        out: NDArray[np.bool_] = count / self._per_cell >= LEAST_SHARE
        return out
