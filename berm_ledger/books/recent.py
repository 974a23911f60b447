# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The last few looks, kept whole: what the surface has been since a change began."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .mean_looks import mean_m, times_seen
from .sheets import Sheets

LOOKS_KEPT = 8


class RecentLooks:
    """
    The last looks at n cells.

    Parameters
    ----------
    count : int
        Number of cells.

    Examples
    --------
    >>> recent = RecentLooks(1)
    >>> for stamp_ns, height_m in ((1, 5.0), (2, 1.0), (3, 3.0)):
    ...     recent.add(np.array([height_m]), stamp_ns)
    >>> [float(v) for v in np.concatenate(recent.mean_since(2))]
    [2.0, 2.0]

    """

    def __init__(self, count: int) -> None:
        """Start with no look."""
        self._sheets = Sheets(LOOKS_KEPT, count)
        self._height_m = self._sheets.values
        self._stamp_ns = np.zeros(LOOKS_KEPT, dtype=np.int64)
        self._next = 0

    def add(self, height_m: NDArray[np.floating], stamp_ns: int) -> None:
        """Keep a look, shape (n,) [m], NaN where not seen; the oldest goes."""
        self.room()[:] = height_m
        self.added(stamp_ns)

    def raise_by(self, step_m: NDArray[np.float32]) -> None:
        """Raise the cells (n,) [m]."""
        self._height_m += step_m

    def room(self, pieces: NDArray[np.int32] | None = None) -> NDArray[np.float32]:
        """Return where the next look goes, as ``Sheets.ready``; kept once it is ``added`` [m]."""
        return self._sheets.ready(self._next, pieces)

    def added(self, stamp_ns: int) -> None:
        """Keep the look that was written into the room."""
        self._stamp_ns[self._next] = stamp_ns
        self._next = (self._next + 1) % LOOKS_KEPT

    def kept(self) -> list[tuple[int, NDArray[np.float32]]]:
        """Return stamp [ns] and heights [m] of every look kept, oldest first."""
        rows = (self._next + np.arange(LOOKS_KEPT)) % LOOKS_KEPT
        return [(int(self._stamp_ns[row]), self._height_m[row]) for row in rows
                if self._stamp_ns[row] > 0]

    def _at(
        self, looks: NDArray[np.intp], cells: slice | NDArray[np.intp]
    ) -> NDArray[np.float32]:
        """Return some looks at some cells, shape (looks, cells) [m]."""
        # Few cells of many: not all of a look is to be copied for them.
        place = looks if isinstance(cells, slice) else looks[:, None]
        out: NDArray[np.float32] = self._height_m[place, cells]
        return out

    def mean_since(
        self, stamp_ns: int, cells: slice | NDArray[np.intp] = slice(None)
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the mean height since a time [m], NaN where unseen, and of how many looks."""
        rows = self._at(np.flatnonzero(self._stamp_ns >= stamp_ns), cells)
        return mean_m(rows), times_seen(rows).astype(float)

    def with_one_more(
        self, cells: NDArray[np.intp], height_m: NDArray[np.float32]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """
        Return the mean of the looks kept at some cells and of one that is not kept yet.

        Parameters
        ----------
        cells : array
            The cells, shape (k,).
        height_m : array
            What it shows there, shape (k,) [m].

        Returns
        -------
        tuple of array
            Mean heights [m], NaN where unseen, and of how many looks.

        """
        # In place of the oldest it may have been written already.
        kept = (self._next + 1 + np.arange(LOOKS_KEPT - 1)) % LOOKS_KEPT
        rows = np.concatenate([self._at(kept, cells), height_m[None, :]])
        return mean_m(rows), times_seen(rows).astype(float)

    def course(
        self, cells: NDArray[np.intp], reference_m: NDArray[np.floating], least: float
    ) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """
        Return how some cells stood on average against a reference, look by look.

        Parameters
        ----------
        cells : array
            The cells, shape (k,).
        reference_m : array
            What they are held against, shape (k,) [m].
        least : float
            Share of them that a look must show, 0 to 1; the others are left out.

        Returns
        -------
        array
            Stamps of the looks, oldest first [ns].
        array
            Mean differences [m].

        """
        order = (self._next + np.arange(LOOKS_KEPT)) % LOOKS_KEPT
        left = self._height_m[order[:, None], cells] - reference_m
        known = np.isfinite(left)
        count = known.sum(axis=1)
        used = count >= max(1.0, least * len(cells))
        total = np.where(known, left, 0.0).sum(axis=1, dtype=float)
        return self._stamp_ns[order][used], total[used] / count[used]

    def mean_of_last(
        self, count: int, cells: slice | NDArray[np.intp] = slice(None)
    ) -> NDArray[np.float64]:
        """Return the mean height of the newest looks, so many of them [m]; NaN where unseen."""
        newest = (self._next - 1 - np.arange(count)) % LOOKS_KEPT
        rows = self._at(newest, cells)
        known = np.isfinite(rows)
        total = np.where(known, rows, 0.0).sum(axis=0, dtype=float)
        seen = known.sum(axis=0)
        return np.where(seen > 0, total / np.maximum(seen, 1), np.nan)

    def forget(self, cells: NDArray[np.intp] | NDArray[np.bool_]) -> None:
        """Forget what was seen at some cells."""
        self._height_m[:, cells] = np.nan
