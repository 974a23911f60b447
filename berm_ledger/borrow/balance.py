# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Does it add up: cut times swell = placed + spilled + carried + unexplained.

The error of what is unexplained is the root of the sum of squares of

    swell * error of the cut,  cut * error of the swell,  error of placed,  error of carried

with 95 % of it within 1.96 times that. The berm's segments share the error of the level of their
survey, so their errors are added and not squared.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
import math

from .account import Balance, BorrowAccount
from .load import SIGMAS
from .put_back import is_put_back
from .swell import loose_from_bank_m3, SWELL_SPREAD
from ..books import Books, DumpRecord
from ..design import Site

# A load off every berm is known by its mass alone, to this share; common practice, no source.
STRAY_SPREAD = 0.15
# A load that is not measured yet is in what is placed, and not carried, once its segment was seen
# so long after it: drum empty and dust sunk (a guess) [ns]. Seen before that it may be in or not.
SUNK_NS = 60_000_000_000
# Less than this part of a load is never worth a finding, whatever the error.
LEAST_SHARE = 0.5
# What did not close counts as closed again below this part of the bound only, so that a balance
# that lies on it is one finding and not many.
CLOSED_SHARE = 0.7
# Soils swell by nothing to some 70 % (rock, broken); common practice, no source.
SWELLS = (1.0, 1.7)
# So many balances running must not close before that is a finding: with each load some of the cut
# is measured anew, so that the larger of its errors come and go.
RUNNING = 3
HOUR_NS = 3_600_000_000_000
DAY_NS = 24 * HOUR_NS


def balance_of(site: Site, books: Books, account: BorrowAccount, stamp_ns: int) -> Balance | None:
    """
    Return the balance as it stands.

    Parameters
    ----------
    site : Site
        Swell and density.
    books : Books
        What lies on the berms, and the dumps.
    account : BorrowAccount
        What was cut, and what the loads weighed.
    stamp_ns : int
        Time of it [ns].

    Returns
    -------
    Balance or None
        None where no cut or no berm was measured.

    """
    cut_m3, cut_se_m3 = account.cut_m3
    seen = [row for row in books.rows
            if math.isfinite(row.placed_m3) and math.isfinite(row.spilled_m3)]
    if not math.isfinite(cut_m3) or not seen:
        return None
    masses = {load.dump_seq: (load.mass_kg, load.mass_se_kg) for load in account.loads}
    density = site.material.loose_density_kg_m3
    dumps = [dump for dump in books.dumps if dump.seq > account.since_seq
             and not is_put_back(site, dump.berm, dump.x_m, dump.y_m)]
    stray_m3, stray_se_m3 = _sum_m3(
        [(d, 1.0, STRAY_SPREAD) for d in dumps if d.stray], masses, books, density)
    carried_m3, carried_se_m3 = _sum_m3(_not_placed(dumps, books), masses, books, density)
    spilled_m3 = sum(row.spilled_m3 for row in seen)
    placed_m3 = sum(row.placed_m3 for row in seen) - spilled_m3
    placed_se_m3 = math.hypot(sum(
        row.placed_se_m3 for row in seen if math.isfinite(row.placed_se_m3)), stray_se_m3)
    swell = site.material.swell
    loose_m3 = loose_from_bank_m3(cut_m3, swell)
    unexplained = loose_m3 - placed_m3 - spilled_m3 - stray_m3 - carried_m3
    error = math.hypot(swell * cut_se_m3, loose_m3 * SWELL_SPREAD, placed_se_m3,
                       carried_se_m3)
    return Balance(stamp_ns, cut_m3, cut_se_m3, swell, placed_m3, spilled_m3 + stray_m3,
                   placed_se_m3, carried_m3, carried_se_m3, unexplained, error)


def _not_placed(
    dumps: Iterable[DumpRecord], books: Books
) -> Iterator[tuple[DumpRecord, float, float]]:
    """Yield loads that were not measured, the share of each that is carried, and its spread."""
    seen_ns: dict[tuple[str | None, int | None], int] = {
        (row.berm, row.segment): row.last_seen_ns or 0 for row in books.rows}
    for dump in dumps:
        since_ns = seen_ns.get((dump.berm, dump.segment), 0) - dump.stamp_ns
        if dump.stray or math.isfinite(dump.volume_m3) or since_ns > SUNK_NS:
            continue
        yield (dump, 0.5, 0.5) if since_ns > 0 else (dump, 1.0, 0.0)


def _sum_m3(
    parts: Iterable[tuple[DumpRecord, float, float]],
    masses: dict[int, tuple[float, float]], books: Books, density: float,
) -> tuple[float, float]:
    """Return the loose volume of shares of dumps, each with its spread, and its error [m3]."""
    total, square = 0.0, 0.0
    for dump, share, spread in parts:
        mass, se = masses.get(dump.seq, (math.nan, math.nan))
        volume = mass / density if math.isfinite(mass) else books.dump_yield.value_m3
        error = se / density if math.isfinite(se) else books.dump_yield.spread_m3
        total += share * volume
        square += (share * error)**2 + (spread * volume)**2
    return total, math.sqrt(square)


def is_open(site: Site, balance: Balance, *, was_open: bool = False) -> bool:
    """Tell whether more is unexplained than error and half a load can be."""
    most_m3 = max(SIGMAS * balance.unexplained_se_m3, LEAST_SHARE * site.load_volume_m3)
    return abs(balance.unexplained_m3) > (CLOSED_SHARE if was_open else 1.0) * most_m3


def has_opened(site: Site, balances: Sequence[Balance]) -> bool:
    """Tell whether the last ``RUNNING`` balances do not close, all to the same side."""
    last = balances[-RUNNING:]
    signs = {balance.unexplained_m3 > 0.0 for balance in last}
    return len(last) == RUNNING and len(signs) == 1 and all(is_open(site, b) for b in last)


def swell_that_closes(balance: Balance) -> float | None:
    """
    Return the swell with which nothing would be unexplained, None where no soil swells so.

    Parameters
    ----------
    balance : Balance
        The balance.

    Returns
    -------
    float or None
        Loose volume found over volume cut.

    """
    if not balance.cut_m3 > 0.0:
        return None
    swell = (balance.loose_m3 - balance.unexplained_m3) / balance.cut_m3
    return swell if SWELLS[0] <= swell <= SWELLS[1] else None


def imbalance_text(balance: Balance) -> str:
    """Return what a balance that does not close may mean."""
    text = ('more soil was cut than lies on the berms or was spilled'
            if balance.unexplained_m3 > 0.0 else 'more soil lies on the berms than was cut')
    swell = swell_that_closes(balance)
    if swell is None:
        return text
    return f'{text}; or it swells by {swell:.2f} and not by {balance.swell:g} as the site says'


@dataclass(frozen=True)
class Period:
    """
    What was moved in one hour or day; loose volumes but for ``cut_m3`` [m3], errors 95 %.

    Parameters
    ----------
    start_ns : int
        Its beginning [ns].
    cut_m3, placed_m3, spilled_m3, carried_m3, unexplained_m3 : float
        Changes within it.
    cut_error_m3, placed_error_m3, unexplained_error_m3 : float
        How far they may be off.
    loads : int
        Loads dumped.

    """

    start_ns: int
    cut_m3: float
    placed_m3: float
    spilled_m3: float
    carried_m3: float
    unexplained_m3: float
    cut_error_m3: float
    placed_error_m3: float
    unexplained_error_m3: float
    loads: int


def periods(account: BorrowAccount, length_ns: int = HOUR_NS) -> tuple[Period, ...]:
    """
    Return the balance hour by hour, or day by day; periods begin at whole hours of the stamps.

    Errors are those of the difference of two balances, each with its own.

    Parameters
    ----------
    account : BorrowAccount
        The account.
    length_ns : int
        Length of a period [ns].

    Returns
    -------
    tuple of Period
        Those in which there was a balance.

    """
    last: dict[int, Balance] = {}
    for balance in account.balances:
        last[balance.stamp_ns // length_ns] = balance
    out: list[Period] = []
    before: Balance | None = None
    for number, balance in sorted(last.items()):
        loads = sum(load.stamp_ns // length_ns == number for load in account.loads)
        out.append(_between(number * length_ns, before, balance, loads))
        before = balance
    return tuple(out)


def _between(start_ns: int, before: Balance | None, after: Balance, loads: int) -> Period:
    """Return the change from one balance to the next, from nothing where there is none before."""

    def change(name: str) -> float:
        return float(getattr(after, name) - (getattr(before, name) if before else 0.0))

    def error(name: str) -> float:
        return SIGMAS * math.hypot(getattr(after, name), getattr(before, name) if before else 0.0)

    return Period(
        start_ns, change('cut_m3'), change('placed_m3'), change('spilled_m3'),
        change('carried_m3'), change('unexplained_m3'), error('cut_se_m3'),
        error('placed_se_m3'), error('unexplained_se_m3'), loads)
