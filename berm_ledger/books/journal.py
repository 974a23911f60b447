# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The journal: entries and surfaces in one SQLite file that survives whatever happens to the process.

One ``append`` is one transaction (write-ahead log, synchronous FULL): it is on the disk when the
call returns, or it is not there at all. One process writes; readers need no leave. What is in the
file depends on the entries alone: no clock, no version, no chance.

The right to write is an advisory lock on a file beside the books, as the database library gives up
its own locks when anything in the process closes the books. It goes with the process, however that
ends; the lock file that a killed process leaves does no harm.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
import contextlib
import fcntl
import os
from pathlib import Path
import shlex
import sqlite3
from types import TracebackType
from typing import Any
from urllib.parse import quote

from .entries import Entry
from .journal_checks import (
    check_log,
    check_one_name,
    check_owner,
    entries_of,
    first_fault,
    has_content,
    refusal_text,
    set_up,
    sound_entries,
    with_advice,
)
from .journal_rows import (
    ENTRY_COLUMNS,
    LATER_KINDS,
    row_from_entry,
    row_from_surface,
    SCHEMA_VERSION,
    SURFACE_COLUMNS,
    surface_from_row,
)
from .site_check import check_site, site_entry, SiteFile
from ..design.site_difference import Difference
from ..errors import BooksError
from ..survey.snapshot import NamedSurface

BUSY_S = 2.0
CHUNK = 500
# Books are only added to; more pages kept [kB] is memory that grows for hours, to no use.
CACHE_KB = 256


class Journal:
    """
    An open books file; made by ``open``, ``create`` or ``read``, not directly.

    ``meta`` holds site_name, site_digest and site_text as the books were opened last to go on
    with, and notes. ``last_seq`` is the number of the last entry, 0 for none. ``news`` says what
    ``open`` found to be another in the site file; mostly empty.
    """

    def __init__(self, path: Path, db: sqlite3.Connection, lock_fd: int | None) -> None:
        """Take over a connection that passed the checks, and the lock when writing."""
        self.path = path
        self._db = db
        self._lock_fd = lock_fd
        self.last_seq = int(db.execute('SELECT coalesce(max(seq), 0) FROM entries').fetchone()[0])
        self.meta: Mapping[str, str] = dict(db.execute('SELECT key, value FROM meta'))
        self.news = ''
        self._stamp = _stamp(path)
        self._log_stamp = _stamp(_beside(path, '-wal'))

    @classmethod
    def open(  # noqa: A003, RUF100
        cls, path: str | os.PathLike[str], site_digest: str, site_name: str,
        site_text: str = '', *, durable: bool = True,
    ) -> Journal:
        """
        Open books to go on with, or new ones where there is no file.

        Parameters
        ----------
        path : path
            The file.
        site_digest : str
            SHA-256 of the site file.
        site_name : str
            Name of the site file, for messages.
        site_text : str
            Text of the site file. Another one than in the books is gone on with, and that booked,
            unless something booked rests on what it says differently.
        durable : bool
            Whether ``append`` waits for the disk; a replay, which can be run again, need not.

        Returns
        -------
        Journal
            Ready to append; nobody else can open it so until it is closed.

        Raises
        ------
        BooksError
            No usable books of this site, or used by another ledger; the file is left untouched.

        """
        path, asked = Path(path).resolve(), SiteFile(site_name, site_digest, site_text)
        with contextlib.ExitStack() as undo:
            lock_fd = _take_lock(path)
            undo.callback(_release_lock, path, lock_fd)
            if not os.path.lexists(path):
                _create(path, asked.notes())
            with contextlib.closing(_checked(path)) as db, _translated(path, 'cannot be read'):
                theirs = SiteFile.of(dict(db.execute('SELECT key, value FROM meta')))
                check_one_name(str(path), path.stat().st_nlink)
            changes = check_site(str(path), theirs, asked, 'name another books file')
            with _translated(path, 'cannot be opened for writing'):
                db = _connect(path, 'mode=rw')
                undo.callback(db.close)
                if db.execute('PRAGMA journal_mode = WAL').fetchone()[0] != 'wal':
                    raise OSError('no write-ahead log can be kept on this file system')
                db.execute(f'PRAGMA synchronous = {"FULL" if durable else "NORMAL"}')
                db.execute(f'PRAGMA cache_size = -{CACHE_KB}')
                journal = cls(path, db, lock_fd)
            if changes is not None:
                journal._go_on_with(asked, changes)
            undo.pop_all()
        return journal

    @classmethod
    def create(
        cls, path: str | os.PathLike[str], site_digest: str, site_name: str,
        site_text: str = '', *, durable: bool = True,
    ) -> Journal:
        """Open new books, as ``open``; refuse a file that is there already."""
        if os.path.lexists(path):
            raise BooksError(f'{path} exists: name another file, or move it away first')
        return cls.open(path, site_digest, site_name, site_text, durable=durable)

    @classmethod
    def read(cls, path: str | os.PathLike[str]) -> Journal:
        """Open books to read as they are now, also while in use; leaves no files behind."""
        path = Path(path).resolve()
        db = _checked(path)
        try:
            with _translated(path, 'cannot be read'):
                db.execute('BEGIN')
                return cls(path, db, None)
        except BooksError:
            db.close()
            raise

    def append(
        self, entries: Sequence[Entry], surfaces: Sequence[NamedSurface] = (),
        notes: Mapping[str, str] | None = None,
    ) -> None:
        """
        Add entries, replace surfaces and notes: all of it, or nothing.

        Parameters
        ----------
        entries : sequence of Entry
            Numbered on from ``last_seq`` without a gap.
        surfaces : sequence of NamedSurface
            Each replaces the one of its name.
        notes : mapping, optional
            Text to keep in ``meta``.

        Raises
        ------
        BooksError
            Books open to read only, numbers that do not follow, a full disk, the file deleted or
            replaced. Nothing of these entries may be published then.

        """
        if self._lock_fd is None:
            raise BooksError(f'{self.path} was opened to read only, or closed')
        numbers = [entry.seq for entry in entries]
        if numbers != list(range(self.last_seq + 1, self.last_seq + 1 + len(numbers))):
            msg = f'{self.path}: entry {numbers[0]} and on do not follow entry {self.last_seq}'
            raise BooksError(msg)
        if not entries and not surfaces and not notes:
            return
        rows = [row_from_entry(entry) for entry in entries]
        layers = [row_from_surface(surface) for surface in surfaces]
        self._check_still_there()
        with _translated(self.path, 'cannot be written, nothing was booked'), _transaction(
                self._db):
            book = self._db.executemany
            book(f'INSERT INTO entries ({ENTRY_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?)', rows)
            book(
                f'INSERT OR REPLACE INTO surfaces ({SURFACE_COLUMNS}) '
                'VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)', layers)
            book('INSERT OR REPLACE INTO meta VALUES (?, ?)', sorted((notes or {}).items()))
            if any(entry.kind in LATER_KINDS for entry in entries):
                self._db.execute(f'PRAGMA user_version = {SCHEMA_VERSION}')
        self.last_seq += len(rows)
        self.meta = {**self.meta, **(notes or {})}
        self._check_still_there()

    def entries(self, start_seq: int = 0) -> Iterator[Entry]:
        """Yield the entries from number ``start_seq`` on, in the order of their numbers."""
        query = f'SELECT {ENTRY_COLUMNS} FROM entries WHERE seq >= ? ORDER BY seq'
        with _translated(self.path, 'cannot be read'):
            cursor = self._db.execute(query, (start_seq,))
            while rows := cursor.fetchmany(CHUNK):
                yield from entries_of(str(self.path), rows)
        self._check_still_there()

    def surfaces(self) -> tuple[NamedSurface, ...]:
        """Return the surfaces, in the order of their names."""
        with _translated(self.path, 'cannot be read'):
            query = f'SELECT {SURFACE_COLUMNS} FROM surfaces ORDER BY name'
            rows = self._db.execute(query).fetchall()
        self._check_still_there()
        return tuple(surface_from_row(row) for row in rows)

    def close(self) -> None:
        """Close the file; a second call does nothing."""
        lock_fd, self._lock_fd = self._lock_fd, None
        with contextlib.suppress(sqlite3.Error):
            self._db.close()
        if lock_fd is not None:
            _release_lock(self.path, lock_fd)

    def __enter__(self) -> Journal:
        """Return the journal itself."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close the file."""
        self.close()

    def _go_on_with(self, asked: SiteFile, changes: Sequence[Difference]) -> None:
        """Book that the site file was changed, and note it as it is now, in one transaction."""
        entry = site_entry(tuple(self.entries()), SiteFile.of(self.meta), asked, changes)
        self.append(() if entry is None else (entry,), (), asked.notes())
        self.news = '' if entry is None else f'the site file was changed: {entry.data["text"]}'

    def _check_still_there(self) -> None:
        """Refuse to go on with files that are not the ones that were opened."""
        writing = self._lock_fd is not None
        now, log_now = _stamp(self.path), _stamp(_beside(self.path, '-wal'))
        if now is None or self._stamp is None or now[:2] != self._stamp[:2] or (
                writing and self._log_stamp is not None
                and (log_now is None or log_now[:2] != self._log_stamp[:2])):
            msg = (f'{self.path}, or its -wal file, was deleted or replaced while in use: stop, '
                   f'look where it went, and start again')
            raise BooksError(msg)
        # Without a log to speak of the file was opened as one that nobody writes.
        if not writing and not has_content(self._log_stamp) and now != self._stamp:
            msg = f'{self.path} was written while it was being read: do it again'
            raise BooksError(msg)


def connect_to_read(path: str | os.PathLike[str]) -> sqlite3.Connection:
    """Connect to read; where no log tells of a writer, in the way that makes no files."""
    path = Path(path).resolve()
    with _translated(path, 'cannot be read'):
        if not path.is_file() or path.stat().st_size == 0:
            what = ('is empty' if path.is_file() else 'is not a file' if path.exists()
                    else 'does not exist')
            msg = f'{path} {what}: name a books file'
            raise BooksError(msg)
        in_log = has_content(_stamp(_beside(path, '-wal')))
        return _connect(path, 'mode=ro' if in_log else 'mode=ro&immutable=1')


def readable_rows(db: sqlite3.Connection, query: str) -> Iterator[Any]:
    """Yield rows of a damaged file until the first that cannot be read."""
    with contextlib.suppress(sqlite3.Error, UnicodeError):
        # Lets a file be read that is shorter than its first page says.
        db.execute('PRAGMA writable_schema = ON')
        yield from db.execute(query)


def readable_entries(db: sqlite3.Connection) -> list[Entry]:
    """Return the entries up to the first that is missing or cannot be read."""
    return sound_entries(readable_rows(db, f'SELECT {ENTRY_COLUMNS} FROM entries ORDER BY seq'))


def _beside(path: Path, ending: str) -> Path:
    """Return the path of a file that goes with the books."""
    return path.with_name(path.name + ending)


def _stamp(path: Path | int) -> tuple[int, int, int, int] | None:
    """Return device, number, size and time of change of a file; None for none."""
    try:
        stat = os.stat(path)
    except OSError:
        return None
    return (stat.st_dev, stat.st_ino, stat.st_size, stat.st_mtime_ns)


def _take_lock(path: Path) -> int:
    """Take the right to write books, at once or not at all; return the locked file."""
    lock = _beside(path, '-lock')
    while True:
        try:
            fd = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o644)
        except OSError as exc:
            msg = (f'{path}: cannot write in its folder ({exc.strerror}): name a books file in a '
                   f'folder that exists and can be written')
            raise BooksError(msg) from exc
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as exc:
            os.close(fd)
            msg = (f'{path} is in use by another ledger: stop that one first, or name another '
                   f'books file')
            raise BooksError(msg) from exc
        # The one who held it may have removed it meanwhile.
        if (_stamp(lock) or ())[:2] == (_stamp(fd) or ())[:2]:
            return fd
        os.close(fd)


def _release_lock(path: Path, fd: int) -> None:
    """Remove the lock file, if it still is ours, and let go."""
    lock = _beside(path, '-lock')
    if (_stamp(lock) or ())[:2] == (_stamp(fd) or ())[:2]:
        with contextlib.suppress(OSError):
            lock.unlink()
    os.close(fd)


def _connect(path: Path, options: str) -> sqlite3.Connection:
    """Connect, without implicit transactions and for whichever thread the node spins in."""
    return sqlite3.connect(
        f'file:{quote(os.fsencode(path))}?{options}', uri=True, timeout=BUSY_S,
        isolation_level=None, check_same_thread=False)


@contextlib.contextmanager
def _translated(path: Path, what: str) -> Iterator[None]:
    """Turn the errors of database and system into one clear line."""
    try:
        yield
    except (sqlite3.Error, OSError, UnicodeError) as exc:
        raise BooksError(f'{path} {what}: {with_advice(str(exc))}') from exc


@contextlib.contextmanager
def _transaction(db: sqlite3.Connection) -> Iterator[None]:
    """Commit at the end, or leave the file as it was."""
    db.execute('BEGIN IMMEDIATE')
    try:
        yield
        db.execute('COMMIT')
    except BaseException:
        with contextlib.suppress(sqlite3.Error):
            db.execute('ROLLBACK')
        raise


def _create(path: Path, meta: Mapping[str, str]) -> None:
    """Make an empty books file under another name and move it into place when it is whole."""
    check_log(str(path), has_content=has_content(_stamp(_beside(path, '-wal'))))
    new = _beside(path, '-opening')
    with _translated(path, 'cannot be created'):
        new.unlink(missing_ok=True)
        with contextlib.closing(_connect(new, 'mode=rwc')) as db:
            set_up(db, meta)
        new.rename(path)
        folder_fd = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder_fd)
        finally:
            os.close(folder_fd)


def _checked(path: Path) -> sqlite3.Connection:
    """Return a connection to read, to a file that passed all checks but that of the site."""
    with contextlib.ExitStack() as undo, _translated(path, 'cannot be read'):
        db = connect_to_read(path)
        undo.callback(db.close)
        in_log = has_content(_stamp(_beside(path, '-wal')))
        try:
            check_owner(str(path), db)
            fault = first_fault(db, None if in_log else path.stat().st_size)
        except sqlite3.OperationalError:
            raise
        except (sqlite3.DatabaseError, UnicodeError) as exc:
            fault = str(exc)
        if fault:
            raise BooksError(refusal_text(
                str(path), shlex.quote(str(path)), fault, len(readable_entries(db))))
        undo.pop_all()
    return db
