# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The cells that are surveyed: the corridor of every berm and an apron of ground around it.

State per cell is kept in flat arrays over these cells only, so that the work of an update grows
with the length of the berms and not with the size of the yard or of the grids.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
import math
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from .nearby import grow
from ..design import Segment, Site
from ..design.corridor import Corridor, corridor_of_site
from ..design.surface import footprint_half_width_m, half_width_m
from ..geometry import Lattice
from ..kernels import compiled

AnyValue = TypeVar('AnyValue', bound=np.generic)

# How far past the design toe soil still counts as the berm's: what slid past the footprint.
CORRIDOR_MARGIN_M = 0.30
# Ground beyond the corridor that only serves to find the shift of the map.
APRON_M = 0.50
# How far from a borrow area soil may slide into what is dug there.
DUG_MARGIN_M = 0.20
# How high a level crest is taken to stand before any grid tells [m].
ROUGH_HEIGHT_M = 0.25
# Reach of the slope estimate on either side of a cell, in cells.
SLOPE_REACH = 2
# Sampling rows by columns is so much quicker than point by point that it pays from here on.
LEAST_FILLED = 0.1


def rough_ground_m(site: Site) -> float:
    """Return a level that the ground may have under level crests, 0 without any [m]."""
    levels = [berm.crest_level_m for berm in site.berms if berm.crest_level_m is not None]
    return min(levels) - ROUGH_HEIGHT_M if levels else 0.0


@dataclass(frozen=True, eq=False)
class SurveyArea:
    """
    Cells, their place along the berms, and their neighbours.

    Parameters
    ----------
    site : Site
        The site.
    lattice : Lattice
        The whole lattice in the site frame.
    corridor : Corridor
        All n surveyed cells with station, offset and shares.
    in_corridor : array
        Which of them count as berm, shape (n,); the others are apron, or ground that is dug.
    in_footprint : array
        Which of them lie no further from the line than the design toe, where it is furthest,
        shape (n,).
    is_dug : array
        Which of them lie in or close to a borrow area, past the design toe, shape (n,): soil goes
        there that is nobody's loss.
    shares : scipy.sparse.csr_matrix
        Share of each segment in each cell, nothing outside the corridor, shape (segments, n);
        no zeros are kept.
    cell_of_flat : array
        Place among the n cells of each lattice cell, -1 for cells not surveyed.

    """

    site: Site
    lattice: Lattice
    corridor: Corridor
    in_corridor: NDArray[np.bool_]
    in_footprint: NDArray[np.bool_]
    is_dug: NDArray[np.bool_]
    shares: sparse.csr_matrix
    cell_of_flat: NDArray[np.int32]

    def __len__(self) -> int:
        """Return the number of surveyed cells."""
        return len(self.corridor)

    @property
    def segments(self) -> tuple[Segment, ...]:
        """All segments of the site, in the order of the rows of the books."""
        return self.corridor.segments

    def neighbours(
        self, cells: NDArray[np.intp], row_step: int, col_step: int
    ) -> NDArray[np.intp]:
        """Return the cells a step away from given cells; -1 where that is not surveyed."""
        row, col = np.divmod(self.corridor.flat_index[cells], self.lattice.cols)
        row, col = row + row_step, col + col_step
        inside = (row >= 0) & (row < self.lattice.rows) & (col >= 0) & (col < self.lattice.cols)
        flat = np.where(inside, row * self.lattice.cols + col, 0)
        return np.where(inside, self.cell_of_flat[flat], -1).astype(np.intp)

    def sides_of(self, cells: NDArray[np.intp]) -> NDArray[np.intp]:
        """Return the neighbours of some cells (k,), themselves where not surveyed, (4, k)."""
        steps = ((0, 1), (0, -1), (1, 0), (-1, 0))
        near = np.stack([self.neighbours(cells, row, col) for row, col in steps])
        return np.where(near < 0, cells, near)

    @cached_property
    def centres_xy(self) -> NDArray[np.float64]:
        """Centres of the cells, shape (n, 2) [m]."""
        return self.corridor.centres_xy

    def cells_at(self, points_xy: NDArray[np.float64]) -> NDArray[np.intp]:
        """Return the cells that points (k, 2) [m] fall into; -1 where that is not surveyed."""
        index = self.lattice.index_from_xy(points_xy)
        inside = self.lattice.contains(index)
        row, col = np.rint(np.where(inside[:, None], index, 0.0)).astype(np.intp).T
        return np.where(
            inside, self.cell_of_flat[row * self.lattice.cols + col], -1).astype(np.intp)

    def cells_within(
        self, low_xy: NDArray[np.float64], high_xy: NDArray[np.float64]
    ) -> NDArray[np.intp]:
        """Return the cells of a rectangle between two corners, shape (2,) each [m]."""
        low, high = self.lattice.index_from_xy(np.stack([low_xy, high_xy]))
        first = np.clip(np.ceil(low), 0, self.lattice.shape).astype(int)
        stop = np.clip(np.floor(high) + 1, 0, self.lattice.shape).astype(int)
        near = self.cell_of_flat.reshape(self.lattice.shape)[
            first[0]:max(first[0], stop[0]), first[1]:max(first[1], stop[1])].ravel()
        return near[near >= 0].astype(np.intp)

    def cells_near(self, cells: NDArray[np.intp], steps: int) -> NDArray[np.intp]:
        """Return, in order, the cells within so many steps of any of some cells."""
        row, col = np.divmod(self.corridor.flat_index[cells], self.lattice.cols)
        rows, cols = self.lattice.shape
        top, left = max(0, int(row.min()) - steps), max(0, int(col.min()) - steps)
        shape = (min(rows, int(row.max()) + steps + 1) - top,
                 min(cols, int(col.max()) + steps + 1) - left)
        mask = np.zeros(shape, dtype=bool)
        mask[row - top, col - left] = True
        place = self.cell_of_flat.reshape(rows, cols)[top:top + shape[0], left:left + shape[1]]
        near = place[grow(mask, steps)]
        return np.asarray(near[near >= 0], dtype=np.intp)

    @cached_property
    def shares_by_cell(self) -> sparse.csr_matrix:
        """Return the shares turned round, shape (n, segments): quick to ask for a few cells."""
        return self.shares.T.tocsr()

    @cached_property
    def corners_xy(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Least and greatest coordinates of the centres of all cells, shape (2,) each [m]."""
        return self.centres_xy.min(axis=0), self.centres_xy.max(axis=0)

    def half_width_m(self, berm_index: int) -> float:
        """Return how far the footprint of a berm reaches from its line, by its own cells [m]."""
        own = self.in_footprint & (self.corridor.berm_index == berm_index)
        return float(np.abs(self.corridor.offset_m[own]).max())

    @cached_property
    def reached(self) -> tuple[tuple[NDArray[np.intp], NDArray[np.float64]], ...]:
        """
        Cells that the design of each berm may reach, and their distance from its line [m].

        Its own, and of those of other berms the ones that its corridor would hold.
        """
        out = []
        for index, berm in enumerate(self.site.berms):
            own = self.corridor.berm_index == index
            reach = self.half_width_m(index) + CORRIDOR_MARGIN_M
            line = berm.centreline.points_xy
            low, high = line.min(axis=0) - reach, line.max(axis=0) + reach
            near = ~own & ((self.centres_xy >= low) & (self.centres_xy <= high)).all(axis=1)
            cells = np.flatnonzero(near)
            distance = np.abs(berm.centreline.station_offset(self.centres_xy[cells])[1])
            near_cells = cells[distance <= reach]
            out.append((
                np.append(np.flatnonzero(own), near_cells),
                np.append(np.abs(self.corridor.offset_m[own]), distance[distance <= reach])))
        return tuple(out)

    @cached_property
    def runs(self) -> NDArray[np.int32]:
        """Cells in a row: lattice row and column, first cell, how many; shape (k, 4)."""
        flat, cols = self.corridor.flat_index, self.lattice.cols
        starts = np.flatnonzero(np.append(True, (np.diff(flat) != 1) | (flat[1:] % cols == 0)))
        count = np.diff(np.append(starts, len(flat)))
        return np.column_stack([*np.divmod(flat[starts], cols), starts, count]).astype(np.int32)

    @cached_property
    def fills_its_lattice(self) -> bool:
        """Whether so much of the lattice is surveyed that all of it may as well be sampled."""
        return len(self) >= LEAST_FILLED * self.lattice.rows * self.lattice.cols

    def row_areas_m2(self) -> list[float]:
        """Return the area of the corridor of each segment, in the order of the books [m2]."""
        return [float(self.shares[row].sum()) * self.lattice.cell_area_m2
                for row in range(len(self.segments))]

    def on_lattice(self, values: NDArray[AnyValue], fill: float) -> NDArray[AnyValue]:
        """Spread values per cell (n,) over the lattice, ``fill`` elsewhere."""
        out = np.full(self.lattice.shape, fill, dtype=values.dtype)
        if compiled.readings is not None:
            compiled.readings.laid_out(np.ascontiguousarray(values), self.runs, out)
        else:
            out.ravel()[self.corridor.flat_index] = values
        return out


def survey_area(site: Site, *, ground_m: float = 0.0) -> SurveyArea:
    """
    Lay out the surveyed cells of a site.

    Parameters
    ----------
    site : Site
        The site.
    ground_m : float
        Rough level of the natural ground [m]; it sets the width of the corridor of a level crest
        where the site file gives no plane.

    Returns
    -------
    SurveyArea
        The cells.

    """
    reach = max(_half_width(site, index, ground_m) for index in range(len(site.berms)))
    reach += CORRIDOR_MARGIN_M + APRON_M
    points = np.vstack([berm.centreline.points_xy for berm in site.berms])
    lattice = Lattice.covering(points, site.cell_m, reach)
    datum = None if site.datum_plane is not None else np.full(lattice.shape, ground_m)
    corridor = corridor_of_site(site, lattice, CORRIDOR_MARGIN_M + APRON_M, datum_m=datum)
    halves = np.array([_half_width(site, i, ground_m) for i in range(len(site.berms))])
    distance = np.abs(corridor.offset_m)
    half = halves[corridor.berm_index]
    is_dug = _at_borrow_areas(site, corridor.centres_xy) & (distance > half)
    in_corridor = (distance <= half + CORRIDOR_MARGIN_M) & ~is_dug
    cell_of_flat = np.full(lattice.rows * lattice.cols, -1, dtype=np.int32)
    cell_of_flat[corridor.flat_index] = np.arange(len(corridor), dtype=np.int32)
    shares = sparse.csr_matrix(corridor.shares @ sparse.diags(in_corridor.astype(float)))
    shares.eliminate_zeros()
    return SurveyArea(
        site, lattice, corridor, in_corridor, distance <= half, is_dug, shares, cell_of_flat)


def _at_borrow_areas(site: Site, points_xy: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Tell at which points (n, 2) [m] soil is dug or slides into what is dug."""
    out = np.zeros(len(points_xy), dtype=bool)
    for polygon in (area.polygon for area in site.yard.borrow_areas):
        out |= polygon.reaches(points_xy, DUG_MARGIN_M)
    return out


def _half_width(site: Site, berm_index: int, ground_m: float) -> float:
    """Return the greatest half width of a berm's footprint [m]."""
    berm = site.berms[berm_index]
    half_m = footprint_half_width_m(berm, site.datum_plane)
    return half_m if math.isfinite(half_m) else float(half_width_m(berm, np.array([ground_m]))[0])
