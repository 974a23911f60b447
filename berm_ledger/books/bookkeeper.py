# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Writes entries: numbers them, posts them, hands them out, and keeps refusals from flooding."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from .accounts import Books
from .entries import Entry
from .ledger import Fold
from ..design import Site
from ..findings import Finding

# A refusal of one code is booked at once, then at most this often [ns]; what came since is booked
# when none has come for as long, too.
REFUSAL_EVERY_NS = 10_000_000_000


@dataclass(frozen=True)
class Unbooked:
    """
    Refusals of one code that are not booked yet.

    Parameters
    ----------
    count : int
        How many.
    text : str
        What the newest says.
    stamp_ns : int
        When it came [ns].

    """

    count: int
    text: str
    stamp_ns: int


class Bookkeeper:
    """
    The one who writes into the books of a site.

    Parameters
    ----------
    site : Site
        The site.
    entries : iterable of Entry
        Entries of an earlier run, to go on from.

    """

    def __init__(self, site: Site, entries: Iterable[Entry] = ()) -> None:
        """Open the books and post what is there."""
        self._fold = Fold(site)
        self._books: Books | None = None
        self._seq = 0
        self._new: list[Entry] = []
        self._refused: dict[str, Unbooked] = {}
        self._refused_ns: dict[str, int] = {}
        for entry in entries:
            self._fold.post(entry)
            self._seq = entry.seq

    @property
    def last_seq(self) -> int:
        """Tell the number of the last entry; 0 before the first."""
        return self._seq

    def books(self) -> Books:
        """Return the books as they stand."""
        if self._books is None or self._books.last_seq != self._seq:
            self._books = self._fold.books()
        return self._books

    def book(
        self, kind: str, stamp_ns: int, berm: str | None, segment: int | None,
        data: Mapping[str, Any],
    ) -> Entry:
        """Write one entry."""
        self._seq += 1
        entry = Entry(self._seq, stamp_ns, kind, berm, segment, data)
        self._fold.post(entry)
        self._new.append(entry)
        return entry

    def refuse(self, finding: Finding, now_ns: int) -> None:
        """Count a refusal; book the first of its code and then one now and again."""
        code = finding.code
        before = self._refused.get(code)
        self._refused[code] = Unbooked(
            1 + (before.count if before else 0), finding.text, now_ns)
        last_ns = self._refused_ns.get(code)
        if last_ns is None or now_ns - last_ns >= REFUSAL_EVERY_NS:
            self._book_refused(code, now_ns)

    def book_refusals(self, now_ns: int, *, at_the_end: bool = False) -> None:
        """Book the refusals of codes of which none has come for a while; at the end, of all."""
        for code, unbooked in list(self._refused.items()):
            if at_the_end or now_ns - unbooked.stamp_ns >= REFUSAL_EVERY_NS:
                self._book_refused(code, now_ns)

    def _book_refused(self, code: str, now_ns: int) -> None:
        """Book the refusals of one code that are not booked yet."""
        unbooked = self._refused.pop(code)
        self._refused_ns[code] = now_ns
        self.book('refused', now_ns, None, None, {
            'code': code, 'text': unbooked.text, 'count': unbooked.count})

    def take_new(self) -> tuple[Entry, ...]:
        """Return the entries written since the last call."""
        new, self._new = tuple(self._new), []
        return new
