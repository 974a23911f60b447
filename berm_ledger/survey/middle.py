# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Medians without what numpy's looks at besides: other axes, kinds of arrays."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ..kernels import compiled

# Standard deviation of normal values per median of their distances from the middle.
SD_FROM_MAD = 1.4826


def median(values: NDArray[np.floating]) -> float:
    """
    Return the median of values (n,), equal to numpy's; NaN is left out.

    Examples
    --------
    >>> median(np.array([3.0, 1.0, np.nan, 2.0])), median(np.array([4.0, 1.0, 2.0, 8.0]))
    (2.0, 3.0)

    """
    if compiled.fits is not None:
        return float(compiled.fits.median(np.ascontiguousarray(values), 0.0, False, False))
    return _middle(values[~np.isnan(values)])


def median_size(
    values: NDArray[np.floating], centre: float = 0.0, *, as_far: bool = False
) -> float:
    """
    Return the median distance of values (n,) from a centre.

    Parameters
    ----------
    values : array
        Values, shape (n,).
    centre : float
        The centre.
    as_far : bool
        Whether NaN counts as being infinitely far away; else it is left out.

    Returns
    -------
    float
        NaN where there is nothing.

    Examples
    --------
    >>> median_size(np.array([-1.0, 3.0, np.nan]), 1.0)
    2.0
    >>> median_size(np.array([-1.0, 4.0, np.nan]), 1.0, as_far=True)
    3.0

    """
    if compiled.fits is not None:
        return float(compiled.fits.median(np.ascontiguousarray(values), centre, True, as_far))
    size = np.abs(values - values.dtype.type(centre))
    unknown = np.isnan(size)
    return _middle(np.where(unknown, np.inf, size) if as_far else size[~unknown])


def median_ns(stamps_ns: NDArray[np.int64]) -> int:
    """
    Return the median of stamps (n,), at least one, as numpy gives it in whole nanoseconds.

    Examples
    --------
    >>> median_ns(np.array([4, 1, 3])), median_ns(np.array([4, 1]))
    (3, 2)

    """
    half, odd = divmod(len(stamps_ns), 2)
    ordered = np.sort(stamps_ns)
    high = float(ordered[half])
    return int(high if odd else (float(ordered[half - 1]) + high) / 2.0)


def _middle(values: NDArray[np.floating]) -> float:
    """Return the median of values (n,), none of them NaN."""
    half = len(values) // 2
    if not len(values):
        return math.nan
    if len(values) % 2:
        return float(np.partition(values, half)[half])
    part = np.partition(values, (half - 1, half))
    return float((part[half - 1] + part[half]) / values.dtype.type(2.0))
