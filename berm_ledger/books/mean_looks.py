# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Means of a few looks at the same cells, of which some may show single cells wrong."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..survey.robust import Floats

# Looks at a cell that differ by more do not all show the same [m].
APART_M = 0.02
# Of so many one that is wrong can be told.
LEAST_TELLING = 3


def times_seen(looks_m: NDArray[np.float32]) -> NDArray[np.intp]:
    """Return how many of some looks (l, k) show each cell, shape (k,)."""
    out: NDArray[np.intp] = np.isfinite(looks_m).sum(axis=0)
    return out


def newest_m(looks_m: NDArray[np.float32], count: int) -> NDArray[np.float32]:
    """Return looks (l, k) with all but the newest few that show each cell left out [m]."""
    since = np.cumsum(np.isfinite(looks_m)[::-1], axis=0)[::-1]
    return np.where(since <= count, looks_m, np.float32(np.nan))


def mean_m(looks_m: NDArray[np.float32]) -> Floats:
    """
    Return the mean of looks (l, k), NaN unseen, shape (k,) [m].

    Of those that do not all show the same the lowest and the highest are left out.

    Examples
    --------
    >>> mean_m(np.array([[0.100], [0.104], [0.160]], dtype=np.float32)).round(3)
    array([0.104])
    >>> mean_m(np.array([[0.100], [0.104], [0.114]], dtype=np.float32)).round(3)
    array([0.106])

    """
    known = np.isfinite(looks_m)
    count = known.sum(axis=0)
    total = np.where(known, looks_m, 0.0).sum(axis=0, dtype=float)
    highest, lowest = (pick.reduce(looks_m, axis=0, initial=np.nan).astype(float)
                       for pick in (np.fmax, np.fmin))
    apart = (count >= LEAST_TELLING) & (highest - lowest > APART_M)
    total[apart] -= (highest + lowest)[apart]
    used = count - 2 * apart
    return np.where(count > 0, total / np.maximum(used, 1), np.nan)


def middle_m(looks_m: NDArray[np.float32]) -> Floats:
    """
    Return the same without the lowest and the highest third of five looks or more.

    They may be from before a slow drum was empty, or show a passing thing.
    """
    count = times_seen(looks_m)
    out = mean_m(looks_m)
    many = np.flatnonzero(count >= 5)
    # Sorting puts NaN last.
    ordered, count = np.sort(looks_m[:, many], axis=0).astype(float), count[many]
    cut = count // 3
    rank = np.arange(len(ordered))[:, None]
    used = (rank >= cut) & (rank < count - cut)
    out[many] = np.where(used, ordered, 0.0).sum(axis=0) / used.sum(axis=0)
    return out
