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
from scipy import sparse, special

from .area import SurveyArea

# A segment of which less than this share of the cells was seen has no volumes.
LEAST_SEEN = 0.5


@dataclass(frozen=True, eq=False)
class Volumes:
    """
    Loose volumes of every segment, each of shape (segments,) [m3]; NaN where too little was seen.

    Parameters
    ----------
    placed_m3, missing_m3, over_m3, spilled_m3 : array
        As the module describes them.

    """

    placed_m3: NDArray[np.float64]
    missing_m3: NDArray[np.float64]
    over_m3: NDArray[np.float64]
    spilled_m3: NDArray[np.float64]


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
        """Split the shares into inside and outside of the footprint."""
        self._cell_area_m2 = area.lattice.cell_area_m2
        self._cells = np.flatnonzero(area.in_corridor)
        self._design_m = design_m[self._cells]
        shares = sparse.csr_matrix(area.shares[:, self._cells])
        self._inside = sparse.csr_matrix(
            shares @ sparse.diags((self._design_m > 0.0).astype(float)))
        self._outside = sparse.csr_matrix(shares - self._inside)
        self._outside.eliminate_zeros()
        self._cells_inside = np.asarray(self._inside.sum(axis=1)).ravel()
        self._cells_outside = np.asarray(self._outside.sum(axis=1)).ravel()

    def design_m3(self) -> NDArray[np.float64]:
        """Return the design volume of every segment (segments,) [m3]."""
        out: NDArray[np.float64] = self._inside @ self._design_m * self._cell_area_m2
        return out

    def volumes(
        self, height_m: NDArray[np.float64], spread_m: NDArray[np.float64]
    ) -> Volumes:
        """
        Return the volumes of every segment.

        Parameters
        ----------
        height_m : array
            Height above the datum, shape (n,) [m]; NaN is unseen. Unseen cells of a segment
            count like the mean of its seen ones inside, and outside of the footprint.
        spread_m : array
            Standard deviation of the height, shape (n,) [m].

        Returns
        -------
        Volumes
            The volumes.

        """
        height_m, spread_m = height_m[self._cells], spread_m[self._cells]
        known = np.isfinite(height_m)
        height = np.where(known, height_m, 0.0)
        scale_in, scale_out = self._scales(known)
        placed_in = self._inside @ height * scale_in
        spilled = self._outside @ height * scale_out
        gap = np.where(known, self._design_m - height, 0.0)
        missing = self._inside @ np.where(known, positive_part(gap, spread_m), 0.0) * scale_in
        over = missing - self._inside @ gap * scale_in
        area = self._cell_area_m2
        return Volumes((placed_in + spilled) * area, missing * area, over * area, spilled * area)

    def _scales(
        self, known: NDArray[np.bool_]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return factors from seen cells to all cells, inside and outside; NaN for too few."""
        seen_in, seen_out = self._inside @ known, self._outside @ known
        with np.errstate(invalid='ignore', divide='ignore'):
            scale_in = np.where(
                seen_in >= LEAST_SEEN * self._cells_inside, self._cells_inside / seen_in, np.nan)
            scale_out = np.where(
                seen_out >= LEAST_SEEN * self._cells_outside, self._cells_outside / seen_out,
                np.nan)
        return (np.where(self._cells_inside > 0.0, scale_in, 1.0),
                np.where(self._cells_outside > 0.0, scale_out, 1.0))


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
