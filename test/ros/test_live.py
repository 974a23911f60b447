# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Nothing is shown that is not on the disk, and what could not be written is not lost."""

from types import SimpleNamespace

from berm_ledger.books import Entry
from berm_ledger.books.journal import Journal
from berm_ledger.errors import BooksError
from berm_ledger.geometry import Lattice
from berm_ledger.ros import live as live_module
from berm_ledger.ros.live import LiveBooks
from berm_ledger.survey.snapshot import NamedSurface
import numpy as np
import pytest


def update(*seqs, surfaces=()):
    entries = tuple(Entry(seq, seq, 'hold', data={'text': str(seq)}) for seq in seqs)
    return SimpleNamespace(entries=entries, surfaces=surfaces)


def surface(stamp_ns):
    return NamedSurface(
        'datum_m', stamp_ns, Lattice(0.0, 0.0, 1.0, 2, 2), np.full((2, 2), float(stamp_ns)))


@pytest.fixture
def path(tmp_path):
    return tmp_path / 'books.sqlite'


@pytest.fixture
def live(path):
    books = LiveBooks(None, Journal.open(path, 'd' * 64, 'site.yaml'))
    yield books
    books.close()


@pytest.fixture
def disk(live, monkeypatch):
    """Switch the disk off and on."""
    append = live.journal.append
    state = SimpleNamespace(full=False)

    def guarded(entries, surfaces=()):
        if state.full:
            text = 'disk full'
            raise BooksError(text)
        append(entries, surfaces)

    monkeypatch.setattr(live.journal, 'append', guarded)
    return state


def test_what_book_returns_is_on_the_disk(live, path):
    written = live.book(update(1, 2, surfaces=(surface(5),)))

    assert [entry.seq for entry in written] == [1, 2]
    with Journal.read(path) as other:
        assert [entry.seq for entry in other.entries()] == [1, 2]
        assert [kept.stamp_ns for kept in other.surfaces()] == [5]


def test_an_update_without_entries_is_nothing_to_write(live):
    assert live.book(update()) == ()


def test_what_could_not_be_written_is_written_later_in_order(live, disk, path):
    disk.full = True
    assert live.book(update(1, surfaces=(surface(5),))) is None
    assert live.book(update(2, surfaces=(surface(6),))) is None
    assert (live.fault, live.waiting) == ('disk full', 2)

    disk.full = False
    written = live.book(update(3))

    assert [entry.seq for entry in written] == [1, 2, 3]
    assert (live.fault, live.waiting) == ('', 0)
    with Journal.read(path) as other:
        assert [entry.seq for entry in other.entries()] == [1, 2, 3]
        assert [kept.stamp_ns for kept in other.surfaces()] == [6]


def test_what_waits_is_bounded(live, disk, monkeypatch):
    monkeypatch.setattr(live_module, 'MAX_WAITING', 2)
    disk.full = True
    live.book(update(1))
    assert not live.full
    live.book(update(2))
    assert live.full

    disk.full = False
    assert len(live.flush()) == 2
    assert not live.full


def test_a_file_replaced_after_the_write_is_not_written_twice(live, path):
    live.book(update(1))
    path.rename(path.with_name('moved.sqlite'))

    assert live.book(update(2)) is None
    assert 'deleted or replaced' in live.fault


def test_close_writes_what_waits(live, disk, path):
    disk.full = True
    live.book(update(1))
    disk.full = False
    live.close()

    with Journal.read(path) as other:
        assert [entry.seq for entry in other.entries()] == [1]


def test_close_tells_what_is_lost_as_it_could_not_be_written(live, disk):
    assert live.close() == ''
    disk.full = True
    live.book(SimpleNamespace(entries=(
        Entry(1, 1, 'hold'), Entry(2, 2, 'dump', data={}), Entry(3, 3, 'dump', data={})),
        surfaces=()))
    assert live.close() == (
        'disk full; entries lost: 3, dumps among them: 2, whose soil will be unbooked_fill')
