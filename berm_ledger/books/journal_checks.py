# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What a file must show before it is taken for whole books; what is left of damaged ones."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
import shlex
from typing import Any, Protocol

from .entries import Entry, KIND_RANK
from .journal_rows import (
    APPLICATION_ID,
    entries_from_rows,
    EntryRow,
    FIRST_VERSION,
    SCHEMA,
    SCHEMA_VERSION,
)
from ..errors import BooksError
from ..wording import counted

ADVICE = {
    'full': 'free some space on the disk',
    'I/O': 'free some space on the disk, or look whether it fails',
    'locked': 'close the other program that writes to it',
    'readonly': 'make file and folder writable',
    'unable to open': 'see that you may read it, or copy it, and the files -wal and -shm beside '
                      'it, to a writable folder',
}
SALVAGE = 'python3 -m berm_ledger.books.salvage'
# The check of the whole file leaves out the rules of the tables where it may only read.
ODD_ENTRY = (
    "SELECT seq FROM entries WHERE typeof(stamp_ns) <> 'integer' OR typeof(kind) <> 'text' "
    "OR typeof(data) <> 'text' OR typeof(berm) NOT IN ('text', 'null') "
    "OR typeof(segment) NOT IN ('integer', 'null') LIMIT 1")


class Cursor(Protocol):
    """What is asked of the answer to a query."""

    def fetchone(self) -> Any:
        """Return the next row."""

    def __iter__(self) -> Iterator[Any]:
        """Go through the rows."""


class Database(Protocol):
    """What is asked of a database connection."""

    def execute(self, query: str, values: tuple[str, ...] = ..., /) -> Cursor:
        """Run a query."""


def set_up(db: Database, meta: Mapping[str, str]) -> None:
    """Make the tables of new books, and note whose they are."""
    db.execute('PRAGMA page_size = 4096')
    db.execute(f'PRAGMA application_id = {APPLICATION_ID}')
    db.execute(f'PRAGMA user_version = {FIRST_VERSION}')
    db.execute('BEGIN')
    for statement in SCHEMA:
        db.execute(statement)
    for item in sorted(meta.items()):
        db.execute('INSERT INTO meta VALUES (?, ?)', item)
    db.execute('COMMIT')
    db.execute('PRAGMA journal_mode = WAL')


def has_content(stamp: tuple[int, int, int, int] | None) -> bool:
    """Tell whether a file of this device, number, size and time of change is more than a name."""
    return stamp is not None and stamp[2] > 0


def check_log(path: str, *, has_content: bool) -> None:
    """Raise BooksError where a log lies without its file: new books would be mixed with it."""
    if has_content:
        raise BooksError(
            f'{path} is gone, but its log, of that name and -wal, is there and holds what was '
            f'booked last: put the file back beside it, or move the log away to begin new books')


def check_one_name(path: str, names: int) -> None:
    """Raise BooksError for a file of several names: writers under each have a log of their own."""
    # Damages it: sqlite.org/howtocorrupt.html, 'Multiple links to the same file'.
    if names > 1:
        raise BooksError(
            f'{path} has {names} names (hard links), and writing would change the books under all '
            f'of them: make it a file of its own, by a copy under a new name')


def check_owner(name: str, db: Database) -> None:
    """Raise BooksError for a file of another program or of a later version of this one."""
    if db.execute('PRAGMA application_id').fetchone()[0] != APPLICATION_ID:
        msg = f'{name} is a database of another program, not of berm_ledger: name a books file'
        raise BooksError(msg)
    version = db.execute('PRAGMA user_version').fetchone()[0]
    if version > SCHEMA_VERSION:
        msg = (f'{name} was written by a newer berm_ledger (schema {version}, this one knows '
               f'{SCHEMA_VERSION}): use that one')
        raise BooksError(msg)


def first_fault(db: Database, file_bytes: int | None) -> str:
    """
    Return what is wrong with the inside of a file.

    Parameters
    ----------
    db : Database
        Connection to it.
    file_bytes : int or None
        Its size; None where pages may be in the log only, which makes the file itself shorter.

    Returns
    -------
    str
        The first fault; empty when the file is sound.

    """
    verdict = str(db.execute('PRAGMA quick_check(1)').fetchone()[0])
    if verdict != 'ok':
        return verdict.splitlines()[-1]
    made = db.execute('SELECT sql FROM sqlite_master WHERE sql IS NOT NULL')
    if {row[0] for row in made} != set(SCHEMA):
        return 'its tables are not those of books'
    size = (db.execute('PRAGMA page_size').fetchone()[0]
            * db.execute('PRAGMA page_count').fetchone()[0])
    if file_bytes not in (None, size):
        return f'{file_bytes} bytes long instead of {size}'
    odd = db.execute(ODD_ENTRY).fetchone()
    if odd is not None:
        return f'entry {odd[0]} is not of the right types'
    count, last = db.execute('SELECT count(*), coalesce(max(seq), 0) FROM entries').fetchone()
    if count == last:
        return ''
    return f'{counted(count, "entry", "entries")}, but the last is number {last}'


def with_advice(error: str) -> str:
    """Return what database or system say is wrong, and what to do about it where that is known."""
    advice = next((text for word, text in ADVICE.items() if word in error), '')
    return f'{error}; {advice}' if advice else error


def refusal_text(path: str, quoted_path: str, fault: str, readable: int) -> str:
    """Say what is wrong with a damaged file, what is left of it and how to save it."""
    if fault == 'file is not a database':
        return f'{path} is not a books file: name one'
    some = 'entry 1' if readable == 1 else f'entries 1 to {readable}'
    saved = 'nothing can be read of it' if readable == 0 else (
        f'{some} can be read; to save them: {SALVAGE} {quoted_path} NEW_FILE')
    return f'{path} is damaged or cut short ({fault}) and was left as it is; {saved}'


def entries_of(path: str, rows: Sequence[EntryRow]) -> list[Entry]:
    """Return the entries of rows of a file; where one makes no sense, say how to save the rest."""
    try:
        return entries_from_rows(rows)
    except BooksError as exc:
        before = rows[0][0] - 1
        readable = before + len(sound_entries(rows, before))
        text = refusal_text(path, shlex.quote(path), str(exc), readable)
        raise BooksError(text) from exc


def sound_entries(rows: Iterable[EntryRow], before: int = 0) -> list[Entry]:
    """Return the entries of rows after so many up to the first missing or that makes no sense."""
    found: list[Entry] = []
    for row in rows:
        if row[0] != before + len(found) + 1 or type(row[1]) is not int or row[2] not in KIND_RANK:
            break
        try:
            found += entries_from_rows([row])
        except BooksError:
            break
    return found
