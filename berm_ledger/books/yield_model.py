# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Yield: what one dump really adds to the berm, learned from the rises that were measured.

The estimate is Huber's M-estimate of location (P. J. Huber, Robust estimation of a location
parameter, Ann. Math. Stat. 35, 1964) by iterated weighting with k = 1.345, the constant that is
95 % efficient for normal data (P. W. Holland, R. E. Welsch, Commun. Stat. A6, 1977). The full
load of the site file takes part as ``PRIOR_LOADS`` loads that were measured exactly, under the
same weighting, so that it loses its say as loads come in, and the sooner the less it agrees.
The spread between loads is the scaled median absolute deviation, pooled in the square with
``PRIOR_SPREAD`` of a full load that counts for ``PRIOR_LOADS`` loads. Only the last
``WINDOW_LOADS`` loads count: soil, drum and operator change in the course of a day.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..survey.middle import SD_FROM_MAD

PRIOR_LOADS = 2
# Share of a full load by which single loads differ: common practice, no source.
PRIOR_SPREAD = 0.2
WINDOW_LOADS = 40
HUBER_K = 1.345
STEPS = 50


@dataclass(frozen=True)
class YieldEstimate:
    """
    What one dump adds to the berm.

    Parameters
    ----------
    value_m3 : float
        Loose volume of one dump [m3].
    spread_m3 : float
        Standard deviation from load to load [m3].
    se_m3 : float
        Standard error of ``value_m3`` [m3].
    count : int
        Measured loads behind it; 0 means the prior alone.

    """

    value_m3: float
    spread_m3: float
    se_m3: float
    count: int


def estimate_yield(
    volumes_m3: Sequence[float], ses_m3: Sequence[float], prior_m3: float
) -> YieldEstimate:
    """
    Estimate the volume that one dump adds.

    Parameters
    ----------
    volumes_m3 : sequence of float
        Measured rises in the order of the dumps, stray ones left out [m3].
    ses_m3 : sequence of float
        Their standard errors; NaN counts as none [m3].
    prior_m3 : float
        Volume of a full load [m3].

    Returns
    -------
    YieldEstimate
        Estimate from the last ``WINDOW_LOADS`` loads and the prior.

    Examples
    --------
    >>> estimate_yield([], [], 0.005).value_m3
    0.005
    >>> round(estimate_yield([0.004, 0.004, 0.004, 0.004], [0.0] * 4, 0.004).value_m3, 6)
    0.004

    """
    volumes = np.asarray(volumes_m3, dtype=float)[-WINDOW_LOADS:]
    ses = np.nan_to_num(np.asarray(ses_m3, dtype=float)[-WINDOW_LOADS:])
    sample = np.concatenate([np.full(PRIOR_LOADS, prior_m3), volumes])
    spread = _spread(volumes, prior_m3)
    sd = np.hypot(spread, np.concatenate([np.zeros(PRIOR_LOADS), ses]))
    value, weights = _huber(sample, sd)
    return YieldEstimate(value, spread, float(weights.sum() ** -0.5), len(volumes))


def _spread(volumes: NDArray[np.float64], prior_m3: float) -> float:
    """Return the standard deviation between loads, pooled with the prior spread [m3]."""
    square = PRIOR_LOADS * (PRIOR_SPREAD * prior_m3) ** 2
    if len(volumes) > 0:
        mad = np.median(np.abs(volumes - np.median(volumes)))
        square += len(volumes) * float(SD_FROM_MAD * mad) ** 2
    return float((square / (PRIOR_LOADS + len(volumes))) ** 0.5)


def _huber(
    sample: NDArray[np.float64], sd: NDArray[np.float64]
) -> tuple[float, NDArray[np.float64]]:
    """Return Huber's estimate from the median on, and the final weights [1/m6]."""
    value = float(np.median(sample))
    weights = sd ** -2.0
    for _ in range(STEPS):
        far = np.abs(sample - value) / sd
        weights = sd ** -2.0 * np.minimum(1.0, HUBER_K / np.maximum(far, HUBER_K))
        before, value = value, float(np.sum(weights * sample) / np.sum(weights))
        if abs(value - before) <= 1e-12 * abs(value):
            break
    return value, weights
