# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Volumes of soil per segment: placed, missing, over, spilled, each adding up over the berm.

With h the height above the datum and d the design height, per cell::

    placed  = sum of h in the corridor        spilled = sum of h outside the design footprint
    missing = sum of max(0, d - h)            over    = sum of max(0, h - d), inside the footprint

so that inside the footprint placed - over + missing = design. Noise makes both parts of a
difference near zero too big by the same amount; that expected surplus is taken off.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from .area import SurveyArea

# A segment of which less than this share of the cells was seen has no volumes.
LEAST_SEEN = 0.5


@dataclass(frozen=True, eq=False)
class Volumes:
    """
    Loose volumes of segments, each of shape (segments,) [m3]; NaN where too little was seen.

    Parameters
    ----------
    placed_m3, missing_m3, over_m3, spilled_m3 : array
        As the module describes them.

    """

    placed_m3: NDArray[np.float64]
    missing_m3: NDArray[np.float64]
    over_m3: NDArray[np.float64]
    spilled_m3: NDArray[np.float64]

    def at(self, place: int) -> tuple[float, float, float, float]:
        """Return placed, missing, over and spilled of one of the segments [m3]."""
        return (float(self.placed_m3[place]), float(self.missing_m3[place]),
                float(self.over_m3[place]), float(self.spilled_m3[place]))


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
        shares = area.shares.copy()
        shares.eliminate_zeros()
        self._cell_area_m2 = area.lattice.cell_area_m2
        self._first, self._cells = shares.indptr, shares.indices.astype(np.intp)
        self._design_m = design_m[self._cells]
        inside = self._design_m > 0.0
        self._share_in = np.where(inside, shares.data, 0.0)
        self._share_out = np.where(inside, 0.0, shares.data)
        owner = np.repeat(np.arange(shares.shape[0]), np.diff(self._first))
        self._sum_in, self._sum_out, self._sum_design = (
            _total(owner, values, shares.shape[0])
            for values in (self._share_in, self._share_out, self._share_in * self._design_m))

    def design_m3(self) -> NDArray[np.float64]:
        """Return the design volume of every segment (segments,) [m3]."""
        out: NDArray[np.float64] = self._sum_design * self._cell_area_m2
        return out

    def _places(self, rows: NDArray[np.intp]) -> NDArray[np.intp]:
        """Return the places of the cells of some segments, one segment after the other."""
        return np.concatenate([
            np.arange(self._first[row], self._first[row + 1]) for row in rows])

    def cells(self, rows: NDArray[np.intp]) -> NDArray[np.intp]:
        """Return the cells of some segments, one segment after the other, shape (k,)."""
        out: NDArray[np.intp] = self._cells[self._places(rows)]
        return out

    def volumes(
        self, height_m: NDArray[np.float64], spread_m: NDArray[np.float64],
        rows: NDArray[np.intp] | None = None,
    ) -> Volumes:
        """
        Return the volumes of every segment, or of some.

        Parameters
        ----------
        height_m : array
            Height above the datum, shape (n,) [m]; NaN is unseen. Unseen cells of a segment
            count like the mean of its seen ones inside, and outside of the footprint.
        spread_m : array
            Standard deviation of the height, shape (n,) [m].
        rows : array, optional
            Segments wanted, shape (r,); heights and spreads are then those of ``cells(rows)``.

        Returns
        -------
        Volumes
            The volumes, of the r segments.

        """
        if rows is None:
            rows = np.arange(len(self._sum_in))
            height_m, spread_m = height_m[self._cells], spread_m[self._cells]
        places = self._places(rows)
        owner = np.repeat(np.arange(len(rows)), np.diff(self._first)[rows])
        share_in, share_out = self._share_in[places], self._share_out[places]

        def total(values: NDArray[np.float64]) -> NDArray[np.float64]:
            return _total(owner, values, len(rows))

        known = np.isfinite(height_m)
        height = np.where(known, height_m, 0.0)
        scale_in = _scale(total(share_in * known), self._sum_in[rows])
        scale_out = _scale(total(share_out * known), self._sum_out[rows])
        placed_in = total(share_in * height) * scale_in
        spilled = total(share_out * height) * scale_out
        gap = np.where(known, self._design_m[places] - height, 0.0)
        short = np.where(known, positive_part(gap, spread_m), 0.0)
        missing = total(share_in * short) * scale_in
        over = missing - total(share_in * gap) * scale_in
        area = self._cell_area_m2
        return Volumes((placed_in + spilled) * area, missing * area, over * area, spilled * area)


def _total(
    owner: NDArray[np.intp], values: NDArray[np.float64], count: int
) -> NDArray[np.float64]:
    """Return the sum of the values of each of so many owners, shape (count,)."""
    return np.asarray(np.bincount(owner, values, count), dtype=np.float64)


def _scale(seen: NDArray[np.float64], whole: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return factors from seen cells to all cells; NaN for too few, 1 where there are none."""
    with np.errstate(invalid='ignore', divide='ignore'):
        scale = np.where(seen >= LEAST_SEEN * whole, whole / seen, np.nan)
    return np.where(whole > 0.0, scale, 1.0)


def positive_part(
    gap_m: NDArray[np.float64], spread_m: NDArray[np.float64]
) -> NDArray[np.float64]:
    """
    Return the positive part of noisy gaps less what noise alone adds to it.

    For a gap g with normal noise s the expectation of the positive part is
    s phi(g/s) + g Phi(g/s) (by integration); the part beyond max(0, g) is the surplus. At g the
    best guess of the true gap, the surplus is taken off once.

    Examples
    --------
    >>> positive_part(np.array([1.0, -1.0]), np.array([0.0, 0.0])).tolist()
    [1.0, 0.0]

    """
    out: NDArray[np.float64] = np.maximum(0.0, gap_m)
    # Six standard deviations away noise adds nothing.
    near = np.flatnonzero(np.abs(gap_m) < 6.0 * spread_m)
    gap, spread = gap_m[near], spread_m[near]
    ratio = np.maximum(gap / spread, -6.0)
    expected = spread * np.exp(-0.5 * ratio**2) / np.sqrt(2.0 * np.pi) + gap * special.ndtr(ratio)
    out[near] -= expected - out[near]
    return out
