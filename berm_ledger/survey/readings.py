# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What one update says about one segment, with its standard errors."""

from __future__ import annotations

from dataclasses import dataclass
import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .crest import Crest
from .error_budget import effective_sample_size
from .noise import GridNoise
from .sections import Sections
from .standing import added_up
from .volumes import Stock
from ..design import Segment
from ..kernels import compiled

# What no number of looks averages away [m]: shape of the crest, and what grids have in common.
SHAPE_FLOOR_M = 0.00095
COMMON_FLOOR_M = 0.00025
# The same for coarse grids, per cell of theirs: lumps smaller than a cell are guessed from the
# flanks. Measured on heaps of overlapping loads: 2 mm at 50 mm, 4 to 5 mm at 100 mm.
SHAPE_PER_GRID_CELL = 0.045
# And for high heaps, per metre of height: their tops are rounder. Measured on heaps of an other
# soil model: 1.2 mm at 0.2 m, 3.5 mm at 0.5 m.
SHAPE_PER_HEIGHT = 0.006
# Interpolated cells share grid cells: a bilinear value has 4/9 of the variance of a cell, so the
# mean over an area is worth fewer cells than it has (average over all places within a cell).
INTERPOLATION_GAIN = 9.0 / 4.0
# Standard error of what lies hidden behind a crest, as a share of it: flanks are as unlike as that
# (six simulated builds looked at from one side: 18 % of what was hidden).
HIDDEN_SHARE = 0.20
# So many looks come from one place of the rover, and err alike where noise stays (a guess).
LOOKS_OF_PLACE = 5.0
# Width of the strip along the crest that decides the height [m].
STRIP_M = 0.20


class Reading(NamedTuple):
    """
    Figures of one segment; heights above the datum, NaN is unknown.

    Parameters
    ----------
    row : int
        Row of the books.
    height_m, height_se_m, low_m, high_m : float
        Mean crest height with standard error, lowest and highest [m].
    coverage, at_grade : float
        Share of the sections seen, and of all sections within the height tolerance.
    line_offset_m : float
        Mean offset of the crest from the centreline, left positive [m].
    placed_m3, placed_se_m3, missing_m3, over_m3, spilled_m3 : float
        Volumes [m3].

    """

    row: int
    height_m: float
    height_se_m: float
    low_m: float
    high_m: float
    coverage: float
    at_grade: float
    line_offset_m: float
    placed_m3: float
    placed_se_m3: float
    missing_m3: float
    over_m3: float
    spilled_m3: float


@dataclass(frozen=True)
class Budget:
    """
    What goes into the standard errors of one segment.

    Parameters
    ----------
    noise : GridNoise
        Noise of one look.
    looks : float
        Looks that surface and datum together are worth: 1 / (1 / surface + 1 / datum).
    common_m : float
        Error that all cells of a look share, e.g. of the registration [m].
    level_m : float
        Error that surface and datum do not share and no look averages away: of the level of the
        site frame against a given plane [m].
    cell_m, grid_cell_m : float
        Cell of the site lattice and of the grids [m].

    """

    noise: GridNoise
    looks: float
    common_m: float
    level_m: float
    cell_m: float
    grid_cell_m: float

    def mean_error_m(self, area_m2: float, weight: float = 1.0) -> float:
        """
        Return the standard error of a mean height over an area.

        Independent, correlated and systematic parts as in Anderson 2019 (ESPL 44:1015-1033),
        the correlated one with the effective sample size of Rolstad et al. 2009.

        Parameters
        ----------
        area_m2 : float
            Area [m2].
        weight : float
            How much more than a plain mean the estimate magnifies independent noise.

        Returns
        -------
        float
            Standard error [m].

        """
        cells = max(1.0, area_m2 / self.grid_cell_m**2)
        white = weight**2 * INTERPOLATION_GAIN * self.noise.white_m**2 / cells
        again = (LOOKS_OF_PLACE - 1.0) * self.noise.staying_m**2
        shared = (self.noise.correlated_m**2 + again) / effective_sample_size(
            area_m2, self.noise.range_m)
        looks = max(self.looks, 1e-3)
        floor = COMMON_FLOOR_M**2 + self.level_m**2
        return math.sqrt((white + shared + self.common_m**2) / looks + floor)


class CrestFigures(NamedTuple):
    """
    What the crest of one segment comes to.

    Parameters
    ----------
    seen, within, sections : int
        How many of its sections are seen, how many of these are within the tolerance, how many
        there are.
    height_m, offset_m : float
        Mean height and offset of those seen, zero where there is none [m].
    spread : float
        Mean standard error of those heights per unit of noise, zero where there is none.
    low_m, high_m : float
        Least and greatest height [m].

    """

    seen: int
    within: int
    sections: int
    height_m: float
    offset_m: float
    spread: float
    low_m: float
    high_m: float


def crest_figures(
    crest: Crest, sections: Sections, target_m: NDArray[np.float64], tolerance_m: float,
    rows: NDArray[np.intp],
) -> list[CrestFigures]:
    """
    Return what the crest of some segments of one berm comes to.

    Parameters
    ----------
    crest : Crest
        Crest of all m sections of the berm.
    sections : Sections
        The sections.
    target_m : array
        Design crest height above the datum at every section, shape (m,) [m].
    tolerance_m : float
        Height tolerance [m].
    rows : array
        Rows of the books, shape (r,).

    Returns
    -------
    list of CrestFigures
        Of each row.

    """
    if compiled.readings is not None:
        return list(map(CrestFigures._make, compiled.readings.along(
            crest.height_m, crest.offset_m, crest.spread, target_m, tolerance_m, sections.ends,
            rows)))
    return [_figures(crest, target_m, tolerance_m, sections.of_row(row)) for row in rows.tolist()]


def _figures(
    crest: Crest, target_m: NDArray[np.float64], tolerance_m: float, own: slice
) -> CrestFigures:
    """Return what the crest of some sections comes to."""
    seen = np.flatnonzero(np.isfinite(crest.height_m[own])) + own.start
    height, count = crest.height_m[seen], len(seen)
    within = int(np.count_nonzero(np.abs(height - target_m[seen]) <= tolerance_m))
    height_m, offset_m, spread = (
        added_up(values[seen]) / max(1, count)
        for values in (crest.height_m, crest.offset_m, crest.spread))
    return CrestFigures(
        count, within, own.stop - own.start, height_m, offset_m, spread,
        float(height.min(initial=np.inf)), float(height.max(initial=-np.inf)))


def segment_reading(
    segment: Segment, row: int, along: CrestFigures, stock: Stock, budget: Budget,
    corridor_m2: float, hidden_m3: float,
) -> Reading:
    """
    Put the figures of one segment together.

    Parameters
    ----------
    segment : Segment
        The segment.
    row : int
        Its row in the books.
    along : CrestFigures
        What its crest comes to.
    stock : Stock
        What lies on it.
    budget : Budget
        Error budget of the segment.
    corridor_m2 : float
        Area of the segment's corridor [m2].
    hidden_m3 : float
        Part of the stock that nobody has seen and that is taken from across the crest [m3].

    Returns
    -------
    Reading
        The reading.

    """
    coverage = along.seen / along.sections
    height_m, line_offset_m, low_m, high_m = (
        along.height_m, along.offset_m, along.low_m, along.high_m)
    height_se_m = math.nan
    if along.seen:
        magnified = along.spread * math.sqrt(STRIP_M / budget.cell_m)
        error = budget.mean_error_m(segment.length_m * STRIP_M * coverage, magnified)
        shape_m = max(SHAPE_FLOOR_M, SHAPE_PER_GRID_CELL * budget.grid_cell_m,
                      SHAPE_PER_HEIGHT * height_m)
        height_se_m = math.hypot(error, shape_m)
    else:
        height_m = line_offset_m = low_m = high_m = math.nan
    placed_se_m3 = math.hypot(
        budget.mean_error_m(corridor_m2) * corridor_m2, HIDDEN_SHARE * hidden_m3)
    return Reading(
        row, height_m, height_se_m, low_m, high_m, coverage, along.within / along.sections,
        line_offset_m, stock.placed_m3,
        placed_se_m3 if math.isfinite(stock.placed_m3) else math.nan, stock.missing_m3,
        stock.over_m3, stock.spilled_m3)
