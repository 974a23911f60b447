# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A books file as values: the site it was opened with, its entries, and what they come to."""

from __future__ import annotations

from dataclasses import dataclass
import os
from pathlib import Path

from ..books import Books, Entry, fold
from ..books.journal import Journal
from ..books.layers import profiles_from
from ..books.site_check import SiteFile
from ..borrow.account import account_of
from ..design import Site
from ..design.site_file import site_from_text
from ..errors import BooksError, naming_books
from ..site_source import LoadedSite
from ..survey.snapshot import NamedSurface
from ..targeting.loads import with_loads

BOOKS_NAME = 'books.sqlite'


@dataclass(frozen=True, eq=False)
class OpenedBooks:
    """
    What one books file holds.

    Parameters
    ----------
    site : Site
        The site, from the text kept in the file.
    books : Books
        The books after all entries, with the loads still called for.
    entries : tuple of Entry
        All of them, in the order of booking.
    surfaces : tuple of NamedSurface
        Layers kept with them.
    site_file : SiteFile
        The site file, as it was when the books were opened last to go on with.

    """

    site: Site
    books: Books
    entries: tuple[Entry, ...]
    surfaces: tuple[NamedSurface, ...]
    site_file: SiteFile


def books_path(path: str | os.PathLike[str]) -> Path:
    """Return the books file that is meant: a file, or the one in a folder."""
    named = Path(path)
    return named / BOOKS_NAME if named.is_dir() else named


def open_books(
    path: str | os.PathLike[str], *, loaded: LoadedSite | None = None
) -> OpenedBooks:
    """
    Read a books file, also one that a ledger is writing.

    Parameters
    ----------
    path : path
        The file, or the folder that holds it under the name ``books.sqlite``.
    loaded : LoadedSite, optional
        A site that was read before; it need not be read again if it is that of the books.

    Returns
    -------
    OpenedBooks
        All it holds.

    Raises
    ------
    BooksError
        No usable books.

    """
    path = books_path(path)
    with Journal.read(path) as journal:
        file = SiteFile.of(journal.meta)
        entries, surfaces = tuple(journal.entries()), journal.surfaces()
    if not file.text:
        msg = f'{path} does not hold the site file it was opened with, so it cannot be shown'
        raise BooksError(msg)
    if loaded is not None and (loaded.digest, loaded.text) == (file.digest, file.text):
        site = loaded.site
    else:
        site = site_from_text(file.text, f'{file.name} in {path}')
    with naming_books(path):
        folded = fold(site, entries)
        # Asked for later by some only: whatever is wrong in there, books are usable or not.
        account_of(entries)
    books = with_loads(folded, profiles_from(site, surfaces))
    return OpenedBooks(site, books, entries, surfaces, file)
