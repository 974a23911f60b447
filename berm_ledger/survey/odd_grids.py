# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Single grids in which far more of the ground disagrees with the site than in those before.

The localisation may be off for one grid by more than a fit finds its way back from; it lies a
little off then wherever the ground slopes. A machine that comes into view looks the same, and so
does much soil that goes; both stay for the next grid.
"""

from __future__ import annotations

from collections import deque
import math
from statistics import median

# Of an odd grid so much more disagrees than the median of the last ones, where there are some.
ODD_SHARE = 0.04
LEAST_GRIDS, KEPT_GRIDS = 8, 16


class OddGrids:
    """How much of grids disagrees as a rule."""

    def __init__(self) -> None:
        """Begin with no grid."""
        self._shares: deque[float] = deque(maxlen=KEPT_GRIDS)
        self._was_odd = False
        #: Share of a grid that disagrees as a rule, 0 to 1; NaN before there are some grids.
        self.usual = math.nan

    def is_odd(self, disagreeing: float) -> bool:
        """
        Take in one more grid and tell whether it is odd, and the one before it is not.

        Parameters
        ----------
        disagreeing : float
            Share of what is compared that differs by more than noise, 0 to 1.

        Returns
        -------
        bool
            False of the first grids.

        """
        odd = disagreeing > self.usual + ODD_SHARE
        alone, self._was_odd = odd and not self._was_odd, odd
        self._shares.append(disagreeing)
        if len(self._shares) >= LEAST_GRIDS:
            self.usual = median(self._shares)
        return alone
