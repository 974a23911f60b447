# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""``berm-ledger show``: the table and one account's history."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
import shutil
import sqlite3

from berm_ledger.books import Entry, Row
from berm_ledger.books.journal import Journal
from berm_ledger.commands.show import chosen_rows
from berm_ledger.errors import UsageError
from berm_ledger.site_source import load_site
from cli_kit import Outcome, ROOT, SITE
import pytest

Call = Callable[..., Outcome]


@pytest.fixture
def books(tmp_path: Path) -> Path:
    """Return a books file with a datum and one dump, made by hand."""
    loaded = load_site(SITE)
    path = tmp_path / 'books.sqlite'
    with Journal.create(path, loaded.digest, 'site.yaml', loaded.text) as journal:
        journal.append([
            Entry(1, 10**9, 'datum', data={
                'source': 'survey', 'seen_fraction': 1.0, 'filled_fraction': 0.0,
                'targets': [0.16] * 6, 'volumes': [0.017] * 6}),
            Entry(2, 2 * 10**9, 'dump', 'windward', 2, {
                'mass_kg': 7.5, 'x_m': 1.4, 'y_m': -0.5, 'yaw_rad': 0.0, 'station_m': 0.5,
                'offset_m': 0.01}),
            Entry(3, 3 * 10**9, 'reading', 'windward', 2, {
                'height_m': 0.054, 'height_se_m': 0.001, 'low_m': 0.02, 'high_m': 0.08,
                'coverage': 1.0, 'at_grade': 0.0, 'line_offset_m': 0.0, 'placed_m3': 0.0051,
                'placed_se_m3': 0.0001, 'missing_m3': 0.0119, 'over_m3': 0.0, 'spilled_m3': 0.0}),
        ])
    return path


def test_table_has_every_segment_and_what_is_left(call: Call, books: Path) -> None:
    done = call('show', books)
    assert (done.code, done.err) == (0, '')
    lines = [line.split() for line in done.out.splitlines()]
    rows = [line for line in lines if line and line[0].isdigit() and '-' in line[1]]
    assert [row[0] for row in rows] == ['1', '2', '3', '4', '5', '6']
    assert rows[1][2:4] == ['0.160', '0.054']
    assert rows[1][-1] == 'short'
    assert '1 dumped' in done.out


def test_folder_of_a_replay_will_do(call: Call, books: Path) -> None:
    assert call('show', books.parent).out == call('show', books).out


def test_history_of_a_segment_tells_of_its_dumps(call: Call, books: Path) -> None:
    done = call('show', books, '--segment', 2)
    assert (done.code, done.err) == (0, '')
    lines = [line.split() for line in done.out.splitlines()]
    kinds = [line[2] for line in lines if line[1:2] == ['s']]
    assert kinds == ['datum', 'dump', 'reading']
    other = call('show', books, '--segment', 1)
    assert 'datum' in other.out
    assert 'dump' not in other.out


def test_every_reading_of_a_replay_can_be_listed(call: Call, replayed: Path) -> None:
    short, long = (call('show', replayed, '--segment', 2, *more).out.splitlines()
                   for more in ((), ('--readings',)))
    assert len(long) > len(short)
    dumps = [line for line in short if ' dump ' in line]
    assert dumps
    assert dumps == [line for line in long if ' dump ' in line]


def test_reading_leaves_the_books_as_they_are(call: Call, books: Path) -> None:
    before = {path.name: path.read_bytes() for path in books.parent.iterdir()}
    call('show', books)
    call('show', books, '--segment', 1)
    assert {path.name: path.read_bytes() for path in books.parent.iterdir()} == before


@pytest.mark.parametrize(('arguments', 'text'), [
    (('--segment', '7'), 'no segment 7; segments are numbered 1 to 6'),
    (('--segment', '0'), 'no segment 0'),
    (('--berm', 'lee'), "no berm 'lee' in these books; there is: 'windward'"),
    (('--readings',), '--readings lists those of one segment: add --segment N'),
    (('--readings', '--berm', 'windward'), 'add --segment N'),
])
def test_account_that_is_none_is_one_line(
        call: Call, books: Path, arguments: tuple[str, ...], text: str) -> None:
    assert text in call('show', books, *arguments).complaint


def test_one_berm_is_shown_with_its_own_dumps_and_flags(call: Call, tmp_path: Path) -> None:
    loaded = load_site(ROOT / 'config' / 'two_berms_site.yaml')
    path = tmp_path / 'two.sqlite'
    lost = {'volume_m3': 0.002, 'volume_se_m3': 0.0001, 'station_from_m': 0.1,
            'station_to_m': 0.3, 'rework': True}
    with Journal.create(path, loaded.digest, 'two.yaml', loaded.text) as journal:
        journal.append([
            *(Entry(seq, seq * 10**9, 'dump', berm, 1, {
                'mass_kg': 8.0, 'x_m': 0.0, 'y_m': 0.0, 'yaw_rad': 0.0, 'station_m': 0.2,
                'offset_m': 0.0}) for seq, berm in enumerate(('shelter', 'shelter', 'kerb'), 1)),
            Entry(4, 4 * 10**9, 'disturbed', 'shelter', 1, lost)])
    head = {berm: call('show', path, '--berm', berm).out for berm in ('shelter', 'kerb')}
    assert '| 2 dumped | 1 flagged |' in head['shelter']
    assert '| 1 dumped | 0 flagged |' in head['kerb']
    assert 'REWORK' not in head['kerb']


def test_segment_of_several_berms_needs_the_berm() -> None:
    rows = [Row(berm, index, number, 0.0, 1.0, 0.2)
            for index, berm in enumerate(('lee', 'windward')) for number in (1, 2)]
    with pytest.raises(UsageError, match="add --berm NAME, one of: 'lee', 'windward'"):
        chosen_rows(rows, None, 1)
    assert chosen_rows(rows, 'windward', 1) == (rows[2],)
    assert chosen_rows(rows, 'lee', None) == tuple(rows[:2])
    assert chosen_rows(rows, None, None) == tuple(rows)


def test_file_that_is_no_books_is_one_line(call: Call, tmp_path: Path) -> None:
    assert 'does not exist' in call('show', tmp_path / 'none.sqlite').complaint
    assert 'books.sqlite does not exist' in call('show', tmp_path).complaint
    other = tmp_path / 'notes.txt'
    other.write_text('not a database at all, but some text', encoding='utf-8')
    assert 'notes.txt' in call('show', other).complaint
    assert sorted(path.name for path in tmp_path.iterdir()) == ['notes.txt']


def test_books_without_their_site_are_one_line(call: Call, tmp_path: Path) -> None:
    path = tmp_path / 'books.sqlite'
    Journal.create(path, 'digest', 'site.yaml').close()
    assert 'does not hold the site file' in call('show', path).complaint


@pytest.mark.parametrize(('change', 'text'), [
    ("kind = 'rise', data = '{}' WHERE seq = 3", 'entry 3 (rise) lacks the figures of its kind'),
    ('segment = 9 WHERE seq = 3', "segment 9 of berm 'windward', which the site does not have"),
    ("kind = 'cut', data = '{}' WHERE seq = 3", 'entry 3 (cut) lacks the figures of its kind'),
])
def test_books_changed_by_hand_are_named_by_every_command(
        call: Call, books: Path, change: str, text: str) -> None:
    whole = books.with_name('whole.sqlite')
    shutil.copy(books, whole)
    with sqlite3.connect(books) as db:
        db.execute(f'UPDATE entries SET {change}')
    db.close()
    for command in (('show', books), ('show', books, '--segment', 1), ('compare', whole, books),
                    ('report', books, '--out', 'page.html'),
                    ('plan', SITE, '--books', books, '--out', 'plan.csv')):
        said = call(*command).complaint
        assert said.startswith(f'{books}: ')
        assert text in said
        assert said.endswith('put a copy from before that in their place')
