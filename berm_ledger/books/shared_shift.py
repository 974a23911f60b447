# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
What one look says against the accepted surface: differences freed of what all cells share.

A registration leaves a small shift, and no map is the same for ever. Both show as one planar and
vertical shift of all cells that nobody has touched, and are taken off here before any cell is
judged; what single cells do is down-weighted (Tukey), so that soil lost cannot hide in it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..kernels import compiled
from ..survey.middle import median_size, SD_FROM_MAD
from ..survey.robust import Floats
from ..survey.shift_in_common import shift_in_common

# What registration may leave (standard deviations) [m], and cells that are worth one.
LEFT_XY_M = 0.005
LEFT_Z_M = 0.003
PRIOR = np.diag([LEFT_XY_M**-2, LEFT_XY_M**-2, LEFT_Z_M**-2])
CELLS_PER_INDEPENDENT = 10.0
THINNING = 5
# More cells than this tell nothing new of a shift, or of a spread.
ENOUGH_CELLS = 6000
ENOUGH_FOR_SPREAD = 6000


def robust_spread(values: NDArray[np.floating]) -> float:
    """
    Return the standard deviation about zero that most values tell; NaN is left out.

    Examples
    --------
    >>> round(robust_spread(np.array([-1.0, 1.0, 1.0, -1.0, 50.0])), 4)
    1.4826

    """
    some = values[::max(1, len(values) // ENOUGH_FOR_SPREAD)]
    spread = SD_FROM_MAD * median_size(some)
    return spread if math.isfinite(spread) else 0.0


class SharedShift:
    """
    The small shift of a whole look that differences at some of its cells tell.

    Parameters
    ----------
    slope : array
        Slopes of the accepted surface, shape (2, n) [m/m].

    """

    def __init__(self, slope: NDArray[Any]) -> None:
        """Pick the cells to compare."""
        count = slope.shape[1]
        self._thinning = max(THINNING, count // ENOUGH_CELLS)
        self._per_independent = max(1.0, CELLS_PER_INDEPENDENT / self._thinning)
        #: The cells whose differences ``of`` takes, k of them.
        self.picked = slice(0, count, self._thinning)
        self._picked_slope = np.ascontiguousarray(slope[:, self.picked], dtype=np.float64)

    def apart(
        self, measured_m: NDArray[np.floating], accepted_m: NDArray[np.float32],
        fill_m: NDArray[np.float32] | None, open_cells: NDArray[np.bool_],
    ) -> NDArray[np.floating]:
        """
        Return what ``of`` takes.

        Parameters
        ----------
        measured_m : array
            Heights of the look, shape (n,) [m]; NaN is not seen.
        accepted_m, fill_m : array
            Accepted surface, and soil of no dump above it, shape (n,) [m]; None for no such soil.
        open_cells : array
            Cells where a change is expected, shape (n,).

        Returns
        -------
        array
            Look minus both at the picked cells, shape (k,) [m].

        """
        at = self.picked
        if compiled.watch is not None and measured_m.dtype == np.float32:
            out = np.empty(self._picked_slope.shape[1])
            compiled.watch.apart(
                np.ascontiguousarray(measured_m), accepted_m, fill_m, open_cells,
                self._thinning, out)
            return out
        difference: NDArray[np.floating] = measured_m[at] - accepted_m[at]
        if fill_m is not None:
            difference -= fill_m[at]
        difference[open_cells[at]] = np.nan
        return difference

    def of(self, difference_m: NDArray[Any]) -> tuple[Floats, float]:
        """
        Return the shift.

        Parameters
        ----------
        difference_m : array
            Look minus accepted surface at the picked cells, shape (k,) [m]; NaN where unknown, or
            where a change is expected.

        Returns
        -------
        array
            Shift along x, y and up, shape (3,) [m]; zero with too few cells.
        float
            Standard error of its planar part [m].

        """
        found = shift_in_common(
            difference_m, self._picked_slope, PRIOR, per_independent=self._per_independent)
        if found is None:
            return np.zeros(3), LEFT_XY_M
        shift, covariance = found
        return shift, math.sqrt(max(covariance.diagonal().tolist()[:2]))


@dataclass(frozen=True, eq=False)
class LevelLook:
    """
    A look freed of a shift of it; reckoned at the cells that are asked for.

    Parameters
    ----------
    measured_m : array
        Heights, shape (n,) [m].
    slope : array
        Slopes of the surface, shape (2, n) [m/m].
    shift : array
        Along x, y and up, shape (3,) [m].
    shown : array or None
        Pieces that hold all cells seen, as ``shown_pieces`` gives them, shape (k, 3).

    """

    measured_m: NDArray[np.floating]
    slope: NDArray[np.float32]
    shift: Floats
    shown: NDArray[np.int32] | None = None

    def without(self, cells: NDArray[np.bool_]) -> LevelLook:
        """Return the look without some cells (n,)."""
        return replace(self, measured_m=np.where(cells, np.float32(np.nan), self.measured_m))

    def __getitem__(self, cells: slice | NDArray[np.intp]) -> NDArray[np.float32]:
        """Return the heights at some cells, shape (k,) [m]."""
        dx, dy, dz = self.shift.astype(np.float32)
        out: NDArray[np.float32] = self.slope[0, cells] * dx
        out += self.slope[1, cells] * dy
        out -= dz
        out += self.measured_m[cells]
        return out
