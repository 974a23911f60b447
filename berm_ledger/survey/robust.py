# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Tukey's weights, and the sums of a least-squares fit of a shift that is weighted by them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .middle import median_size, SD_FROM_MAD

Floats = NDArray[np.float64]

# Sums are taken over every so manieth value, then in halves: one order for all machines.
LANES = 64
# Where the sums xx, xy, x, yy, y, 1 stand in the matrix, and xd, yd, d below it.
PLACES = np.array([[0, 1, 2], [1, 3, 4], [2, 4, 5], [6, 7, 8]])


def tukey(values: Floats, width: float) -> Floats:
    """
    Return Tukey's biweight of values: 1 at zero, 0 from the width on.

    Examples
    --------
    >>> tukey(np.array([0.0, 1.0, np.inf]), 1.0).tolist()
    [1.0, 0.0, 0.0]

    """
    ratio = np.minimum(np.abs(values) / width, 1.0)
    out: Floats = (1.0 - ratio**2) ** 2
    return out


def weighed(
    left_m: Floats, slope: Floats, centre_m: float, width_m: float
) -> tuple[Floats, Floats]:
    """
    Return the normal equations of the shift that explains differences, weighted by Tukey.

    Parameters
    ----------
    left_m : array
        Differences to a surface, shape (n,) [m]; NaN is unknown.
    slope : array
        Slopes of the surface along x and y, shape (2, n) [m/m].
    centre_m, width_m : float
        Where the weights are greatest, and how far from it they are zero [m].

    Returns
    -------
    tuple of array
        Matrix (3, 3) and right side (3,) for the shift along x, y and up.

    Examples
    --------
    >>> slope = np.array([[0.5, -0.5], [0.0, 0.0]])
    >>> normal, toward = weighed(np.array([0.1, 0.1]), slope, 0.1, 1.0)
    >>> normal.tolist(), toward.round(3).tolist()
    ([[0.5, 0.0, 0.0], [0.0, 0.0, 0.0], [0.0, 0.0, 2.0]], [0.0, 0.0, 0.2])

    """
    out = lane_sums(_products(left_m, slope, centre_m, width_m))[PLACES]
    return out[:3], out[3]


def weighed_rest(
    difference_m: Floats, slope: Floats, shift: Floats, width: float, least_m: float
) -> tuple[Floats, Floats, float, int]:
    """
    Return what ``weighed`` does of what a shift leaves of differences, about zero.

    Parameters
    ----------
    difference_m, slope : array
        Differences to a surface (n,) [m], NaN is unknown, and its slopes (2, n) [m/m].
    shift : array
        The shift along x, y and up, shape (3,) [m].
    width : float
        How far from zero the weights are zero, in robust spreads of what is left.
    least_m : float
        What the spread is at least [m].

    Returns
    -------
    tuple of array
        Matrix (3, 3) and right side (3,) for a further shift.
    float
        The spread [m].
    int
        How many differences are known.

    Examples
    --------
    >>> flat = np.zeros((2, 3))
    >>> *_, spread, known = weighed_rest(
    ...     np.array([0.3, 0.1, np.nan]), flat, np.array([0.0, 0.0, 0.1]), 6.0, 0.001)
    >>> round(spread, 5), known
    (0.14826, 2)

    """
    left = difference_m - explained_m(slope, shift)
    sure = left[np.isfinite(left)]
    spread = max(least_m, SD_FROM_MAD * median_size(sure))
    return *weighed(left, slope, 0.0, width * spread), spread, len(sure)


def _products(left_m: Floats, slope: Floats, centre_m: float, width_m: float) -> Floats:
    """Return what is to be summed up, shape (9, n)."""
    known = np.isfinite(left_m)
    weight = tukey(np.where(known, left_m - centre_m, np.inf), width_m)
    x, y = -slope
    by_x, by_y, own = weight * x, weight * y, np.where(known, left_m, 0.0)
    return np.stack([
        by_x * x, by_x * y, by_x, by_y * y, by_y, weight, by_x * own, by_y * own, weight * own])


def lane_sums(values: Floats) -> Floats:
    """Return the sums of rows (k, n), in the order that ``LANES`` says, shape (k,)."""
    rows, count = values.shape
    whole = count // LANES
    lanes: Floats = np.zeros((rows, LANES))
    # One row of lanes after the other, as numpy adds along an axis that is not the last.
    lanes += values[:, :whole * LANES].reshape(rows, whole, LANES).sum(axis=1)
    lanes[:, :count - whole * LANES] += values[:, whole * LANES:]
    while lanes.shape[1] > 1:
        half = lanes.shape[1] // 2
        lanes = lanes[:, :half] + lanes[:, half:]
    return lanes[:, 0].copy()


def explained_m(slope: Floats, shift: Floats) -> Floats:
    """Return the differences that a shift (x, y, up) makes at slopes (2, n), shape (n,) [m]."""
    dx, dy, dz = shift.tolist()
    out: Floats = slope[0] * -dx
    out -= slope[1] * dy
    out += dz
    return out
