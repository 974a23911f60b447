# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The shift that differences at many cells have in common, however far some of them are off."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .robust import Floats, weighed_rest
from .symmetric import inverse, solved, times
from ..kernels import compiled

# Fewer differences tell nothing.
LEAST_CELLS = 200
# Half widths of the robust weights, step by step [spreads], and what a spread is at least [m].
ROBUST_SPREADS = np.array([6.0, 4.0])
LEAST_SPREAD_M = 0.001


def shift_in_common(
    difference_m: NDArray[Any], slope: Floats, prior: Floats, *, per_independent: float,
) -> tuple[Floats, Floats] | None:
    """
    Return the shift that explains differences best, by Tukey's weights.

    Parameters
    ----------
    difference_m : array
        Differences to a surface, shape (n,) [m]; NaN where unknown.
    slope : array
        Slopes of the surface along x and y there, shape (2, n) [m/m].
    prior : array
        Information on the shift beforehand, shape (3, 3) [1/m2].
    per_independent : float
        How many of the differences are worth one that shares nothing with the others.

    Returns
    -------
    tuple of array, or None
        Shift along x, y and up, shape (3,) [m], and its covariance, shape (3, 3) [m2]; None with
        too few differences.

    """
    value = np.ascontiguousarray(difference_m, dtype=np.float64)
    if compiled.fits is not None:
        out = np.empty((4, 3))
        enough = compiled.fits.shared(
            value, slope, prior, ROBUST_SPREADS, LEAST_SPREAD_M, per_independent, LEAST_CELLS,
            out)
        return (out[0], out[1:]) if enough else None
    known, shift = np.isfinite(value), np.zeros(3)
    if np.count_nonzero(known) < LEAST_CELLS:
        return None
    value, slope = value[known], slope[:, known]
    for width in ROBUST_SPREADS.tolist():
        normal, toward, spread_m, _ = weighed_rest(value, slope, shift, width, LEAST_SPREAD_M)
        toward += times(normal, shift)
        worth = spread_m * spread_m * per_independent
        normal = normal / worth + prior
        shift = solved(normal, toward / worth)
    return shift, inverse(normal)
