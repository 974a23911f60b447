# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Bags that are written: the same every time, and nothing half done."""

import resource

from bags_kit import assert_events, events, read, small_bag
from berm_ledger.errors import BagError, MessageError, UsageError
from berm_ledger.offline.bag_writer import BagTopics, write_bag
from berm_ledger.offline.bags import open_bag
import pytest


@pytest.mark.parametrize('options', [
    {'storage': 'mcap'}, {'storage': 'sqlite3'}, {'compression': 'message'}])
def test_same_events_same_bytes(tmp_path, options):
    one = small_bag(tmp_path / 'one' / 'bag', **options)
    two = small_bag(tmp_path / 'two' / 'bag', **options)
    files = sorted(path.name for path in one.iterdir())
    assert len(files) == 2
    for name in files:
        assert (one / name).read_bytes() == (two / name).read_bytes()


def test_topics_are_named(tmp_path):
    topics = BagTopics('/rover/elevation', '/rover/pose', '/rover/dump')
    path = small_bag(tmp_path / 'bag', topics=topics)
    with open_bag(path) as stream:
        assert set(stream.choice.roles()) == {'/rover/elevation', '/rover/pose', '/rover/dump'}


@pytest.mark.parametrize('make', ['mkdir', 'touch'])
def test_nothing_is_overwritten(tmp_path, make):
    path = tmp_path / 'bag'
    getattr(path, make)()
    with pytest.raises(BagError, match='bag: exists already and is not overwritten'):
        small_bag(path)
    assert path.exists()
    assert not path.is_dir() or not list(path.iterdir())


@pytest.mark.parametrize('storage', ['mcap', 'sqlite3'])
@pytest.mark.parametrize('error', [MessageError, KeyboardInterrupt])
def test_nothing_is_left_of_a_bag_that_failed(tmp_path, storage, error):
    def broken():
        yield from events(3)
        raise error('half way')

    path = tmp_path / 'bag'
    with pytest.raises(error, match='half way'):
        write_bag(path, broken(), storage=storage)
    assert not path.exists()


def test_a_place_that_cannot_be_written(tmp_path):
    (tmp_path / 'file').touch()
    with pytest.raises(BagError, match='bag: cannot be written: Not a directory; name a bag else'):
        small_bag(tmp_path / 'file' / 'bag')


@pytest.mark.parametrize('storage', ['mcap', 'sqlite3'])
def test_a_disk_that_gets_full(tmp_path, storage):
    """A limit on the size of files makes the system refuse to write, as a full disk does."""
    unlimited = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (40_000, unlimited[1]))
    try:
        with pytest.raises(BagError, match=r'bag: cannot be written: [^[]+; name a bag elsewhere'):
            write_bag(tmp_path / 'bag', events(300), storage=storage)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, unlimited)
    assert not (tmp_path / 'bag').exists()


@pytest.mark.parametrize('options', [
    {'storage': 'bag'}, {'compression': 'gzip'}, {'elevation_type': 'mesh'}])
def test_unknown_options(tmp_path, options):
    with pytest.raises(UsageError, match='is none of'):
        small_bag(tmp_path / 'bag', **options)
    assert not (tmp_path / 'bag').exists()


def test_no_dumps_at_all(tmp_path):
    written = [event for event in events() if event[1] != 'dump']
    write_bag(tmp_path / 'bag', written)
    with open_bag(tmp_path / 'bag') as stream:
        assert stream.choice.dump is None
    assert_events(read(tmp_path / 'bag')[0], written)


def test_drum_currents_go_out_and_come_back(tmp_path):
    told = sorted([*events(3), (1_000, 'drum_current', 2.5), (2_000, 'drum_current', 2.75)],
                  key=lambda event: event[0])
    path = tmp_path / 'bag'
    assert write_bag(path, told)['drum_current'] == 2
    found = [event for event in read(path)[0] if event.role == 'drum_current']
    assert [event.value for event in found] == [2.5, 2.75]
    assert [event.stamp_ns for event in found] == [None, None]
