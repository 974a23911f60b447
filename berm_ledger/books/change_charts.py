# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The charts of the watch over changes: a two-sided tabular CUSUM for every cell, kept in place.

The sums are those of ``sequential.Cusum``, capped. Over a hundred thousand cells a choice cell by
cell costs many times an addition, so everything here is arithmetic on whole arrays: a cell that a
look does not show has deviation and allowance zero, and a stamp is set by taking the greater one.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

# Allowance of the charts, and where their sums stop [sigma].
ALLOWANCE = 0.5
MOST_SUM = 12.0


class ChangeCharts:
    """
    Sums of deviations downwards and upwards at n cells, and since when they stand above zero.

    Parameters
    ----------
    count : int
        Number of cells.

    """

    def __init__(self, count: int) -> None:
        """Start all at zero."""
        self.low = np.zeros(count, dtype=np.float32)
        self.high = np.zeros(count, dtype=np.float32)
        self.lost_ns = np.zeros(count, dtype=np.int64)
        self.gained_ns = np.zeros(count, dtype=np.int64)
        self._falls = np.zeros(count, dtype=bool)
        self._rises = np.zeros(count, dtype=bool)

    def restart(self, cells: NDArray[np.intp] | NDArray[np.bool_]) -> None:
        """Start some cells anew."""
        self.low[cells] = 0.0
        self.high[cells] = 0.0
        self._falls[cells] = False
        self._rises[cells] = False

    def add(
        self, deviation: NDArray[np.float32], known: NDArray[np.bool_], stamp_ns: int
    ) -> NDArray[np.bool_]:
        """
        Add one look.

        Parameters
        ----------
        deviation : array
            Deviations, shape (n,) [sigma]; zero where not known.
        known : array
            Which cells the look shows, shape (n,).
        stamp_ns : int
            Time of the look [ns].

        Returns
        -------
        array
            Cells shown of which both sums are zero, shape (n,).

        """
        toll = known.astype(np.float32)
        toll *= np.float32(ALLOWANCE)
        self._falls = _added(self.low, -deviation - toll, self._falls, self.lost_ns, stamp_ns)
        self._rises = _added(self.high, deviation - toll, self._rises, self.gained_ns, stamp_ns)
        quiet: NDArray[np.bool_] = ~(self._falls | self._rises)
        quiet &= known
        return quiet

    def kept(self) -> dict[str, tuple[int, NDArray[Any]]]:
        """Return what a restart needs: no stamp of its own (0) and array (n,), by name."""
        return {
            'chart_high': (0, self.high.copy()),
            'chart_low': (0, self.low.copy()),
            'gained_ns': (0, np.where(self.high > 0.0, self.gained_ns, 0)),
            'lost_ns': (0, np.where(self.low > 0.0, self.lost_ns, 0)),
        }

    def put_back(self, kept: Mapping[str, tuple[int, NDArray[Any]]]) -> None:
        """Go on from what ``kept`` gave."""
        self.high, self.low = (
            np.nan_to_num(kept[name][1].astype(np.float32))
            for name in ('chart_high', 'chart_low'))
        self._rises, self._falls = self.high > 0.0, self.low > 0.0
        self.gained_ns, self.lost_ns = (kept[name][1].copy() for name in ('gained_ns', 'lost_ns'))


def _added(
    sums: NDArray[np.float32], step: NDArray[np.float32], was_on: NDArray[np.bool_],
    since_ns: NDArray[np.int64], stamp_ns: int,
) -> NDArray[np.bool_]:
    """Add a look to the sums of one side, in place; return which are above zero."""
    sums += step
    np.clip(sums, 0.0, MOST_SUM, out=sums)
    on: NDArray[np.bool_] = sums > 0.0
    since_ns[np.flatnonzero(on & ~was_on)] = stamp_ns
    return on
