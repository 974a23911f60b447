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

from .area import SurveyArea
from .crest import visible_top_m
from .datum import Datum
from .sections import PAST_VALLEY_M, Sections
from .surface import SEEN_LOOKS, SiteSurface

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
        area = self._area
        hidden = surface.hidden[area.in_corridor[surface.hidden]]
        if datum is None or not len(hidden):
            return Filled(surface, np.zeros(len(area.segments)))
        shown_m = surface.height_m - datum.level_m
        was_m = shown_m[hidden]
        shown_m[hidden] = np.nan
        across = np.full(len(hidden), -1, dtype=np.intp)
        berm = area.corridor.berm_index[hidden]
        for index in np.unique(berm).tolist():
            own = berm == index
            across[own] = opposite(area, self._sections[index], shown_m, hidden[own])
        told = across >= 0
        told[told] = surface.looks[across[told]] >= SEEN_LOOKS
        # Soil has come, if anything; where no height was known any is more.
        told[told] = ~(shown_m[across[told]] <= was_m[told])
        hidden, above_m, looks = hidden[told], shown_m[across[told]], surface.looks[across[told]]
        return Filled(
            surface.otherwise_at(hidden, datum.level_m[hidden] + above_m, looks),
            area.shares[:, hidden] @ above_m.astype(float) * area.lattice.cell_area_m2)


def opposite(
    area: SurveyArea, sections: Sections, shown_m: NDArray[np.float32], cells: NDArray[np.intp]
) -> NDArray[np.intp]:
    """
    Return the cells across the top from some cells of one berm.

    Parameters
    ----------
    area : SurveyArea
        The surveyed cells.
    sections : Sections
        Cross-sections of the berm.
    shown_m : array
        Height above the datum, shape (n,) [m]; NaN where hidden or unknown.
    cells : array
        The cells, shape (k,).

    Returns
    -------
    array
        Shape (k,); -1 where nothing is surveyed there, where soil of another stretch of berm lies,
        or where no top is seen.

    """
    line, station_m = (
        area.site.berms[sections.berm_index].centreline, area.corridor.station_m[cells])
    near = np.searchsorted(sections.station_m, station_m)
    few = slice(max(0, int(near.min()) - BESIDE), int(near.max()) + BESIDE + 1)
    top_m = visible_top_m(sections.sample(shown_m, few), sections, few, BESIDE)
    known = np.isfinite(top_m)
    if not known.any():
        return np.full(len(cells), -1, dtype=np.intp)
    offset_m = np.interp(station_m, sections.station_m[few][known], top_m[known])
    beneath = line.point_at(station_m)
    left = line.point_at(station_m, 1.0) - beneath
    # Across the line where it is nearest; past an end, where heaps are round, across it run on.
    points = area.centres_xy[cells]
    beside_m = ((points - beneath) * left).sum(axis=-1) - offset_m
    mirrored = points - 2.0 * beside_m[:, None] * left
    # What lies nearer to another stretch, or to another berm, tells nothing of this one.
    across = area.cells_at(mirrored)
    away_m = np.hypot(*(mirrored - beneath).T)
    own = away_m - np.abs(area.corridor.offset_m[across]) <= PAST_VALLEY_M
    return np.where(own, across, -1)
