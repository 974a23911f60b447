# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Values that every look writes anew where it shows cells; NaN where it shows none."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


class Sheets:
    """
    Sheets of values of the same cells.

    A robot mostly shows the same part of a berm as a moment before: to blank the rest of it for
    every look would be half of all that is written.

    Parameters
    ----------
    sheets, count : int
        How many sheets, and cells of each.

    Examples
    --------
    >>> sheets, ends = Sheets(1, 3), np.array([[0, 0, 1], [2, 2, 1]], dtype=np.int32)
    >>> sheets.ready(0, ends)[[0, 2]] = 5.0, 7.0
    >>> sheets.ready(0, ends).tolist()
    [5.0, nan, 7.0]
    >>> sheets.ready(0, ends[:1]).tolist()
    [nan, nan, nan]

    """

    def __init__(self, sheets: int, count: int) -> None:
        """Start with blank ones."""
        #: The values, shape (sheets, count).
        self.values = np.full((sheets, count), np.nan, dtype=np.float32)
        # What was written last, as bytes: these are quick to compare.
        self._written: list[bytes | None] = [None] * sheets

    def ready(self, sheet: int, pieces: NDArray[np.int32] | None) -> NDArray[np.float32]:
        """
        Return a sheet to write on.

        Parameters
        ----------
        sheet : int
            Which one.
        pieces : array or None
            What will be written: as ``pieces_among`` gives it, shape (k, 3); None for all of it.

        Returns
        -------
        array
            Shape (count,); NaN outside the pieces, inside them whatever was there.

        """
        own: NDArray[np.float32] = self.values[sheet]
        written = None if pieces is None else pieces.tobytes()
        if written is None or written != self._written[sheet]:
            own.fill(np.nan)
        self._written[sheet] = written
        return own
