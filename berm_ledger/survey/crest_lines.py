# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The crest lines of all berms, kept up to date where the surface has changed.

A segment is fitted anew when a cell that its sections lean on was seen; the others keep their
crest. Each is fitted with the detail that the noise of its own cells allows.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
import math

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from .area import SurveyArea
from .blur import Blur, lie_of_rows, PlaceOfGrids
from .crest import Crest, pooled_noise_m
from .crest_fit import Blurred, fit_crest, runs_of, with_beside
from .roof import (
    blur_variance_m2,
    Detail,
    detail_for,
    DETAILS,
    LEAST_WINDOW_GRID_CELLS,
    roof_templates,
    RoofTemplates,
)
from .sections import Sections

# Cells this far from the line tell how noisy the crest is [m].
STRIP_M = 0.10
# Grids whose cells differ by less have the same cell [m].
CELL_TOLERANCE_M = 1e-4
# By so much a section scatters more than a given roof would, as place and shape are chosen too;
# 1.2 to 1.7 were measured for noise of 0.5 to 10 mm.
CHOICE = 1.4
# The blur is taken out at once for neighbours that have no more sections than this together: many
# short segments, seen one by one, are many short runs of cells.
MOST_TOGETHER = 64


@dataclass(frozen=True, eq=False)
class _Stretch:
    """Sections ``first`` to ``last`` of a segment, the cells they lean on, those of the crest."""

    berm_index: int
    first: int
    last: int
    cells: NDArray[np.intp]
    strip: NDArray[np.intp]


#: Takes cells, where those of each row end, and rows (r,); returns the noise there (r,) [m].
NoiseAlong = Callable[
    [NDArray[np.int32], NDArray[np.intp], NDArray[np.intp]], NDArray[np.float64]]


class CrestLines:
    """
    Fits the crest, segment by segment.

    Parameters
    ----------
    area : SurveyArea
        The surveyed cells.
    sections : sequence of Sections
        Cross-sections of every berm.
    places : PlaceOfGrids
        Where the cells have lain between those of the grids.

    """

    def __init__(
        self, area: SurveyArea, sections: Sequence[Sections], places: PlaceOfGrids
    ) -> None:
        """Find out which cells each segment leans on; nothing is fitted yet."""
        self._area = area
        self._sections = tuple(sections)
        self._grid_cell_m = area.lattice.cell_m
        self.places = places
        self._lie = [lie_of_rows(area, own) for own in self._sections]
        rows = len(area.segments)
        self._stretches = [
            stretch for own in self._sections for stretch in _stretches(area, own)]
        # The cells that tell how noisy the crest of each segment is, and where those end.
        strips = [stretch.strip for stretch in self._stretches]
        self._strips = np.concatenate(strips).astype(np.int32)
        self._strip_ends = np.cumsum([0, *map(len, strips)])
        self._stale = np.ones(rows, dtype=bool)
        self._group = _groups(self._stretches)
        # Cells that a group leans on, by group and how many sections on either side count.
        self._leaned: dict[tuple[int, int], NDArray[np.int32]] = {}
        # The surface without blur at those cells; a fit fills in those that it needs.
        self._sharp_m = np.empty(len(area), dtype=np.float32)
        watch = sparse.lil_matrix((rows, len(area)), dtype=np.int32)
        for row, stretch in enumerate(self._stretches):
            watch[row, stretch.cells] = 1
        self._watch = sparse.csr_matrix(watch)
        self._crests = [_blank(len(own.station_m)) for own in self._sections]
        # Of wider cells a roof does not fit into a section.
        self._widest_cell_m = min(
            own.offset_m[-1] for own in self._sections) / LEAST_WINDOW_GRID_CELLS

    def touch(self, cells: NDArray[np.bool_] | None = None) -> NDArray[np.bool_]:
        """Fit segments again that lean on given cells (n,), all by default; return which."""
        rows = np.ones(len(self._stale), dtype=bool)
        if cells is not None:
            rows = self._watch @ cells.astype(np.int32) > 0
        self._stale |= rows
        return rows

    def touch_rows(self, rows: NDArray[np.intp] | NDArray[np.bool_]) -> None:
        """Fit given segments again."""
        self._stale[rows] = True

    def is_stale(self, berm_index: int) -> bool:
        """Tell whether any segment of a berm is to be fitted again."""
        return bool(self._stale[self._rows_of(berm_index)].any())

    def put_back(self, berm_index: int, crest: Crest) -> None:
        """Take a crest that was fitted before; it stands until its cells are seen again."""
        self._crests[berm_index] = crest
        for row, stretch in enumerate(self._stretches):
            self._stale[row] &= stretch.berm_index != berm_index

    def use_cell(self, grid_cell_m: float) -> None:
        """Fit all anew when the grids come with another cell [m]."""
        grid_cell_m = min(grid_cell_m, self._widest_cell_m)
        if abs(grid_cell_m - self._grid_cell_m) > CELL_TOLERANCE_M:
            self._grid_cell_m = grid_cell_m
            self.places.forget()
            self.touch()

    def _rows_of(self, berm_index: int) -> slice:
        """Return the rows of the books that a berm has."""
        rows = self._sections[berm_index].rows
        return slice(rows.start, rows.stop)

    def crest(
        self, berm_index: int, height_m: NDArray[np.float32],
        noise_along: NoiseAlong,
        level_m: NDArray[np.float32] | None = None,
    ) -> Crest:
        """
        Return the crest of all sections of a berm.

        Parameters
        ----------
        berm_index : int
            Which berm.
        height_m : array
            Height at every cell, NaN where unknown, shape (n,) [m].
        noise_along : callable
            Takes cells, where those of each row end, and rows (r,); returns the standard
            deviation of what neighbours do not share in the known heights, the median of each
            row, shape (r,) [m]; infinite where nothing is known.
        level_m : array, optional
            Level of the datum, shape (n,) [m]; left out, heights are above it.

        Returns
        -------
        Crest
            Of its sections.

        """
        kept = self._crests[berm_index]
        of_berm = self._rows_of(berm_index)
        rows = self._stale[of_berm].nonzero()[0] + of_berm.start
        if len(rows):
            kept = Crest(kept.height_m.copy(), kept.offset_m.copy(), kept.spread.copy())
            noise_m = noise_along(self._strips, self._strip_ends, rows)
            blurs = self._blurs(berm_index, (rows - of_berm.start).tolist())
            for own, detail, blur in self._runs(rows.tolist(), noise_m.tolist(), blurs):
                fitted = range(int(rows[own.start]), int(rows[own.stop - 1]) + 1)
                roofs = roof_templates(
                    self._area.lattice.cell_m, self._grid_cell_m, detail, blur)
                self._fit(kept, fitted, roofs, noise_m[own], height_m, level_m)
            self._stale[of_berm] = False
            self._crests[berm_index] = kept
        return kept

    def own_error_m(
        self, berm_index: int, crest: Crest, noise_along: NoiseAlong
    ) -> NDArray[np.float64]:
        """
        Return the standard error of single sections that the others do not share.

        Parameters
        ----------
        berm_index : int
            Which berm.
        crest : Crest
            Its crest.
        noise_along : callable
            As for ``crest``.

        Returns
        -------
        array
            One per section [m]; NaN where there is no crest.

        """
        error = np.full(len(crest.spread), np.nan)
        rows = np.array(self._sections[berm_index].rows)
        for row, noise_m in zip(rows, noise_along(self._strips, self._strip_ends, rows).tolist()):
            if math.isfinite(noise_m):
                own = self._sections[berm_index].of_row(row)
                pooled = detail_for(noise_m, self._grid_cell_m).pooled
                error[own] = CHOICE * crest.spread[own] * pooled_noise_m(noise_m, pooled)
        return error

    def _blurs(self, berm_index: int, rows: Sequence[int]) -> list[Blur]:
        """Return what the samples of some rows of a berm, counted from its first, are means of."""
        return [self.places.blur(
            self._lie[berm_index][row], self._area.lattice.cell_m, self._grid_cell_m)
            for row in rows]

    def _runs(
        self, rows: Sequence[int], noise_m: Sequence[float], blurs: Sequence[Blur]
    ) -> list[tuple[slice, Detail, Blur]]:
        """Return parts of rows that follow each other and share detail and blur, and these."""
        kinds = [(detail_for(noise, self._grid_cell_m), blur)
                 for noise, blur in zip(noise_m, blurs)]
        starts = [n for n, row in enumerate(rows)
                  if not n or row != rows[n - 1] + 1 or kinds[n] != kinds[n - 1]]
        return [(slice(start, stop), *kinds[start])
                for start, stop in zip(starts, [*starts[1:], len(rows)])]

    def _fit(
        self, kept: Crest, rows: range, roofs: RoofTemplates, noise_m: NDArray[np.float64],
        height_m: NDArray[np.float32], level_m: NDArray[np.float32] | None,
    ) -> None:
        """Fit segments that follow each other and share detail and blur anew."""
        leaned = [self._leaned_on(group, roofs.detail.reach)
                  for group in range(self._group[rows[0]], self._group[rows[-1]] + 1)]
        runs = leaned[0] if len(leaned) == 1 else np.concatenate(leaned)
        surface = Blurred(height_m, level_m, self._sharp_m, runs, self._taken_off_m2(roofs.detail),
                          self._area.lattice.cell_area_m2)
        sections = self._sections[self._stretches[rows[0]].berm_index]
        fit_crest(kept, rows, surface, noise_m, sections, roofs)

    def _taken_off_m2(self, detail: Detail) -> float:
        """Return how much of its curvature is taken off a surface to take the blur out [m2]."""
        # A blur of variance v lowers a surface by v / 2 times its curvature, to first order.
        variance = blur_variance_m2(self._area.lattice.cell_m, self._grid_cell_m)
        return detail.sharpened * variance / 2.0

    def _leaned_on(self, group: int, reach: int) -> NDArray[np.int32]:
        """Return the cells of a group's sections, with so many beside, as ``runs_of``."""
        if (group, reach) not in self._leaned:
            own = [stretch for stretch, g in zip(self._stretches, self._group) if g == group]
            sections = self._sections[own[0].berm_index]
            index = with_beside(sections, own[0].first, own[-1].last, reach)
            cells = _known_cells(sections.cells(index), sections.weights[index])
            self._leaned[group, reach] = runs_of(cells, self._area.sides_of(cells))
        return self._leaned[group, reach]


def _blank(count: int) -> Crest:
    """Return a crest of which nothing is known."""
    return Crest(*(np.full(count, np.nan) for _ in range(3)))


def _groups(stretches: Sequence[_Stretch]) -> list[int]:
    """Return the group of each stretch: neighbours of a berm, with few sections together."""
    out = [0]
    begin = stretches[0]
    for stretch in stretches[1:]:
        together = stretch.last - begin.first <= MOST_TOGETHER
        if stretch.berm_index != begin.berm_index or not together:
            begin = stretch
        out.append(out[-1] + (begin is stretch))
    return out


def _stretches(area: SurveyArea, sections: Sections) -> list[_Stretch]:
    """Return the stretches of one berm, segment by segment."""
    near = np.flatnonzero(np.abs(sections.offset_m) <= STRIP_M)
    out = []
    for row in np.unique(sections.row):
        own = np.flatnonzero(sections.row == row)
        first, last = int(own[0]), int(own[-1]) + 1
        index = with_beside(sections, first, last, max(detail.reach for detail in DETAILS))
        out.append(_Stretch(
            sections.berm_index, first, last,
            _known_cells(sections.cells(index), sections.weights[index]),
            _known_cells(sections.cells(own)[:, near], sections.weights[own][:, near])))
    return out


def _known_cells(
    cells: NDArray[np.int32], weights: NDArray[np.float32]
) -> NDArray[np.intp]:
    """Return the surveyed cells among those given, each once."""
    known = np.zeros(int(cells.max(initial=-1)) + 1, dtype=bool)
    known[cells[np.isfinite(weights)]] = True
    return np.flatnonzero(known)
