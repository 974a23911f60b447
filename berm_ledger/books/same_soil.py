# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Whether two looks at a fresh load show the same soil.

A load raises dust, which sensors take for soil: here and there, other heights in every look, never
lower than the ground. Soil that has come to rest looks the same twice, but for what single cells
of every grid show wrong on ground at rest, too.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ..survey.noise import GridNoise

# Two looks show the same where no more than this share of the cells, or so few, differ by more
# than this [m] and than so many standard deviations as the calmest quarter of them tells. Of 1700
# pairs in builds without dust no cell did; on grids of 100 mm one per cent in one of 176.
STIRRED_SHARE = 0.001
STIRRED_CELLS = 2
STIRRED_M = 0.02
STIRRED_SIGMAS = 6.0
# As many times more may differ as is wrong on ground at rest: twice for two looks, and what is
# wrong comes in clumps.
USUAL_TIMES = 4.0
# A quarter of normal values is closer to zero than this [standard deviations].
QUARTER_SIGMAS = 0.3186
# Where dust is so thick that no quarter is calm: two looks at soil differ by so many times the
# noise of one at most, of which a half is for slopes.
MOST_TIMES = 1.5 * math.sqrt(2.0)


def shows_same(
    one_m: NDArray[np.float32], other_m: NDArray[np.float32], noise: GridNoise
) -> bool:
    """
    Tell whether two looks show the same soil.

    Parameters
    ----------
    one_m, other_m : array
        Heights of the same cells, shape (k,) [m]; NaN is not seen.
    noise : GridNoise
        Noise of one look at ground at rest.

    Returns
    -------
    bool
        Also where they have no cell in common.

    Examples
    --------
    >>> ground_m, every_tenth = np.zeros(100, dtype=np.float32), np.arange(100) % 10 == 0
    >>> shows_same(ground_m, ground_m + np.float32(0.004), GridNoise())
    True
    >>> shows_same(ground_m, ground_m + np.float32(0.05) * every_tenth, GridNoise())
    False
    >>> shows_same(ground_m, np.linspace(0.0, 0.2, 100, dtype=np.float32), GridNoise())
    False

    """
    gap_m = np.abs(one_m - other_m)
    gap_m = gap_m[np.isfinite(gap_m)]
    if not len(gap_m):
        return True
    quarter = len(gap_m) // 4
    spread_m = min(float(np.partition(gap_m, quarter)[quarter]) / QUARTER_SIGMAS,
                   MOST_TIMES * noise.total_m)
    far = np.count_nonzero(gap_m > max(STIRRED_M, STIRRED_SIGMAS * spread_m))
    share = STIRRED_SHARE + USUAL_TIMES * noise.wrong_share
    return bool(far <= max(STIRRED_CELLS, share * len(gap_m)))
