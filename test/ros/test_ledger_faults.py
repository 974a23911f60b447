# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The node `ledger` on books it must not touch, and on a disk that fails while it runs."""

import os
import resource
import signal
import sqlite3
import subprocess
import sys

from berm_ledger.books import Entry
from berm_ledger.books.journal import Journal
from berm_ledger.ros.messages import fill_point_cloud, fill_pose, status_from
from berm_ledger.site_source import load_site
from ledger_kit import a_grid, a_pose, FakePipeline, SITE_TEXT
import pytest
from ros_kit import World

JOURNAL_ERROR = 2


@pytest.fixture
def world(ros_context):
    with World(ros_context) as made:
        yield made


@pytest.fixture
def site_file(tmp_path):
    path = tmp_path / 'site.yaml'
    path.write_text(SITE_TEXT)
    return path


@pytest.fixture
def books(tmp_path, site_file):
    """Return books of the site with some entries."""
    path = tmp_path / 'b.sqlite'
    loaded = load_site(site_file)
    with Journal.open(path, loaded.digest, 'site.yaml', loaded.text) as journal:
        journal.append([Entry(k, k, 'hold', None, None, {'text': 'x' * 200})
                        for k in range(1, 200)])
    return path


def ledger_on(world, site_file, path):
    from berm_ledger.ros.ledger import LedgerNode
    from rclpy.parameter import Parameter
    return world.add(LedgerNode(
        make_pipeline=FakePipeline, context=world.context, parameter_overrides=[
            Parameter('site_file', value=str(site_file)),
            Parameter('books_file', value=str(path))]))


def newer(path):
    with sqlite3.connect(path) as db:
        db.execute('PRAGMA user_version = 99')
    db.close()


def truncated(path):
    os.truncate(path, path.stat().st_size // 2)


def foreign(path):
    path.unlink()
    with sqlite3.connect(path) as db:
        db.execute('CREATE TABLE things (x)')
    db.close()


@pytest.mark.parametrize(('spoil', 'text'), [
    (newer, 'newer berm_ledger'),
    (truncated, 'berm_ledger.books.salvage'),
    (foreign, 'another program'),
])
def test_books_it_must_not_touch_are_refused_and_left_as_they_are(
        world, site_file, books, spoil, text):
    spoil(books)
    before = books.read_bytes()
    ledger = ledger_on(world, site_file, books)

    assert not ledger.start_by_itself()

    assert text in str(ledger.fault)
    assert books.read_bytes() == before
    assert sorted(p.name for p in books.parent.glob('b.sqlite*')) == ['b.sqlite']


def test_books_of_another_site_are_refused_and_left_as_they_are(world, site_file, books):
    before = books.read_bytes()
    site_file.write_text(SITE_TEXT.replace('crest_height_m: 0.20', 'crest_height_m: 0.19'))
    ledger = ledger_on(world, site_file, books)

    assert not ledger.start_by_itself()

    assert 'another site' in str(ledger.fault)
    assert books.read_bytes() == before


def test_books_changed_by_hand_are_named_and_left_as_they_are(world, site_file, books):
    from berm_ledger.ros.ledger import LedgerNode
    from rclpy.parameter import Parameter
    with sqlite3.connect(books) as db:
        db.execute("UPDATE entries SET kind = 'rise', data = '{}' WHERE seq = 100")
    db.close()
    before = books.read_bytes()
    ledger = world.add(LedgerNode(context=world.context, parameter_overrides=[
        Parameter('site_file', value=str(site_file)), Parameter('books_file', value=str(books))]))

    assert not ledger.start_by_itself()

    assert str(ledger.fault).startswith(f'{books}: entry 100 (rise) lacks the figures')
    assert books.read_bytes() == before


@pytest.mark.parametrize('folder', ['missing', 'site.yaml'])
def test_a_folder_that_cannot_be_written_is_refused(world, site_file, tmp_path, folder):
    ledger = ledger_on(world, site_file, tmp_path / folder / 'b.sqlite')

    assert not ledger.start_by_itself()

    assert 'cannot write in its folder' in str(ledger.fault)


class Watcher:
    """Feeds a ledger and hears what it says."""

    def __init__(self, world):
        from berm_ledger.ros.wire import latched_qos, message_class, wire_types
        self.world, self.types, self.heard = world, wire_types(), {}
        node = self.node = world.node('watcher')
        kinds = {'pose': 'geometry_msgs/msg/PoseStamped', 'dump': 'std_msgs/msg/Float32',
                 'elevation': 'sensor_msgs/msg/PointCloud2'}
        self.makers = {topic: message_class(kind) for topic, kind in kinds.items()}
        self.out = {topic: node.create_publisher(make, topic, 10)
                    for topic, make in self.makers.items()}
        for topic, kind in (('segments', 'sensor_msgs/msg/PointCloud2'),
                            ('/diagnostics', 'diagnostic_msgs/msg/DiagnosticArray')):
            node.create_subscription(
                message_class(kind), topic,
                lambda msg, topic=topic: self.heard.__setitem__(topic, msg), latched_qos())

    def until_ready(self):
        self.world.until(lambda: 'segments' in self.heard and all(
            out.get_subscription_count() for out in self.out.values()))

    def look(self, stamp_s):
        pose, grid = self.makers['pose'](), self.makers['elevation']()
        fill_pose(pose, a_pose(stamp_s))
        fill_point_cloud(grid, a_grid(stamp_s, 0.1), self.types)
        self.out['pose'].publish(pose)
        self.out['elevation'].publish(grid)

    def journal(self):
        """Return the status of the journal, None before it was heard."""
        msg = self.heard.get('/diagnostics')
        found = [] if msg is None else [
            s for s in map(status_from, msg.status) if s.name == 'ledger: journal']
        return found[0] if found else None

    def until_level(self, level):
        self.heard.pop('/diagnostics', None)
        self.world.until(lambda: self.journal() is not None and self.journal().level == level)


@pytest.mark.parametrize('what', ['deleted', 'replaced', 'log deleted'])
def test_books_gone_while_it_runs_are_an_error_and_nothing_is_published(
        world, site_file, books, what):
    ledger = ledger_on(world, site_file, books)
    watcher = Watcher(world)
    assert ledger.start_by_itself()
    watcher.until_ready()
    if what == 'replaced':
        other = books.with_name('other')
        other.write_bytes(b'not yours')
        other.replace(books)
    else:
        books.with_name(books.name + ('-wal' if 'log' in what else '')).unlink()
    watcher.heard.clear()

    watcher.look(10.0)
    watcher.until_level(JOURNAL_ERROR)

    assert 'segments' not in watcher.heard
    assert 'deleted or replaced' in watcher.journal().message
    assert what != 'replaced' or books.read_bytes() == b'not yours'


@pytest.fixture
def process(site_file, books):
    """Run a ledger as a process."""
    command = [sys.executable, '-m', 'berm_ledger.ros.ledger_node', '--ros-args',
               '-p', f'site_file:={site_file}', '-p', f'books_file:={books}']
    with open(books.with_name('log'), 'wb') as log, subprocess.Popen(
            command, stderr=log) as made:
        yield made
        made.kill()


def test_a_full_disk_stops_the_topics_until_there_is_room_and_loses_nothing(
        world, books, process):
    """A limit on the size of files makes the system refuse to write, as a full disk does."""
    watcher = Watcher(world)
    watcher.until_ready()
    resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (4096, resource.RLIM_INFINITY))
    watcher.heard.clear()
    # Used or refused, the first grid makes an entry.
    watcher.look(10.0)
    watcher.until_level(JOURNAL_ERROR)
    assert 'segments' not in watcher.heard
    assert int(str(watcher.journal().values['waiting'])) > 0

    resource.prlimit(
        process.pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    watcher.look(11.0)
    watcher.until_ready()
    watcher.until_level(0)

    assert int(str(watcher.journal().values['waiting'])) == 0
    process.send_signal(signal.SIGTERM)
    assert process.wait() == 0
    with Journal.read(books) as journal:
        numbers = [entry.seq for entry in journal.entries()]
    assert numbers == list(range(1, len(numbers) + 1))
    assert len(numbers) > 199


def test_who_closes_it_while_the_disk_is_full_is_told_what_is_lost(world, books, process):
    watcher = Watcher(world)
    watcher.until_ready()
    resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (4096, resource.RLIM_INFINITY))
    watcher.look(10.0)
    watcher.until_level(JOURNAL_ERROR)

    process.send_signal(signal.SIGTERM)
    assert process.wait() == 0

    last = books.with_name('log').read_text().splitlines()[-1]
    assert 'cannot be written, nothing was booked' in last
    assert 'entries lost: ' in last
