# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The crest lines of all berms, kept up to date where the surface has changed.

A segment is fitted anew when a cell that its sections lean on was seen; the others keep their
crest. Each is fitted with the detail that the noise of its own cells allows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from .area import SurveyArea
from .crest import Crest, crest_of_sections
from .roof import blur_variance_m2, Detail, detail_for, DETAILS, roof_templates, RoofTemplates
from .sections import Sections

# Cells this far from the line tell how noisy the crest is [m].
STRIP_M = 0.10
# Grids whose cells differ by less have the same cell [m].
CELL_TOLERANCE_M = 1e-4


@dataclass(frozen=True, eq=False)
class _Stretch:
    """Sections of one segment: ``own`` of them, in ``index`` with those beside that count in."""

    index: NDArray[np.intp]
    own: slice
    rows: slice
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
        self._stretches: list[tuple[int, _Stretch]] = [
            (berm, stretch) for berm, own in enumerate(self._sections)
            for stretch in _stretches(area, own)]
        self._stale = np.ones(rows, dtype=bool)
        watch = sparse.lil_matrix((rows, len(area)), dtype=np.int32)
        for row, (_, stretch) in enumerate(self._stretches):
            watch[row, stretch.cells] = 1
        self._watch = sparse.csr_matrix(watch)
        self._crests = [_blank(len(own.station_m)) for own in self._sections]

    def touch(self, cells: NDArray[np.bool_] | None = None) -> None:
        """Fit segments again that lean on given cells (n,), all by default."""
        if cells is None:
            self._stale[:] = True
        else:
            self._stale |= self._watch @ cells.astype(np.int32) > 0

    def put_back(self, berm_index: int, crest: Crest) -> None:
        """Take a crest that was fitted before; it stands until its cells are seen again."""
        self._crests[berm_index] = crest
        for row, (berm, _) in enumerate(self._stretches):
            if berm == berm_index:
                self._stale[row] = False

    def use_cell(self, grid_cell_m: float) -> None:
        """Forget the templates when the grids come with another cell [m]."""
        if abs(grid_cell_m - self._grid_cell_m) > CELL_TOLERANCE_M:
            self._grid_cell_m = grid_cell_m
            self._templates.clear()
            self.touch()

    def crest(
        self, berm_index: int, height_m: NDArray[np.float32], spread_m: NDArray[np.float32]
    ) -> Crest:
        """
        Return the crest of all sections of a berm.

        Parameters
        ----------
        berm_index : int
            Which berm.
        height_m, spread_m : array
            Height above the datum at every cell, NaN where unknown, and the standard deviation
            of what neighbours do not share in it, shape (n,) [m].

        Returns
        -------
        Crest
            Of its sections.

        """
        kept = self._crests[berm_index]
        rows = [row for row in np.flatnonzero(self._stale)
                if self._stretches[row][0] == berm_index]
        if rows:
            kept = Crest(kept.height_m.copy(), kept.offset_m.copy(), kept.spread.copy())
            for row in rows:
                self._fit(kept, self._sections[berm_index], self._stretches[row][1], height_m,
                          spread_m)
            self._stale[rows] = False
            self._crests[berm_index] = kept
        return kept

    def _fit(
        self, kept: Crest, sections: Sections, stretch: _Stretch, height_m: NDArray[np.float32],
        spread_m: NDArray[np.float32],
    ) -> None:
        """Fit the sections of one segment anew."""
        spread = spread_m[stretch.strip]
        spread = spread[np.isfinite(height_m[stretch.strip])]
        noise_m = float(np.median(spread)) if len(spread) else np.inf
        roofs = self._roofs(detail_for(noise_m))
        profile = sections.sample(
            self._sharpened(height_m, stretch.cells, roofs.detail), stretch.index)
        found = crest_of_sections(profile, noise_m, sections, roofs)
        for name in ('height_m', 'offset_m', 'spread'):
            getattr(kept, name)[stretch.rows] = getattr(found, name)[stretch.own]

    def _sharpened(
        self, height_m: NDArray[np.float32], cells: NDArray[np.intp], detail: Detail
    ) -> NDArray[np.float32]:
        """Return heights with the blur of sampling partly taken out of given cells (n,) [m]."""
        # A blur of variance v lowers a surface by v / 2 times its curvature, to first order.
        variance = blur_variance_m2(self._area.lattice.cell_m, self._grid_cell_m)
        blur = np.float32(detail.sharpened * variance / 2.0)
        if not blur:
            return height_m
        out = np.full_like(height_m, np.nan)
        out[cells] = height_m[cells] - blur * self._area.laplacian(height_m, cells)
        return out

    def _roofs(self, detail: Detail) -> RoofTemplates:
        """Return the templates for a detail; before any grid those for the lattice itself."""
        if detail not in self._templates:
            cell_m = self._area.lattice.cell_m
            self._templates[detail] = roof_templates(cell_m, self._grid_cell_m, detail)
        return self._templates[detail]


def _blank(count: int) -> Crest:
    """Return a crest of which nothing is known."""
    return Crest(*(np.full(count, np.nan) for _ in range(3)))


def _stretches(area: SurveyArea, sections: Sections) -> list[_Stretch]:
    """Return the stretches of one berm, segment by segment."""
    count = len(sections.station_m)
    reach = max(detail.pooled + detail.voters for detail in DETAILS)
    reach = min(reach, count // 2)
    near = np.flatnonzero(np.abs(sections.offset_m) <= STRIP_M)
    out = []
    for row in np.unique(sections.row):
        own = np.flatnonzero(sections.row == row)
        first, last = int(own[0]), int(own[-1]) + 1
        low, high = first - reach, last + reach
        if not sections.closed:
            low, high = max(0, low), min(count, high)
        index = np.arange(low, high, dtype=np.intp) % count
        out.append(_Stretch(
            index, slice(first - low, last - low), slice(first, last),
            _known_cells(area, sections.cells[index]),
            _known_cells(area, sections.cells[first:last][:, near])))
    return out


def _known_cells(area: SurveyArea, cells: NDArray[np.int32]) -> NDArray[np.intp]:
    """Return the surveyed cells among those given, each once."""
    every = np.unique(cells).astype(np.intp)
    return every[every < len(area)]
