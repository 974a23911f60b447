# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""``berm-ledger replay``: what it leaves, and that bad input leaves nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
import csv
from dataclasses import replace
import errno
import json
import os
from pathlib import Path
import signal
import sqlite3
import subprocess
import sys
from typing import Any

from berm_ledger.books.journal import Journal
from berm_ledger.commands.simulate import turned_for_grid_map
from berm_ledger.offline.opened import open_books
from berm_ledger.pipeline import Pipeline
from berm_ledger.ros.book_clock import BookClock
from berm_ledger.ros.feed import feed
from berm_ledger.ros.messages import fill_point_cloud, fill_pose
from berm_ledger.simulation import SimEvent
from berm_ledger.site_source import load_site
from cli_kit import LOADS, Outcome, ROOT
import numpy as np
import pytest

pytest.importorskip('rosbags')

Call = Callable[..., Outcome]
# Named one by one in the design, for other people's scripts.
SEGMENT_COLUMNS = [
    'berm', 'segment', 'station_from_m', 'station_to_m', 'target_height_m', 'height_m',
    'height_se_m', 'low_m', 'high_m', 'coverage', 'at_grade', 'deficit_height_m',
    'deficit_volume_m3', 'deficit_mass_kg', 'dumps_remaining', 'dumps_made', 'line_offset_m',
    'state', 'last_seen_s']
EVENT_COLUMNS = [
    'stamp_s', 'kind', 'berm', 'segment', 'station_from_m', 'station_to_m', 'volume_m3', 'detail']
EVENT_KINDS = {
    'datum', 'dump', 'stray_dump', 'unbooked_fill', 'at_grade', 'disturbed', 'slump', 'reworked',
    'map_shift', 'refused', 'hold', 'resume'}
SUMMARY_KEYS = {
    'crest_length_m', 'longest_gap_m', 'mean_height_m', 'line_deviation_m', 'placed_volume_m3',
    'missing_volume_m3', 'placed_mass_kg', 'dumps', 'yield_m3', 'accepted', 'why'}
PICTURES = [f'report-{name}.png' for name in (
    'borrow-production', 'cross-sections-1-1', 'location', 'long-section-1', 'plan-1',
    'timeline-1-1')]
FILES = ['books.sqlite', 'events.csv', *PICTURES, 'report.html', 'segments.csv', 'summary.json']


def table(path: Path) -> list[dict[str, str]]:
    with open(path, encoding='utf-8', newline='') as file:
        return list(csv.DictReader(file))


def write(path: Path, events: Iterable[Any], **options: Any) -> Path:
    from berm_ledger.offline.bag_writer import write_bag
    write_bag(path, events, **options)
    return path


@pytest.fixture
def replay(call: Call, site: Path) -> Call:
    """Return what replays a bag into the folder `out`."""
    return lambda bag, *more, out='out': call('replay', bag, '--site', site, '--out', out, *more)


def grid_map_events(events: Iterable[SimEvent]) -> list[SimEvent]:
    """Return the events with every grid as a grid map can hold it."""
    return [event._replace(value=turned_for_grid_map(event.value))
            if event.kind == 'grid' else event for event in events]


def messages(events: Iterable[SimEvent]) -> Iterator[tuple[str, Any]]:
    """Yield the messages of a build with the topic's role, as a live node gets them."""
    from berm_ledger.offline.bag_types import bag_message_types, blank_message
    types = bag_message_types()
    for event in events:
        if event.kind == 'grid':
            msg = blank_message('sensor_msgs/msg/PointCloud2')
            fill_point_cloud(msg, event.value, types=types)
            yield 'elevation', msg
        elif event.kind == 'pose':
            msg = blank_message('geometry_msgs/msg/PoseStamped')
            fill_pose(msg, event.value)
            yield 'pose', msg
        else:
            msg = blank_message('std_msgs/msg/Float32')
            msg.data = float(event.value)
            yield 'dump', msg


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


# ---- what it leaves ----------------------------------------------------------------------------

def test_files_are_those_of_the_design_and_nothing_else(replayed: Path) -> None:
    assert names(replayed) == FILES
    assert names(replayed.parent) == [replayed.name]


def test_columns_kinds_and_keys_are_those_of_the_design(replayed: Path) -> None:
    segments, events = table(replayed / 'segments.csv'), table(replayed / 'events.csv')
    assert list(segments[0]) == SEGMENT_COLUMNS
    assert list(events[0]) == EVENT_COLUMNS
    assert {event['kind'] for event in events} <= EVENT_KINDS
    summary = json.loads((replayed / 'summary.json').read_text(encoding='utf-8'))
    assert set(summary) >= SUMMARY_KEYS
    assert summary['accepted'] is False
    assert 'not at grade' in summary['why']


def test_every_announced_dump_is_booked_once_where_it_fell(
        replayed: Path, events: tuple[SimEvent, ...]) -> None:
    announced = [event for event in events if event.kind == 'dump']
    booked = [row for row in table(replayed / 'events.csv') if row['kind'] == 'dump']
    assert len(booked) == len(announced) == LOADS
    assert sum(int(row['dumps_made']) for row in table(replayed / 'segments.csv')) == LOADS
    poses = [event.value.stamp_ns for event in events if event.kind == 'pose']
    for row, event in zip(booked, announced):
        # Its stamp is that of the last pose before it.
        before = max(stamp for stamp in poses if stamp <= event.stamp_ns)
        seconds, part = row['stamp_s'].split('.')
        assert int(seconds) * 10**9 + int(part) == before


def test_database_reads_with_plain_sql(replayed: Path) -> None:
    db = sqlite3.connect(f'file:{replayed / "books.sqlite"}?mode=ro&immutable=1', uri=True)
    columns = [row[1] for row in db.execute('PRAGMA table_info(entries)')]
    assert columns == ['seq', 'stamp_ns', 'kind', 'berm', 'segment', 'data']
    (mass,) = db.execute("SELECT json_extract(data, '$.mass_kg') FROM entries "
                         "WHERE kind = 'dump' ORDER BY seq LIMIT 1").fetchone()
    db.close()
    assert 5.0 < mass < 11.0


def test_same_bag_gives_the_same_bytes(replay: Call, bag: Path, replayed: Path) -> None:
    assert replay(bag).code == 0
    for name in FILES:
        assert Path('out', name).read_bytes() == (replayed / name).read_bytes(), name


def test_entries_are_those_of_the_live_steps(
        replayed: Path, site: Path, events: tuple[SimEvent, ...]) -> None:
    pipeline = Pipeline(load_site(site).site)
    by_hand = []
    for kind, msg in messages(events):
        by_hand += feed(pipeline, kind, msg).entries
    with Journal.read(replayed / 'books.sqlite') as journal:
        booked = list(journal.entries())
    assert [(e.seq, e.stamp_ns, e.kind, e.berm, e.segment, e.data_json()) for e in booked] == [
        (e.seq, e.stamp_ns, e.kind, e.berm, e.segment, e.data_json()) for e in by_hand]


def test_over_a_clock_set_back_the_books_are_those_of_a_live_ledger(
        replay: Call, site: Path, events: tuple[SimEvent, ...]) -> None:
    """Ten minutes back in mid-build: by its times the end of the bag came before its begin."""
    begin_ns, back_ns = events[len(events) // 2].stamp_ns, 600 * 10 ** 9
    later = [event if event.stamp_ns < begin_ns else event._replace(
        stamp_ns=event.stamp_ns - back_ns, value=event.value if event.kind == 'dump' else replace(
            event.value, stamp_ns=event.value.stamp_ns - back_ns)) for event in events]
    now_ns, by_hand = 0, []
    pipeline, clock = Pipeline(load_site(site).site), BookClock(lambda: now_ns)
    for event, (kind, msg) in zip(later, messages(later)):
        now_ns = event.stamp_ns
        by_hand += feed(pipeline, kind, msg, clock=clock).entries
    done = replay(write(Path('set_back'), later))
    assert done.code == 0
    assert 'the clock of the recorder was set back by' in done.err
    with Journal.read('out/books.sqlite') as journal:
        booked = list(journal.entries())
    assert [(e.seq, e.stamp_ns, e.kind, e.berm, e.segment, e.data_json()) for e in booked] == [
        (e.seq, e.stamp_ns, e.kind, e.berm, e.segment, e.data_json()) for e in by_hand]
    straight = Pipeline(load_site(site).site)
    for kind, msg in messages(events):
        feed(straight, kind, msg)
    for row, other in zip(pipeline.books.rows, straight.books.rows):
        assert row.dumps_made == other.dumps_made
        assert row.height_m == pytest.approx(other.height_m, abs=0.003)


def test_layers_kept_are_those_at_the_end(
        replayed: Path, site: Path, events: tuple[SimEvent, ...]) -> None:
    pipeline = Pipeline(load_site(site).site)
    for kind, msg in messages(events):
        feed(pipeline, kind, msg)
    last = {layer.name: layer for layer in pipeline.finish().surfaces}
    kept = {layer.name: layer for layer in open_books(replayed).surfaces}
    assert kept.keys() == last.keys()
    for name, layer in kept.items():
        assert layer.stamp_ns == last[name].stamp_ns
        # Looks kept as evidence of changes are of their own time.
        assert layer.stamp_ns == pipeline.stamp_ns or name.startswith('recent_')
        np.testing.assert_array_equal(layer.values, last[name].values)


def test_books_read_back_are_those_of_the_running_pipeline(replayed: Path) -> None:
    opened = open_books(replayed)
    assert [row.dumps_made for row in opened.books.rows] == [
        int(row['dumps_made']) for row in table(replayed / 'segments.csv')]
    assert opened.books == Pipeline(
        opened.site, entries=opened.entries, surfaces=opened.surfaces).books


@pytest.mark.parametrize('options', [
    {'storage': 'sqlite3'}, {'storage': 'sqlite3', 'compression': 'message'},
    {'compression': 'file'},
], ids=str)
def test_books_do_not_depend_on_how_the_bag_is_kept(
        replay: Call, replayed: Path, events: tuple[SimEvent, ...], options: dict[str, str],
) -> None:
    assert replay(write(Path('bag'), events, **options)).code == 0
    for name in FILES:
        assert Path('out', name).read_bytes() == (replayed / name).read_bytes(), name


def test_grid_maps_give_the_same_books_but_for_rounding(
        replay: Call, replayed: Path, events: tuple[SimEvent, ...]) -> None:
    bag = write(Path('bag'), grid_map_events(events), elevation_type='grid_map')
    assert replay(bag).code == 0
    got, expected = (open_books(folder).books.rows for folder in (Path('out'), replayed))
    for name in ('height_m', 'line_offset_m', 'at_grade', 'coverage'):
        np.testing.assert_allclose([getattr(row, name) for row in got],
                                   [getattr(row, name) for row in expected], atol=2e-4)
    np.testing.assert_allclose([row.placed_m3 for row in got],
                               [row.placed_m3 for row in expected], atol=2e-5)


def test_topics_used_are_printed_and_the_verdict_is_last(replay: Call, bag: Path) -> None:
    done = replay(bag)
    assert (done.code, done.err) == (0, '')
    lines = done.out.splitlines()
    assert [line.split(' (')[0] for line in lines[:3]] == [
        'elevation: /elevation', 'pose: /pose', 'dump: /dump']
    assert lines[-2].startswith('does not meet the specification: ')
    assert lines[-1].startswith(
        'written to out: books.sqlite, segments.csv, events.csv, summary.json, report.html, ')


def test_a_reader_that_goes_away_costs_no_report(
        replay: Call, bag: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As `head` does after some lines: what a replay is for are its files."""
    heard, told = os.pipe()
    os.close(heard)
    with open(told, 'w', encoding='utf-8') as gone:
        monkeypatch.setattr(sys, 'stdout', gone)
        assert replay(bag).code == 0
    assert sorted(path.name for path in Path('out').iterdir()) == FILES


def test_several_bags_are_one_day(
        call: Call, site: Path, replayed: Path, events: tuple[SimEvent, ...]) -> None:
    half = len(events) // 2
    parts = [write(Path(name), part) for name, part in (
        ('b', events[half:]), ('a', events[:half]))]
    assert call('replay', *parts, '--site', site, '--out', 'out').code == 0
    # Of the files only the note on the bags differs, and with it the page that tells of them.
    for name in ('segments.csv', 'events.csv', 'summary.json', *PICTURES):
        assert Path('out', name).read_bytes() == (replayed / name).read_bytes(), name
    got, expected = (open_books(folder) for folder in (Path('out'), replayed))
    assert got.entries == expected.entries


def test_part_of_a_bag_can_be_replayed(
        replay: Call, bag: Path, events: tuple[SimEvent, ...]) -> None:
    dumps = [event.stamp_ns for event in events if event.kind == 'dump']
    end_s = (dumps[-1] - events[0].stamp_ns) / 1e9
    # The end is not part of the part.
    assert replay(bag, '--end', f'{end_s:.3f}').code == 0
    kinds = [row['kind'] for row in table(Path('out/events.csv'))]
    assert kinds.count('dump') == LOADS - 1
    # Of the survey alone, too: nothing was dumped, and everything is still to be done.
    end_s = (dumps[0] - events[0].stamp_ns) / 1e9
    done = replay(bag, '--end', f'{end_s:.3f}', out='survey')
    assert done.code == 0
    assert table(Path('survey/events.csv')) == [
        row for row in table(Path('survey/events.csv')) if row['kind'] == 'datum']
    assert json.loads(Path('survey/summary.json').read_text(encoding='utf-8'))['dumps'] == 0


def test_bag_without_dumps_gives_books_all_the_same(
        replay: Call, events: tuple[SimEvent, ...]) -> None:
    bag = write(Path('bag'), [event for event in events if event.kind != 'dump'])
    done = replay(bag)
    assert done.code == 0
    assert 'dump: none in the bag' in done.out
    assert json.loads(Path('out/summary.json').read_text(encoding='utf-8'))['dumps'] == 0


def test_single_bad_messages_are_refused_and_told(
        replay: Call, events: tuple[SimEvent, ...]) -> None:
    def spoiled(event: SimEvent, number: int) -> SimEvent:
        if event.kind != 'grid' or number % 5:
            return event
        return event._replace(value=replace(event.value, frame_id='odom'))

    bag = write(Path('bag'), [spoiled(event, n) for n, event in enumerate(events)])
    done = replay(bag)
    assert done.code == 0
    assert done.err.startswith('warning: ')
    assert 'wrong_frame' in done.err
    refused = [row for row in table(Path('out/events.csv')) if row['kind'] == 'refused']
    assert refused
    assert all('odom' in row['detail'] for row in refused)


def test_bag_that_is_cut_off_is_read_as_far_as_it_goes(replay: Call, bag: Path) -> None:
    whole = (bag / 'short.mcap').read_bytes()
    Path('cut.mcap').write_bytes(whole[:len(whole) * 2 // 3])
    done = replay(Path('cut.mcap'))
    assert done.code == 0
    assert done.err.startswith('warning: ')
    assert names(Path('out')) == FILES
    assert any(row['height_m'] for row in table(Path('out/segments.csv')))


# ---- bad input: one line, nothing left ---------------------------------------------------------

def empty(path: Path) -> Path:
    return write(path, [])


def in_frame(path: Path, events: Iterable[SimEvent], frame: str, *kinds: str) -> Path:
    return write(path, [
        event._replace(value=replace(event.value, frame_id=frame))
        if event.kind in kinds else event for event in events])


def test_bag_that_is_none_is_one_line(replay: Call, tmp_path: Path) -> None:
    Path('folder').mkdir()
    Path('text.mcap').write_text('some text', encoding='utf-8')
    Path('text.txt').write_text('some text', encoding='utf-8')
    Path('nothing.mcap').write_bytes(b'')
    for name in ('nowhere', 'folder', 'text.mcap', 'text.txt', 'nothing.mcap'):
        assert name in replay(Path(name)).complaint
    assert not Path('out').exists()
    assert names(Path()) == ['folder', 'nothing.mcap', 'text.mcap', 'text.txt']


def test_empty_bag_is_one_line(replay: Call) -> None:
    assert 'no messages' in replay(empty(Path('bag'))).complaint
    assert names(Path()) == ['bag']


@pytest.mark.parametrize(('arguments', 'text'), [
    (('--elevation-topic', '/map'), 'no topic /map for the elevation; the bag has: /dump'),
    (('--pose-topic', '/odom'), 'no topic /odom for the pose'),
    (('--dump-topic', '/load'), 'no topic /load for the dump'),
    (('--elevation-topic', '/pose'), 'cannot be the elevation'),
    (('--pose-topic', '/elevation'), 'cannot be the pose'),
    (('--dump-topic', '/pose'), 'cannot be the dump'),
    (('--start', '1e6'), 'after the end of the bag'),
    (('--start', '9', '--end', '3'), 'select nothing'),
    (('--end', '0.3'), 'no elevation message in the part asked for'),
])
def test_topic_or_part_that_is_not_there_is_one_line(
        replay: Call, bag: Path, arguments: tuple[str, ...], text: str) -> None:
    assert text in replay(bag, *arguments).complaint
    assert names(Path()) == []


def test_wrong_layer_is_one_line(replay: Call, events: tuple[SimEvent, ...]) -> None:
    bag = write(Path('bag'), grid_map_events(events), elevation_type='grid_map')
    complaint = replay(bag, '--layer', 'height').complaint
    assert 'no layer height; its layers are: elevation' in complaint
    assert names(Path()) == ['bag']


@pytest.mark.parametrize('kinds', [('grid',), ('pose',), ('grid', 'pose')], ids=str)
def test_wrong_frame_is_one_line(
        replay: Call, events: tuple[SimEvent, ...], kinds: tuple[str, ...]) -> None:
    complaint = replay(in_frame(Path('bag'), events, 'odom', *kinds)).complaint
    assert "'odom'" in complaint or ' odom' in complaint
    assert 'map' in complaint
    assert names(Path()) == ['bag']


def test_bag_cut_off_before_the_first_grid_is_one_line(replay: Call, bag: Path) -> None:
    Path('cut.mcap').write_bytes((bag / 'short.mcap').read_bytes()[:200])
    assert 'cut.mcap' in replay(Path('cut.mcap')).complaint
    assert names(Path()) == ['cut.mcap']


def test_bad_site_is_told_before_the_bag_is_looked_at(call: Call, bag: Path) -> None:
    Path('site.yaml').write_text('format: [1', encoding='utf-8')
    done = call('replay', 'nowhere', '--site', 'site.yaml', '--out', 'out')
    assert 'site.yaml' in done.complaint
    assert 'nowhere.yaml' in call(
        'replay', bag, '--site', 'nowhere.yaml', '--out', 'out').complaint
    assert names(Path()) == ['site.yaml']


def test_other_books_are_not_overwritten(replay: Call, bag: Path) -> None:
    Path('out').mkdir()
    Path('out/books.sqlite').write_bytes(b'other books')
    complaint = replay(bag).complaint
    assert 'out already holds books.sqlite: name another folder' in complaint
    assert Path('out/books.sqlite').read_bytes() == b'other books'
    assert names(Path('out')) == ['books.sqlite']


def test_folder_with_other_files_keeps_them(replay: Call, bag: Path) -> None:
    Path('out').mkdir()
    Path('out/notes.txt').write_text('mine', encoding='utf-8')
    assert replay(bag).code == 0
    assert names(Path('out')) == sorted([*FILES, 'notes.txt'])


def test_output_folder_that_is_a_file_is_one_line(replay: Call, bag: Path) -> None:
    Path('out').write_text('a file', encoding='utf-8')
    assert 'out is a file' in replay(bag).complaint
    assert 'out' in replay(bag, out='out/deeper').complaint
    assert names(Path()) == ['out']


def test_being_stopped_from_outside_leaves_nothing(
        tmp_path: Path, bag: Path, site: Path) -> None:
    # Told once the work has begun, which is when the topics are printed.
    command = [sys.executable, '-m', 'berm_ledger.cli', 'replay', str(bag), '--site', str(site),
               '--out', str(tmp_path / 'out')]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE,
                          stderr=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline().startswith(b'elevation')
        process.send_signal(signal.SIGTERM)
        assert process.communicate()[1] == b''
    assert process.returncode == 143
    assert names(tmp_path) == []


def test_crash_in_the_middle_leaves_nothing(
        replay: Call, bag: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> None:
        raise ZeroDivisionError('ours')
    monkeypatch.setattr('berm_ledger.offline.replay.write_outputs', fail)
    with pytest.raises(ZeroDivisionError):
        replay(bag, out='deep/er/out')
    assert names(Path()) == []


def test_a_report_for_which_there_is_no_room_leaves_books_and_tables(
        replay: Call, bag: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip('matplotlib')

    write = Path.write_bytes

    def full(path: Path, data: bytes) -> int:
        if '.report' in path.name:
            raise OSError(errno.ENOSPC, 'No space left on device')
        return write(path, data)

    monkeypatch.setattr(Path, 'write_bytes', full)
    done = replay(bag)
    assert done.complaint == (
        'out/report.html: No space left on device: no report was written; books and tables are '
        'in out: make room, then berm-ledger report out --out out/report.html')
    assert names(Path('out')) == ['books.sqlite', 'events.csv', 'segments.csv', 'summary.json']
