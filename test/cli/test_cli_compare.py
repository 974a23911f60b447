# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""``berm-ledger compare``: the table of changes, and books that cannot be compared."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from berm_ledger.books.journal import Journal
from berm_ledger.site_source import load_site
from cli_kit import Outcome, ROOT
import pytest

Call = Callable[..., Outcome]


@pytest.fixture
def morning(replayed: Path, tmp_path: Path) -> Path:
    """Return the books of the replay as they stood before the last dump."""
    with Journal.read(replayed / 'books.sqlite') as whole:
        entries, meta = list(whole.entries()), whole.meta
        surfaces = whole.surfaces()
    last = max(entry.seq for entry in entries if entry.kind == 'dump')
    path = tmp_path / 'morning.sqlite'
    with Journal.create(
            path, meta['site_digest'], meta['site_name'], meta['site_text']) as part:
        part.append(entries[:last - 1], surfaces)
    return path


def test_changes_of_a_day_are_told_per_segment(
        call: Call, morning: Path, replayed: Path) -> None:
    done = call('compare', morning, replayed)
    assert (done.code, done.err) == (0, '')
    lines = done.out.splitlines()
    assert max(map(len, lines)) <= 100
    rows = [line.split() for line in lines if line[:4].strip().isdigit()]
    assert [row[0] for row in rows] == ['1', '2', '3', '4', '5', '6']
    assert 'loads dumped: 2 > 3' in done.out
    assert any('*' in line for line in lines[4:])
    assert 'note' not in done.out


def test_books_have_not_changed_against_themselves(call: Call, replayed: Path) -> None:
    done = call('compare', replayed, replayed / 'books.sqlite')
    assert done.code == 0
    assert '0 of 6 segments changed by more than errors explain' in done.out


def test_order_of_time_is_minded(call: Call, morning: Path, replayed: Path) -> None:
    assert 'note: A is newer than B' in call('compare', replayed, morning).out


def test_books_of_another_site_are_one_line(call: Call, replayed: Path, tmp_path: Path) -> None:
    loaded = load_site(ROOT / 'config' / 'two_berms_site.yaml')
    other = tmp_path / 'other.sqlite'
    Journal.create(other, loaded.digest, 'two.yaml', loaded.text).close()
    assert call('compare', replayed, other).complaint == (
        "the books are of different sites (berms 'windward' and 'shelter', 'kerb'): compare "
        'books whose berms follow the same lines and are cut into the same segments')


def test_file_that_is_no_books_is_one_line(call: Call, replayed: Path, tmp_path: Path) -> None:
    assert 'does not exist' in call('compare', replayed, tmp_path / 'none.sqlite').complaint
