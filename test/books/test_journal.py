# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The journal loses nothing, lets in nothing foreign, and says so in one clear line."""

from collections.abc import Iterator
from dataclasses import replace
import json
import os
from pathlib import Path
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import tracemalloc
from typing import Any
import zlib

from berm_ledger.books import Entry, fold
from berm_ledger.books.journal import _connect, Journal
from berm_ledger.books.journal_checks import with_advice
from berm_ledger.books.journal_rows import APPLICATION_ID, SCHEMA_VERSION
from berm_ledger.books.salvage import main as salvage_main
from berm_ledger.errors import BooksError
from berm_ledger.geometry import Lattice
from berm_ledger.survey.snapshot import NamedSurface
from books_kit import a_build, a_site, assert_books_equal, numbered, reading
import numpy as np
import pytest

SITE = ('digest-1', 'yard.yaml', 'format: 1\n')
ROOT = Path(__file__).resolve().parents[2]
LATTICE = Lattice(-1.0, 2.0, 0.015, 3, 4)
BUILD = a_build()


def layer(name: str = 'surface_m', fill: float = 0.1) -> NamedSurface:
    values = np.full((3, 4), fill, dtype=np.float32)
    values[1, 2] = np.nan
    return NamedSurface(name, 7, LATTICE, values)


def readings(count: int) -> list[Entry]:
    return numbered(*[('reading', 'west arc', 1 + i % 6, reading()) for i in range(count)])


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / 'books.sqlite'


@pytest.fixture
def written(path: Path) -> Path:
    with Journal.open(path, *SITE) as journal:
        journal.append(BUILD, [layer()])
    return path


def contents(path: Path) -> bytes:
    return path.read_bytes()


def names(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


def run(script: str, *arguments: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, '-c', script, *map(str, arguments)]
    return subprocess.run(
        command, cwd=ROOT, capture_output=True, text=True, check=False, timeout=60)


def test_what_was_appended_comes_back(written: Path) -> None:
    with Journal.open(written, *SITE) as journal:
        assert list(journal.entries()) == BUILD
        assert list(journal.entries(20)) == BUILD[19:]
        assert journal.last_seq == len(BUILD)
        assert journal.meta == {
            'site_digest': SITE[0], 'site_name': SITE[1], 'site_text': SITE[2]}


def test_closed_books_are_one_file(written: Path) -> None:
    assert names(written.parent) == ['books.sqlite']
    assert written.stat().st_mode & 0o133 == 0


def test_books_are_readable_with_plain_sql(written: Path) -> None:
    with sqlite3.connect(written) as db:
        row = db.execute('SELECT seq, stamp_ns, kind, berm, segment, data FROM entries '
                         "WHERE kind = 'dump' ORDER BY seq").fetchone()
        mode = db.execute('PRAGMA journal_mode').fetchone()[0]
    db.close()
    assert row[:5] == (3, BUILD[2].stamp_ns, 'dump', 'west arc', 2)
    assert json.loads(row[5])['mass_kg'] == 7.4
    assert mode == 'wal'


def test_append_waits_for_the_disk_unless_told_otherwise(path: Path) -> None:
    with Journal.open(path, *SITE) as journal:
        assert journal._db.execute('PRAGMA synchronous').fetchone() == (2,)
    with Journal.open(path, *SITE, durable=False) as journal:
        assert journal._db.execute('PRAGMA synchronous').fetchone() == (1,)


@pytest.mark.parametrize('dtype', ['float32', 'float64', 'bool', 'uint8', 'int16', '>f4'])
def test_surfaces_come_back_and_a_newer_one_replaces_the_older(path: Path, dtype: str) -> None:
    values = np.arange(12).reshape(3, 4).astype(dtype)
    with Journal.open(path, *SITE) as journal:
        journal.append((), [NamedSurface('b', 1, LATTICE, values), layer('a', 0.1)])
        journal.append((), [layer('a', 0.2)])
    with Journal.read(path) as journal:
        first, second = journal.surfaces()
    assert (first.name, first.stamp_ns, first.lattice) == ('a', 7, LATTICE)
    np.testing.assert_array_equal(first.values, layer('a', 0.2).values)
    np.testing.assert_array_equal(second.values, values)
    assert second.values.dtype == np.dtype(dtype).newbyteorder('<')
    assert not second.values.flags.writeable


def test_same_entries_make_the_same_file(tmp_path: Path) -> None:
    for name in 'ab':
        with Journal.open(tmp_path / name, *SITE) as journal:
            for entry in BUILD:
                journal.append([entry], [layer(fill=float(entry.seq))])
    dumps = []
    for name in 'ab':
        db = sqlite3.connect(tmp_path / name)
        dumps.append('\n'.join(db.iterdump()))
        db.close()
    assert dumps[0] == dumps[1]
    assert contents(tmp_path / 'a') == contents(tmp_path / 'b')


def test_books_resumed_from_the_journal_at_any_point_are_equal(path: Path) -> None:
    site = a_site()
    for entry in BUILD:
        with Journal.open(path, *SITE) as journal:
            journal.append([entry])
            assert_books_equal(fold(site, journal.entries()), fold(site, BUILD[:entry.seq]))


@pytest.mark.parametrize('change', [
    {'data': {'x': float('nan')}}, {'data': {'x': float('inf')}}, {'data': {'x': {1, 2}}},
    {'berm': 'a\0b'}, {'stamp_ns': 2 ** 63}, {'kind': '\ud800'},
])
def test_entry_that_books_cannot_hold_is_refused(written: Path, change: dict) -> None:
    bad = replace(Entry(len(BUILD) + 2, 0, 'hold', data={'text': 'x'}), **change)
    good = Entry(len(BUILD) + 1, 0, 'hold', data={'text': 'x'})
    with Journal.open(written, *SITE) as journal:
        with pytest.raises(BooksError, match=r'cannot hold|can hold'):
            journal.append([good, bad])
        assert list(journal.entries()) == BUILD


@pytest.mark.parametrize('numbers', [[1], [len(BUILD)], [len(BUILD) + 2],
                                     [len(BUILD) + 1, len(BUILD) + 1]])
def test_numbers_must_follow(written: Path, numbers: list[int]) -> None:
    entries = [Entry(seq, 0, 'hold', data={'text': ''}) for seq in numbers]
    with Journal.open(written, *SITE) as journal:
        with pytest.raises(BooksError, match='do not follow entry 22'):
            journal.append(entries)
        assert list(journal.entries()) == BUILD


def test_surface_of_a_type_that_books_do_not_keep_is_refused(path: Path) -> None:
    odd = NamedSurface('odd', 1, LATTICE, np.zeros((3, 4), dtype=complex))
    with Journal.open(path, *SITE) as journal:
        with pytest.raises(BooksError, match='do not keep'):
            journal.append(BUILD, [odd])
        assert list(journal.entries()) == []


def test_create_refuses_a_file_that_is_there(written: Path) -> None:
    with pytest.raises(BooksError, match='exists: name another file'):
        Journal.create(written, *SITE)


def test_read_only_books_take_no_entry(written: Path) -> None:
    with Journal.read(written) as journal:
        with pytest.raises(BooksError, match='read only'):
            journal.append([Entry(23, 0, 'hold')])


# ---- two at a time


def test_second_writer_is_refused_in_this_and_in_another_process(path: Path) -> None:
    script = (
        'import sys\n'
        'from berm_ledger.books.journal import Journal\n'
        'from berm_ledger.errors import BooksError\n'
        'try:\n    Journal.open(sys.argv[1], "digest-1", "yard.yaml")\n'
        'except BooksError as exc:\n    print(exc)\n')
    with Journal.open(path, *SITE) as journal:
        with pytest.raises(BooksError, match='in use by another ledger'):
            Journal.open(path, *SITE)
        assert 'in use by another ledger: stop that one first' in run(script, path).stdout
        journal.append(BUILD)
    with Journal.open(path, *SITE) as journal:
        assert list(journal.entries()) == BUILD


def test_second_name_of_the_file_does_not_get_round_the_lock(written: Path) -> None:
    other = written.with_name('other.sqlite')
    other.symlink_to(written)
    with Journal.open(written, *SITE):
        with pytest.raises(BooksError, match='in use by another ledger'):
            Journal.open(other, *SITE)


def test_books_under_a_second_name_are_read_and_not_written(written: Path) -> None:
    """Two writers by two names have two locks and two logs: sqlite.org/howtocorrupt.html, 2.5."""
    other = written.with_name('other.sqlite')
    other.hardlink_to(written)
    before = written.read_bytes()
    for path in (written, other):
        with pytest.raises(BooksError, match=r'has 2 names .* make it a file of its own'):
            Journal.open(path, *SITE)
    assert written.read_bytes() == before
    assert names(written.parent) == ['books.sqlite', 'other.sqlite']
    with Journal.read(other) as journal:
        assert list(journal.entries()) == BUILD
    other.unlink()
    with Journal.open(written, *SITE) as journal:
        assert list(journal.entries()) == BUILD


def test_books_can_be_read_while_they_are_written(path: Path) -> None:
    script = (
        'import sys\n'
        'from berm_ledger.books.journal import Journal\n'
        'with Journal.read(sys.argv[1]) as journal:\n'
        '    print(len(list(journal.entries())), len(journal.surfaces()))\n')
    with Journal.open(path, *SITE) as journal:
        journal.append(BUILD[:5], [layer()])
        with Journal.read(path) as reader:
            journal.append(BUILD[5:9], [layer(fill=0.2), layer('other_m')])
            # All that one reader reads is of the moment when it opened the file.
            assert list(reader.entries()) == BUILD[:5]
            assert [s.values[0, 0] for s in reader.surfaces()] == [np.float32(0.1)]
        assert run(script, path).stdout.split() == ['9', '2']
        journal.append(BUILD[9:])
        assert list(journal.entries()) == BUILD
    assert names(path.parent) == ['books.sqlite']


def test_reader_leaves_nothing_behind_and_works_in_a_folder_it_cannot_write(written: Path) -> None:
    before = written.stat()
    with Journal.read(written) as journal:
        assert names(written.parent) == ['books.sqlite']
        assert list(journal.entries()) == BUILD
    assert names(written.parent) == ['books.sqlite']
    assert written.stat() == before or written.stat().st_mtime_ns == before.st_mtime_ns


def test_reader_notices_a_ledger_that_starts_to_write(written: Path) -> None:
    with Journal.read(written) as reader:
        entries = reader.entries()
        next(entries)
        with Journal.open(written, *SITE) as journal:
            journal.append([Entry(23, 0, 'hold')])
        with pytest.raises(BooksError, match='was written while it was being read'):
            list(entries)


def test_entries_that_another_program_slipped_in_are_noticed(written: Path) -> None:
    with Journal.open(written, *SITE) as journal:
        db = sqlite3.connect(written)
        db.execute("INSERT INTO entries VALUES (24, 0, 'hold', NULL, NULL, '{}')")
        db.commit()
        db.close()
        with pytest.raises(BooksError, match='nothing was booked: UNIQUE'):
            journal.append([Entry(23, 0, 'hold'), Entry(24, 0, 'resume')])
        assert [entry.seq for entry in journal.entries(22)] == [22, 24]
        # The failed attempt holds up nobody.
        db = sqlite3.connect(written, timeout=0.0)
        db.execute('DELETE FROM entries WHERE seq = 24')
        db.commit()
        db.close()
        journal.append([Entry(23, 0, 'hold'), Entry(24, 0, 'resume')])
        assert journal.last_seq == 24


# ---- what is not whole or not ours is refused and left as it is


def foreign_database(path: Path) -> None:
    db = sqlite3.connect(path)
    db.execute('CREATE TABLE entries (seq INTEGER PRIMARY KEY, x TEXT)')
    db.commit()
    db.close()


def newer_schema(path: Path) -> None:
    Journal.open(path, *SITE).close()
    db = sqlite3.connect(path)
    db.execute(f'PRAGMA user_version = {SCHEMA_VERSION + 1}')
    db.close()


def other_tables(path: Path) -> None:
    db = sqlite3.connect(path)
    db.execute(f'PRAGMA application_id = {APPLICATION_ID}')
    db.execute('PRAGMA user_version = 1')
    db.execute('CREATE TABLE entries (seq INTEGER PRIMARY KEY, x TEXT)')
    db.commit()
    db.close()


def gap(path: Path) -> None:
    with Journal.open(path, *SITE) as journal:
        journal.append(BUILD)
    db = sqlite3.connect(path)
    db.execute('DELETE FROM entries WHERE seq = 4')
    db.commit()
    db.close()


def wrong_type(path: Path) -> None:
    with Journal.open(path, *SITE) as journal:
        journal.append(BUILD)
    db = sqlite3.connect(path)
    db.execute('PRAGMA ignore_check_constraints = ON')
    db.execute("UPDATE entries SET stamp_ns = 'soon' WHERE seq = 4")
    db.commit()
    db.close()


@pytest.mark.parametrize(('make', 'text'), [
    (lambda p: p.write_text('stations and offsets\n' * 200), 'is not a books file: name one'),
    (lambda p: p.write_bytes(b'SQLite format 3\0' + bytes(30)), 'is not a books file: name one'),
    (lambda p: p.write_bytes(b''), 'is empty: name a books file'),
    (lambda p: p.mkdir(), 'is not a file'),
    (foreign_database, 'a database of another program.*: name a books file'),
    (newer_schema, r'newer berm_ledger \(schema 3, this one knows 2\)'),
    (other_tables, 'its tables are not those of books'),
    (gap, r'21 entries, but the last is number 22.*entries 1 to 3 can be read'),
    (wrong_type, r'\(entry 4 is not of the right types\).*entries 1 to 3 can be read'),
], ids=['text', 'stub', 'empty', 'folder', 'foreign', 'newer', 'tables', 'gap', 'type'])
@pytest.mark.parametrize('open_it', [lambda p: Journal.open(p, *SITE), Journal.read],
                         ids=['open', 'read'])
def test_what_is_not_ours_is_refused_and_left_alone(path, make, text, open_it) -> None:
    make(path)
    before = path.is_file() and contents(path)
    with pytest.raises(BooksError, match=text) as caught:
        open_it(path)
    assert str(path) in str(caught.value)
    assert '\n' not in str(caught.value)
    assert (path.is_file() and contents(path)) == before
    assert names(path.parent) == ['books.sqlite']


def test_books_of_another_site_are_refused_and_left_alone(written: Path) -> None:
    before = contents(written)
    text = r"of another site \('yard.yaml'\), not those of 'b.yaml'"
    with pytest.raises(BooksError, match=text):
        Journal.open(written, 'digest-2', 'b.yaml')
    assert contents(written) == before
    Journal.open(written, *SITE).close()


def test_books_of_a_site_file_that_was_changed_since_say_so(written: Path) -> None:
    before = contents(written)
    text = r"or of 'yard.yaml' before it was changed: .* as site_text in their table"
    with pytest.raises(BooksError, match=text):
        Journal.open(written, 'digest-2', 'yard.yaml')
    assert contents(written) == before


def test_missing_books_cannot_be_read_and_are_not_made(path: Path) -> None:
    with pytest.raises(BooksError, match='does not exist'):
        Journal.read(path)
    assert names(path.parent) == []


def test_books_that_cannot_be_opened_may_be_those_of_somebody_else() -> None:
    """No more is said of a file that one may not read, as that of a ledger run by root."""
    assert 'see that you may read it, or copy it' in with_advice('unable to open database file')


@pytest.fixture(scope='module')
def long_books(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp('long') / 'books.sqlite'
    with Journal.open(path, *SITE) as journal:
        journal.append(readings(3000), [layer()])
    return path


@pytest.mark.parametrize('share', [0.02, 0.3, 0.7, 0.95, 'one page', 'one byte'])
def test_truncated_books_are_refused_with_what_can_be_saved(
        long_books: Path, path: Path, share: float | str) -> None:
    shutil.copy(long_books, path)
    size = path.stat().st_size
    keep = {'one page': size - 4096, 'one byte': size - 1}.get(share) or int(size * share)
    with path.open('r+b') as file:
        file.truncate(keep)
    before = contents(path)
    for open_it in (lambda: Journal.read(path), lambda: Journal.open(path, *SITE)):
        with pytest.raises(BooksError, match='damaged or cut short') as caught:
            open_it()
    assert contents(path) == before
    assert names(path.parent) == ['books.sqlite']
    new = path.with_name('saved.sqlite')
    code = salvage_main([str(path), str(new)])
    if 'nothing can be read' in str(caught.value):
        assert share == 0.02
        assert (code, new.exists()) == (2, False)
        return
    assert code == 0
    assert f'books.salvage {path} NEW_FILE' in str(caught.value)
    with Journal.open(new, *SITE) as journal:
        saved = list(journal.entries())
    assert f'entries 1 to {len(saved)} can be read' in str(caught.value)
    assert saved == readings(3000)[:len(saved)]
    assert isinstance(share, str) or len(saved) > 3000 * (share - 0.1)
    assert contents(path) == before


def test_page_overwritten_with_something_else_is_found(long_books: Path, path: Path) -> None:
    shutil.copy(long_books, path)
    page = 4096 * (path.stat().st_size // 4096 // 2)
    with path.open('r+b') as file:
        file.seek(page)
        file.write(bytes(range(256)) * 16)
    with pytest.raises(BooksError, match=r'entries 1 to 1\d\d\d can be read') as caught:
        Journal.read(path)
    assert '\n' not in str(caught.value)


def test_pages_that_changed_places_are_found(long_books: Path, path: Path) -> None:
    raw = contents(long_books)
    first = 4096 * (len(raw) // 4096 // 2)
    pages = [raw[start:start + 4096] for start in (first, first + 4096)]
    path.write_bytes(raw[:first] + pages[1] + pages[0] + raw[first + 8192:])
    with pytest.raises(BooksError, match='out of order'):
        Journal.read(path)


def test_salvage_runs_as_a_command(long_books: Path, tmp_path: Path) -> None:
    command = [sys.executable, '-m', 'berm_ledger.books.salvage', long_books, tmp_path / 'new']
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (0, f'3000 entries saved in {tmp_path / "new"}\n')
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert 'exists' in done.stderr
    done = subprocess.run(command[:3], cwd=ROOT, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr[:6]) == (2, 'usage:')


@pytest.mark.parametrize(('column', 'value', 'text'), [
    ('"rows"', 10 ** 9, 'claims 1000000000 x 4 cells'),
    ('cols', 5, 'does not hold the 60 bytes'),
    ('cols', 3, 'does not hold the 36 bytes'),
    ('dtype', '|O', "claims 3 x 4 cells of '|O'"),
    ('data', b'no zlib', 'is damaged'),
    ('cell_m', 0.0, 'claims'),
])
def test_damaged_surface_is_refused_without_taking_memory(written, column, value, text) -> None:
    db = sqlite3.connect(written)
    db.execute(f'UPDATE surfaces SET {column} = ?', (value,))
    db.commit()
    db.close()
    with Journal.read(written) as journal:
        with pytest.raises(BooksError, match=text.replace('|', r'\|')):
            journal.surfaces()


def test_surface_that_swells_is_refused_before_it_has_swollen(written: Path) -> None:
    db = sqlite3.connect(written)
    db.execute('UPDATE surfaces SET data = ?', (zlib.compress(bytes(50_000_000)),))
    db.commit()
    db.close()
    with Journal.read(written) as journal:
        tracemalloc.start()
        with pytest.raises(BooksError, match='does not hold the 48 bytes'):
            journal.surfaces()
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    assert peak < 5_000_000


@pytest.mark.parametrize(('data', 'text'), [
    ('{"x":NaN}', 'NaN is not JSON'), ('{"x":', 'are not JSON'), ('[1]', 'no JSON object'),
    ('{},{}', 'are not JSON'), ('[' * 100_000, 'are not JSON'),
])
def test_damaged_data_name_the_entry(written: Path, data: str, text: str) -> None:
    db = sqlite3.connect(written)
    db.execute('UPDATE entries SET data = ? WHERE seq = 4', (data,))
    db.commit()
    db.close()
    with Journal.read(written) as journal:
        with pytest.raises(BooksError, match=f'entry 4 .*{text}') as caught:
            list(journal.entries())
    assert str(caught.value).startswith(f'{written} is damaged')
    assert 'entries 1 to 3 can be read; to save them: python3 -m' in str(caught.value)


# ---- the file while it is in use


@pytest.mark.parametrize('name', ['books.sqlite', 'books.sqlite-wal'])
@pytest.mark.parametrize('what', ['deleted', 'replaced'])
def test_file_deleted_or_replaced_while_running_is_noticed(written, name, what) -> None:
    with Journal.open(written, *SITE) as journal:
        journal.append([Entry(23, 0, 'hold')])
        target = written.with_name(name)
        copy = shutil.copy(target, written.with_name('copy'))
        target.unlink()
        if what == 'replaced':
            os.rename(copy, target)
        with pytest.raises(BooksError, match='deleted or replaced while in use'):
            journal.append([Entry(24, 0, 'resume')])
        assert journal.last_seq == 23


def test_file_system_that_keeps_no_log_is_refused(
        written: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a log a reader would keep the ledger from writing; some network disks have none."""
    class WithoutLog:

        def __init__(self, *given: Any) -> None:
            self.db = _connect(*given)

        def __getattr__(self, name: str) -> Any:
            return getattr(self.db, name)

        def execute(self, query: str, *given: Any) -> sqlite3.Cursor:
            return self.db.execute(
                "SELECT 'delete'" if query.startswith('PRAGMA journal_mode') else query, *given)

    monkeypatch.setattr('berm_ledger.books.journal._connect', WithoutLog)
    with pytest.raises(BooksError, match='no write-ahead log can be kept on this file system'):
        Journal.open(written, *SITE)
    assert names(written.parent) == ['books.sqlite']


def test_log_without_its_file_is_not_mixed_with_new_books(written: Path) -> None:
    """Whoever deletes the file leaves its log, which holds what came last."""
    log = written.with_name('books.sqlite-wal')
    with Journal.open(written, *SITE) as journal:
        journal.append([Entry(23, 0, 'hold')])
        kept = written.read_bytes(), log.read_bytes()
    written.unlink()
    log.write_bytes(kept[1])
    with pytest.raises(BooksError, match='is gone, but its log, of that name and -wal, is there'):
        Journal.open(written, *SITE)
    assert names(written.parent) == ['books.sqlite-wal']
    written.write_bytes(kept[0])
    with Journal.open(written, *SITE) as journal:
        assert journal.last_seq == 23


def test_folder_that_does_not_exist(path: Path) -> None:
    with pytest.raises(BooksError, match=r'cannot write in its folder .*No such file'):
        Journal.open(path / 'books.sqlite', *SITE)


def test_folder_that_cannot_be_written() -> None:
    script = (
        'import os, sys, sqlite3\n'
        'from berm_ledger.books.journal import Journal\n'
        'from berm_ledger.errors import BooksError\n'
        'if os.geteuid() == 0:\n    os.setuid(65534)\n'
        'with Journal.read(sys.argv[1]) as journal:\n    print(len(list(journal.entries())))\n'
        'for name in sys.argv[1:]:\n'
        '    try:\n        Journal.open(name, "digest-1", "yard.yaml")\n'
        '    except BooksError as exc:\n        print(exc)\n')
    with tempfile.TemporaryDirectory() as name:
        books, new = Path(name, 'books.sqlite'), Path(name, 'new.sqlite')
        with Journal.open(books, *SITE) as journal:
            journal.append(BUILD)
        os.chmod(name, 0o555)
        done = run(script, books, new)
        found = names(Path(name))
        os.chmod(name, 0o755)
    assert done.stderr == ''
    lines = done.stdout.splitlines()
    assert lines[0] == str(len(BUILD))
    assert len(lines) == 3
    assert all('cannot write in its folder (Permission denied)' in line for line in lines[1:])
    assert found == ['books.sqlite']


def test_full_disk_books_nothing_and_the_next_try_may_work(path: Path) -> None:
    with Journal.open(path, *SITE) as journal:
        journal.append(readings(10))
        pages = journal._db.execute('PRAGMA page_count').fetchone()[0]
        journal._db.execute(f'PRAGMA max_page_count = {pages}')
        more = [replace(entry, seq=entry.seq + 10) for entry in readings(200)]
        with pytest.raises(BooksError, match=r'nothing was booked: .*full; free some space'):
            journal.append(more, [layer()])
        assert (journal.last_seq, len(list(journal.entries())), journal.surfaces()) == (10, 10, ())
        journal._db.execute('PRAGMA max_page_count = 100000')
        journal.append(more, [layer()])
        assert len(list(journal.entries())) == 210


def test_old_books_on_a_full_disk_say_what_to_do(written: Path) -> None:
    """There is no room for the file in which readers and writer share what is in the log."""
    unlimited = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (4096, unlimited[1]))
    try:
        with pytest.raises(BooksError, match=r'cannot be opened for writing: .*; free some space'):
            Journal.open(written, *SITE)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, unlimited)
    with Journal.open(written, *SITE) as journal:
        assert journal.last_seq == len(BUILD)


def limit_file_size() -> None:
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, 60_000))


def test_write_that_fails_half_way_books_nothing(path: Path) -> None:
    # A file size limit makes the system refuse in the middle of a write, as a full disk does.
    script = (
        'import sys\n'
        'sys.path.insert(0, sys.argv[2])\n'
        'from test_journal import limit_file_size, readings, SITE\n'
        'from berm_ledger.books.journal import Journal\n'
        'from berm_ledger.errors import BooksError\n'
        'limit_file_size()\n'
        'journal = Journal.open(sys.argv[1], *SITE)\n'
        'try:\n'
        '    for entry in readings(2000):\n        journal.append([entry])\n'
        'except BooksError as exc:\n    print(journal.last_seq, exc, flush=True)\n'
        'import os, signal\n'
        'os.kill(os.getpid(), signal.SIGKILL)\n')
    done = run(script, path, Path(__file__).parent)
    assert done.stderr == ''
    booked, text = done.stdout.split(maxsplit=1)
    assert 'cannot be written, nothing was booked' in text
    assert 1 < int(booked) < 2000
    with Journal.open(path, *SITE) as journal:
        assert list(journal.entries()) == readings(int(booked))
        assert journal._db.execute('PRAGMA integrity_check').fetchall() == [('ok',)]


KILLED = (
    'import sys\n'
    'sys.path.insert(0, sys.argv[2])\n'
    'from test_journal import layer, readings, SITE\n'
    'from berm_ledger.books.journal import Journal\n'
    'with Journal.open(sys.argv[1], *SITE) as journal:\n'
    '    for entry in readings(100000)[journal.last_seq:]:\n'
    '        journal.append([entry], [layer()])\n'
    '        print(entry.seq, flush=True)\n')


@pytest.fixture
def writer(path: Path) -> Iterator[subprocess.Popen[str]]:
    command = [sys.executable, '-c', KILLED, path, Path(__file__).parent]
    process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True)
    yield process
    process.kill()
    process.wait()
    process.stdout.close()


def test_kill_loses_nothing_that_was_said_to_be_booked(writer, path: Path) -> None:
    said = [int(writer.stdout.readline()) for _ in range(300)]
    writer.send_signal(signal.SIGKILL)
    said += [int(line) for line in writer.communicate()[0].split()]
    with Journal.read(path) as reader:
        assert len(list(reader.entries())) in (said[-1], said[-1] + 1)
    with Journal.open(path, *SITE) as journal:
        assert list(journal.entries()) == readings(journal.last_seq)
        assert journal.last_seq in (said[-1], said[-1] + 1)
        assert journal._db.execute('PRAGMA integrity_check').fetchall() == [('ok',)]
        journal.append([replace(readings(1)[0], seq=journal.last_seq + 1)])
    assert names(path.parent) == ['books.sqlite']


@pytest.mark.parametrize('left', ['books.sqlite-opening', 'books.sqlite-lock'])
def test_what_a_killed_start_leaves_does_no_harm(path: Path, left: str) -> None:
    path.with_name(left).write_bytes(b'half a file')
    with Journal.open(path, *SITE) as journal:
        journal.append(BUILD)
    assert names(path.parent) == ['books.sqlite']


def test_odd_file_names_are_just_names(tmp_path: Path) -> None:
    path = tmp_path / "it's 50% #1?mode=memory&x.sqlite"
    with Journal.open(path, *SITE) as journal:
        journal.append(BUILD)
    assert names(tmp_path) == [path.name]
    with Journal.read(path) as reader:
        assert list(reader.entries()) == BUILD
