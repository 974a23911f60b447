# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Whether books go on with a site file, and the entry that says so where it was changed.

Books are of a design, not of the bytes of a file. A value on which nothing booked rests may be
another from now on; that is a fact like any other, and booked.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass

from .entries import booked_until_ns, Entry
from ..design.site_difference import Difference, differences, listed
from ..errors import BooksError, SiteFileError

NOTHING = 'comments, order or spelling: no value is another'


@dataclass(frozen=True)
class SiteFile:
    """
    A site file as books keep it.

    Parameters
    ----------
    name : str
        Name of the file, for messages.
    digest : str
        SHA-256 of its bytes, 64 hexadecimal digits.
    text : str
        Its text; empty where it is not kept.

    """

    name: str
    digest: str
    text: str

    @classmethod
    def of(cls, meta: Mapping[str, str]) -> SiteFile:
        """Return the one that is noted in books."""
        return cls(meta.get('site_name', 'site file'), meta.get('site_digest', ''),
                   meta.get('site_text', ''))

    def notes(self) -> dict[str, str]:
        """Return what books note of it."""
        return {'site_name': self.name, 'site_digest': self.digest, 'site_text': self.text}


def check_site(
    path: str, theirs: SiteFile, asked: SiteFile, otherwise: str
) -> tuple[Difference, ...] | None:
    """
    Tell whether books go on with a site file.

    Parameters
    ----------
    path : str
        Name of the books file, for messages.
    theirs : SiteFile
        The site file of the books.
    asked : SiteFile
        The one to go on with.
    otherwise : str
        What else the user can do, for messages.

    Returns
    -------
    tuple of Difference or None
        What it says differently, none of which what is booked rests on; None for the very file.

    Raises
    ------
    BooksError
        Books of another site, or whose site file cannot be told from it.

    """
    if theirs.digest == asked.digest:
        return None
    whose = f'{path} {whose_books(theirs.name, asked.name)}'
    try:
        found = differences(theirs.text, theirs.name, asked.text, asked.name)
    except SiteFileError as exc:
        what = f'cannot be read any more ({exc.faults[0]})' if theirs.text else 'is not there'
        msg = (f'{whose}: the text of that file, which they should hold as site_text in their '
               f'table meta, {what}, so it cannot be told what was changed: use the very file '
               f'they were opened with, or {otherwise}')
        raise BooksError(msg) from exc
    fixed = [difference for difference in found if difference.fixed]
    if fixed:
        msg = (f'{whose}: {listed(fixed)}; what is booked rests on that: put it back (the text of '
               f'their site file is there as site_text in their table meta), or {otherwise}')
        raise BooksError(msg)
    return found


def site_entry(
    entries: Sequence[Entry], theirs: SiteFile, asked: SiteFile, found: Sequence[Difference]
) -> Entry | None:
    """
    Return the entry that books go on with a changed site file.

    Parameters
    ----------
    entries : sequence of Entry
        All that is booked.
    theirs, asked : SiteFile
        The file up to now, and that from now on.
    found : sequence of Difference
        What it says differently.

    Returns
    -------
    Entry or None
        Follows the last entry, and bears the newest stamp of what is booked, of refusals alone
        the oldest; None where nothing was booked by the former file.

    """
    if not entries:
        return None
    stamp_ns = booked_until_ns(entries)
    if stamp_ns is None:
        stamp_ns = min(entry.stamp_ns for entry in entries)
    return Entry(entries[-1].seq + 1, stamp_ns, 'site', None, None, {
        'text': listed(found, 'before', 'from now on') or NOTHING,
        'changes': [{name: value for name, value in asdict(difference).items()
                     if name != 'fixed'} for difference in found],
        'site_name': asked.name, 'site_digest': asked.digest, 'former_name': theirs.name,
        'former_digest': theirs.digest, 'former_text': theirs.text})


def whose_books(theirs: str, asked: str) -> str:
    """
    Say why books are not those of a site file.

    Examples
    --------
    >>> whose_books('west.yaml', 'east.yaml')
    "holds the books of another site ('west.yaml'), not those of 'east.yaml'"
    >>> whose_books('west.yaml', 'west.yaml')
    "holds the books of another site, or of 'west.yaml' before it was changed"

    """
    if theirs == asked:
        return f'holds the books of another site, or of {asked!r} before it was changed'
    return f'holds the books of another site ({theirs!r}), not those of {asked!r}'
