# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
When cells were last seen as they were accepted: mostly a few looks ago.

Nearly every look tells this of nearly every cell. One byte a cell counts the looks since, as the
counters beside a tabular CUSUM do (D. C. Montgomery, Introduction to Statistical Quality Control,
chapter 9: periods since a sum was last zero); eight bytes are written only for what is longer ago
than can be counted.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

# The count that stands for: longer ago, or not by a look.
LONG_AGO = 255


class LastSame:
    """
    When each of n cells was last seen the same.

    Parameters
    ----------
    count : int
        Number of cells.

    Examples
    --------
    >>> same = LastSame(2)
    >>> for stamp_ns in (10, 20, 30):
    ...     same.take(np.array([0, 1]), np.array([stamp_ns < 30, False]), stamp_ns)
    >>> same.put(np.array([1]), 7)
    >>> same.at().tolist()
    [20, 7]

    """

    def __init__(self, count: int) -> None:
        """Start at time zero."""
        #: Looks since, shape (n,), and the times [ns] of those where it is ``LONG_AGO``.
        self.looks = np.full(count, LONG_AGO, dtype=np.uint8)
        self.earlier_ns = np.zeros(count, dtype=np.int64)
        self._stamps_ns = np.zeros(LONG_AGO, dtype=np.int64)
        self._newest = 0

    def begin(self, stamp_ns: int) -> int:
        """Begin a look; return the time of the one that can no longer be counted to [ns]."""
        self._newest = (self._newest + 1) % LONG_AGO
        oldest_ns = int(self._stamps_ns[self._newest])
        self._stamps_ns[self._newest] = stamp_ns
        return oldest_ns

    def take(
        self, cells: NDArray[np.intp], same: NDArray[np.bool_], stamp_ns: int
    ) -> None:
        """Take a look at some cells, shape (k,), and which it shows the same."""
        oldest_ns = self.begin(stamp_ns)
        since = self.looks[cells]
        self.earlier_ns[cells[since == LONG_AGO - 1]] = oldest_ns
        since += since < LONG_AGO
        since[same] = 0
        self.looks[cells] = since

    def put(self, cells: NDArray[np.intp] | NDArray[np.bool_], stamp_ns: int) -> None:
        """Take some cells for the same at a time [ns]."""
        self.looks[cells] = LONG_AGO
        self.earlier_ns[cells] = stamp_ns

    def at(self, cells: slice | NDArray[np.intp] = slice(None)) -> NDArray[np.int64]:
        """Return the times of some cells, all by default [ns]."""
        # The times of all counts there are, the last of no use.
        of_count = self._stamps_ns[(self._newest - np.arange(LONG_AGO + 1)) % LONG_AGO]
        since = self.looks[cells]
        out: NDArray[np.int64] = of_count[since]
        np.copyto(out, self.earlier_ns[cells], where=since == LONG_AGO)
        return out

    def put_back(self, times_ns: NDArray[np.int64]) -> None:
        """Go on from times that were kept, shape (n,) [ns]."""
        self.looks[:] = LONG_AGO
        self.earlier_ns[:] = times_ns
