# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""``berm-ledger report``: exit codes, files, and one line for whatever is wrong."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
import json
from pathlib import Path
import resource
import sys

from berm_ledger.books import Entry
from berm_ledger.books.journal import Journal
from berm_ledger.site_source import load_site
from cli_kit import Outcome, SITE
import pytest

Call = Callable[..., Outcome]
SEGMENTS = 6


def books_of(path: Path, at_grade: float) -> Path:
    """Write books whose segments all have this share at grade."""
    loaded = load_site(SITE)
    reading = {
        'height_m': 0.16, 'height_se_m': 0.001, 'low_m': 0.15, 'high_m': 0.17, 'coverage': 1.0,
        'at_grade': at_grade, 'line_offset_m': 0.0, 'placed_m3': 0.017, 'placed_se_m3': 0.0001,
        'missing_m3': 0.0, 'over_m3': 0.0, 'spilled_m3': 0.0}
    with Journal.create(path, loaded.digest, 'site.yaml', loaded.text) as journal:
        journal.append([
            Entry(1, 10**9, 'datum', data={
                'source': 'survey', 'seen_fraction': 1.0, 'filled_fraction': 0.0,
                'targets': [0.16] * SEGMENTS, 'volumes': [0.017] * SEGMENTS}),
            *[Entry(n + 1, 2 * 10**9, 'reading', 'windward', n, reading)
              for n in range(1, SEGMENTS + 1)]])
    return path


@pytest.fixture
def drawn() -> None:
    """Skip where nothing can be drawn."""
    pytest.importorskip('matplotlib', reason='needs matplotlib, from the extra replay')


@pytest.mark.usefixtures('drawn')
@pytest.mark.parametrize(('at_grade', 'code', 'verdict'), [
    (1.0, 0, 'meets the specification: windward: segments 1-6 at grade'),
    (0.5, 1, 'does not meet the specification: windward: segments 1-6 not at grade'),
])
def test_exit_code_is_the_verdict(
        call: Call, tmp_path: Path, at_grade: float, code: int, verdict: str) -> None:
    books = books_of(tmp_path / 'day.sqlite', at_grade)
    (tmp_path / 'out').mkdir()
    done = call('report', books, '--out', 'out/report.html')
    assert (done.code, done.err) == (code, '')
    assert done.out.startswith(verdict)
    named = done.out.splitlines()[-1].partition(': ')[2].split(', ')
    assert sorted(named) == sorted(path.name for path in (tmp_path / 'out').iterdir())
    assert {'report.html', 'report-plan-1.png', 'segments.csv', 'events.csv',
            'summary.json'} <= set(named)
    summary = json.loads((tmp_path / 'out' / 'summary.json').read_text(encoding='utf-8'))
    assert summary['accepted'] is (code == 0)


@pytest.mark.usefixtures('drawn')
def test_report_of_a_replay_stands_beside_its_tables(call: Call, replayed: Path) -> None:
    before = {path.name: path.read_bytes() for path in replayed.iterdir()}
    done = call('report', replayed, '--out', replayed / 'report.html')
    assert (done.code, done.err) == (1, '')
    after = {path.name: path.read_bytes() for path in replayed.iterdir()}
    # Books and tables are as the replay left them.
    assert {name: data for name, data in after.items() if name in before} == before
    assert 'report-long-section-1.png' in after


@contextmanager
def no_room_beyond(most_bytes: int) -> Iterator[None]:
    """Limit the size of files: the system then refuses to write, as on a full disk."""
    unlimited = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, unlimited[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, unlimited)


@pytest.mark.usefixtures('drawn')
def test_a_disk_that_is_full_half_way_leaves_what_was_there(call: Call, tmp_path: Path) -> None:
    books = books_of(tmp_path / 'books.sqlite', 0.5)
    (tmp_path / 'out').mkdir()
    assert call('report', books, '--out', 'out/report.html').code == 1
    before = {path.name: path.read_bytes() for path in (tmp_path / 'out').iterdir()}
    sizes = sorted(map(len, before.values()))
    other = books_of(tmp_path / 'other.sqlite', 1.0)
    with no_room_beyond(sizes[-1] - 20_000):  # too little for the page, enough for all else
        complaint = call('report', other, '--out', 'out/report.html').complaint
    assert complaint.startswith('out/report.html: File too large; name a file')
    with no_room_beyond(sizes[-2] - 5_000):  # nor for the largest picture, in a new folder
        (tmp_path / 'new').mkdir()
        assert 'File too large' in call('report', other, '--out', 'new/report.html').complaint
    assert {path.name: path.read_bytes() for path in (tmp_path / 'out').iterdir()} == before
    assert list((tmp_path / 'new').iterdir()) == []


@pytest.mark.usefixtures('drawn')
def test_a_picture_whose_name_a_folder_has_is_said_before_anything_is_written(
        call: Call, tmp_path: Path) -> None:
    books = books_of(tmp_path / 'books.sqlite', 1.0)
    (tmp_path / 'out' / 'report-plan-1.png').mkdir(parents=True)
    complaint = call('report', books, '--out', 'out/report.html').complaint
    assert complaint == 'out/report-plan-1.png is a folder: name a file'
    assert [path.name for path in (tmp_path / 'out').iterdir()] == ['report-plan-1.png']


@pytest.mark.usefixtures('drawn')
def test_pictures_of_somebody_else_are_not_told_as_written(call: Call, tmp_path: Path) -> None:
    books = books_of(tmp_path / 'books.sqlite', 1.0)
    (tmp_path / 'report-photo.png').write_bytes(b'photo')
    done = call('report', books, '--out', 'report.html')
    assert 'report-plan-1.png' in done.out
    assert 'report-photo.png' not in done.out
    assert (tmp_path / 'report-photo.png').read_bytes() == b'photo'


@pytest.mark.parametrize(('out', 'text'), [
    ('report', 'report does not end in .html: name a file for the report, such as report.html'),
    ('nowhere/report.html', 'there is no folder nowhere'),
    ('folder.html', 'folder.html is a folder: name a file'),
])
@pytest.mark.usefixtures('drawn')
def test_output_that_cannot_be_is_one_line(
        call: Call, tmp_path: Path, out: str, text: str) -> None:
    books = books_of(tmp_path / 'books.sqlite', 1.0)
    (tmp_path / 'folder.html').mkdir()
    assert text in call('report', books, '--out', out).complaint
    assert sorted(p.name for p in tmp_path.iterdir()) == ['books.sqlite', 'folder.html']


@pytest.mark.usefixtures('drawn')
def test_file_that_is_no_books_is_one_line(call: Call, tmp_path: Path) -> None:
    assert 'does not exist' in call('report', 'none.sqlite', '--out', 'report.html').complaint
    assert list(tmp_path.iterdir()) == []


def test_missing_matplotlib_is_one_line_that_names_the_extra(
        call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    books = books_of(tmp_path / 'books.sqlite', 1.0)
    for name in [*sys.modules]:
        if name.split('.')[0] == 'matplotlib' or name.startswith('berm_ledger.offline.report'):
            monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, 'matplotlib', None)
    complaint = call('report', books, '--out', 'report.html').complaint
    assert complaint == ('the report needs the package matplotlib, which is not installed: '
                         'pip install "berm_ledger[replay]"')
    assert [path.name for path in tmp_path.iterdir()] == ['books.sqlite']
