# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
How sure a volume is that was summed over cells: independent, correlated and systematic errors.

The formulas are those of S. W. Anderson, Uncertainty in quantitative analyses of topographic
change: error propagation and the role of thresholding, Earth Surf. Process. Landforms 44, 2019,
1015-1033 (equations 11, 16, 19 and 21). His equation 16, for a spherical variogram and an area
much larger than its range, is the same as an area with the effective sample size of C. Rolstad,
T. Haug, B. Denby, J. Glaciol. 55, 2009, 666-680, which also holds for small areas; that is used.
It measures lags from the middle of a disk. For one about as wide as the range that is a fifth on
the safe side: ``between_points`` tells how much.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
import math

import numpy as np
from numpy.typing import ArrayLike

from .robust import Floats

# Radii of disks, in ranges, for which the mean over pairs of points is worked out once.
RATIOS = np.append(0.0, np.geomspace(0.05, 100.0, 80))


@dataclass(frozen=True)
class VolumeError:
    """
    Standard errors of one volume, part by part [m3].

    Parameters
    ----------
    independent_m3 : float
        From errors of each cell for itself.
    correlated_m3 : float
        From errors that neighbours share.
    systematic_m3 : float
        From errors that all cells share.

    """

    independent_m3: float
    correlated_m3: float
    systematic_m3: float

    @property
    def total_m3(self) -> float:
        """Root of the sum of squares of the parts [m3], equation 21."""
        return math.hypot(self.independent_m3, self.correlated_m3, self.systematic_m3)


def effective_sample_size(area_m2: float, range_m: float) -> float:
    """
    Return how many independent samples an area is worth under a spherical variogram.

    Parameters
    ----------
    area_m2 : float
        Area, taken as a disk [m2].
    range_m : float
        Range of the variogram [m]; zero or less means no correlation.

    Returns
    -------
    float
        At least 1; infinite without correlation.

    Examples
    --------
    >>> round(effective_sample_size(100.0, 2.0), 5)
    39.78874

    """
    if range_m <= 0.0:
        return math.inf
    ratio = math.sqrt(area_m2 / math.pi) / range_m
    if ratio >= 1.0:
        return 5.0 * ratio * ratio
    return 1.0 / (1.0 - ratio + ratio ** 3 / 5.0)


def likeness(ratio: Floats) -> Floats:
    """
    Return what errors have in common by their distance over the range, spherical variogram.

    Examples
    --------
    >>> likeness(np.array([0.0, 0.5, 1.0, 7.0]))
    array([1.    , 0.3125, 0.    , 0.    ])

    """
    near = np.minimum(ratio, 1.0)
    out: Floats = 1.0 - 1.5 * near + 0.5 * near**3
    return out


def between_points(area_m2: float, range_m: float) -> float:
    """
    Return the correlated error of a mean over a disk by that of ``effective_sample_size``.

    Parameters
    ----------
    area_m2 : float
        Area, taken as a disk [m2].
    range_m : float
        Range of the spherical variogram [m].

    Returns
    -------
    float
        Ratio of the standard errors, 0.8 to 1: lags between all points of the disk, of which the
        distances are distributed as known ("disk line picking"), over lags from its middle.

    Examples
    --------
    >>> round(between_points(math.pi * 0.7**2, 1.0), 2), round(between_points(1e4, 1.0), 2)
    (0.84, 1.0)

    """
    if range_m <= 0.0:
        return 1.0
    return float(np.interp(math.sqrt(area_m2 / math.pi) / range_m, RATIOS, _between_points()))


@lru_cache(maxsize=1)
def _between_points() -> Floats:
    """Return the ratio for all ``RATIOS``."""
    # Distances between two points of a disk of radius 1, and how dense they are.
    far = np.linspace(0.0, 2.0, 4001)
    dense = 4.0 * far / np.pi * (
        np.arccos(far / 2.0) - far / 2.0 * np.sqrt(1.0 - far**2 / 4.0))
    dense /= dense.sum()
    exact = [float(dense @ likeness(far * ratio)) for ratio in RATIOS]
    formula = [1.0 / effective_sample_size(math.pi * ratio**2, 1.0) for ratio in RATIOS]
    return np.sqrt(np.divide(exact, formula))


def volume_error(
    cell_m: float,
    independent_m: ArrayLike,
    *,
    correlated_m: float = 0.0,
    range_m: float = 0.0,
    systematic_m: float = 0.0,
) -> VolumeError:
    """
    Return the standard error of the sum of height differences times cell area.

    Parameters
    ----------
    cell_m : float
        Edge of a cell [m].
    independent_m : array
        Standard error of the height difference of each summed cell, as far as it is the cell's
        own, shape (n,) [m].
    correlated_m : float
        Standard deviation of what neighbours share (root of the sill) [m].
    range_m : float
        Distance over which they share it (range of the spherical variogram) [m].
    systematic_m : float
        Standard error that all cells share, e.g. of the registration [m].

    Returns
    -------
    VolumeError
        All zero for no cells.

    Examples
    --------
    Four cells of 1 cm with 2 mm each: twice 2 mm times a cell.

    >>> round(1e9 * volume_error(0.01, [0.002] * 4).total_m3)
    400

    """
    own = np.asarray(independent_m, dtype=float).ravel()
    cell_m2 = cell_m * cell_m
    area_m2 = cell_m2 * own.size
    worth = effective_sample_size(area_m2, range_m) if own.size > 0 else math.inf
    return VolumeError(
        independent_m3=cell_m2 * math.sqrt(float(np.sum(own * own))),
        correlated_m3=area_m2 * correlated_m / math.sqrt(worth),
        systematic_m3=area_m2 * systematic_m,
    )
