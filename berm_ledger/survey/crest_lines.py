# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The crest lines of all berms, kept up to date where the surface has changed.

A segment is fitted anew when a cell that its sections lean on was seen; the others keep their
crest. Each is fitted with the detail that the noise of its own cells allows.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
import math

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from .area import SurveyArea
from .crest import Crest, crest_of_sections, pooled_noise_m
from .middle import median
from .roof import blur_variance_m2, Detail, detail_for, DETAILS, roof_templates, RoofTemplates
from .sections import Sections
from ..kernels import compiled

# Cells this far from the line tell how noisy the crest is [m].
STRIP_M = 0.10
# Grids whose cells differ by less have the same cell [m].
CELL_TOLERANCE_M = 1e-4
# By so much a section scatters more than a given roof would, as place and shape are chosen too;
# 1.2 to 1.7 were measured for noise of 0.5 to 10 mm.
CHOICE = 1.4


@dataclass(frozen=True, eq=False)
class _Stretch:
    """Sections ``first`` to ``last`` of a segment, the cells they lean on, those of the crest."""

    berm_index: int
    first: int
    last: int
    cells: NDArray[np.intp]
    strip: NDArray[np.intp]


class CrestLines:
    """
    Fits the crest, segment by segment.

    Parameters
    ----------
    area : SurveyArea
        The surveyed cells.
    sections : sequence of Sections
        Cross-sections of every berm.

    """

    def __init__(self, area: SurveyArea, sections: Sequence[Sections]) -> None:
        """Find out which cells each segment leans on; nothing is fitted yet."""
        self._area = area
        self._sections = tuple(sections)
        self._grid_cell_m = area.lattice.cell_m
        self._templates: dict[Detail, RoofTemplates] = {}
        rows = len(area.segments)
        self._stretches = [
            stretch for own in self._sections for stretch in _stretches(area, own)]
        self._berm_of_row = np.array([stretch.berm_index for stretch in self._stretches])
        self._stale = np.ones(rows, dtype=bool)
        # Cells that a segment leans on, by row and how many sections on either side count.
        self._leaned: dict[tuple[int, int], tuple[NDArray[np.int32], NDArray[np.int32]]] = {}
        # The surface without blur at those cells; a fit fills in those that it needs.
        self._sharp_m = np.empty(len(area), dtype=np.float32)
        watch = sparse.lil_matrix((rows, len(area)), dtype=np.int32)
        for row, stretch in enumerate(self._stretches):
            watch[row, stretch.cells] = 1
        self._watch = sparse.csr_matrix(watch)
        self._crests = [_blank(len(own.station_m)) for own in self._sections]

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

    def put_back(self, berm_index: int, crest: Crest) -> None:
        """Take a crest that was fitted before; it stands until its cells are seen again."""
        self._crests[berm_index] = crest
        for row, stretch in enumerate(self._stretches):
            self._stale[row] &= stretch.berm_index != berm_index

    def use_cell(self, grid_cell_m: float) -> None:
        """Forget the templates when the grids come with another cell [m]."""
        if abs(grid_cell_m - self._grid_cell_m) > CELL_TOLERANCE_M:
            self._grid_cell_m = grid_cell_m
            self._templates.clear()
            self.touch()

    def has_stale(self, berm_index: int) -> bool:
        """Tell whether any segment of a berm is to be fitted again."""
        return bool((self._stale & (self._berm_of_row == berm_index)).any())

    def kept(self, berm_index: int) -> Crest:
        """Return the crest of a berm as it was fitted last."""
        return self._crests[berm_index]

    def crest(
        self, berm_index: int, height_m: NDArray[np.float32],
        spread_of: Callable[[NDArray[np.intp]], NDArray[np.float32]],
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
        spread_of : callable
            Takes cells (k,), returns the standard deviation of what neighbours do not share in
            their heights, shape (k,) [m].
        level_m : array, optional
            Level of the datum, shape (n,) [m]; left out, heights are above it.

        Returns
        -------
        Crest
            Of its sections.

        """
        kept = self._crests[berm_index]
        rows = [int(row) for row in np.flatnonzero(self._stale)
                if self._stretches[row].berm_index == berm_index]
        if rows:
            kept = Crest(kept.height_m.copy(), kept.offset_m.copy(), kept.spread.copy())
            noise = {row: self._noise_m(row, height_m, spread_of) for row in rows}
            for run in _runs(rows, [detail_for(noise[row], self._grid_cell_m) for row in rows]):
                self._fit(kept, run, height_m, level_m, noise)
            self._stale[rows] = False
            self._crests[berm_index] = kept
        return kept

    def own_error_m(
        self, berm_index: int, height_m: NDArray[np.float32],
        spread_of: Callable[[NDArray[np.intp]], NDArray[np.float32]],
        level_m: NDArray[np.float32] | None = None,
    ) -> NDArray[np.float64]:
        """
        Return the standard error of single sections that the others do not share.

        Parameters
        ----------
        berm_index, height_m, spread_of, level_m
            As for ``crest``.

        Returns
        -------
        array
            One per section [m]; NaN where there is no crest.

        """
        spread = self.crest(berm_index, height_m, spread_of, level_m).spread
        error = np.full(len(spread), np.nan)
        for row, stretch in enumerate(self._stretches):
            noise_m = np.inf
            if stretch.berm_index == berm_index:
                noise_m = self._noise_m(row, height_m, spread_of)
            if math.isfinite(noise_m):
                own = slice(stretch.first, stretch.last)
                pooled = detail_for(noise_m, self._grid_cell_m).pooled
                error[own] = CHOICE * spread[own] * pooled_noise_m(noise_m, pooled)
        return error

    def _noise_m(
        self, row: int, height_m: NDArray[np.float32],
        spread_of: Callable[[NDArray[np.intp]], NDArray[np.float32]],
    ) -> float:
        """Return the noise along the crest of a segment [m]; infinite where nothing is known."""
        strip = self._stretches[row].strip
        spread = spread_of(strip)[np.isfinite(height_m[strip])]
        return median(spread) if len(spread) else np.inf

    def _fit(
        self, kept: Crest, rows: Sequence[int], height_m: NDArray[np.float32],
        level_m: NDArray[np.float32] | None, noise_m: Mapping[int, float],
    ) -> None:
        """Fit segments that follow each other and share a detail anew."""
        stretches = [self._stretches[row] for row in rows]
        first, last = stretches[0].first, stretches[-1].last
        sections = self._sections[stretches[0].berm_index]
        roofs = self._roofs(detail_for(noise_m[rows[0]], self._grid_cell_m))
        index, beside = _with_beside(sections, first, last, roofs.detail.reach)
        # Those beside have no noise of their own: their choice counts for nothing.
        noise = np.full(len(index), noise_m[rows[-1]])
        for row, stretch in zip(rows, stretches):
            noise[beside + stretch.first - first:beside + stretch.last - first] = noise_m[row]
        profile = self._profiles(height_m, level_m, rows, roofs.detail, sections, index)
        found = crest_of_sections(profile, noise, sections, roofs)
        own = slice(beside, beside + last - first)
        for name in ('height_m', 'offset_m', 'spread'):
            getattr(kept, name)[first:last] = getattr(found, name)[own]

    def _leaned_on(self, row: int, reach: int) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
        """Return the cells (k,) of a segment's sections, with so many beside, and their sides."""
        if (row, reach) not in self._leaned:
            stretch = self._stretches[row]
            sections = self._sections[stretch.berm_index]
            index, _ = _with_beside(sections, stretch.first, stretch.last, reach)
            cells = _known_cells(sections.cells[index], sections.weights[index])
            # Side by side, so that a look finds them in one piece.
            self._leaned[row, reach] = (
                cells.astype(np.int32), self._area.sides_of(cells).T.astype(np.int32, order='C'))
        return self._leaned[row, reach]

    def _profiles(
        self, height_m: NDArray[np.float32], level_m: NDArray[np.float32] | None,
        rows: Sequence[int], detail: Detail, sections: Sections, index: NDArray[np.intp],
    ) -> NDArray[np.float32]:
        """
        Return the heights at the samples of some sections, the blur of sampling partly taken out.

        Parameters
        ----------
        height_m, level_m : array
            As for ``crest``.
        rows : sequence of int
            Segments that the sections belong to.
        detail : Detail
            Says how much of the blur.
        sections : Sections
            All sections of the berm.
        index : array
            Those wanted, shape (s,).

        Returns
        -------
        array
            Shape (s, samples) [m].

        """
        area = self._area
        # A blur of variance v lowers a surface by v / 2 times its curvature, to first order.
        variance = blur_variance_m2(area.lattice.cell_m, self._grid_cell_m)
        blur = np.float32(detail.sharpened * variance / 2.0)
        leaned = [self._leaned_on(row, detail.reach) for row in rows]
        if compiled.crest is not None and height_m.dtype == np.float32:
            profile = np.empty((len(index), len(sections.offset_m)), dtype=np.float32)
            for cells, sides in leaned:
                compiled.crest.sharpened(height_m, level_m, cells, sides, blur,
                                         area.lattice.cell_m**2, self._sharp_m)
            compiled.crest.profiles(
                self._sharp_m, sections.cells, sections.weights, index, profile)
            return profile
        above_m = height_m if level_m is None else height_m - level_m
        if blur:
            sharp_m = above_m.copy()
            for own, sides in leaned:
                sharp_m[own] = above_m[own] - blur * area.laplacian(
                    above_m, own.astype(np.intp), np.ascontiguousarray(sides.T))
            above_m = sharp_m
        return sections.sample(above_m, index)

    def _roofs(self, detail: Detail) -> RoofTemplates:
        """Return the templates for a detail; before any grid those for the lattice itself."""
        if detail not in self._templates:
            cell_m = self._area.lattice.cell_m
            self._templates[detail] = roof_templates(cell_m, self._grid_cell_m, detail)
        return self._templates[detail]


def _blank(count: int) -> Crest:
    """Return a crest of which nothing is known."""
    return Crest(*(np.full(count, np.nan) for _ in range(3)))


def _runs(rows: Sequence[int], details: Sequence[Detail]) -> list[list[int]]:
    """Return rows grouped where one follows the other with the same detail."""
    out: list[list[int]] = []
    for n, row in enumerate(rows):
        if n and row == rows[n - 1] + 1 and details[n] is details[n - 1]:
            out[-1].append(row)
        else:
            out.append([row])
    return out


def _with_beside(
    sections: Sections, first: int, last: int, reach: int
) -> tuple[NDArray[np.intp], int]:
    """Return sections with so many on either side, and how many come before the first."""
    count = len(sections.station_m)
    reach = min(reach, count // 2)
    low, high = first - reach, last + reach
    if not sections.closed:
        low, high = max(0, low), min(count, high)
    return np.arange(low, high, dtype=np.intp) % count, first - low


def _stretches(area: SurveyArea, sections: Sections) -> list[_Stretch]:
    """Return the stretches of one berm, segment by segment."""
    near = np.flatnonzero(np.abs(sections.offset_m) <= STRIP_M)
    out = []
    for row in np.unique(sections.row):
        own = np.flatnonzero(sections.row == row)
        first, last = int(own[0]), int(own[-1]) + 1
        index, _ = _with_beside(
            sections, first, last, max(detail.reach for detail in DETAILS))
        out.append(_Stretch(
            sections.berm_index, first, last,
            _known_cells(sections.cells[index], sections.weights[index]),
            _known_cells(sections.cells[own][:, near], sections.weights[own][:, near])))
    return out


def _known_cells(
    cells: NDArray[np.int32], weights: NDArray[np.float32]
) -> NDArray[np.intp]:
    """Return the surveyed cells among those given, each once."""
    return np.unique(cells[np.isfinite(weights)]).astype(np.intp)
