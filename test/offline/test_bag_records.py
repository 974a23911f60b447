# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What is noted of a bag: times, messages and a digest that anybody can compute."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
import hashlib
from pathlib import Path

from bags_kit import raw_bag, small_bag, START_NS, STEP_NS
from berm_ledger.errors import BooksError, UsageError
from berm_ledger.offline.bag_records import BagReader, BagRecord, LARGE, notes_of, records_of
from berm_ledger.offline.bag_types import blank_message
from berm_ledger.offline.bags import open_bag
import pytest


def by_hand(rows: list[tuple[str, int, bytes]]) -> str:
    """Return the digest as the module tells it, by the standard library alone."""
    lines = [f'{role} {bag_ns} {hashlib.sha256(data).hexdigest()}\n'
             for role, bag_ns, data in rows]
    return hashlib.sha256(''.join(lines).encode()).hexdigest()


def test_digest_is_in_the_order_of_reading_whatever_the_size() -> None:
    rows = [('pose' if n % 3 else 'elevation', 5 * n, bytes([n]) * (LARGE if n % 2 else 7))
            for n in range(40)]
    with ThreadPoolExecutor(1) as pool:
        reader = BagReader(pool)
        for row in rows:
            reader.add(*row)
        assert reader.record() == BagRecord(0, 195, 40, by_hand(rows))


def test_nothing_read_is_no_record() -> None:
    with ThreadPoolExecutor(1) as pool:
        assert BagReader(pool).record() is None


def test_notes_come_back_in_order_and_go_on_in_number() -> None:
    records = [BagRecord(n, n + 1, 2, f'{n:064x}') for n in range(12)]
    notes = {**notes_of(records[:5]), **notes_of(records[5:], earlier=5), 'site_name': 'a'}
    assert records_of(notes, 'b') == tuple(records)
    assert 'bag_1' in notes


@pytest.mark.parametrize('text', ['', '[]', '{}', '{"first_ns": "x"}', 'null'])
def test_notes_that_make_no_sense_are_refused(text: str) -> None:
    with pytest.raises(BooksError, match='books: the note bag_1 on a bag makes no sense'):
        records_of({'bag_1': text}, 'books')


def read(*paths: Path) -> tuple[BagRecord, ...]:
    with open_bag(paths) as stream:
        assert list(stream)
        return stream.records()


@pytest.mark.parametrize('options', [
    {'storage': 'sqlite3'}, {'storage': 'sqlite3', 'compression': 'message'},
    {'compression': 'file'}, {'compression': 'message'}], ids=str)
def test_record_does_not_depend_on_how_the_bag_is_kept(
        tmp_path: Path, options: dict[str, str]) -> None:
    assert read(small_bag(tmp_path / 'b', side=200, **options)) == read(
        small_bag(tmp_path / 'a', side=200))


def test_every_bag_has_its_own_record_in_the_order_of_time(tmp_path: Path) -> None:
    late, early = small_bag(tmp_path / 'a', 6, first=6), small_bag(tmp_path / 'b', 6)
    assert read(late, early) == read(early) + read(late)
    assert read(early)[0].first_ns == START_NS
    assert read(early)[0].last_ns == START_NS + 5 * STEP_NS


def test_one_message_more_or_other_is_another_digest(tmp_path: Path) -> None:
    found = {read(small_bag(tmp_path / str(n), count, side=side))[0].sha256
             for n, (count, side) in enumerate([(6, 4), (7, 4), (6, 5)])}
    assert len(found) == 3


def test_messages_that_are_alike_in_two_bags_are_no_copies(tmp_path: Path) -> None:
    # A dump of the same mass at another time is another dump.
    mass = blank_message('std_msgs/msg/Float32')
    one = small_bag(tmp_path / 'a', 3)
    two = raw_bag(tmp_path / 'b', [
        ('/dump', 'std_msgs/msg/Float32', START_NS + n, mass) for n in (1, 2)])
    with open_bag([one, two]) as stream:
        assert sum(event.role == 'dump' for event in stream) == 3


@pytest.mark.parametrize('form', [{}, {'storage': 'sqlite3'}, {'compression': 'message'}], ids=str)
def test_a_copy_in_any_form_is_told(tmp_path: Path, form: dict[str, str]) -> None:
    one, two = small_bag(tmp_path / 'a'), small_bag(tmp_path / 'b', **form)
    with open_bag([one, two]) as stream, pytest.raises(
            UsageError, match=r'a and .*b: the same message of /.* is there twice'):
        list(stream)
