# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The time of the books, which never runs back, over a clock that was set back; knows no ROS.

Books are in the order of time. When the clock of a robot is set back (by NTP, or as it starts
without one), its messages are older than what is booked though they were made later; so are those
of a bag that is played again. What tells them apart is the system clock, in a replay the time of
recording: what was made just now has its time. Once poses running have shown that for a second,
the books count on from where they were, ahead of the clock, until it is set forward again or has
caught up when the ledger starts.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from ..books import Books
from ..findings import Finding
from ..geometry import StampedPose
from ..survey import ElevationGrid
from ..survey.gates import LEAP_MESSAGES, LEAP_NS, MOST_LAG_NS, MOST_LEAP_NS, refusal

SET_BACK = 'the clock was set back by {:.3f} s'
SET_FORWARD = 'the clock was set forward, or nothing came, for {:.3f} s'
WAITS = '{}: the books go on once poses have shown that for a second'
GOES_ON = '{}: the books go on from here, with times {:.3f} s ahead of the clock'
OF_FUTURE = ('the pose is {:.0f} s ahead of the clock of this machine, and those before were not; '
             'check the clock of its sender')


class BookClock:
    """
    Dates what comes in by the time of the books.

    Parameters
    ----------
    system_ns : callable
        System clock [ns]; in a replay the time of recording.

    """

    def __init__(self, system_ns: Callable[[], int]) -> None:
        """Begin with books that keep the time of the clock."""
        self._system_ns = system_ns
        #: How far the time of the books is ahead of that of the messages [ns].
        self.ahead_ns = 0
        #: Why grids are refused while poses are still to show that the clock was set.
        self.waiting: Finding | None = None
        self._agreed = 0
        # Whether the last pose handed on had the time of the system clock.
        self._in_step = False
        self._first_ns = self._last_ns = self._off_ns = 0

    def of_books_ns(self, stamp_ns: int) -> int:
        """Return a stamp in the time of the books [ns]; 0, which is none, stays."""
        return stamp_ns + self.ahead_ns if stamp_ns else 0

    def dated(self, value: StampedPose | ElevationGrid) -> StampedPose | ElevationGrid:
        """Return a value with its stamp in the time of the books."""
        if not self.ahead_ns:
            return value
        return replace(value, stamp_ns=self.of_books_ns(value.stamp_ns))

    def told(self, books: Books) -> Books:
        """Return books with all that is told of times in those of the clock."""
        if not self.ahead_ns:
            return books
        return replace(books, rows=tuple(
            row if row.last_seen_ns is None else replace(
                row, last_seen_ns=row.last_seen_ns - self.ahead_ns) for row in books.rows),
            flags=tuple(replace(flag, since_ns=flag.since_ns - self.ahead_ns)
                        for flag in books.flags))

    def objection(self, stamp_ns: int, newest_ns: int) -> Finding | None:
        """
        Return why a pose is not used: the clock was set before it was made, or it has a wrong one.

        Parameters
        ----------
        stamp_ns : int
            Stamp of the pose, as its message says [ns].
        newest_ns : int
            Newest stamp used or booked, in the time of the books; 0 for none [ns].

        Returns
        -------
        Finding or None
            The refusal; from the last one on the books count on.

        """
        off_ns, early_ns = stamp_ns + self.ahead_ns - newest_ns, stamp_ns - self._system_ns()
        if self._in_step and min(early_ns, off_ns) > MOST_LEAP_NS:
            return refusal('stamp_of_future', OF_FUTURE.format(early_ns / 1e9), newest_ns)
        is_off = off_ns < -MOST_LAG_NS or (self.ahead_ns > 0 and off_ns > MOST_LEAP_NS)
        made_now = abs(early_ns) <= MOST_LAG_NS
        if not is_off or not made_now:
            self._agreed, self._in_step, self.waiting = 0, made_now, None
            return None
        if not self._agreed or abs(stamp_ns - self._last_ns) > MOST_LAG_NS:
            self._agreed, self._first_ns, self._off_ns = 0, stamp_ns, off_ns
        self._agreed, self._last_ns = self._agreed + 1, stamp_ns
        what = (SET_BACK if off_ns < 0 else SET_FORWARD).format(abs(self._off_ns) / 1e9)
        if self._agreed < LEAP_MESSAGES or stamp_ns < self._first_ns + LEAP_NS:
            self.waiting = refusal('clock_set', WAITS.format(what), newest_ns)
            return self.waiting
        self._agreed, self.waiting = 0, None
        self.ahead_ns = max(0, newest_ns - self._first_ns)
        return refusal('clock_followed', GOES_ON.format(what, self.ahead_ns / 1e9), newest_ns)
