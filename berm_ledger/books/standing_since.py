# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Since when cells have shown a rise without a break.

The looks kept may span less time than a rise must last before it is booked: at five looks a second
hardly two seconds. What has filled them all from one look to the next is remembered here.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..survey.middle import median_ns


class StandingSince:
    """
    Since when m cells have shown a rise.

    Parameters
    ----------
    count : int
        Number of cells.

    Examples
    --------
    >>> since, cells = StandingSince(3), np.array([0, 1])
    >>> since.first_ns(cells, 5, all_along=False), since.first_ns(cells, 7, all_along=True)
    (5, 5)
    >>> since.keep_only([])
    >>> since.first_ns(cells, 9, all_along=True)
    9

    """

    def __init__(self, count: int) -> None:
        """Start with none."""
        #: When the rise was first seen, shape (m,) [ns]; 0 where there is none.
        self.first_seen_ns = np.zeros(count, dtype=np.int64)
        #: Whether there may be any; mostly nothing rises, and that is told without a search.
        self.has_some = False

    def put_back(self, first_seen_ns: NDArray[np.int64]) -> None:
        """Go on from times that were kept, shape (m,) [ns]."""
        self.first_seen_ns[:] = first_seen_ns
        self.has_some = bool(first_seen_ns.any())

    def first_ns(self, group: NDArray[np.intp], since_ns: int, *, all_along: bool) -> int:
        """
        Return when a group was first seen risen, as far as that is remembered.

        Parameters
        ----------
        group : array
            Its cells, shape (k,).
        since_ns : int
            When it began by the looks kept [ns].
        all_along : bool
            Whether all of these show it: then it may have begun before.

        Returns
        -------
        int
            Time [ns], no later than ``since_ns``.

        """
        own = self.first_seen_ns[group]
        own[(own == 0) | (not all_along)] = since_ns
        self.first_seen_ns[group] = own
        self.has_some = True
        return min(since_ns, median_ns(own))

    def keep_only(self, groups: Sequence[NDArray[np.intp]]) -> None:
        """Forget all cells that are in none of the groups that have risen now."""
        if not self.has_some:
            return
        kept = np.zeros_like(self.first_seen_ns)
        for group in groups:
            kept[group] = self.first_seen_ns[group]
        self.first_seen_ns = kept
        self.has_some = len(groups) > 0

    def forget(self, cells: NDArray[np.intp]) -> None:
        """Forget some cells."""
        self.first_seen_ns[cells] = 0
