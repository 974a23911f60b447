# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Files that are there whole or not at all, the tables of a books file, and the progress line."""

from __future__ import annotations

import errno
import json
import os
from pathlib import Path
import resource
import stat

from berm_ledger.books import Entry
from berm_ledger.books.journal import Journal
from berm_ledger.commands.replay import share_done
from berm_ledger.errors import BooksError, UsageError
from berm_ledger.offline.fresh import fresh_folder, write_whole
from berm_ledger.offline.outputs import OUTPUT_NAMES, write_outputs
from berm_ledger.offline.progress import Progress
from berm_ledger.site_source import load_site
import pytest

SITE = Path(__file__).resolve().parents[2] / 'config' / 'shelter_site.yaml'


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


@pytest.mark.parametrize('out', ['new', 'deep/er/new'])
def test_new_folder_appears_at_the_end_with_the_usual_rights(tmp_path: Path, out: str) -> None:
    with fresh_folder(tmp_path / out, ['a']) as folder:
        (folder / 'a').write_text('1', encoding='utf-8')
        assert not (tmp_path / out).exists()
        assert folder.parent == tmp_path  # the same file system as the output
    assert names(tmp_path / out) == ['a']
    assert names(tmp_path) == [Path(out).parts[0]]
    (tmp_path / 'plain').mkdir()
    modes = {stat.S_IMODE(os.stat(tmp_path / name).st_mode) for name in (out, 'plain')}
    assert len(modes) == 1


def test_folder_that_is_there_gets_the_files_and_keeps_its_own(tmp_path: Path) -> None:
    (tmp_path / 'mine').write_text('mine', encoding='utf-8')
    with fresh_folder(tmp_path, ['a']) as folder:
        (folder / 'a').write_text('1', encoding='utf-8')
        assert folder.parent == tmp_path
    assert names(tmp_path) == ['a', 'mine']


@pytest.mark.parametrize('out', ['.', 'new', 'deep/er/new'])
@pytest.mark.parametrize('exc', [ZeroDivisionError, KeyboardInterrupt])
def test_error_leaves_nothing(tmp_path: Path, out: str, exc: type[BaseException]) -> None:
    def fail() -> None:
        with fresh_folder(tmp_path / out, ['a']) as folder:
            (folder / 'a').write_text('1', encoding='utf-8')
            raise exc

    with pytest.raises(exc):
        fail()
    assert names(tmp_path) == []


def test_of_two_at_once_the_one_that_ends_first_keeps_its_files(tmp_path: Path) -> None:
    def fill(folder: Path, text: str) -> None:
        (folder / 'a').write_text(text, encoding='utf-8')

    def both() -> None:
        with fresh_folder(tmp_path / 'out', ['a']) as slow:
            fill(slow, 'slow')
            with fresh_folder(tmp_path / 'other', ['a']) as quick:
                fill(quick, 'quick')
            (tmp_path / 'other').rename(tmp_path / 'out')

    with pytest.raises(UsageError, match='out already holds a: name another folder'):
        both()
    assert (tmp_path / 'out' / 'a').read_text(encoding='utf-8') == 'quick'
    assert names(tmp_path) == ['out']


def test_folder_in_use_is_refused_before_anything_is_made(tmp_path: Path) -> None:
    (tmp_path / 'b').write_text('old', encoding='utf-8')
    with pytest.raises(UsageError, match='already holds b: name another folder'):
        with fresh_folder(tmp_path, ['a', 'b']):
            pytest.fail('must not be entered')
    with pytest.raises(UsageError, match='b is a file: name a folder'):
        with fresh_folder(tmp_path / 'b', ['a']):
            pytest.fail('must not be entered')
    assert names(tmp_path) == ['b']


def test_text_replaces_the_file_at_once_and_keeps_its_line_ends(tmp_path: Path) -> None:
    path = tmp_path / 'a.csv'
    path.write_text('old', encoding='utf-8')
    write_whole(path, 'ä\nb\n')
    assert path.read_bytes() == b'\xc3\xa4\nb\n'
    assert names(tmp_path) == ['a.csv']


def test_a_file_for_which_there_is_no_room_is_named(tmp_path: Path) -> None:
    """A limit on the size of files makes the system refuse to write, as a full disk does."""
    path = tmp_path / 'a.csv'
    write_whole(path, 'old')
    unlimited = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (4, unlimited[1]))
    try:
        with pytest.raises(OSError, match='File too large') as caught:
            write_whole(path, 'newer')
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, unlimited)
    assert caught.value.filename == str(path)
    assert (path.read_text(encoding='utf-8'), names(tmp_path)) == ('old', ['a.csv'])


def test_where_nothing_can_be_removed_either_the_file_itself_is_named(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """So it is on a disk that is mounted to be read only."""
    def refused(path: Path, *_: object, **__: object) -> int:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS), str(path))

    for name in ('open', 'write_bytes', 'unlink'):
        monkeypatch.setattr(Path, name, refused)
    with pytest.raises(OSError, match='Read-only file system') as caught:
        write_whole(tmp_path / 'a.csv', 'new')
    assert caught.value.filename == str(tmp_path / 'a.csv')


def books_file(path: Path) -> Path:
    loaded = load_site(SITE)
    with Journal.create(path, loaded.digest, 'site.yaml', loaded.text) as journal:
        journal.append([
            Entry(1, 10**9, 'refused', data={'code': 'no_pose', 'text': 'no pose', 'count': 2}),
            Entry(2, 2 * 10**9, 'dump', 'windward', 1, {'mass_kg': None, 'x_m': 1.2, 'y_m': -1.0,
                                                        'yaw_rad': 0.0})])
    return path


def test_outputs_are_made_from_the_books_alone(tmp_path: Path) -> None:
    path = books_file(tmp_path / 'books.sqlite')
    summary = write_outputs(path, tmp_path)
    assert names(tmp_path) == sorted(OUTPUT_NAMES)
    assert json.loads((tmp_path / 'summary.json').read_text(encoding='utf-8')) == summary
    assert (summary['accepted'], summary['dumps']) == (False, 1)
    events = (tmp_path / 'events.csv').read_text(encoding='utf-8').splitlines()
    assert [line.split(',')[:2] for line in events[1:]] == [
        ['1.000000000', 'refused'], ['2.000000000', 'dump']]
    rows = (tmp_path / 'segments.csv').read_text(encoding='utf-8').splitlines()
    assert len(rows) == 1 + 6
    assert ',UNSEEN,' in rows[1]


def test_outputs_can_be_written_again_while_a_ledger_writes(tmp_path: Path) -> None:
    path = books_file(tmp_path / 'books.sqlite')
    first = write_outputs(path, tmp_path)
    loaded = load_site(SITE)
    with Journal.open(path, loaded.digest, 'site.yaml') as journal:
        assert write_outputs(path, tmp_path) == first
        journal.append([Entry(3, 3 * 10**9, 'dump', 'windward', 1, {'mass_kg': 7.0})])
        assert write_outputs(path, tmp_path)['dumps'] == 2


def test_no_outputs_without_books(tmp_path: Path) -> None:
    with pytest.raises(BooksError, match='does not exist'):
        write_outputs(tmp_path / 'books.sqlite', tmp_path)
    assert names(tmp_path) == []


class Screen:
    """A stream that remembers what it showed."""

    def __init__(self, terminal: bool) -> None:
        self.terminal = terminal
        self.text = ''

    def isatty(self) -> bool:
        return self.terminal

    def write(self, text: str, /) -> None:
        self.text += text

    def flush(self) -> None:
        pass


def test_progress_is_shown_now_and_again_and_wiped() -> None:
    times = iter([0.0, 0.1, 10.0, 10.0, 10.1, 20.0, 20.0])
    screen = Screen(True)
    with Progress(screen, lambda: next(times)) as progress:
        for count in (1, 1000, 1001, 1500):
            progress.update(count, count / 2000)
    lines = screen.text.split('\r')
    assert lines[1] == ' 50 %, 1000 messages, 100 per second, 10 s left'
    assert lines[2].rstrip() == ' 75 %, 1500 messages, 75 per second, 7 s left'
    assert lines[3].strip() == lines[4] == ''


def test_progress_is_for_terminals_only() -> None:
    screen = Screen(False)
    with Progress(screen, lambda: 0.0) as progress:
        progress.update(10, 0.5)
    assert screen.text == ''


class Span:
    """A stream of so many nanoseconds."""

    def __init__(self, start_ns: int, end_ns: int) -> None:
        self.start_ns, self.end_ns = start_ns, end_ns


def test_share_done_goes_by_the_time_of_recording() -> None:
    assert share_done(Span(100, 300), 150) == 0.25  # type: ignore[arg-type]
    # A bag that is cut off does not know its end.
    assert share_done(Span(100, 2**63 - 2), 150) is None  # type: ignore[arg-type]
    assert share_done(Span(100, 100), 100) is None  # type: ignore[arg-type]
