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
import math
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special

from .area import SurveyArea
from ..kernels import compiled

# A segment of which less than this share of the cells was seen has no volumes.
LEAST_SEEN = 0.5
# So many standard deviations away from the design noise adds nothing.
NEAR_SIGMAS = 6.0


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
        self._parts = [
            _part(shares.indices[own].astype(np.intp), shares.data[own], design_m)
            for own in (slice(*ends) for ends in zip(shares.indptr, shares.indptr[1:]))]

    def design_m3(self) -> NDArray[np.float64]:
        """Return the design volume of every segment (segments,) [m3]."""
        return np.array([
            _total(part.inside, part.design_m) * self._cell_area_m2 for part in self._parts])

    def cells(self, row: int) -> NDArray[np.intp]:
        """Return the cells of a segment, shape (k,)."""
        return self._parts[row].cells

    def of_row(
        self, row: int, height_m: NDArray[np.float64], spread_m: NDArray[np.float64]
    ) -> tuple[float, float, float, float]:
        """
        Return the volumes of one segment.

        Parameters
        ----------
        row : int
            Which.
        height_m : array
            Height above the datum of ``cells(row)``, shape (k,) [m]; NaN is unseen. Unseen cells
            count like the mean of the seen ones inside, and outside of the footprint.
        spread_m : array
            Standard deviation of the height, shape (k,) [m].

        Returns
        -------
        tuple of float
            Placed, missing, over and spilled [m3]; NaN where too little was seen.

        """
        part = self._parts[row]
        (seen_in, placed_in, gap, seen_out, spilled), short = part.sums(height_m, spread_m)
        scale_in = _scale(seen_in, part.whole_in)
        spilled *= _scale(seen_out, part.whole_out)
        missing = short * scale_in
        over = missing - gap * scale_in
        area = self._cell_area_m2
        return (placed_in * scale_in + spilled) * area, missing * area, over * area, spilled * area


@dataclass(frozen=True, eq=False)
class _Part:
    """
    The k cells of one segment: design height, share of each inside and outside of the footprint.

    The shares are zero where a cell lies on the other side; ``whole_in`` and ``whole_out`` are
    their sums.
    """

    cells: NDArray[np.intp]
    design_m: NDArray[np.float64]
    inside: NDArray[np.float64]
    outside: NDArray[np.float64]
    whole_in: float
    whole_out: float

    def sums(
        self, height_m: NDArray[np.float64], spread_m: NDArray[np.float64]
    ) -> tuple[tuple[float, ...], float]:
        """
        Return sums over the cells of shares times what a look shows.

        Parameters
        ----------
        height_m, spread_m : array
            As for ``VolumeSums.of_row``.

        Returns
        -------
        tuple of float
            Of the cells known inside, their heights and gaps to the design; of those known
            outside, and their heights.
        float
            Of the positive parts of the gaps inside.

        """
        if compiled.readings is not None:
            return self._sums_compiled(height_m, spread_m)
        known = np.isfinite(height_m)
        height = np.where(known, height_m, 0.0)
        gap = np.where(known, self.design_m - height, 0.0)
        # Where there is no share there is no need to know what noise does.
        short = positive_part(gap, np.where(known & (self.inside != 0.0), spread_m, 0.0))
        sums = (_total(self.inside, known), _total(self.inside, height), _total(self.inside, gap),
                _total(self.outside, known), _total(self.outside, height))
        return sums, _total(self.inside, short)

    def _sums_compiled(
        self, height_m: NDArray[np.float64], spread_m: NDArray[np.float64]
    ) -> tuple[tuple[float, ...], float]:
        """Do so in two compiled passes: only near the design there is a normal integral to do."""
        assert compiled.readings is not None
        short, near_gap, near_spread = np.empty((3, len(height_m)))
        near, sums = np.empty(len(height_m), dtype=np.intp), np.empty(5)
        count = compiled.readings.gaps(
            height_m, spread_m, self.design_m, self.inside, self.outside, NEAR_SIGMAS, short,
            near, near_gap, near_spread, sums)
        if count:
            own = near[:count]
            short[own] = _positive_part_near(short[own], near_gap[:count], near_spread[:count])
        return tuple(sums.tolist()), compiled.readings.product(self.inside, short)


def _part(
    cells: NDArray[np.intp], share: NDArray[np.float64], design_m: NDArray[np.float64]
) -> _Part:
    """Return the cells (k,) of a segment that have such shares of it; design of all n cells."""
    design = design_m[cells]
    inside, outside = np.where(design > 0.0, share, 0.0), np.where(design > 0.0, 0.0, share)
    whole = np.ones(len(cells))
    return _Part(cells, design, inside, outside, _total(inside, whole), _total(outside, whole))


def _total(share: NDArray[np.float64], values: NDArray[Any]) -> float:
    """Return the sum of shares times values, added up in order."""
    return float(np.add.accumulate(share * values)[-1]) if len(share) else 0.0


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
    s phi(g/s) + g Phi(g/s) (by integration); the part beyond max(0, g) is the surplus. At g the
    best guess of the true gap, the surplus is taken off once.

    Examples
    --------
    >>> positive_part(np.array([1.0, -1.0]), np.array([0.0, 0.0])).tolist()
    [1.0, 0.0]

    """
    out: NDArray[np.float64] = np.maximum(0.0, gap_m)
    near = np.flatnonzero(np.abs(gap_m) < NEAR_SIGMAS * spread_m)
    out[near] = _positive_part_near(out[near], gap_m[near], spread_m[near])
    return out


def _positive_part_near(
    plain_m: NDArray[np.float64], gap_m: NDArray[np.float64], spread_m: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return plain positive parts of gaps less what noise adds to them."""
    ratio = np.maximum(gap_m / spread_m, -NEAR_SIGMAS)
    expected = (spread_m * np.exp(-0.5 * ratio**2) / np.sqrt(2.0 * np.pi)
                + gap_m * special.ndtr(ratio))
    out: NDArray[np.float64] = plain_m - (expected - plain_m)
    return out
