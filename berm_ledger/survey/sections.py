# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Cross-sections of a berm at the cell spacing: where they are and how to sample cells on them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from .area import SurveyArea

# How far past the design toe a section reaches [m].
SECTION_MARGIN_M = 0.20
# Grids of wider cells, as a share of a berm's half width, do not show it: from 0.6 on finished
# crests come out up to twice as high (roofs of 0.12 to 0.5 m in four places of the cells, tried).
MOST_CELL_SHARE = 0.45
# A crest lies no further than this past the valley to another stretch of berm [m].
PAST_VALLEY_M = 0.05


@dataclass(frozen=True, eq=False)
class Sections:
    """
    The cross-sections of one berm.

    Parameters
    ----------
    berm_index : int
        Which berm.
    closed : bool
        Whether the last section is next to the first.
    row : array
        Row of the books that each of the m sections belongs to, shape (m,).
    station_m : array
        Station of each section, shape (m,) [m].
    length_m : array
        Length of crest line that each section stands for, shape (m,) [m].
    offset_m : array
        Offsets of the samples, shape (k,) [m], left positive; 0 is the middle one.
    pairs : array
        Two of the four cells around each sample, shape (m, k, 2); each of the others is the next
        one. Zero for two of which one is not surveyed.
    weights : array
        Bilinear weights of the four, shape (m, k, 4); NaN for one that is not surveyed.
    own : array
        First and last sample at which the crest may lie, shape (m, 2): further out another stretch
        of berm, or another berm, is nearer.

    """

    berm_index: int
    closed: bool
    row: NDArray[np.intp]
    station_m: NDArray[np.float64]
    length_m: NDArray[np.float64]
    offset_m: NDArray[np.float64]
    pairs: NDArray[np.int32]
    weights: NDArray[np.float32]
    own: NDArray[np.int32]

    @cached_property
    def rows(self) -> range:
        """Rows of the books that have sections: one after the other."""
        return range(int(self.row[0]), int(self.row[-1]) + 1)

    @cached_property
    def ends(self) -> NDArray[np.intp]:
        """Where the sections of each row of the books end, after a zero, shape (rows + 1,)."""
        # Rows of berms before this one have none.
        return np.append(0, np.searchsorted(self.row, np.arange(self.rows.stop), side='right'))

    def of_row(self, row: int) -> slice:
        """Return the sections that belong to a row of the books."""
        return slice(int(self.ends[row]), int(self.ends[row + 1]))

    def cells(self, sections: slice | NDArray[np.intp]) -> NDArray[np.int32]:
        """Return the four cells around each sample of some sections, shape (s, k, 4)."""
        pairs = self.pairs[sections]
        out: NDArray[np.int32] = np.stack([pairs, pairs + np.int32(1)], axis=-1)
        return out.reshape(*pairs.shape[:2], 4)

    def sample(
        self, values: NDArray[np.float32], sections: slice | NDArray[np.intp]
    ) -> NDArray[np.float32]:
        """Return values per cell (n,) at the samples of some sections (s, k); NaN is unknown."""
        parts = values[self.cells(sections)] * self.weights[sections]
        out: NDArray[np.float32] = parts[..., 0] + parts[..., 1]
        out += parts[..., 2]
        out += parts[..., 3]
        return out


def sections_of_berm(area: SurveyArea, berm_index: int) -> Sections:
    """
    Lay the cross-sections of a berm.

    Parameters
    ----------
    area : SurveyArea
        The surveyed cells.
    berm_index : int
        Which berm.

    Returns
    -------
    Sections
        Equally many per metre in each segment, none on a border between segments.

    """
    line = area.site.berms[berm_index].centreline
    cell_m = area.lattice.cell_m
    rows, stations, lengths = [], [], []
    for row, segment in enumerate(area.segments):
        if segment.berm_index == berm_index:
            count = max(2, round(segment.length_m / cell_m))
            step = segment.length_m / count
            rows.append(np.full(count, row))
            stations.append(segment.station_from_m + step * (np.arange(count) + 0.5))
            lengths.append(np.full(count, step))
    station = np.concatenate(stations)
    count = int((area.half_width_m(berm_index) + SECTION_MARGIN_M) / cell_m)
    offset = cell_m * np.arange(-count, count + 1, dtype=np.float64)
    points = line.point_at(station[:, None], offset[None, :])
    pairs, weights = _around(area, points)
    return Sections(
        berm_index, line.closed, np.concatenate(rows), station, np.concatenate(lengths), offset,
        pairs, weights, _own_samples(area, berm_index, points, np.abs(offset)))


def largest_cell_m(area: SurveyArea) -> float:
    """
    Return the coarsest cell that still shows every segment and every berm [m].

    Half a segment, or ``MOST_CELL_SHARE`` of what lies between the line and the toe.
    """
    berms = area.site.berms
    halves_m = [area.half_width_m(index) for index in range(len(berms))]
    return min(MOST_CELL_SHARE * min(halves_m),
               min(berm.segment_length_m for berm in berms) / 2.0)


def _own_samples(
    area: SurveyArea, berm_index: int, points_xy: NDArray[np.float64],
    distance_m: NDArray[np.float64],
) -> NDArray[np.int32]:
    """
    Return between which samples each section of a berm lies on its own ground.

    Inside a sharp bend a section runs along or across the other leg, beside another berm up that
    one's flank: what is highest there is not its own crest.

    Parameters
    ----------
    area : SurveyArea
        The surveyed cells.
    berm_index : int
        Which berm.
    points_xy : array
        The samples, shape (m, k, 2) [m]; the middle one lies on the line.
    distance_m : array
        How far they lie from the line along their section, shape (k,) [m].

    Returns
    -------
    array
        First and last sample, shape (m, 2).

    """
    beyond_toe_m = distance_m - area.half_width_m(berm_index)
    own = np.ones(points_xy.shape[:2], dtype=bool)
    for other, berm in enumerate(area.site.berms):
        _, offset = berm.centreline.station_offset(points_xy.reshape(-1, 2))
        to_other_m = np.abs(offset).reshape(own.shape) - area.half_width_m(other)
        own &= beyond_toe_m <= to_other_m + PAST_VALLEY_M
    # Own ground is one stretch around the line: along a section no other comes nearer any faster.
    middle = len(distance_m) // 2
    return np.stack([middle - own[:, :middle].sum(axis=1),
                     middle + own[:, middle + 1:].sum(axis=1)], axis=-1).astype(np.int32)


def _around(
    area: SurveyArea, points_xy: NDArray[np.float64]
) -> tuple[NDArray[np.int32], NDArray[np.float32]]:
    """Return the cells around points (m, k, 2), in pairs, and their bilinear weights."""
    index = area.lattice.index_from_xy(points_xy)
    low = np.floor(index).astype(np.intp)
    part = index - low
    cells = np.empty((*points_xy.shape[:2], 4), dtype=np.int32)
    weights = np.empty(cells.shape, dtype=np.float32)
    for corner, (up, right) in enumerate(((0, 0), (0, 1), (1, 0), (1, 1))):
        row, col = low[..., 0] + up, low[..., 1] + right
        inside = (row >= 0) & (row < area.lattice.rows) & (col >= 0) & (col < area.lattice.cols)
        flat = np.where(inside, row * area.lattice.cols + col, 0)
        found = np.where(inside, area.cell_of_flat[flat], -1)
        cells[..., corner] = found
        weight = (np.where(up, part[..., 0], 1 - part[..., 0])
                  * np.where(right, part[..., 1], 1 - part[..., 1]))
        weights[..., corner] = np.where(found < 0, np.nan, weight)
    # Cells are numbered along rows of the lattice: two side by side follow each other.
    apart = (cells[..., ::2] < 0) | (cells[..., 1::2] < 0)
    weights[np.repeat(apart, 2, axis=-1)] = np.nan
    return np.where(apart, np.int32(0), cells[..., ::2]), weights
