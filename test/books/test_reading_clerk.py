# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""When readings that say nothing new are booked all the same, and which segments are named."""

from types import SimpleNamespace

from berm_ledger.books.booking import NEWS_NS, SEEN_NS
from berm_ledger.books.reading_clerk import ReadingClerk
from berm_ledger.survey.readings import Reading
import numpy as np
import pytest

SECOND_NS = 1_000_000_000
START_NS = 1_700_000_000 * SECOND_NS


class Yard:
    """A survey of three segments that stand still, of which some are seen, and its keeper."""

    def __init__(self) -> None:
        segments = [SimpleNamespace(berm='one', number=n) for n in (1, 2, 3)]
        self.area = SimpleNamespace(segments=segments)
        self.seen = np.array([True, True, False])
        self.height_m = np.full(3, 0.2)
        self.entries = []
        self.clerk = ReadingClerk(self, self)

    def rows_due(self, overdue) -> np.ndarray:
        due = np.array([True, False, False]) if overdue is None else overdue
        return np.flatnonzero(due & self.seen)

    def rows_seen(self) -> np.ndarray:
        return self.seen

    def readings(self, rows) -> list:
        return [Reading(row, self.height_m[row], 0.001, *[0.1] * 10) for row in rows.tolist()]

    def book(self, kind, stamp_ns, berm, segment, data) -> None:
        del berm
        time_s = (stamp_ns - START_NS) // SECOND_NS
        self.entries.append((time_s, kind, segment or data['segments']))

    def look(self, *times_s: int) -> list:
        """Look at such times; return when what was booked."""
        self.entries.clear()
        for time_s in times_s:
            self.clerk.book_readings(START_NS + time_s * SECOND_NS)
        return list(self.entries)


@pytest.mark.parametrize('start_s', [0, 7])
@pytest.mark.parametrize('rows', [2, 3])
def test_what_stands_still_is_read_and_named_now_and_then(start_s: int, rows: int) -> None:
    news, named = NEWS_NS // SECOND_NS, SEEN_NS // SECOND_NS
    yard, numbers = Yard(), [1, 2, 3][:rows]
    yard.seen[:] = np.arange(3) < rows
    booked = yard.look(*range(start_s, start_s + 2 * news + 5))
    readings = [(time_s, segment) for time_s, kind, segment in booked if kind == 'reading']
    assert readings == [(start_s + k * news, n) for k in range(3) for n in numbers]
    seen = {time_s: segments for time_s, kind, segments in booked if kind == 'seen'}
    assert all(segments == {'one': numbers} for segments in seen.values())
    apart = np.diff(sorted({start_s, start_s + news, start_s + 2 * news} | set(seen)))
    assert set(apart.tolist()) == {named}
    assert set(yard.clerk.looked_ns) == {('one', n) for n in numbers}


def test_what_comes_into_view_or_moves_or_is_forgotten_is_read_at_once() -> None:
    yard = Yard()
    assert yard.look(0, 1, 2) == [(0, 'reading', 1), (0, 'reading', 2)]
    yard.seen[2] = True
    assert yard.look(3, 4) == [(3, 'reading', 3)]
    yard.height_m[0] += 0.01
    assert yard.look(5, 6) == [(5, 'reading', 1)]
    assert yard.look(31) == [(31, 'seen', {'one': [1, 2, 3]})]
    yard.height_m[0] += 0.01
    assert yard.look(61) == [(61, 'reading', 1), (61, 'seen', {'one': [2, 3]})]
    yard.clerk.forget()
    assert yard.look(62, 63) == [(62, 'reading', n) for n in (1, 2, 3)]


def test_only_what_is_in_view_is_named() -> None:
    yard = Yard()
    yard.look(0)
    yard.seen[:] = False, True, False
    assert yard.look(*range(1, 40)) == [(30, 'seen', {'one': [2]})]
    yard.seen[:] = True, False, False
    assert yard.look(*range(40, 69)) == [(40, 'seen', {'one': [1]})]
    assert yard.look(69, 70) == [(70, 'seen', {'one': [1]})]
