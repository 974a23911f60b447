# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Which segments are worth fitting and reading again after a look.

A surface that is the mean of many looks hardly moves with one more. A segment's turn comes when
the mean may have moved by about a quarter of what one look is off: at once while it has few looks,
after a load or a change, and every sixteenth look when it has settled. Turns of settled segments
are spread over the looks, neighbours together.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .area import SurveyArea
from .crest_lines import STRIP_M
from ..kernels import compiled

# Part of one look by which a surface may have moved before it is read again.
MOST_MOVED = 0.25
# Longest wait [looks]; a power of two, as all waits are.
MOST_LOOKS = 16
PERIODS = 2 ** np.arange(MOST_LOOKS.bit_length())
# One in so many cells of a segment tells how settled it is, and of those near its line whether it
# was seen: a look that shows no more than its foot measures nothing of how high it stands.
EVERY = 16
# A segment of which this share, and so many cells, were pulled over to a new height is read.
MOVED_SHARE = 0.005
LEAST_MOVED = 8


class Turns:
    """
    Counts looks and tells whose turn it is.

    Parameters
    ----------
    area : SurveyArea
        The surveyed cells.

    """

    def __init__(self, area: SurveyArea) -> None:
        """Pick the cells that stand for each segment."""
        shares = area.shares
        rows = len(area.segments)
        parts = [
            shares.indices[shares.indptr[row]:shares.indptr[row + 1]][::EVERY]
            for row in range(rows)]
        self._cells = np.concatenate(parts).astype(np.int32)
        self._ends = np.cumsum([0, *map(len, parts)])
        near = np.abs(area.corridor.offset_m) <= STRIP_M
        strips = [part[near[part]] for part in np.split(shares.indices, shares.indptr[1:-1])]
        strips = [strip[::EVERY] if len(strip) else part for strip, part in zip(strips, parts)]
        self._strips = np.concatenate(strips)
        self._of_strip = np.repeat(np.arange(rows), list(map(len, strips)))
        self._segment = area.corridor.segment_index
        self._least = np.maximum(LEAST_MOVED, MOVED_SHARE * np.diff(shares.indptr))
        self._block = np.arange(rows) * MOST_LOOKS // max(1, rows)
        self._look = 0
        self._waiting = np.zeros(rows, dtype=bool)
        #: Which segments the last look has shown, shape (segments,).
        self.seen = np.zeros(rows, dtype=bool)
        # Segments that are to be read as soon as they are in view.
        self._due = np.zeros(rows, dtype=bool)

    def after_look(
        self, seen: NDArray[np.bool_], looks: NDArray[np.float32], moved: NDArray[np.intp]
    ) -> NDArray[np.bool_]:
        """
        Return the segments whose turn it is after a look, shape (segments,).

        Parameters
        ----------
        seen : array
            Cells that the look shows, shape (n,).
        looks : array
            Looks that the surface has, shape (n,).
        moved : array
            Cells that were pulled over to a new height, shape (k,).

        Returns
        -------
        array
            Mask of segments.

        """
        rows = len(self._block)
        self.seen = np.bincount(self._of_strip[seen[self._strips]], minlength=rows) > 0
        many = np.bincount(self._segment[moved], minlength=rows)
        if compiled.readings is not None:
            turn = np.empty(rows, dtype=bool)
            compiled.readings.turns(
                seen, looks, self._cells, self._ends, many, self._least, self._block, self._look,
                MOST_LOOKS, MOST_MOVED, self._waiting, turn)
        else:
            turn = self._turns(seen, looks, many)
        self.ask(turn)
        self._look += 1
        return turn

    def _turns(
        self, seen: NDArray[np.bool_], looks: NDArray[np.float32], moved: NDArray[np.intp]
    ) -> NDArray[np.bool_]:
        """Return whose turn it is where so many cells of each segment were pulled over."""
        rows = len(self._block)
        owner = np.repeat(np.arange(rows), np.diff(self._ends))
        shown = seen[self._cells].astype(float)
        # How many cells of each segment are seen, and what one more look is to them.
        count, gain = (np.bincount(owner, parts, rows)
                       for parts in (shown, shown / (looks[self._cells] + 1.0)))
        self._waiting |= count > 0.0
        wait = MOST_MOVED * count / np.maximum(gain, 1e-9)
        period = PERIODS[np.searchsorted(PERIODS[1:], wait, side='right')]
        turn: NDArray[np.bool_] = self._waiting & ((self._look + self._block) % period == 0)
        turn |= moved >= self._least
        return turn

    def ask(self, rows: NDArray[np.bool_]) -> None:
        """Let segments be read as soon as they are in view, whether it is their turn or not."""
        self._due |= rows

    def due(self, overdue: NDArray[np.bool_] | None = None) -> NDArray[np.intp]:
        """Return the rows in view that are to be read, and any that are ``overdue``."""
        due = self._due if overdue is None else self._due | overdue
        return np.flatnonzero(due & self.seen)

    def done(self, rows: NDArray[np.intp]) -> None:
        """Note that segments have been read."""
        self._waiting[rows] = False
        self._due[rows] = False
