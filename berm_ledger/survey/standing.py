# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""How the surface stands above the datum at some cells, and what those heights are worth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .datum import Datum, Source
from .middle import median
from .surface import SiteSurface
from ..kernels import compiled


@dataclass(frozen=True, eq=False)
class Standing:
    """
    Heights at k cells.

    Parameters
    ----------
    height_m : array
        Height above the datum, shape (k,) [m]; NaN is unknown.
    spread_m : array
        Standard deviation of it, shape (k,) [m].
    inverse : float
        Mean of 1 / looks of the surface where it has any; infinite where it has none.

    """

    height_m: NDArray[np.float64]
    spread_m: NDArray[np.float64]
    inverse: float


def mean_inverse(looks: NDArray[np.float32]) -> float:
    """Return the mean of 1 / looks where there are any; infinite where there are none."""
    return _mean(1.0 / looks[looks > 0.0])


def _mean(values: NDArray[np.float32]) -> float:
    """Return the mean of values (n,); infinite where there are none."""
    return added_up(values.astype(float)) / len(values) if len(values) else np.inf


def added_up(values: NDArray[np.float64]) -> float:
    """Return the sum of values (n,), added one after the other: the same on all machines."""
    return float(np.add.accumulate(values)[-1]) if len(values) else 0.0


def standing_at(
    surface: SiteSurface, datum: Datum, noise_m: float, cells: NDArray[np.intp]
) -> Standing:
    """
    Return how the surface stands above the datum at some cells.

    Parameters
    ----------
    surface : SiteSurface
        The surface.
    datum : Datum
        The datum.
    noise_m : float
        Noise of one look [m].
    cells : array
        The cells, shape (k,).

    Returns
    -------
    Standing
        Heights at the cells.

    """
    looks = surface.effective_looks(cells)
    with np.errstate(divide='ignore'):
        inverse = 1.0 / looks
    above_m = surface.height_m[cells] - datum.level_m[cells]
    spread_m = noise_m * np.sqrt((inverse + 1.0 / datum.looks[cells]).astype(float))
    return Standing(above_m.astype(float), spread_m, mean_inverse(looks))


class Ground(NamedTuple):
    """
    What the natural ground under some cells is worth.

    Parameters
    ----------
    inverse : float
        Mean of 1 / looks.
    given : bool
        Whether all of it is given.
    filled : float
        Share that was filled in, 0 to 1.

    """

    inverse: float = 0.0
    given: bool = False
    filled: float = 0.0


def ground_at(datum: Datum, cells: NDArray[np.intp]) -> Ground:
    """Return what a datum is worth at some cells."""
    looks = datum.looks[cells]
    return Ground(_mean(1.0 / looks), bool(np.isinf(looks).all()),
                  float(np.mean(datum.source[cells] == Source.FILLED)))


def spread_along(
    surface: SiteSurface, datum: Datum | None, noise_m: float, cells: NDArray[np.int32],
    ends: NDArray[np.intp], rows: NDArray[np.intp],
) -> NDArray[np.float64]:
    """
    Return the median spread of the heights above the datum in some rows of cells.

    Parameters
    ----------
    surface : SiteSurface
        The surface.
    datum : Datum, optional
        The datum; without one the surface alone counts.
    noise_m : float
        Noise of one look [m].
    cells, ends : array
        Cells of all rows, shape (k,), and where those of each end, after a zero,
        shape (rows + 1,).
    rows : array
        Which rows, shape (r,).

    Returns
    -------
    array
        Shape (r,) [m]; infinite where no height is known.

    """
    if compiled.readings is not None:
        out = np.empty(len(rows))
        compiled.readings.spread(
            surface.height_m, surface.looks, None if datum is None else datum.looks,
            surface.most_independent_looks, noise_m, cells, ends, rows, out)
        return out
    return np.array([
        _median_spread(surface, datum, noise_m, cells[ends[row]:ends[row + 1]]) for row in rows])


def _median_spread(
    surface: SiteSurface, datum: Datum | None, noise_m: float, cells: NDArray[np.int32]
) -> float:
    """Return the median spread of the known ones of some cells [m]."""
    known = cells[np.isfinite(surface.height_m[cells])].astype(np.intp)
    with np.errstate(divide='ignore'):
        inverse: NDArray[np.float32] = 1.0 / surface.effective_looks(known)
    if datum is not None:
        inverse = inverse + 1.0 / datum.looks[known]
    middle = median(np.float32(noise_m) * np.sqrt(inverse))
    return np.inf if np.isnan(middle) else middle
