# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
What lies where nobody has looked since loads fell there.

From one side a sensor on a rover does not see down behind the crest, where half of every load
comes to lie; what stood there before says nothing any more. Soil poured along a line runs down
both flanks alike, so such a cell is taken to stand as high above the datum as the one as far from
the top on the other side, and no lower than it was seen last.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from .area import SurveyArea
from .datum import Datum
from .sections import PAST_VALLEY_M, Sections
from .surface import SEEN_LOOKS, SiteSurface
from .visible_top import visible_top_m

# The top of a section is the mean of those of so many sections on either side.
BESIDE = 10


class Filled(NamedTuple):
    """
    A surface with what is hidden filled in.

    Parameters
    ----------
    surface : SiteSurface
        The surface to read; the one that was given where nothing is hidden.
    hidden_m3 : array
        How much of what lies on each segment is taken from across, shape (segments,) [m3].

    """

    surface: SiteSurface
    hidden_m3: NDArray[np.float64]


class OtherFlank:
    """
    Fills in hidden cells, once for each state of the surface.

    Parameters
    ----------
    area : SurveyArea
        The surveyed cells.
    sections : sequence of Sections
        Cross-sections of each berm.

    """

    def __init__(self, area: SurveyArea, sections: Sequence[Sections]) -> None:
        """Know the ground; nothing is filled in yet."""
        self._area, self._sections = area, sections
        self._last: tuple[int, Datum | None, Filled] | None = None
        self._hidden: _Hidden | None = None

    def filled(self, surface: SiteSurface, datum: Datum | None) -> Filled:
        """
        Let the hidden cells of the corridor stand as those across the top do.

        Parameters
        ----------
        surface : SiteSurface
            The surface, always the same; it stays as it is.
        datum : Datum or None
            The datum; before there is one nothing is filled in.

        Returns
        -------
        Filled
            The surface so filled.

        """
        if self._last is None or self._last[0] != surface.version or self._last[1] is not datum:
            self._last = surface.version, datum, self._filled(surface, datum)
        return self._last[2]

    def _filled(self, surface: SiteSurface, datum: Datum | None) -> Filled:
        """Fill in what is hidden now."""
        area, cells = self._area, surface.hidden
        cells = cells[area.in_corridor[cells]]
        if datum is None or not len(cells):
            return Filled(surface, np.zeros(len(area.segments)))
        if self._hidden is None or not np.array_equal(cells, self._hidden.cells):
            self._hidden = _hidden(area, self._sections, cells)
        shown_m = surface.height_m - datum.level_m
        was_m = shown_m[cells]
        shown_m[cells] = np.nan
        across = np.full(len(cells), -1, dtype=np.intp)
        for flank in self._hidden.flanks:
            across[flank.places] = flank.across(area, shown_m)
        told = across >= 0
        told[told] = surface.looks[across[told]] >= SEEN_LOOKS
        # Soil has come, if anything; where no height was known any is more.
        told[told] = ~(shown_m[across[told]] <= was_m[told])
        above_m = np.where(told, shown_m[across], np.float32(0.0))
        return Filled(
            surface.otherwise_at(
                cells[told], datum.level_m[cells[told]] + above_m[told],
                surface.looks[across[told]]),
            self._hidden.shares @ above_m.astype(float) * area.lattice.cell_area_m2)


class _Hidden(NamedTuple):
    """Some hidden cells (k,), their shares of the segments (segments, k), berm by berm."""

    cells: NDArray[np.intp]
    shares: sparse.csc_matrix
    flanks: tuple[_Flank, ...]


class _Flank(NamedTuple):
    """
    Hidden cells of one berm, and all that stays as long as they are the same.

    Parameters
    ----------
    places : array
        Their places among all that are hidden, shape (k,).
    sections : Sections
        Cross-sections of the berm.
    few : slice
        Those around the cells.
    station_m : array
        Stations of the cells, shape (k,) [m].
    points_xy, beneath_xy, left_xy : array
        Their centres, the points of the line nearest to them, and the directions to the left of
        it there, shape (k, 2) [m].
    beside_m : array
        How far to the left of those points they lie, shape (k,) [m]: past an end, where heaps are
        round, across the line run on.

    """

    places: NDArray[np.intp]
    sections: Sections
    few: slice
    station_m: NDArray[np.float64]
    points_xy: NDArray[np.float64]
    beneath_xy: NDArray[np.float64]
    left_xy: NDArray[np.float64]
    beside_m: NDArray[np.float64]

    def across(self, area: SurveyArea, shown_m: NDArray[np.float32]) -> NDArray[np.intp]:
        """
        Return the cells across the top.

        Parameters
        ----------
        area : SurveyArea
            The surveyed cells.
        shown_m : array
            Height above the datum, shape (n,) [m]; NaN where hidden or unknown.

        Returns
        -------
        array
            Shape (k,); -1 where nothing is surveyed there, where soil of another stretch of berm
            lies, or where no top is seen.

        """
        top_m = visible_top_m(shown_m, self.sections, self.few, BESIDE)
        known = np.isfinite(top_m)
        if not known.any():
            return np.full(len(self.places), -1, dtype=np.intp)
        offset_m = np.interp(
            self.station_m, self.sections.station_m[self.few][known], top_m[known])
        mirrored = self.points_xy - 2.0 * (self.beside_m - offset_m)[:, None] * self.left_xy
        # What lies nearer to another stretch, or to another berm, tells nothing of this one.
        across = area.cells_at(mirrored)
        away_m = np.hypot(*(mirrored - self.beneath_xy).T)
        own = away_m - np.abs(area.corridor.offset_m[across]) <= PAST_VALLEY_M
        return np.where(own, across, -1)


def _hidden(
    area: SurveyArea, sections: Sequence[Sections], cells: NDArray[np.intp]
) -> _Hidden:
    """Return hidden cells of the corridor with all that stays as long as they are the same."""
    berm = area.corridor.berm_index[cells]
    return _Hidden(cells, area.shares_by_cell[cells].T, tuple(
        _flank(area, sections[index], cells, np.flatnonzero(berm == index))
        for index in np.unique(berm).tolist()))


def _flank(
    area: SurveyArea, sections: Sections, cells: NDArray[np.intp], places: NDArray[np.intp]
) -> _Flank:
    """Return the hidden cells of one berm, given all of them and which are its own."""
    line, own = area.site.berms[sections.berm_index].centreline, cells[places]
    station_m, points = area.corridor.station_m[own], area.centres_xy[own]
    near = np.searchsorted(sections.station_m, station_m)
    few = slice(max(0, int(near.min()) - BESIDE),
                min(len(sections.station_m), int(near.max()) + BESIDE + 1))
    beneath = line.point_at(station_m)
    left = line.point_at(station_m, 1.0) - beneath
    return _Flank(places, sections, few, station_m, points, beneath, left,
                  ((points - beneath) * left).sum(axis=-1))
