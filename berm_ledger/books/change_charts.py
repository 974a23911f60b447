# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The charts of the watch over changes: a two-sided tabular CUSUM for every cell, kept in place.

The sums are those of ``sequential.Cusum``, capped. Over a hundred thousand cells a choice cell by
cell costs many times an addition, so everything here is arithmetic on whole arrays: a cell that a
look does not show has deviation and allowance zero.
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
    Sums of deviations downwards and upwards at n cells.

    Parameters
    ----------
    count : int
        Number of cells.

    """

    def __init__(self, count: int) -> None:
        """Start all at zero."""
        self.low = np.zeros(count, dtype=np.float32)
        self.high = np.zeros(count, dtype=np.float32)

    def restart(self, cells: NDArray[np.intp] | NDArray[np.bool_]) -> None:
        """Start some cells anew."""
        self.low[cells] = 0.0
        self.high[cells] = 0.0

    def add(
        self, deviation: NDArray[np.float32], known: NDArray[np.bool_]
    ) -> NDArray[np.bool_]:
        """
        Add one look.

        Parameters
        ----------
        deviation : array
            Deviations, shape (n,) [sigma]; zero where not known.
        known : array
            Which cells the look shows, shape (n,).

        Returns
        -------
        array
            Cells shown of which both sums are zero, shape (n,).

        """
        toll = known.astype(np.float32)
        toll *= np.float32(ALLOWANCE)
        for sums, step in ((self.low, -deviation), (self.high, deviation)):
            sums += step - toll
            np.clip(sums, 0.0, MOST_SUM, out=sums)
        quiet: NDArray[np.bool_] = np.maximum(self.low, self.high) == 0.0
        quiet &= known
        return quiet

    def kept(self) -> dict[str, tuple[int, NDArray[Any]]]:
        """Return what a restart needs: no stamp of its own (0) and array (n,), by name."""
        return {'chart_high': (0, self.high.copy()), 'chart_low': (0, self.low.copy())}

    def put_back(self, kept: Mapping[str, tuple[int, NDArray[Any]]]) -> None:
        """Go on from what ``kept`` gave."""
        self.high, self.low = (
            np.nan_to_num(kept[name][1].astype(np.float32))
            for name in ('chart_high', 'chart_low'))


def beyond_allowed(
    smooth_m: NDArray[np.float32], shared_m: NDArray[np.float32], worth: NDArray[np.float32],
    figures: NDArray[np.float32],
) -> NDArray[np.float32]:
    """
    Return by how much cells deviate beyond what is allowed, zero where not known [sigma].

    Parameters
    ----------
    smooth_m, shared_m : array
        What the cells show above the reference, NaN unknown, and what is unknown of the shift of
        the look, as a height, shape (n,) [m].
    worth : array
        Looks that the reference is worth, shape (n,).
    figures : array
        Noise of one look [m], factor of the level of detection, spread of the look [m], and the
        most that one look may deviate [sigma].

    Returns
    -------
    array
        Shape (n,).

    """
    one_m, factor, spread_m, most = figures
    # The level of detection: its factor times what it is made of.
    allowed = one_m / np.sqrt(worth)
    allowed += shared_m
    allowed *= factor
    # fmax and fmin make zero of NaN.
    beyond = np.fmax(smooth_m - allowed, np.float32(0.0))
    beyond += np.fmin(smooth_m + allowed, np.float32(0.0))
    beyond /= spread_m
    out: NDArray[np.float32] = np.clip(beyond, -most, most, out=beyond)
    return out
