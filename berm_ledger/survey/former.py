# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
How the surface stood a few seconds ago, kept until the datum is taken.

The first load may be told of only when the drum is empty. By then the ground under it has been
seen with the soil on it, and the datum must not be taken from that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# So long ago the soil of a load may have been seen before the load is told of [ns].
LATELY_NS = 10_000_000_000
# The surface is kept as it stands once in so long [ns]: every look would be much to hold.
SPACING_NS = 4_000_000_000
NEVER_NS = np.iinfo(np.int64).min


@dataclass(frozen=True, eq=False)
class Former:
    """Heights [m] and looks of all cells, shape (n,), before a look at a time [ns]."""

    stamp_ns: int
    height_m: NDArray[np.float32]
    looks: NDArray[np.float32]


class FormerSurface:
    """
    What n cells stood at before they rose.

    Parameters
    ----------
    count : int
        Number of cells.

    """

    def __init__(self, count: int) -> None:
        """Start with nothing risen."""
        self._kept: list[Former] = []
        self._rose_ns = np.full(count, NEVER_NS, dtype=np.int64)

    def keep(
        self, height_m: NDArray[np.float32], looks: NDArray[np.float32], stamp_ns: int
    ) -> None:
        """Keep heights [m] and looks from before a look at a time [ns], now and then."""
        if self._kept and stamp_ns < self._kept[-1].stamp_ns + SPACING_NS:
            return
        self._kept.append(Former(stamp_ns, height_m.copy(), looks.copy()))
        while len(self._kept) > 1 and self._kept[1].stamp_ns < stamp_ns - LATELY_NS:
            del self._kept[0]

    def raise_by(self, step_m: NDArray[np.float32]) -> None:
        """Raise the cells (n,) [m]: the frame itself was found to lie lower there."""
        for former in self._kept:
            former.height_m[:] += step_m

    def note(self, cells: NDArray[np.intp], since_ns: NDArray[np.int64]) -> None:
        """Note that cells have risen, and since when that was seen [ns]."""
        self._rose_ns[cells] = since_ns

    def before(self, cells: NDArray[np.intp], stamp_ns: int) -> Former | None:
        """Return how all stood before some of given cells rose lately; None if none did."""
        rose_ns = self._rose_ns[cells]
        lately = rose_ns[rose_ns >= stamp_ns - LATELY_NS]
        if not len(lately):
            return None
        return next((f for f in reversed(self._kept) if f.stamp_ns <= lately.min()), None)
