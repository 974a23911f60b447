# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Whether soil of a load is still coming up in the looks at it.

A mapper that makes each grid of several scans shows new soil by and by. Looks made meanwhile lie
lower than those after them, by more than both are unsure; which they are is told by the looks
themselves, not by a time that suits one mapper.
"""

from __future__ import annotations

from functools import partial
import math

import numpy as np
from numpy.typing import NDArray

from .mean_looks import mean_m
from ..survey.error_budget import effective_sample_size
from ..survey.noise import GridNoise
from ..survey.robust import Floats

# A look that lies lower than those after it by so many standard errors was made while soil came;
# where one was, all that lie lower by so many.
COMING_SIGMAS, LOWER_SIGMAS = 4.0, 1.5
# How far errors are shared is known after some looks: until then at least so far [m].
LEAST_RANGE_M = 0.4


def mean_error_m(noise: GridNoise, share: Floats, cell_m2: float) -> float:
    """
    Return the standard error of the mean height over some cells in one look [m].

    Parameters
    ----------
    noise : GridNoise
        Noise of one look.
    share : array
        How much each cell counts, shape (k,).
    cell_m2 : float
        Area of a cell [m2].

    Returns
    -------
    float
        Of the mean of what each cell for itself and neighbours together are off.

    Examples
    --------
    Ten by ten cells of 2 cm are far narrower than what neighbours share.

    >>> round(mean_error_m(GridNoise(0.005, 0.36), np.full(100, 0.01), 0.0004), 5)
    0.00258

    """
    cells = float(share.sum())**2 / float(share @ share)
    worth = effective_sample_size(cells * cell_m2, max(noise.range_m, LEAST_RANGE_M))
    return math.hypot(noise.white_m / math.sqrt(cells), noise.correlated_m / math.sqrt(worth))


def coming_until(
    looks_m: NDArray[np.float32], share: Floats, error_m: float, least: int, *,
    overshoots: bool = False,
) -> int:
    """
    Return the first of some looks since which no more soil has come up.

    That any has must be beyond chance; where it is, what looks lower is left out the sooner.

    Parameters
    ----------
    looks_m : array
        Heights, oldest look first, shape (l, k) [m]; NaN is not seen.
    share : array
        How much each cell counts, shape (k,).
    error_m : float
        Standard error of the mean over the cells in one look [m].
    least : int
        So many are left, whatever they show.
    overshoots : bool
        Whether looks may also have shown too much of it at first.

    Returns
    -------
    int
        Zero where none shows less than those after it.

    Examples
    --------
    >>> looks_m = np.array([[0.0], [0.05], [0.075], [0.074], [0.076]], dtype=np.float32)
    >>> coming_until(looks_m, np.ones(1), 0.002, 2)
    2

    """
    rise = partial(_risen_until, looks_m, share, error_m, overshoots=overshoots)
    return min(rise(LOWER_SIGMAS), max(0, len(looks_m) - least)) if rise(COMING_SIGMAS) else 0


def _risen_until(
    looks_m: NDArray[np.float32], share: Floats, error_m: float, sigmas: float, *,
    overshoots: bool,
) -> int:
    """Return the look after the last that lies lower than those after it; 0 for none."""
    for first in range(len(looks_m) - 2, -1, -1):
        above = looks_m[first + 1:] - looks_m[first]
        known = np.isfinite(above)
        weight = known @ share
        if not weight.any():
            continue
        mean = float((np.where(known, above, 0.0) @ share).sum() / weight.sum())
        chance_m = sigmas * error_m * math.sqrt(1.0 + 1.0 / np.count_nonzero(weight))
        if mean > chance_m or (overshoots and -mean > chance_m):
            return first + 1
    return 0


def growth_sigmas(looks_m: NDArray[np.float32], share: Floats, error_m: float) -> float:
    """
    Return by how much the newer half of some looks lies above the older [standard errors].

    Parameters
    ----------
    looks_m : array
        Heights, oldest look first, shape (l, k) [m]; NaN is not seen.
    share : array
        How much each cell counts, shape (k,).
    error_m : float
        Standard error of the mean over the cells in one look [m].

    Returns
    -------
    float
        Zero of fewer than two looks, and where the halves have no cell in common.

    Examples
    --------
    >>> looks_m = np.array([[0.0], [0.01], [0.02], [0.03]], dtype=np.float32)
    >>> round(growth_sigmas(looks_m, np.ones(1), 0.005), 2)
    4.0

    """
    half = len(looks_m) // 2
    older_m, newer_m = (mean_m(part) for part in (looks_m[:half], looks_m[len(looks_m) - half:]))
    known = np.isfinite(newer_m - older_m)
    weight = float(share[known].sum())
    if not weight:
        return 0.0
    mean = float((newer_m - older_m)[known] @ share[known]) / weight
    return mean / (error_m * math.sqrt(2.0 / half))


def coming_share(noise: GridNoise, looks: int) -> float:
    """
    Return how much of a rise its first looks may show too little or too much, one standard error.

    Where a mapper keeps ``k`` and grids are freed of ``k + e``, look ``n`` after the load shows
    ``1 + k**(n - 1) e / (1 - k - e)`` of it.

    Parameters
    ----------
    noise : GridNoise
        Noise of one look.
    looks : int
        How many there are.

    Returns
    -------
    float
        Mean over the looks.

    Examples
    --------
    >>> round(coming_share(GridNoise(kept=0.5, kept_se=0.05), 3), 4)
    0.0583

    """
    if not noise.kept_se:
        return 0.0
    shown = (1.0 - noise.kept**looks) / (looks * (1.0 - noise.kept))
    return shown * noise.kept_se / (1.0 - noise.kept)
