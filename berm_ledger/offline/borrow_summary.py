# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The borrow side in ``summary.json``."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from ..books import Books, Entry
from ..books.booking import with_digits
from ..borrow.account import account_of, AreaAccount, BorrowAccount
from ..borrow.production import forecast, production_of


def borrow_summary(entries: Iterable[Entry], books: Books) -> dict[str, Any] | None:
    """
    Return the figures of the borrow side.

    Parameters
    ----------
    entries : iterable of Entry
        All entries, in the order of booking.
    books : Books
        Books after them, with the loads still called for.

    Returns
    -------
    dict or None
        Numbers, unknown as None; None where nothing was booked on this side.

    """
    account = account_of(entries)
    if account.is_empty:
        return None
    made, told = production_of(account), forecast(account, books.dumps_remaining)
    cut_m3, cut_se_m3 = account.cut_m3
    return {
        'cut_volume_m3': with_digits(cut_m3, 7), 'cut_se_m3': with_digits(cut_se_m3, 7),
        'areas': [_area(area) for _, area in sorted(account.areas.items())],
        'balance': _balance(account),
        'loads_per_h': with_digits(made.loads_per_h, 3),
        'kg_per_cycle': with_digits(made.kg_per_cycle, 3), 'cycle_s': with_digits(made.cycle_s, 2),
        'dig_s': with_digits(made.dig_s, 2), 'haul_s': with_digits(made.haul_s, 2),
        'dump_s': with_digits(made.dump_s, 2),
        'partial_loads': sum(load.partial is True for load in account.loads),
        'time_left_s': None if told is None else [
            with_digits(value, 1) for value in (told.low_s, told.middle_s, told.high_s)],
    }


def _area(area: AreaAccount) -> dict[str, Any]:
    """Return the figures of one area."""
    return {
        'area': area.area, 'cut_m3': with_digits(area.cut_m3, 7),
        'cut_se_m3': with_digits(area.cut_se_m3, 7), 'deepest_m': with_digits(area.deepest_m, 5),
        'step_m': with_digits(area.step_m, 5), 'left_m2': with_digits(area.left_m2, 4),
        'left_m3': with_digits(area.left_m3, 5), 'closed_lanes': sorted(area.voids)}


def _balance(account: BorrowAccount) -> dict[str, Any] | None:
    """Return the last balance, None where there is none that holds."""
    last = account.last_balance
    if last is None:
        return None
    names = ('cut_m3', 'swell', 'placed_m3', 'spilled_m3', 'carried_m3', 'unexplained_m3',
             'unexplained_se_m3')
    return {**{name: with_digits(getattr(last, name), 7) for name in names},
            'closes': not account.unbalanced}
