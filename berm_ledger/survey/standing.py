# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""How the surface stands above the datum at some cells, and what those heights are worth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .datum import Datum
from .surface import MOST_LOOKS, SiteSurface
from ..kernels import compiled

# Looks that a height is worth at most.
MOST_WORTH = 2.0 * MOST_LOOKS - 1.0


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
    """Return the mean of values (n,), equal to numpy's; infinite where there are none."""
    # Without what numpy's looks at besides.
    return float(np.add.reduce(values) / np.float32(len(values))) if len(values) else np.inf


def standing_at(
    surface: SiteSurface, datum: Datum, noise_m: float, cells: NDArray[np.intp], *,
    given: bool = False,
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
    given : bool
        Whether it is known that all of the datum is given there: it has no spread then.

    Returns
    -------
    Standing
        Heights at the cells.

    """
    if compiled.readings is not None:
        height_m, spread_m = np.empty((2, len(cells)))
        inverse = np.empty(len(cells), dtype=np.float32)
        known = compiled.readings.standing(
            surface.height_m, datum.level_m, surface.looks, None if given else datum.looks,
            MOST_WORTH, noise_m, cells, height_m, spread_m, inverse)
        return Standing(height_m, spread_m, _mean(inverse[:known]))
    looks = surface.effective_looks(cells)
    with np.errstate(divide='ignore'):
        inverse = 1.0 / looks
    above_m = surface.height_m[cells] - datum.level_m[cells]
    spread_m = noise_m * np.sqrt((inverse + 1.0 / datum.looks[cells]).astype(float))
    return Standing(above_m.astype(float), spread_m, mean_inverse(looks))


def ground_at(datum: Datum, cells: NDArray[np.intp]) -> tuple[float, bool]:
    """Return the mean of 1 / looks of a datum at some cells, and whether all of it is given."""
    looks = datum.looks[cells]
    return _mean(1.0 / looks), bool(np.isinf(looks).all())


def spread_at(
    surface: SiteSurface, datum: Datum | None, noise_m: float, cells: NDArray[np.intp]
) -> NDArray[np.float32]:
    """Return the spread of heights above the datum at cells (k,) for a noise of one look [m]."""
    if compiled.readings is not None:
        out = np.empty(len(cells), dtype=np.float32)
        compiled.readings.spread(
            surface.looks, None if datum is None else datum.looks, MOST_WORTH, noise_m, cells, out)
        return out
    with np.errstate(divide='ignore'):
        inverse: NDArray[np.float32] = 1.0 / surface.effective_looks(cells)
    if datum is not None:
        inverse = inverse + 1.0 / datum.looks[cells]
    return np.float32(noise_m) * np.sqrt(inverse)
