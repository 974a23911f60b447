# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
What every benchmark shares: one line of the table, and how things are timed.

Times are processor times, so that other work on the machine counts little; ours and the peer's
are taken in turn within one run, and their ratio is that of the medians.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
import math
import statistics
import sys
import time
from typing import Any

WIDTHS = (46, 12, 12, 10, 10)


@dataclass(frozen=True)
class Line:
    """
    One line of the table.

    Parameters
    ----------
    name : str
        What is measured.
    ours, peer : str
        Our figure and the peer's, with unit; the peer's may be empty.
    ratio : float
        What is held against the limit; NaN where nothing was measured.
    limit : float
        The most that is allowed (the least where ``at_least``); NaN for a figure without one.
    at_least : bool
        Whether more is better.
    note : str
        Anything that must be said with it.

    """

    name: str
    ours: str
    peer: str
    ratio: float
    limit: float = math.nan
    at_least: bool = False
    note: str = ''

    @property
    def verdict(self) -> str:
        """Return ok or short; a dash where there is no limit or no figure."""
        if math.isnan(self.limit) or math.isnan(self.ratio):
            return '-'
        good = self.ratio >= self.limit if self.at_least else self.ratio <= self.limit
        return 'ok' if good else 'short'

    def text(self) -> str:
        """Return the line as it is printed."""
        sign = '>= ' if self.at_least else '<= '
        limit = '-' if math.isnan(self.limit) else f'{sign}{self.limit:g}'
        ratio = '-' if math.isnan(self.ratio) else f'{self.ratio:.3g}'
        cells = (self.name, self.ours, self.peer, ratio, limit)
        lined = '  '.join(cell.ljust(width) for cell, width in zip(cells, WIDTHS))
        return f'{lined}  {self.verdict}' + (f'  ({self.note})' if self.note else '')


HEAD = '  '.join(cell.ljust(width) for cell, width in zip(
    ('name', 'ours', 'peer', 'ratio', 'limit'), WIDTHS)) + '  ok or short'


def processor_s(work: Callable[[], Any]) -> float:
    """Return the processor time of one call [s]."""
    start = time.process_time()
    work()
    return time.process_time() - start


def medians_s(
    rounds: int, *works: Callable[[], Any], before: Callable[[], Any] = lambda: None
) -> tuple[float, ...]:
    """Return the median processor time of each of several works done in turn [s]."""
    times: list[list[float]] = [[] for _ in works]
    for _ in range(rounds):
        before()
        for own, work in zip(times, works):
            own.append(processor_s(work))
    return tuple(statistics.median(own) for own in times)


def shown_ms(seconds: float) -> str:
    """Return a time for people [ms]."""
    return f'{1e3 * seconds:.3g} ms'


def compared(
    name: str, ours_s: float, peer_s: float, limit: float = math.nan, note: str = ''
) -> Line:
    """Return the line of two times, ours in units of the peer's."""
    return Line(name, shown_ms(ours_s), shown_ms(peer_s), ours_s / peer_s, limit, note=note)


def skipped(name: str, reason: str) -> Line:
    """Return the line of a benchmark that could not be run here."""
    return Line(name, 'skipped', '', math.nan, note=reason)


def printed(lines: Iterable[Line]) -> int:
    """Print a table as its lines come; return 1 when a limit is not kept."""
    sys.stdout.write(f'{HEAD}\n')
    short = False
    for line in lines:
        short |= line.verdict == 'short'
        sys.stdout.write(f'{line.text()}\n')
        sys.stdout.flush()
    return int(short)


def lines_of(rows: Iterable[Any]) -> list[Line]:
    """Return lines as they are, and tuples of the fields of one as lines."""
    return [row if isinstance(row, Line) else Line(*row) for row in rows]
