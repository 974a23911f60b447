# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Grids that lie far from where the one before lay: the map jumped, or the rover turned meanwhile.

Where a berm bends the shift of such a grid may be taken for another one that fits as well but for
the ends. One that stays is one look lost; one that passes tells of no soil that came or went.
"""

from __future__ import annotations

from collections import deque
import math
from statistics import median

from .robust import Floats

# A step is far beyond this, and beyond so many times as much as the median of the last ones [m].
FAR_M = 0.04
FAR_STEPS = 4.0
KEPT_STEPS = 16


class MapSteps:
    """How far grids lie from the ones before them."""

    def __init__(self) -> None:
        """Begin with no grid."""
        self._at_xy: Floats | None = None
        self._steps_m: deque[float] = deque(maxlen=KEPT_STEPS)

    def is_far(self, at_xy: Floats) -> bool:
        """
        Take in one more grid and tell whether it lies far from the one before.

        Parameters
        ----------
        at_xy : array
            Where it shows a few points of the site, always the same, shape (k, 2) [m].

        Returns
        -------
        bool
            False of the first grid.

        """
        before, self._at_xy = self._at_xy, at_xy
        if before is None:
            return False
        # Plain numbers are quicker than arrays of two.
        step_m = max(math.hypot(x_m, y_m) for x_m, y_m in (at_xy - before).tolist())
        usual_m = median(self._steps_m) if self._steps_m else 0.0
        self._steps_m.append(step_m)
        return step_m > max(FAR_M, FAR_STEPS * usual_m)
