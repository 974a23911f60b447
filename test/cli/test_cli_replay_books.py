# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""``berm-ledger replay --books``: the next day's bag on top of the books there are."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
import hashlib
import json
import math
from pathlib import Path
import shutil
import sqlite3

from berm_ledger.books import Entry
from berm_ledger.books.booking import SEEN_NS
from berm_ledger.books.journal import Journal
from berm_ledger.geometry import StampedPose
from berm_ledger.offline.bag_records import records_of
from berm_ledger.offline.opened import open_books
from berm_ledger.simulation import SimEvent
from berm_ledger.survey import ElevationGrid
from cli_kit import LOADS, Outcome, SITE
import pytest
import yaml

pytest.importorskip('rosbags')

Call = Callable[..., Outcome]
DAY_NS = 86_400 * 10**9
QUIET_NS = 3 * 10**9
NIGHT_M = 0.010


def write(path: Path, events: Sequence[SimEvent], **options: str) -> Path:
    from berm_ledger.offline.bag_writer import write_bag
    write_bag(path, events, **options)
    return path


def half(events: Sequence[SimEvent]) -> int:
    """Return where a build can be cut: a while before the last load is dumped."""
    last_ns = max(event.stamp_ns for event in events if event.kind == 'dump')
    return next(at for at, event in enumerate(events) if event.stamp_ns > last_ns - QUIET_NS)


def later(event: SimEvent, by_ns: int) -> SimEvent:
    """Return a message of another day."""
    value = event.value
    if isinstance(value, StampedPose):
        value = StampedPose(value.stamp_ns + by_ns, value.frame_id, value.pose, value.std_xy_m,
                            value.std_yaw_rad)
    elif isinstance(value, ElevationGrid):
        value = replace(value, stamp_ns=value.stamp_ns + by_ns)
    return event._replace(stamp_ns=event.stamp_ns + by_ns, value=value)


def booked(out: Path, *bags: Path, site: Path | None = None, books: Path | None = None,
           start_s: float | None = None) -> Path:
    """Replay as the command does, but for the report, which takes most of the time."""
    from berm_ledger.offline.bags import BagOptions
    from berm_ledger.offline.replay import replay
    replay(bags, site, out, BagOptions(start_s=start_s), books_file=books)
    return out


@pytest.fixture(scope='session')
def first_bag(events: tuple[SimEvent, ...], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a bag of all loads but the last."""
    return write(tmp_path_factory.mktemp('bags') / 'first', events[:half(events)])


@pytest.fixture(scope='session')
def second_bag(events: tuple[SimEvent, ...], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a bag of the last load."""
    return write(tmp_path_factory.mktemp('bags') / 'second', events[half(events):])


@pytest.fixture(scope='session')
def first_books(first_bag: Path, site: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder that the replay of the first bag left."""
    return booked(tmp_path_factory.mktemp('first') / 'out', first_bag, site=site)


def frozen(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def continued(call: Call, books: Path, *bags: Path, site: Path | None = None,
              out: str = 'out') -> Outcome:
    """Run the command; what it refuses it refuses before the report."""
    where = [] if site is None else ['--site', site]
    return call('replay', *bags, '--books', books, *where, '--out', out)


# ---- going on ----------------------------------------------------------------------------------

def test_next_bag_goes_on_top_and_the_earlier_books_stay_as_they_are(
        call: Call, first_books: Path, second_bag: Path, site: Path) -> None:
    before = frozen(first_books)
    assert continued(call, first_books, second_bag, site=site).code == 0
    assert frozen(first_books) == before
    earlier, both = open_books(first_books), open_books(Path('out'))
    assert both.entries[:len(earlier.entries)] == earlier.entries
    assert len(both.entries) > len(earlier.entries)
    assert len(both.books.dumps) == LOADS
    with Journal.read('out/books.sqlite') as journal:
        records = records_of(journal.meta, 'books')
    assert len(records) == 2
    assert records[0].last_ns <= records[1].first_ns
    page = Path('out/report.html').read_text(encoding='utf-8').replace('<wbr>', '')
    assert all(record.sha256 in page for record in records)


def test_earlier_books_changed_by_hand_are_named(
        call: Call, first_books: Path, second_bag: Path, site: Path) -> None:
    shutil.copytree(first_books, 'changed')
    with sqlite3.connect('changed/books.sqlite') as db:
        db.execute("UPDATE entries SET data = '{}' WHERE kind = 'datum'")
    db.close()
    said = continued(call, Path('changed'), second_bag, site=site).complaint
    assert said.startswith('changed/books.sqlite: entry ')
    assert 'put a copy from before that in their place' in said
    assert not Path('out').exists()


def stated_errors(entries: Sequence[Entry]) -> dict[tuple[int, int], float]:
    """Return the standard error of the height of each reading, by segment and look."""
    return {(e.segment, e.stamp_ns): e.data['height_se_m'] for e in entries
            if e.kind == 'reading'}


def test_in_two_goes_the_books_are_those_of_one_go(
        first_books: Path, first_bag: Path, second_bag: Path, site: Path, tmp_path: Path) -> None:
    one = open_books(booked(tmp_path / 'one', first_bag, second_bag, site=site))
    two = open_books(booked(tmp_path / 'two', second_bag, site=site, books=first_books))
    count = len(open_books(first_books).entries)
    assert two.entries[:count] == one.entries[:count]
    for a, b in zip(one.books.dumps, two.books.dumps):
        assert (a.stamp_ns, a.berm, a.mass_kg) == (b.stamp_ns, b.berm, b.mass_kg)
        # Where the map lies is kept, but over night it may have moved: how sure it is is not.
        assert math.hypot(a.x_m - b.x_m, a.y_m - b.y_m) < NIGHT_M
    for a, b in zip(one.books.rows, two.books.rows):
        assert (a.state, a.dumps_made) == (b.state, b.dumps_made)
        # What is not kept is worth less than the errors stated, and those are the same.
        assert abs(a.height_m - b.height_m) <= 1.96 * math.hypot(a.height_se_m, b.height_se_m)
        assert abs(a.placed_m3 - b.placed_m3) <= 1.96 * math.hypot(
            a.placed_se_m3, b.placed_se_m3)
        # A segment in view is named by a reading or, where that is not due, with others as seen.
        assert abs(a.last_seen_ns - b.last_seen_ns) <= SEEN_NS
    # What is booked last of a segment may be of different looks: errors are held look by look.
    errors, others = (stated_errors(opened.entries[count:]) for opened in (one, two))
    both = errors.keys() & others.keys()
    assert len(both) > len(one.books.rows)
    for key in both:
        assert others[key] == pytest.approx(errors[key], rel=0.1)
    kinds = [[e.kind for e in opened.entries
              if e.kind not in ('reading', 'seen', 'load', 'map_shift')]
             for opened in (one, two)]
    assert kinds[0] == kinds[1]
    turns = [{dump.seq: turn for turn, dump in enumerate(opened.books.dumps)}
             for opened in (one, two)]
    rises = [[turn[e.data['dump_seq']] for e in opened.entries if e.kind == 'rise']
             for turn, opened in zip(turns, (one, two))]
    assert rises[0] == rises[1]


def test_a_night_between_refuses_nothing(
        first_books: Path, events: tuple[SimEvent, ...], tmp_path: Path) -> None:
    bag = write(tmp_path / 'bag', [later(event, DAY_NS) for event in events[half(events):]])
    both = open_books(booked(tmp_path / 'out', bag, books=first_books)).books
    assert len(both.dumps) == LOADS
    assert both.dumps[-1].stamp_ns - both.dumps[-2].stamp_ns > DAY_NS
    assert math.isfinite(both.dumps[-1].volume_m3)
    assert not both.refusals


def test_site_is_taken_from_the_books(
        first_books: Path, second_bag: Path, site: Path, tmp_path: Path) -> None:
    bare = booked(tmp_path / 'bare', second_bag, books=first_books / 'books.sqlite')
    named = booked(tmp_path / 'named', second_bag, books=first_books, site=site)
    assert frozen(bare) == frozen(named)


def test_three_days_one_after_the_other(
        first_books: Path, second_bag: Path, events: tuple[SimEvent, ...], tmp_path: Path,
) -> None:
    third = write(tmp_path / 'third',
                  [later(e, DAY_NS) for e in events[-30:] if e.kind != 'dump'])
    two = booked(tmp_path / 'two', second_bag, books=first_books)
    three = booked(tmp_path / 'three', third, books=two)
    with Journal.read(three / 'books.sqlite') as journal:
        records = records_of(journal.meta, 'books')
    assert len(records) == 3
    assert [r.first_ns for r in records] == sorted(r.first_ns for r in records)


# ---- what was read -----------------------------------------------------------------------------

def digest_by_hand(bag: Path) -> str:
    """Return the digest of a bag, from what the bag library reads, as the README tells it."""
    from rosbags.rosbag2 import Reader
    total = hashlib.sha256()
    with Reader(bag) as reader:
        for connection, bag_ns, raw in reader.messages():
            line = f'{connection.topic[1:]} {bag_ns} {hashlib.sha256(raw).hexdigest()}\n'
            total.update(line.encode())
    return total.hexdigest()


def test_digest_of_a_bag_can_be_computed_by_anybody(first_books: Path, first_bag: Path) -> None:
    with Journal.read(first_books / 'books.sqlite') as journal:
        (note,) = [json.loads(v) for k, v in journal.meta.items() if k.startswith('bag_')]
    assert note['sha256'] == digest_by_hand(first_bag)


# ---- nothing twice -----------------------------------------------------------------------------

def test_same_bag_is_not_booked_twice(
        call: Call, first_books: Path, first_bag: Path, site: Path) -> None:
    before = frozen(first_books)
    said = continued(call, first_books, first_bag, site=site).complaint
    assert 'already, and nothing is booked twice: name the bag of another time' in said
    assert frozen(first_books) == before
    assert not Path('out').exists()


@pytest.mark.parametrize('options', [
    {'storage': 'sqlite3'}, {'compression': 'message'}, {'compression': 'file'}], ids=str)
def test_nor_in_another_form(
        call: Call, first_books: Path, events: tuple[SimEvent, ...], options: dict[str, str],
) -> None:
    bag = write(Path('again'), events[:half(events)], **options)
    assert 'nothing is booked twice' in continued(call, first_books, bag).complaint


def test_of_a_longer_bag_only_the_rest_is_booked(
        call: Call, first_books: Path, bag: Path, second_bag: Path, tmp_path: Path) -> None:
    said = continued(call, first_books, bag).complaint
    assert 'to book what is new, leave out the first ' in said
    start_s = float(said.partition('leave out the first ')[2].split()[0])
    some = booked(tmp_path / 'some', bag, books=first_books, start_s=start_s)
    rest = booked(tmp_path / 'rest', second_bag, books=first_books)
    assert frozen(some) == frozen(rest)


def test_one_bag_named_twice_is_one_line(call: Call, first_bag: Path, site: Path) -> None:
    copy = Path('copy')
    shutil.copytree(first_bag, copy)
    for bags in ((first_bag, first_bag), (first_bag, copy)):
        said = call('replay', *bags, '--site', site, '--out', 'out').complaint
        assert 'is there twice; name every bag once' in said
        assert not Path('out').exists()


def test_two_bags_that_overlap_are_replayed_as_the_refusal_says(
        call: Call, events: tuple[SimEvent, ...], site: Path, tmp_path: Path) -> None:
    at = half(events)
    one, two = write(tmp_path / 'one', events[:at]), write(tmp_path / 'two', events[at - 40:])
    said = call('replay', one, two, '--site', site, '--out', 'both').complaint
    assert 'the second on top of the books of the first (--books, with --start)' in said
    first = booked(tmp_path / 'first', one, site=site)
    said = continued(call, first, two).complaint
    start_s = float(said.partition('leave out the first ')[2].split()[0])
    rest = booked(tmp_path / 'rest', two, books=first, start_s=start_s)
    whole = booked(tmp_path / 'whole', write(tmp_path / 'all', events[at:]), books=first)
    assert open_books(rest).entries == open_books(whole).entries


def test_books_of_a_node_do_not_take_the_same_time_again(
        call: Call, first_books: Path, first_bag: Path) -> None:
    # A node takes no note of bags; then the stamps tell.
    kept = open_books(first_books)
    with Journal.read(first_books / 'books.sqlite') as journal:
        meta = journal.meta
    with Journal.create('live.sqlite', kept.site_file.digest, meta['site_name'],
                        meta['site_text']) as live:
        live.append(kept.entries, kept.surfaces)
    said = continued(call, Path('live.sqlite'), first_bag).complaint
    assert 'books go on in the order of time' in said
    assert '--start' in said


def test_yesterday_cannot_be_booked_on_top_of_today(
        call: Call, first_bag: Path, second_bag: Path, site: Path) -> None:
    said = continued(call, booked(Path('today'), second_bag, site=site), first_bag).complaint
    assert 'books go on in the order of time' in said


# ---- books that will not do --------------------------------------------------------------------

def test_books_of_another_site_are_refused(
        call: Call, first_books: Path, second_bag: Path) -> None:
    before = frozen(first_books)
    said = continued(call, first_books, second_bag, site=SITE).complaint
    assert "books of another site ('site.yaml'), not those of 'shelter_site.yaml'" in said
    assert 'cell_m: 0.03 in the books, 0.015 now; what is booked rests on that' in said
    assert said.endswith('or name other books, or leave out --site to go on with theirs')
    assert frozen(first_books) == before


def test_a_keep_out_that_came_meanwhile_is_booked_and_gone_on_with(
        call: Call, first_books: Path, second_bag: Path, site: Path) -> None:
    before = frozen(first_books)
    edited = Path('edited.yaml')
    values = yaml.safe_load(site.read_text(encoding='utf-8'))
    rock = {'name': 'rock', 'polygon': [[-3.9, 2.0], [-3.5, 2.0], [-3.5, 2.4], [-3.9, 2.4]]}
    values['yard'].setdefault('keep_outs', []).append(rock)
    edited.write_text(yaml.safe_dump(values), encoding='utf-8')

    done = continued(call, first_books, second_bag, site=edited)

    assert done.code == 0
    line = 'yard.keep_outs[rock].polygon: none before, [[-3.9, 2.0], [-3.5, 2.0], '
    assert f'site file changed: {line}' in done.out
    assert frozen(first_books) == before
    earlier, both = open_books(first_books), open_books(Path('out'))
    count = len(earlier.entries)
    assert both.entries[:count] == earlier.entries
    assert [e.seq for e in both.entries if e.kind == 'site'] == [count + 1]
    assert both.entries[count].data['former_text'] == site.read_text(encoding='utf-8')
    assert both.site_file.name == 'edited.yaml'
    assert both.site_file.text == edited.read_text(encoding='utf-8')
    assert [area.name for area in both.site.yard.keep_outs][-1] == 'rock'
    # All else is as without the edit.
    plain = open_books(booked(Path('plain'), second_bag, books=first_books))
    assert both.books.rows == plain.books.rows
    assert [(e.stamp_ns, e.kind) for e in both.entries if e.kind != 'site'] == [
        (e.stamp_ns, e.kind) for e in plain.entries]
    events = Path('out/events.csv').read_text(encoding='utf-8').splitlines()
    assert [row.split(',')[1] for row in events].count('site') == 1
    page = Path('out/report.html').read_text(encoding='utf-8').replace('<wbr>', '')
    assert 'site file changed' in page
    assert line in page
    assert 'It was changed once while the books were kept' in page
    assert hashlib.sha256(edited.read_bytes()).hexdigest() in page
    # A third day goes on without another word.
    third = continued(call, Path('out'), second_bag, site=edited, out='third').complaint
    assert 'nothing is booked twice' in third


def test_damaged_books_are_refused_and_left_alone(
        call: Call, first_books: Path, second_bag: Path) -> None:
    damaged = Path('books.sqlite')
    damaged.write_bytes((first_books / 'books.sqlite').read_bytes()[:20_000])
    assert 'is damaged or cut short' in continued(call, damaged, second_bag).complaint
    assert damaged.stat().st_size == 20_000


def test_books_with_a_note_that_makes_no_sense_are_refused(
        call: Call, first_books: Path, second_bag: Path) -> None:
    shutil.copy(first_books / 'books.sqlite', 'books.sqlite')
    with Journal.read('books.sqlite') as journal:
        digest, name = journal.meta['site_digest'], journal.meta['site_name']
    with Journal.open('books.sqlite', digest, name) as journal:
        journal.append((), (), {'bag_1': '{"first_ns": 1}'})
    said = continued(call, Path('books.sqlite'), second_bag).complaint
    assert 'the note bag_1 on a bag makes no sense' in said


def test_neither_site_nor_books_is_one_line(call: Call, second_bag: Path) -> None:
    said = call('replay', second_bag, '--out', 'out').complaint
    assert said == ('no site: name a site file with --site, or books to go on from with --books')


def test_output_beside_the_earlier_books_is_refused(
        call: Call, first_books: Path, second_bag: Path) -> None:
    before = frozen(first_books)
    said = continued(call, first_books, second_bag, out=str(first_books)).complaint
    assert 'already holds' in said
    assert frozen(first_books) == before
