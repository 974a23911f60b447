# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Books of earlier days, to go on from: read only, and never the same recording twice."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
import math
import os
from pathlib import Path
from typing import Protocol

from .bag_records import BagRecord, notes_of, records_of
from .opened import books_path
from ..books import Entry
from ..books.entries import booked_until_ns
from ..books.journal import Journal
from ..books.site_check import check_site, site_entry, SiteFile
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
    site_entry : Entry or None
        The last of the entries, where it is new: the site file was changed since.

    """

    site_name: str
    loaded: LoadedSite
    path: Path | None = None
    entries: tuple[Entry, ...] = ()
    surfaces: tuple[NamedSurface, ...] = ()
    bags: tuple[BagRecord, ...] = ()
    site_entry: Entry | None = None

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
        booked_ns = booked_until_ns(self.entries)
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
        Site file to go on with: theirs, or theirs with other values where nothing booked rests on
        them, which is one more entry; left out, it is taken from them.

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
        entries, surfaces = tuple(journal.entries()), journal.surfaces()
    found = replace(
        _as_it_was(path, meta) if asked is None else asked, path=path, entries=entries,
        surfaces=surfaces, bags=records_of(meta, str(path)))
    return found if asked is None else _on_with(path, SiteFile.of(meta), found)


def _as_it_was(path: Path, meta: Mapping[str, str]) -> Earlier:
    """Return the site that books hold."""
    file = SiteFile.of(meta)
    if not file.text:
        msg = f'{path} does not hold the site file it was opened with: name it with --site'
        raise BooksError(msg)
    site = site_from_text(file.text, f'{file.name} in {path}')
    return Earlier(file.name, LoadedSite(site, file.text, file.digest))


def _on_with(path: Path, theirs: SiteFile, found: Earlier) -> Earlier:
    """Return books to go on from with a site file, which may have been changed."""
    asked = SiteFile(found.site_name, found.loaded.digest, found.loaded.text)
    changes = check_site(
        str(path), theirs, asked, 'name other books, or leave out --site to go on with theirs')
    if changes is None:
        return replace(found, site_name=theirs.name)
    entry = site_entry(found.entries, theirs, asked, changes)
    return found if entry is None else replace(
        found, entries=(*found.entries, entry), site_entry=entry)
