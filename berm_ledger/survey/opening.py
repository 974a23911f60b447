# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Level and tilt of the site frame: what the first grids agree on, as no single one is right."""

from __future__ import annotations

import math

import numpy as np

from .robust import Floats
from .tilt import Tilt

# The frame is the mean of so many first grids that show any of it, and what one may be off [m].
GRIDS = 40
SPREAD_M = 0.002
# Nor of any that came so much later than the first: the map drifts meanwhile [ns].
LONGEST_NS = 90_000_000_000
# Fewer grids than this tell nothing of how far single ones are off.
LEAST_STEPS = 3


class Opening:
    """
    The frame while the first grids come in.

    Parameters
    ----------
    points_xy : array
        The cells it is to hold for, shape (n, 2) [m].

    """

    def __init__(self, points_xy: Floats) -> None:
        """Begin with no grid."""
        self.lasts = True
        #: How many grids have shown any of the cells.
        self.grids = 0
        self._middle_xy = points_xy.mean(axis=0)
        # What the tilt of the frame does to the level of a cell, as a root mean square [m].
        self._lever_m = math.sqrt(float(np.mean((points_xy - self._middle_xy) ** 2)))
        self._begun_ns = -1
        # Level and slopes of the frame beside those of the first grid, what each grid has shown of
        # them, and by how much it differed from those before; shapes (3,) [m, m/m, m/m].
        self._frame = np.zeros(3)
        self._shown: list[Floats] = []
        self._steps: list[Floats] = []
        self._error: tuple[int, float] = (0, SPREAD_M)
        self._kept_error_m = SPREAD_M

    def expect(self, error_m: float | None) -> None:
        """Take over how sure the level was in an earlier run [m]; None is not known."""
        self._kept_error_m = error_m or self._kept_error_m

    def note(self, stamp_ns: int, shows: bool) -> None:
        """Note that a grid came in, and whether it shows any of the cells."""
        if shows and self._begun_ns < 0:
            self._begun_ns = stamp_ns
        if stamp_ns - self._begun_ns > LONGEST_NS and len(self._steps) >= LEAST_STEPS:
            self.end()

    def end(self) -> None:
        """Leave the frame as it is from now on."""
        self.lasts = False

    def agree(self, up_m: float, tilt: Tilt) -> tuple[float, Tilt]:
        """
        Have one more grid say where the frame lies.

        Parameters
        ----------
        up_m : float
            How far the grid lies above the frame, where it is not tilted against it [m].
        tilt : Tilt
            How it is tilted.

        Returns
        -------
        float, Tilt
            By how much the frame is to be raised there [m], and tilted.

        """
        self.grids += 1
        middle_m = up_m + float(tilt.up_m(self._middle_xy[None, :])[0])
        shown = np.array([middle_m, *tilt.slope_xy])
        self._shown.append(self._frame + shown)
        self._frame = self._frame + shown / self.grids
        # It differs from the mean of those before by 1 + 1 / (k - 1) of the variance of one.
        self._steps.append(shown * math.sqrt(1.0 - 1.0 / self.grids))
        if self.grids >= GRIDS:
            self.end()
        return up_m / self.grids, tilt.part(1.0 / self.grids)

    @property
    def error_m(self) -> float:
        """How sure the level of the frame is at a cell, by the scatter of grids about it [m]."""
        if len(self._steps) < LEAST_STEPS:
            return self._kept_error_m
        # Asked for with every reading, another after an opening grid only.
        if self._error[0] != self.grids:
            self._error = self.grids, self._scatter_m()
        return self._error[1]

    def _scatter_m(self) -> float:
        """Return the same as the grids so far tell it."""
        square = np.mean(np.square(self._steps), axis=0)
        # A map that drifts meanwhile shows as halves that differ by more than scatter.
        half = len(self._shown) // 2
        drift = np.mean(self._shown[half:], axis=0) - np.mean(self._shown[:half], axis=0)
        drift2 = np.maximum(0.0, drift**2 - 4.0 * square / len(self._shown))
        level, *slopes = (square / self.grids + drift2).tolist()
        return math.sqrt(level + self._lever_m**2 * sum(slopes))
