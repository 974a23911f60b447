# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Whether a new table says anything that a choice made from the last one must know; no ROS."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields

from ..books.rows import Row

# The lowest stretch is made anew from every look; by less than this it is noise [m].
STEADY_M = 0.002
# Where the lowest stretch lies tells nothing new while it is as low as before, nor does a look.
_LOOSE = ('low_short_m', 'low_station_m', 'wants_load', 'last_seen_ns')
_EXACT = tuple(field.name for field in fields(Row) if field.name not in _LOOSE)


def steadied(rows: Sequence[Row], before: tuple[Row, ...]) -> tuple[Row, ...]:
    """
    Return the table of before as long as the new one says nothing that matters to a choice.

    Parameters
    ----------
    rows : sequence of Row
        The new table.
    before : tuple of Row
        The one that the choice at hand was made from.

    Returns
    -------
    tuple of Row
        ``before`` itself, so that a choice made from it stands, or the new rows.

    """
    same = len(rows) == len(before) and all(map(_alike, rows, before))
    return before if same else tuple(rows)


def _alike(row: Row, before: Row) -> bool:
    """Tell whether a row says the same as one of before."""
    for name in _EXACT:
        now, was = getattr(row, name), getattr(before, name)
        # Unknown is like unknown.
        if now != was and not (now != now and was != was):
            return False
    step_m = row.low_short_m - before.low_short_m
    return abs(step_m) < STEADY_M or (
        row.low_short_m != row.low_short_m and before.low_short_m != before.low_short_m)
