# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The level of detection: the change of height that measurement error does not explain."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri


def level_of_detection(
    s_old: ArrayLike, s_new: ArrayLike, *, confidence: float = 0.95, shared_m: ArrayLike = 0.0
) -> NDArray[np.float64]:
    """
    Return the smallest difference between two surveys that is significant.

    The errors of both are taken as independent and normal: t times the root of the sum of their
    squares (J. Brasington et al., Geomorphology 53, 2003, 299-316; S. N. Lane et al., Earth Surf.
    Process. Landforms 28, 2003, 249-271). An error that all cells share is added in full before t
    is applied (D. Lague et al., ISPRS J. 82, 2013, 10-26).

    Parameters
    ----------
    s_old, s_new : array
        Standard errors of the heights of the old and the new survey [m]; NaN is unknown.
    confidence : float
        Two-sided confidence, above 0 and below 1.
    shared_m : array
        Standard error of the shift between the surveys [m].

    Returns
    -------
    array
        Level of detection [m]; NaN where an error is unknown.

    Examples
    --------
    >>> round(float(level_of_detection(0.01, 0.02)), 4)
    0.0438

    """
    spread = np.hypot(s_old, s_new)
    t = float(ndtri(0.5 + 0.5 * confidence))
    out: NDArray[np.float64] = np.asarray(t * (spread + np.asarray(shared_m)))
    return out
