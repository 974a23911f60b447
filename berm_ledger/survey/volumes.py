# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Volumes of soil per segment: placed, missing, over, spilled, each adding up over the berm.

With h the height above the datum and d the design height, per cell::

    placed  = sum of h in the corridor        spilled = sum of h outside the design footprint
    missing = sum of max(0, d - h)            over    = sum of max(0, h - d), inside the footprint

so that inside the footprint placed - over + missing = design. Noise makes both parts of a
difference near zero too big by the same amount; that expected surplus is taken off.

All sums are added up cell by cell in order, so that numpy and the compiled loop agree to the bit.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import special

from .area import SurveyArea
from .datum import Datum
from .standing import added_up, Standing, standing_at
from .surface import SiteSurface
from ..kernels import compiled

# A segment of which less than this share of the cells was seen has no volumes.
LEAST_SEEN = 0.5
# So many standard deviations away from the design noise adds nothing.
NEAR_SIGMAS = 6.0
SURPLUS_STEPS = 256


def _surplus_cubics() -> NDArray[np.float64]:
    """
    Return the surplus of ``positive_part`` per noise, in steps of the gap over the noise.

    Cubics through its values and slopes, off by less than 1e-9: of them numpy and the compiled
    loop get the same to the bit, and without a normal integral for each cell.

    Returns
    -------
    array
        Coefficients for the part of each step, the constant one first, shape (SURPLUS_STEPS, 4).

    """
    step = NEAR_SIGMAS / SURPLUS_STEPS
    at = step * np.arange(SURPLUS_STEPS + 1)
    beyond = special.ndtr(-at)
    value, slope = np.exp(-0.5 * at**2) / math.sqrt(2.0 * math.pi) - at * beyond, -step * beyond
    rise = np.diff(value)
    cubics = np.stack([value[:-1], slope[:-1], 3.0 * rise - 2.0 * slope[:-1] - slope[1:],
                       slope[:-1] + slope[1:] - 2.0 * rise], axis=1)
    return np.ascontiguousarray(cubics)


SURPLUS = _surplus_cubics()


class Stock(NamedTuple):
    """
    What lies on one segment.

    Parameters
    ----------
    inverse : float
        Mean of 1 / looks of the surface where it has any; infinite where it has none.
    placed_m3, missing_m3, over_m3, spilled_m3 : float
        Volumes [m3]; NaN where too little was seen.

    """

    inverse: float
    placed_m3: float
    missing_m3: float
    over_m3: float
    spilled_m3: float


class VolumeSums:
    """
    Adds up cells for a fixed area; what does not change from look to look is made once.

    Parameters
    ----------
    area : SurveyArea
        The surveyed cells.
    design_m : array
        Design height, shape (n,) [m]; the footprint is where there is any.

    """

    def __init__(self, area: SurveyArea, design_m: NDArray[np.float64]) -> None:
        """Put the cells of each segment together, with their shares."""
        shares = area.shares
        self._cell_area_m2 = area.lattice.cell_area_m2
        # Of segment after segment, from one end to the next: cells, their share and their design.
        self._ends = shares.indptr.astype(np.intp)
        self._cells = shares.indices.astype(np.int32)
        self._share = shares.data
        self._design_m = design_m[self._cells]
        inside = self._design_m > 0.0
        self._inside = np.where(inside, self._share, 0.0)
        # Sums of the shares inside and outside of the footprint.
        self._whole_in, self._whole_out = (
            self._by_row(values) for values in (self._inside, self._share - self._inside))

    def _by_row(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the sum over the cells of every segment of values (k,), shape (segments,)."""
        return np.array([added_up(values[self._of(row)]) for row in range(len(self._ends) - 1)])

    def _of(self, row: int) -> slice:
        """Return where the cells of a segment are."""
        return slice(self._ends[row], self._ends[row + 1])

    def design_m3(self) -> NDArray[np.float64]:
        """Return the design volume of every segment (segments,) [m3]."""
        return self._by_row(self._inside * self._design_m) * self._cell_area_m2

    def cells(self, row: int) -> NDArray[np.intp]:
        """Return the cells of a segment, shape (k,)."""
        out: NDArray[np.intp] = self._cells[self._of(row)].astype(np.intp)
        return out

    def of_rows(
        self, rows: NDArray[np.intp], surface: SiteSurface, datum: Datum, noise_m: float,
        given: NDArray[np.bool_],
    ) -> list[Stock]:
        """
        Return what lies on some segments.

        Parameters
        ----------
        rows : array
            Which, shape (r,).
        surface : SiteSurface
            The surface.
        datum : Datum
            The datum.
        noise_m : float
            Noise of one look [m].
        given : array
            Of which of all segments it is known that the datum is given there, shape (segments,).

        Returns
        -------
        list of Stock
            Unseen cells count like the mean of the seen ones inside, and outside of the footprint.

        """
        if compiled.readings is None:
            return [self.of_row(row, standing_at(surface, datum, noise_m, self.cells(row)))
                    for row in rows.tolist()]
        return list(map(Stock._make, compiled.readings.volumes(
            surface.height_m, datum.level_m, surface.looks, datum.looks,
            surface.most_independent_looks, noise_m, self._cells, self._design_m, self._share,
            self._ends, self._whole_in, self._whole_out, given, SURPLUS, NEAR_SIGMAS, LEAST_SEEN,
            self._cell_area_m2, rows)))

    def of_row(self, row: int, standing: Standing) -> Stock:
        """Return what lies on one segment as ``cells(row)`` stand, by numpy."""
        inside = self._inside[self._of(row)]
        outside = self._share[self._of(row)] - inside
        known = np.isfinite(standing.height_m)
        height = np.where(known, standing.height_m, 0.0)
        gap = np.where(known, self._design_m[self._of(row)] - height, 0.0)
        # Where there is no share there is no need to know what noise does.
        short = positive_part(gap, np.where(known & (inside != 0.0), standing.spread_m, 0.0))
        scale = _scale(added_up(inside * known), float(self._whole_in[row]))
        spilled = added_up(outside * height) * _scale(
            added_up(outside * known), float(self._whole_out[row]))
        missing = added_up(inside * short) * scale
        over = missing - added_up(inside * gap) * scale
        area = self._cell_area_m2
        return Stock(standing.inverse, (added_up(inside * height) * scale + spilled) * area,
                     missing * area, over * area, spilled * area)


def _scale(seen: float, whole: float) -> float:
    """Return the factor from seen cells to all cells; NaN for too few, 1 where there are none."""
    if not whole > 0.0:
        return 1.0
    return whole / seen if seen >= LEAST_SEEN * whole else math.nan


def positive_part(
    gap_m: NDArray[np.float64], spread_m: NDArray[np.float64]
) -> NDArray[np.float64]:
    """
    Return the positive part of noisy gaps less what noise alone adds to it.

    For a gap g with normal noise s the expectation of the positive part is
    s phi(g/s) + g Phi(g/s) (by integration); the part beyond max(0, g) is the surplus, s times
    phi(t) - t Phi(-t) with t = abs(g/s). At g the best guess of the true gap, the surplus is taken
    off once.

    Examples
    --------
    >>> positive_part(np.array([1.0, -1.0]), np.array([0.0, 0.0])).tolist()
    [1.0, 0.0]

    """
    out: NDArray[np.float64] = np.maximum(0.0, gap_m)
    near = np.flatnonzero(np.abs(gap_m) < NEAR_SIGMAS * spread_m)
    at = np.abs(gap_m[near]) / spread_m[near] * (len(SURPLUS) / NEAR_SIGMAS)
    step = np.minimum(at.astype(np.intp), len(SURPLUS) - 1)
    zeroth, first, second, third = SURPLUS[step].T
    part = at - step
    out[near] -= spread_m[near] * (((third * part + second) * part + first) * part + zeroth)
    return out
