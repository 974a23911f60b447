# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Bags over which the clock of the recorder was set back: read in the order of the file."""

import random
import re
import shutil

from bags_kit import assert_events, events, read, small_bag, STEP_NS, storage_file
from berm_ledger.errors import UsageError
from berm_ledger.offline.bag_times import TimeWatch
from berm_ledger.offline.bag_writer import write_bag
from berm_ledger.offline.bags import open_bag
import pytest

SECOND_NS = 10 ** 9


def set_back(steps, first, back_s):
    """Return events of which those from a step on were recorded so much earlier."""
    whole = events(steps)
    begin_ns = whole[0][0] + first * STEP_NS
    return [(t if t < begin_ns else t - back_s * SECOND_NS, *rest) for t, *rest in whole]


def order(found):
    return [(e.role, e.bag_ns) for e in found]


@pytest.mark.parametrize('back_s', [7, 600])
@pytest.mark.parametrize('compression', ['none', 'message'])
@pytest.mark.parametrize('storage', ['mcap', 'sqlite3'])
def test_messages_come_in_the_order_in_which_they_were_recorded(
        tmp_path, storage, compression, back_s):
    made = set_back(60, 40, back_s)
    bag = tmp_path / 'bag'
    write_bag(bag, made, storage=storage, compression=compression)
    for path in (bag, storage_file(bag)):
        with open_bag(path) as stream:
            found = list(stream)
            texts = [finding.text for finding in stream.findings if finding.code == 'bag_cut']
        assert order(found) == [({'grid': 'elevation'}.get(kind, kind), t) for t, kind, _ in made]
        assert (stream.start_ns, stream.end_ns) == (
            min(t for t, *_ in made), max(t for t, *_ in made))
        # From the last pose before to the first one after.
        assert f'was set back by {back_s - 0.2:.1f} s; read in the order of the file' in texts[-1]


@pytest.mark.parametrize('metadata', [True, False])
def test_parts_of_a_split_bag_are_read_one_after_the_other(tmp_path, metadata):
    """The clock was set back as one file was full and the next begun, or within the second."""
    made = set_back(90, 45, 600)
    write_bag(tmp_path / 'whole', made)
    folder = tmp_path / 'bag'
    folder.mkdir()
    third = len(made) // 3
    for part in range(3):
        one = tmp_path / f'part{part}'
        write_bag(one, made[part * third:(part + 1) * third])
        shutil.copy(storage_file(one), folder / f'bag_{part}.mcap')
    if metadata:
        text = (tmp_path / 'part0' / 'metadata.yaml').read_text()
        (folder / 'metadata.yaml').write_text(text)
    found, _ = read(folder)
    assert order(found) == order(read(tmp_path / 'whole')[0])


@pytest.mark.parametrize('metadata', [True, False])
def test_a_copy_beside_a_bag_is_no_recording_with_an_earlier_clock(tmp_path, metadata):
    bag = small_bag(tmp_path / 'bag', 60)
    shutil.copy(storage_file(bag), bag / 'bag_copy.mcap')
    if metadata:
        found, codes = read(bag)
        assert_events(found, events(60))
        assert not codes
        return
    (bag / 'metadata.yaml').unlink()
    with pytest.raises(UsageError, match='the same message of /pose is there twice'):
        read(bag)


def test_parts_that_the_metadata_name_in_a_wrong_order_are_no_clock_set_back(tmp_path):
    folder = tmp_path / 'bag'
    folder.mkdir()
    for part in range(2):
        one = small_bag(tmp_path / f'part{part}', 60, 60 * part)
        shutil.copy(storage_file(one), folder / f'bag_{part}.mcap')
    text = (tmp_path / 'part0' / 'metadata.yaml').read_text()
    names = 'relative_file_paths:\n  - bag_1.mcap\n  - bag_0.mcap\n'
    text, count = re.subn(r'relative_file_paths:\n  - .*\n', names, text)
    assert count
    (folder / 'metadata.yaml').write_text(text)
    with open_bag(folder) as stream:
        assert len(list(stream)) == len(events(120))
        assert not any('set back' in finding.text for finding in stream.findings)


def test_a_file_written_topic_by_topic_is_read_by_time(tmp_path):
    whole = events(60)
    by_topic = sorted(whole, key=lambda event: event[1])
    write_bag(tmp_path / 'bag', by_topic)
    found, codes = read(tmp_path / 'bag')
    assert sorted(order(found), key=lambda item: item[1]) == order(found)
    assert len(found) == len(whole)
    assert not codes


def test_a_file_in_no_order_at_all_is_read_by_time(tmp_path):
    mixed = events(200)
    random.Random(1).shuffle(mixed)
    write_bag(tmp_path / 'bag', mixed)
    found, codes = read(tmp_path / 'bag')
    assert [e.bag_ns for e in found] == sorted(e.bag_ns for e in found)
    assert not codes


def test_a_bag_in_order_says_nothing(tmp_path):
    found, codes = read(small_bag(tmp_path / 'bag', 60))
    assert_events(found, events(60))
    assert not codes


@pytest.mark.parametrize(('times_s', 'back_s'), [
    ([1, 2, 3], 0), ([1, 2, 3, 1, 2], 0), ([10, 11, 5, 5], 6), ([100, 40, 41, 20, 21], 60),
    # One that was late, and one after which nothing came.
    ([10, 20, 10, 21, 22], 0), ([10, 20, 21, 1], 0),
    # Another time again and again: no clock is set so often.
    ([100, 101, 1, 2] * 7, 0)])
def test_steps_back(times_s, back_s):
    watch = TimeWatch()
    for time_s in times_s:
        watch.add('/pose', time_s * SECOND_NS)
    assert watch.set_back_ns == back_s * SECOND_NS
