# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Books from recorded bags: the same steps as the live node, message by message.

What comes out is there whole or not at all; the same bag gives the same bytes.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
import os
from pathlib import Path
from typing import Any

from .bag_records import notes_of
from .bags import BagEvent, BagOptions, BagStream, open_bag
from .earlier import Earlier, earlier_books, no_books
from .fresh import check_free, fresh_folder
from .opened import BOOKS_NAME
from .outputs import OUTPUT_NAMES, write_outputs
from ..books import Books, Entry
from ..books.journal import Journal
from ..books.landings import loads_text
from ..errors import BagError, naming_books, UsageError
from ..findings import Finding, Severity
from ..inputs import ELEVATION, POSE
from ..pipeline import Pipeline
from ..ros.book_clock import BookClock
from ..ros.borrow_text import borrow_line
from ..ros.feed import take_dated
from ..survey.gaps import SPARSE_GRID, SPARSE_GRID_TEXT
from ..survey.snapshot import NamedSurface
from ..survey.standstill import STANDS_STILL, STANDS_STILL_TEXT
from ..updates import Update

# Entries written to the file together.
BATCH = 1000
# Rarer than once in so many messages nobody needs to know how far it is.
PROGRESS_EVERY = 16
NO_GROUND = ('the natural ground under the berms was never seen well enough for a datum: every '
             'segment is unseen')
NO_SEGMENT = 'no segment was seen: is this the site file of this bag?'
ALL_STRAY = 'not one of {} loads fell on a berm: is this the site file of this bag?'
# One or two may have missed.
LEAST_STRAY = 3
# What is told of grids that are not refused and tell nothing.
OF_NO_USE = {STANDS_STILL: STANDS_STILL_TEXT, SPARSE_GRID: SPARSE_GRID_TEXT}


@dataclass(frozen=True)
class Replayed:
    """
    What a replay came to.

    Parameters
    ----------
    books : Books
        The books at the end.
    summary : mapping
        What ``summary.json`` says.
    warnings : tuple of str
        What is wrong with the bag or its messages.
    borrow : str
        Line about the borrow side; empty for none.

    """

    books: Books
    summary: dict[str, Any]
    warnings: tuple[str, ...]
    borrow: str = ''


@dataclass
class Tally:
    """
    What became of the messages: how many there were and were used, and why not the others.

    Also how many grids were of no use, by code.
    """

    messages: Counter[str] = field(default_factory=Counter)
    used: Counter[str] = field(default_factory=Counter)
    refusals: dict[str, Counter[str]] = field(default_factory=dict)
    texts: dict[tuple[str, str], str] = field(default_factory=dict)
    of_no_use: Counter[str] = field(default_factory=Counter)

    def note(self, event: BagEvent, findings: Sequence[Finding]) -> None:
        """Count a message and what was found about it."""
        role = event.role
        self.messages[role] += 1
        refusals = [finding for finding in findings if finding.severity == Severity.REFUSAL]
        self.used[role] += not refusals
        self.of_no_use.update(f.code for f in findings if f.code in OF_NO_USE)
        for finding in refusals:
            self.refusals.setdefault(role, Counter())[finding.code] += 1
            self.texts.setdefault((role, finding.code), event.fault or finding.text)

    def why(self, role: str) -> str:
        """Return why messages of a role were refused; empty when none was."""
        counts = self.refusals.get(role)
        if not counts:
            return ''
        code, count = max(counts.items(), key=lambda item: (item[1], item[0]))
        return (f'{count} of {self.messages[role]} {role} messages refused: '
                f'{self.texts[role, code]}')

    def lines(self) -> tuple[str, ...]:
        """Return one line per role and reason."""
        return (*(
            f'{count} of {self.messages[ELEVATION]} elevation messages of no use: {code}: '
            f'{OF_NO_USE[code]}'
            for code, count in sorted(self.of_no_use.items())), *(
            f'{count} of {self.messages[role]} {role} messages refused: {code}: '
            f'{self.texts[role, code]}'
            for role in sorted(self.refusals)
            for code, count in sorted(self.refusals[role].items())))


Watcher = Callable[[BagStream, int, int], None]


def replay(
    bags: Sequence[str | os.PathLike[str]], site_file: str | os.PathLike[str] | None,
    out: str | os.PathLike[str], options: BagOptions, *,
    books_file: str | os.PathLike[str] | None = None,
    tell: Callable[[str], None] = lambda line: None,
    watch: Watcher = lambda stream, count, bag_ns: None,
) -> Replayed:
    """
    Keep the books of recorded bags and write all files.

    Parameters
    ----------
    bags : sequence of path
        Bags, parts of one day.
    site_file : path or None
        Site file; may be left out where there are earlier books.
    out : path
        Folder for the files; must not hold such files yet.
    options : BagOptions
        Topics, layer and part of the bags.
    books_file : path, optional
        Books of earlier bags to go on from; they are read only, and what they hold is in the new
        books too.
    tell : callable
        Called with a line about what is used, before the work begins.
    watch : callable
        Called now and again with the stream, the number of messages done and the time of
        recording of the last one [ns].

    Returns
    -------
    Replayed
        Books, summary and warnings.

    Raises
    ------
    BermLedgerError
        Bad site file, bag without anything that can be used or that is booked already, or an
        output folder in use; then nothing is left behind.

    """
    out = Path(out)
    check_free(out, OUTPUT_NAMES)
    earlier = _earlier(site_file, books_file)
    with fresh_folder(out, OUTPUT_NAMES) as folder:
        path = folder / BOOKS_NAME
        with open_bag([Path(bag) for bag in bags], options) as stream:
            for line in (*stream.choice.lines(), *_news(earlier)):
                tell(line)
            earlier.check_bags(stream)
            with earlier.create(path) as journal:
                tally, books, broken, borrow = _drive(stream, earlier, journal, watch)
            _check_used(tally, bags, broken)
            found = [finding.text for finding in stream.findings]
        summary = write_outputs(path, folder, loaded=earlier.loaded)
    loads = loads_text(books.dumps)
    warnings = (*broken, *found, *tally.lines(), *([loads] if loads else ()), *_unseen(books),
                *_astray(books))
    return Replayed(books, summary, warnings, borrow)


def _earlier(
    site_file: str | os.PathLike[str] | None, books_file: str | os.PathLike[str] | None
) -> Earlier:
    """Return what the replay begins with."""
    if books_file is not None:
        return earlier_books(books_file, site_file)
    if site_file is None:
        msg = 'no site: name a site file with --site, or books to go on from with --books'
        raise UsageError(msg)
    return no_books(site_file)


def _news(earlier: Earlier) -> tuple[str, ...]:
    """Return a line where the site file was changed since the earlier books."""
    entry = earlier.site_entry
    return () if entry is None else (f'site file changed: {entry.data["text"]}',)


def _drive(
    stream: BagStream, earlier: Earlier, journal: Journal, watch: Watcher
) -> tuple[Tally, Books, tuple[str, ...], str]:
    """Put every message through the pipeline; return also why the bag ended early, if it did."""
    with naming_books(earlier.path):
        pipeline = Pipeline(
            earlier.loaded.site, entries=earlier.entries, surfaces=earlier.surfaces)
    tally, writer = Tally(), Writer(journal)
    broken: tuple[str, ...] = ()
    stamped, bag_ns = False, 0
    clock = BookClock(lambda: bag_ns)
    try:
        for count, event in enumerate(stream, 1):
            bag_ns = event.bag_ns
            if not stamped and event.stamp_ns:
                earlier.check_stamp(event.stamp_ns)
                stamped = True
            update = step(pipeline, event, clock)
            tally.note(event, update.findings)
            writer.add(update)
            if count % PROGRESS_EVERY == 0:
                watch(stream, count, event.bag_ns)
    except BagError as exc:
        broken = (f'the bag could not be read to its end: {exc}',)
    writer.add(pipeline.finish())
    writer.flush(notes_of(stream.records(), len(earlier.bags)))
    books = pipeline.books
    return tally, books, broken, borrow_line(pipeline.borrow, books.dumps_remaining)


def step(pipeline: Pipeline, event: BagEvent, clock: BookClock) -> Update:
    """Hand one message to the pipeline; one that could not be read is refused there."""
    if event.fault:
        return pipeline.refuse_unread(
            event.role, event.fault, clock.of_books_ns(event.stamp_ns or 0))
    update: Update = take_dated(pipeline, event.role, event.value, clock)
    return update


class Writer:
    """Writes entries to the journal in batches, and of each layer only the last."""

    def __init__(self, journal: Journal) -> None:
        """Begin with nothing to write."""
        self._journal = journal
        self._entries: list[Entry] = []
        self._surfaces: dict[str, NamedSurface] = {}

    def add(self, update: Update) -> None:
        """Take over what an update brought."""
        self._entries += update.entries
        self._surfaces.update({surface.name: surface for surface in update.surfaces})
        if len(self._entries) >= BATCH:
            self._journal.append(self._entries)
            self._entries = []

    def flush(self, notes: Mapping[str, str] | None = None) -> None:
        """Write what waits, and notes on the bags."""
        self._journal.append(self._entries, tuple(self._surfaces.values()), notes)
        self._entries, self._surfaces = [], {}


def _unseen(books: Books) -> tuple[str, ...]:
    """Return a warning when no grid has shown any of the berms."""
    if any(row.last_seen_ns is not None for row in books.rows):
        return ()
    if books.datum_seq is None:
        return (NO_GROUND,)
    return (NO_SEGMENT,)


def _astray(books: Books) -> tuple[str, ...]:
    """Return a warning when no load has fallen on any of the berms."""
    if len(books.dumps) < LEAST_STRAY or not all(dump.stray for dump in books.dumps):
        return ()
    return (ALL_STRAY.format(len(books.dumps)),)


def _check_used(tally: Tally, bags: Sequence[Any], broken: tuple[str, ...]) -> None:
    """Raise BagError when not one grid was used, with the reasons."""
    if tally.used[ELEVATION]:
        return
    names = ', '.join(str(bag) for bag in bags)
    reasons = [*broken, *(why for why in (tally.why(ELEVATION), tally.why(POSE)) if why)]
    if not reasons:
        reasons = ['no elevation message in the part asked for']
    msg = f'{names}: nothing to keep books of: {"; ".join(reasons)}'
    raise BagError(msg)
