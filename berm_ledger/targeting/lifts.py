# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Load by load: in lifts where that is free, segment by segment where it is not.

A crest comes out even when the lowest place is always raised next; a segment brought to height
at once is buried by the ends of its neighbours. But a segment that is begun is in the way, so it
may only be begun when nobody still to be served counts on it not standing.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from .order import Order

Load = TypeVar('Load')


def rows_before(order: Order, standing: NDArray[np.bool_]) -> dict[int, int]:
    """
    Return which rows (bits) must be finished before each row of an order is begun.

    Parameters
    ----------
    order : Order
        The order of work.
    standing : array of bool
        Which rows stand already: they may be served at any time.

    Returns
    -------
    dict
        Per row of the order a set as bits.

    """
    out = dict.fromkeys(order.sequence, 0)
    for later, stands in zip(order.sequence, order.stands):
        for row in order.sequence:
            if not stands >> row & 1 and not standing[row]:
                out[row] |= 1 << later
    return out


def may_begin(row: int, before: Mapping[int, int], unfinished: int) -> bool:
    """Tell whether a row may be begun while the rows in a set (bits) are not finished."""
    return not before.get(row, 0) & unfinished


def in_turns(
    loads: Mapping[int, Sequence[Load]], sequence: Sequence[int], before: Mapping[int, int],
    standing: Collection[int], *, in_lifts: bool,
) -> tuple[Load, ...]:
    """
    Return all loads one after the other.

    Parameters
    ----------
    loads : mapping
        Per row its loads in order.
    sequence : sequence of int
        The rows in the order of work.
    before : mapping
        See ``rows_before``.
    standing : collection of int
        Rows that stand already.
    in_lifts : bool
        Always take the row with the most loads left among those that may be served, else finish
        row after row.

    Returns
    -------
    tuple
        The loads.

    Examples
    --------
    >>> in_turns({1: 'abc', 2: 'xy'}, (1, 2), {}, (), in_lifts=True)
    ('a', 'b', 'x', 'c', 'y')
    >>> in_turns({1: 'abc', 2: 'xy'}, (1, 2), {2: 0b10}, (), in_lifts=True)
    ('a', 'b', 'c', 'x', 'y')

    """
    if not in_lifts:
        return tuple(load for row in sequence for load in loads[row])
    left = {row: len(loads[row]) for row in sequence if loads[row]}
    unfinished = sum(1 << row for row in left)
    begun = set(standing)
    out: list[Load] = []
    while left:
        free = [row for row in left if row in begun or may_begin(row, before, unfinished)]
        row = max(free, key=lambda row: left[row])
        out.append(loads[row][len(loads[row]) - left[row]])
        begun.add(row)
        left[row] -= 1
        if not left[row]:
            del left[row]
            unfinished &= ~(1 << row)
    return tuple(out)
