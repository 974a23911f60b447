# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The accepted surface: what a dump or an operator accounts for, and losses that were booked.

Soil that came without a dump lies on it and is never accepted by itself, so that what leaves again
is no loss.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .changes import Change
from .last_same import LastSame

# Calm looks are averaged in with so much memory.
MEMORY_LOOKS = 64.0
# A mean with weight 1/m for the newest look is worth 2 m - 1 looks in the long run.
MOST_WORTH = 2.0 * MEMORY_LOOKS - 1.0


class AcceptedSurface:
    """
    What is accepted of n surveyed cells; the charts bring it up to date in place.

    Parameters
    ----------
    count : int
        Number of cells.

    """

    def __init__(self, count: int) -> None:
        """Start with nothing accepted."""
        #: Height, NaN where nothing was accepted yet, shape (n,) [m].
        self.height_m = np.full(count, np.nan, dtype=np.float32)
        #: Of how many looks that is the mean, shape (n,).
        self.looks = np.ones(count, dtype=np.float32)
        #: Soil of no dump above it, zero elsewhere, shape (n,) [m].
        self.fill_m = np.zeros(count, dtype=np.float32)
        #: When each cell was last seen so.
        self.same = LastSame(count)

    @property
    def has_fill(self) -> bool:
        """Whether soil lies there that came without a dump and that nobody has accepted."""
        return bool((self.fill_m > 0.0).any())

    def reference_m(
        self, cells: slice | NDArray[np.intp] = slice(None)
    ) -> NDArray[np.float32]:
        """Return what looks at cells, all by default, are held against: with the fill [m]."""
        return self.height_m[cells] + self.fill_m[cells]

    def accept(
        self, cells: NDArray[np.intp] | NDArray[np.bool_], height_m: NDArray[np.floating],
        looks: NDArray[np.floating], stamp_ns: int,
    ) -> None:
        """
        Accept a surface at some cells as it stands.

        Parameters
        ----------
        cells : array
            Which cells: indices, or a mask (n,).
        height_m, looks : array
            Surface and of how many looks it is the mean, shape (n,).
        stamp_ns : int
            Time [ns].

        """
        self.height_m[cells] = height_m[cells]
        self.looks[cells] = np.clip(looks[cells], 1.0, MOST_WORTH)
        self.same.put(cells, stamp_ns)
        self.fill_m[cells] = 0.0

    def follow(self, change: Change, stamp_ns: int) -> None:
        """Accept what a change has taken; what it has brought lies on what was accepted."""
        cells = change.cells
        if change.kind in ('disturbed', 'slump'):
            self.height_m[cells] = change.height_m
            self.looks[cells] = change.looks
            self.fill_m[cells] = 0.0
        else:
            # Of fill that was removed some may be left, which is not to be booked once more.
            self.fill_m[cells] = np.maximum(change.height_m - self.height_m[cells], 0.0)
        self.same.put(cells, stamp_ns)

    def doubt(self, cells: NDArray[np.intp]) -> None:
        """Take some cells for not accepted."""
        self.height_m[cells] = np.nan
        self.fill_m[cells] = 0.0
