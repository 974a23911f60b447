# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
A layer of even thickness taken from loose soil, whose sides slide to the angle of repose.

The new surface is the lower envelope of the old one and of cones of that slope that stand on the
skimmed ground, so it is nowhere steeper. Between two thicknesses around the right one the surfaces
are mixed, which keeps the slope, so that the volume is exact.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..errors import GeometryError

# Cones are put together from pieces of this reach [cells], as often as it takes.
REACH_CELLS = 4
MOST_PIECES = 100
BRACKET_STEPS = 6


def skimmed(
    height_m: NDArray[np.float64], inside: NDArray[np.bool_], amount_m: float, slope: float,
    cell_m: float,
) -> tuple[NDArray[np.float64], float]:
    """
    Return what each cell loses.

    Parameters
    ----------
    height_m : array
        The surface, shape (rows, cols) [m].
    inside : array
        Cells that the drum passes over, same shape.
    amount_m : float
        Sum of the losses, positive [m].
    slope : float
        Tangent of the angle of repose [m/m].
    cell_m : float
        Edge of a cell [m].

    Returns
    -------
    taken_m : array
        Loss of each cell [m].
    thickness_m : float
        Thickness of the layer [m].

    Raises
    ------
    GeometryError
        A drum that passes over no cell.

    """
    if not inside.any():
        msg = 'the drum passes over no soil'
        raise GeometryError(msg)
    low_m, high_m = 0.0, amount_m / int(inside.sum())
    for _ in range(BRACKET_STEPS):
        middle_m = 0.5 * (low_m + high_m)
        if float(_taken(height_m, inside, middle_m, slope, cell_m).sum()) > amount_m:
            high_m = middle_m
        else:
            low_m = middle_m
    thin = _taken(height_m, inside, low_m, slope, cell_m)
    thick = _taken(height_m, inside, high_m, slope, cell_m)
    share = (amount_m - float(thin.sum())) / float(thick.sum() - thin.sum())
    return thin + share * (thick - thin), low_m + share * (high_m - low_m)


def _taken(
    height_m: NDArray[np.float64], inside: NDArray[np.bool_], thickness_m: float, slope: float,
    cell_m: float,
) -> NDArray[np.float64]:
    """Return the losses when a layer of a thickness is skimmed [m]."""
    step = cell_m * np.arange(-REACH_CELLS, REACH_CELLS + 1)
    cone = slope * np.hypot(step[:, None], step[None, :])
    surface = np.where(inside, height_m - thickness_m, height_m)
    for _ in range(MOST_PIECES):
        lower = np.minimum(
            surface, ndimage.grey_erosion(surface, structure=-cone, mode='nearest'))
        if float((surface - lower).max()) < 1e-9:
            break
        surface = lower
    out: NDArray[np.float64] = height_m - surface
    return out
