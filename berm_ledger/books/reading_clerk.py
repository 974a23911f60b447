# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Readings and states as entries: what a look says of each segment, as far as it is news."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from .accounts import Books
from .booking import (
    NEVER_NS,
    NEWS_NS,
    reading_data,
    rounded,
    says_something_new,
    seen_data,
    SEEN_NS,
)
from .bookkeeper import Bookkeeper
from .entries import Entry
from .posting import AT_GRADE_SHARE
from .rows import Row, State
from ..survey.readings import Reading
from ..survey.site_survey import SiteSurvey

# A segment is no longer at grade, for the events, below this share of its crest line.
LOST_GRADE_SHARE = 0.8


class ReadingClerk:
    """
    Books readings, and states that follow from them.

    Parameters
    ----------
    survey : SiteSurvey
        The survey.
    keeper : Bookkeeper
        Who writes the entries.

    """

    def __init__(self, survey: SiteSurvey, keeper: Bookkeeper) -> None:
        """Start with nothing read."""
        self._survey = survey
        self._keeper = keeper
        segments = survey.area.segments
        self._place = {(s.berm, s.number): row for row, s in enumerate(segments)}
        # Last reading booked of each row that has one.
        self._read: dict[int, Mapping[str, Any]] = {}
        # When it was booked, when the row was last named in an entry or last measured at all [ns].
        self._read_ns, self._named_ns, self._looked_ns = (
            np.full(len(segments), NEVER_NS) for _ in range(3))
        # The least time at which a row may be overdue, and at which one may have to be named [ns].
        self._overdue_ns = self._unnamed_ns = int(NEVER_NS)
        self._at_grade: set[tuple[str, int]] = set()
        # Rows whose states have been booked.
        self._stated: tuple[Row | None, ...] = (None,) * len(segments)
        self._states_seq = -1

    def remember(self, entry: Entry) -> None:
        """Remember what an earlier run has read."""
        if entry.kind == 'reading':
            row = self._place[(entry.berm or '', entry.segment or 0)]
            self._read[row] = entry.data
            self._read_ns[row] = self._named_ns[row] = entry.stamp_ns
        elif entry.kind == 'seen':
            for berm, numbers in entry.data['segments'].items():
                for number in numbers:
                    self._named_ns[self._place[berm, number]] = entry.stamp_ns

    def take_grades(self, books: Books) -> None:
        """Take the states of an earlier run for booked."""
        self._at_grade = {
            (row.berm, row.segment) for row in books.rows if row.state == State.AT_GRADE}

    def forget(self) -> None:
        """Forget the readings: the heights to come are above another datum."""
        self._read.clear()
        self._read_ns[:] = NEVER_NS
        self._overdue_ns = int(NEVER_NS)

    def book_again(self, stamp_ns: int) -> None:
        """Book all rows read so far once more: the design, or the ground, is another."""
        rows = np.array(sorted(self._read), dtype=np.intp)
        self.forget()
        for reading in self._survey.readings(rows):
            self._book(reading, stamp_ns)
        self._read_ns[rows] = self._named_ns[rows] = stamp_ns

    def _book(self, reading: Reading, stamp_ns: int) -> None:
        """Book a reading and remember it."""
        segment, data = self._survey.area.segments[reading.row], reading_data(reading)
        self._read[reading.row] = data
        self._keeper.book('reading', stamp_ns, segment.berm, segment.number, data)

    @property
    def looked_ns(self) -> dict[tuple[str, int], int]:
        """When each segment, by berm and number, was last measured [ns]; none that never was."""
        segments = self._survey.area.segments
        return {(segments[row].berm, segments[row].number): int(self._looked_ns[row])
                for row in np.flatnonzero(self._looked_ns != NEVER_NS).tolist()}

    def book_readings(self, stamp_ns: int) -> None:
        """Book readings that say something new, and now and then which segments say nothing."""
        survey = self._survey
        overdue = self._read_ns <= stamp_ns - NEWS_NS if stamp_ns >= self._overdue_ns else None
        booked = []
        for reading in survey.readings(survey.rows_due(overdue)):
            row = reading.row
            if (overdue is not None and overdue[row]) or says_something_new(
                    self._read[row], reading):
                self._book(reading, stamp_ns)
                booked.append(row)
        if booked:
            self._read_ns[booked] = self._named_ns[booked] = stamp_ns
            self._overdue_ns = int(self._read_ns.min()) + NEWS_NS
            self._unnamed_ns = min(self._unnamed_ns, stamp_ns + SEEN_NS)
        self._note_seen(booked, stamp_ns)

    def _note_seen(self, booked: Sequence[int], stamp_ns: int) -> None:
        """Remember which segments were looked at; name those that say nothing new at times."""
        seen = self._survey.rows_seen()
        np.copyto(self._looked_ns, stamp_ns, where=seen)
        if stamp_ns < self._unnamed_ns:
            return
        read = self._read_ns != NEVER_NS
        still = read & seen
        still[booked] = False
        if (self._named_ns[still] <= stamp_ns - SEEN_NS).any():
            self._named_ns[still] = stamp_ns
            segments = self._survey.area.segments
            named = seen_data([segments[row] for row in np.flatnonzero(still).tolist()])
            self._keeper.book('seen', stamp_ns, None, None, named)
        self._unnamed_ns = int(self._named_ns[read].min(initial=stamp_ns)) + SEEN_NS

    def book_states(self, stamp_ns: int) -> None:
        """Book rework that is done, and segments that have reached grade."""
        if self._keeper.last_seq == self._states_seq:
            return
        books = self._keeper.books()
        for row, stated in zip(books.rows, self._stated):
            # The books hand out a row again that nothing has changed: its state is booked.
            if row is not stated or books.flags:
                self._book_state(row, books, stamp_ns)
        self._stated = books.rows
        self._states_seq = self._keeper.last_seq

    def _book_state(self, row: Row, books: Books, stamp_ns: int) -> None:
        """Book what has become of one segment."""
        flag = books.flag_of(row.berm, row.segment)
        measured = row.at_grade >= AT_GRADE_SHARE and row.last_seen_ns == stamp_ns
        if flag is not None and measured and flag.dumps_since > 0:
            self._keeper.book('reworked', stamp_ns, row.berm, row.segment, {
                'height_m': rounded('height_m', row.height_m), 'dumps': flag.dumps_since})
        key = (row.berm, row.segment)
        if row.state == State.AT_GRADE and key not in self._at_grade:
            self._keeper.book('at_grade', stamp_ns, row.berm, row.segment, {
                'height_m': rounded('height_m', row.height_m)})
            self._at_grade.add(key)
        elif row.at_grade < LOST_GRADE_SHARE:
            self._at_grade.discard(key)
