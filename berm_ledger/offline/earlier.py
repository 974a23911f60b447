# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Books of earlier days, to go on from: read only, and never the same recording twice."""

from __future__ import annotations

from dataclasses import dataclass, replace
import math
import os
from pathlib import Path
from typing import Any, Protocol

from .bag_records import BagRecord, notes_of, records_of
from .opened import books_path
from ..books import Entry
from ..books.journal import Journal
from ..books.journal_checks import whose_books
from ..books.statement import stamp_text
from ..design.site_file import site_from_text
from ..errors import BooksError, UsageError
from ..site_source import load_site, LoadedSite
from ..survey.gates import MOST_LAG_NS
from ..survey.snapshot import NamedSurface

NS_PER_MS = 1_000_000
# Entries written together.
BATCH = 1000


class Recorded(Protocol):
    """What is asked of bags: the time they cover [ns]."""

    start_ns: int
    end_ns: int


@dataclass(frozen=True, eq=False)
class Earlier:
    """
    What there is before a replay; empty for new books.

    Parameters
    ----------
    site_name : str
        Name of the site file.
    loaded : LoadedSite
        Site, text and digest.
    path : Path or None
        The books gone on from.
    entries : tuple of Entry
        What is booked.
    surfaces : tuple of NamedSurface
        Layers kept with it.
    bags : tuple of BagRecord
        What was read of which bags.

    """

    site_name: str
    loaded: LoadedSite
    path: Path | None = None
    entries: tuple[Entry, ...] = ()
    surfaces: tuple[NamedSurface, ...] = ()
    bags: tuple[BagRecord, ...] = ()

    def create(self, path: Path) -> Journal:
        """Open a new file that holds all of this; the earlier one is not touched."""
        loaded = self.loaded
        journal = Journal.create(path, loaded.digest, self.site_name, loaded.text, durable=False)
        try:
            for at in range(0, len(self.entries), BATCH):
                journal.append(self.entries[at:at + BATCH])
            journal.append((), self.surfaces, notes_of(self.bags))
        except BaseException:
            journal.close()
            raise
        return journal

    def check_bags(self, bags: Recorded) -> None:
        """Raise UsageError for bags of a time that is booked already."""
        for record in self.bags:
            if record.first_ns <= bags.end_ns and bags.start_ns < record.last_ns:
                self._refuse(bags, record.last_ns)

    def check_stamp(self, stamp_ns: int) -> None:
        """Raise UsageError for a first message that is older than what is booked."""
        # Refusals bear the stamp of the newest message, which may have been the wrong one.
        booked_ns = max((e.stamp_ns for e in self.entries if e.kind != 'refused'), default=None)
        if booked_ns is not None and stamp_ns < booked_ns - MOST_LAG_NS:
            msg = (f'{self.path} reaches to {stamp_text(booked_ns)}, the bag begins at '
                   f'{stamp_text(stamp_ns)}: books go on in the order of time, and nothing is '
                   f'booked twice; leave out what is booked with --start, or replay all bags '
                   f'together into new books')
            raise UsageError(msg)

    def _refuse(self, bags: Recorded, booked_ns: int) -> None:
        """Say that something is booked already, and how to book the rest."""
        advice = 'name the bag of another time'
        if bags.end_ns > booked_ns:
            after_s = math.ceil((booked_ns + 1 - bags.start_ns) / NS_PER_MS) / 1e3
            advice = f'to book what is new, leave out the first {after_s:.3f} s with --start'
        msg = (f'{self.path} holds the recording of {stamp_text(bags.start_ns)} to '
               f'{stamp_text(min(bags.end_ns, booked_ns))} already, and nothing is booked twice: '
               f'{advice}')
        raise UsageError(msg)


def no_books(site_file: str | os.PathLike[str]) -> Earlier:
    """Return what new books begin with: the site."""
    return Earlier(Path(site_file).name, load_site(site_file))


def earlier_books(
    path: str | os.PathLike[str], site_file: str | os.PathLike[str] | None = None
) -> Earlier:
    """
    Read books to go on from, also while a ledger writes them.

    Parameters
    ----------
    path : path
        The file, or the folder that holds it under the name ``books.sqlite``.
    site_file : path, optional
        Site file, which must be the one they were opened with; left out, it is taken from them.

    Returns
    -------
    Earlier
        All they hold.

    Raises
    ------
    BooksError
        No usable books, or those of another site.
    SiteFileError
        A bad site file.

    """
    path = books_path(path)
    asked = None if site_file is None else no_books(site_file)
    with Journal.read(path) as journal:
        meta = dict(journal.meta)
        _check_site(path, meta, asked)
        entries, surfaces = tuple(journal.entries()), journal.surfaces()
    name, text = meta.get('site_name', 'site file'), meta.get('site_text', '')
    if asked is None:
        if not text:
            msg = f'{path} does not hold the site file it was opened with: name it with --site'
            raise BooksError(msg)
        site = site_from_text(text, f'{name} in {path}')
        asked = Earlier(name, LoadedSite(site, text, meta.get('site_digest', '')))
    return replace(asked, site_name=name, path=path, entries=entries, surfaces=surfaces,
                   bags=records_of(meta, str(path)))


def _check_site(path: Path, meta: dict[str, Any], asked: Earlier | None) -> None:
    """Raise BooksError where the site asked for is not that of the books."""
    if asked is not None and meta.get('site_digest') != asked.loaded.digest:
        msg = (f'{path} {whose_books(meta, asked.site_name)}: name other books, or leave out '
               f'--site to go on with theirs')
        raise BooksError(msg)
