# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Bags that are not as they should be: cut off, not closed, spoiled, or no bags at all."""

import contextlib
import re
import shutil
import sqlite3
import struct
import tracemalloc
import zlib

from bags_kit import (
    assert_events,
    events,
    raw_bag,
    read,
    small_bag,
    stamped,
    START_NS,
    storage_file,
)
from berm_ledger.errors import BagError
from berm_ledger.offline.bag_damage import inflated, lz4_frame, zstd
from berm_ledger.offline.bags import open_bag
from hypothesis import example, given, settings
from hypothesis import strategies as st
import pytest
from rosbags.rosbag2 import CompressionMode

SIDE = 200  # messages of half a megabyte: three to a chunk of an MCAP file
COUNT = 12


@pytest.fixture(name='bags', scope='module')
def make_bags(tmp_path_factory):
    """Return the folder of a bag by storage, with several chunks, and by 'small'."""
    top = tmp_path_factory.mktemp('bags')
    return {
        'mcap': small_bag(top / 'mcap', COUNT, side=SIDE),
        'sqlite3': small_bag(top / 'sqlite3', COUNT, side=SIDE, storage='sqlite3'),
        'small mcap': small_bag(top / 'small_mcap', 3),
        'small sqlite3': small_bag(top / 'small_sqlite3', 3, storage='sqlite3'),
    }


def cut(bag, target, keep, *, metadata=False, tail=b''):
    """Copy a bag with only the first `keep` bytes of its storage file."""
    target.mkdir()
    file = storage_file(bag)
    (target / file.name).write_bytes(file.read_bytes()[:keep] + tail)
    if metadata:
        shutil.copy(bag / 'metadata.yaml', target)
    return target


def assert_beginning(found, least):
    """Raise AssertionError unless the events are the first ones that were written."""
    assert_events(found, events(COUNT, side=SIDE)[:len(found)])
    assert len(found) >= least


@pytest.mark.parametrize('metadata', [True, False])
@pytest.mark.parametrize(('storage', 'share', 'least'), [
    ('mcap', 0.3, 9), ('mcap', 0.6, 18), ('mcap', 0.97, 27), ('sqlite3', 0.3, 8),
    ('sqlite3', 0.6, 16), ('sqlite3', 0.97, 26)])
def test_cut_off_and_read_as_far_as_it_goes(bags, tmp_path, storage, share, least, metadata):
    size = storage_file(bags[storage]).stat().st_size
    path = cut(bags[storage], tmp_path / 'bag', int(share * size), metadata=metadata)
    with open_bag(path) as stream:
        found = list(stream)
        lines = [finding.text for finding in stream.findings]
        assert {finding.code for finding in stream.findings} == {'bag_cut'}
    texts = ' '.join(lines)
    # Each says of which bag, and what a library says keeps no full stop of its own.
    assert all(str(path) in line or ' s of the bag: ' in line for line in lines)
    assert '.;' not in texts
    assert_beginning(found, least)
    assert 'cut off' in texts or 'damaged' in texts
    # The single file says the same.
    assert_events(read(storage_file_of(path))[0], events(COUNT, side=SIDE)[:len(found)])


def storage_file_of(path):
    return next(file for file in path.iterdir() if file.name != 'metadata.yaml')


@settings(max_examples=60, deadline=None)
@given(keep=st.integers(0, 10 ** 7), storage=st.sampled_from(['small mcap', 'small sqlite3']))
@example(keep=24489, storage='small sqlite3')  # the first rows lie at the end of the page
def test_cut_off_anywhere(bags, tmp_path_factory, keep, storage):
    size = storage_file(bags[storage]).stat().st_size
    path = cut(bags[storage], tmp_path_factory.mktemp('cut') / 'bag', keep % size)
    try:
        found, codes = read(path)
    except BagError:
        return
    assert_events(found, events(3)[:len(found)])
    assert 'bag_cut' in codes


def test_a_cut_bag_ends_where_the_last_whole_message_ends(bags, tmp_path):
    data = storage_file(bags['small mcap']).read_bytes()
    expected = events(3)
    # Records of messages: kind 5, length, then channel, number, and twice the time.
    ends = []
    for stamp_ns in sorted({event[0] for event in expected}):
        at = -1
        while (at := data.find(struct.pack('<QQ', stamp_ns, stamp_ns), at + 1)) >= 0:
            if data[at - 15] == 5:
                ends.append(at - 6 + struct.unpack_from('<Q', data, at - 14)[0])
    assert len(ends) == len(expected)
    for count, end in enumerate(ends, 1):
        for keep in (end - 1, end):
            whole = count if keep == end else count - 1
            path = cut(bags['small mcap'], tmp_path / f'bag{keep}', keep)
            if any(kind == 'grid' for _, kind, _ in expected[:whole]):
                found, codes = read(path)
                assert_events(found, expected[:whole])
                assert set(codes) == {'bag_cut'}
            else:  # the topics are known, so that even no grid is no fault of the topics
                assert_events(read(path)[0], expected[:whole])


def test_zeros_at_the_end(bags, tmp_path):
    size = storage_file(bags['mcap']).stat().st_size
    path = cut(bags['mcap'], tmp_path / 'bag', int(0.6 * size), tail=bytes(10 ** 6))
    found, codes = read(path)
    # This writer's chunks carry no checksum: the message half overwritten is seen by its content.
    assert found[-1].fault
    assert_beginning(found[:-1], 15)
    assert set(codes) == {'bag_cut'}


def test_compressed_chunks_cut_off(tmp_path):
    packed = chunked_bag(tmp_path / 'packed')
    size = storage_file(packed).stat().st_size
    found, codes = read(cut(packed, tmp_path / 'bag', int(0.7 * size)))
    assert_beginning(found, 9)
    assert len(found) < len(events(COUNT))
    assert set(codes) == {'bag_cut'}


def chunked_bag(path):
    """Return a bag of the usual events with compressed chunks."""
    from berm_ledger.offline.bag_types import bag_message_types, blank_message
    from berm_ledger.ros.messages import fill_point_cloud, fill_pose

    def rows():
        for stamp_ns, kind, value in events(COUNT, side=SIDE):
            name = {'grid': 'sensor_msgs/msg/PointCloud2', 'dump': 'std_msgs/msg/Float32',
                    'pose': 'geometry_msgs/msg/PoseStamped'}[kind]
            msg = blank_message(name)
            if kind == 'grid':
                fill_point_cloud(msg, value, bag_message_types())
            elif kind == 'pose':
                fill_pose(msg, value)
            else:
                msg.data = value
            topic = {'grid': '/elevation', 'dump': '/dump', 'pose': '/pose'}[kind]
            yield topic, name, stamp_ns, msg

    return raw_bag(path, rows(), mode=CompressionMode.STORAGE)


def test_file_compression_cut_off(tmp_path):
    bag = small_bag(tmp_path / 'packed', COUNT, side=SIDE, compression='file')
    size = storage_file(bag).stat().st_size
    for metadata in (True, False):
        path = cut(bag, tmp_path / f'bag{metadata}', int(0.7 * size), metadata=metadata)
        found, codes = read(path)
        assert_beginning(found, 9)
        assert set(codes) == {'bag_cut'}


@pytest.mark.parametrize('storage', ['mcap', 'sqlite3'])
def test_message_compression_without_metadata(tmp_path, storage):
    bag = small_bag(tmp_path / 'bag', 6, storage=storage, compression='message')
    (bag / 'metadata.yaml').unlink()
    found, codes = read(bag)
    assert_events(found, events(6))
    assert codes == ['bag_cut']


def test_a_database_that_was_not_closed(tmp_path):
    bag = small_bag(tmp_path / 'bag', 6, storage='sqlite3')
    file = storage_file(bag)
    database = sqlite3.connect(file)
    database.execute('PRAGMA journal_mode=WAL')
    database.execute('PRAGMA wal_autocheckpoint=0')
    database.execute('DELETE FROM messages WHERE id > 10')
    database.commit()
    copy = tmp_path / 'copy'
    copy.mkdir()
    for path in (file, file.with_name(f'{file.name}-wal'), bag / 'metadata.yaml'):
        shutil.copy(path, copy)
    database.close()
    # What is only in the log counts: rows beyond the tenth are gone.
    found, codes = read(copy)
    assert_events(found, events(6)[:10])
    assert set(codes) == {'bag_cut'}


def test_one_part_of_a_split_bag_is_spoiled(tmp_path):
    folder = tmp_path / 'bag'
    folder.mkdir()
    for part in range(3):
        one = small_bag(tmp_path / f'part{part}', 4, 4 * part)
        shutil.copy(storage_file(one), folder / f'bag_{part}.mcap')
    (folder / 'bag_1.mcap').write_bytes(b'nothing')
    with open_bag(folder) as stream:
        assert_events(stream, events(4) + events(4, 8))
        texts = [finding.text for finding in stream.findings]
    assert any('bag_1.mcap: is neither an MCAP nor an sqlite3 file' in text for text in texts)


def test_metadata_by_which_it_ends_before_it_begins(bags, tmp_path):
    copy = tmp_path / 'copy'
    shutil.copytree(bags['mcap'], copy)
    file = copy / 'metadata.yaml'
    text, count = re.subn(r'(duration:\s+nanoseconds: )\d+', r'\g<1>-7', file.read_text())
    assert count
    file.write_text(text)
    with open_bag(copy) as stream:
        assert_events(stream, events(COUNT, side=SIDE))
        texts = [finding.text for finding in stream.findings]
    assert any('ends before it begins; read file by file' in text for text in texts)


def test_a_spoiled_chunk_is_left_out(bags, tmp_path):
    data = bytearray(storage_file(bags['mcap']).read_bytes())
    # Chunks of the writer carry no checksum; a claim of another length is what shows.
    at = [k for k in range(len(data) - 9) if data[k] == 6 and 10 ** 6 < struct.unpack_from(
        '<Q', data, k + 1)[0] < 2 * 10 ** 6]
    struct.pack_into('<Q', data, at[1] + 9 + 16, 2 ** 62)
    folder = tmp_path / 'bag'
    folder.mkdir()
    (folder / 'bag.mcap').write_bytes(data[:-40])
    found, codes = read(folder)
    expected = events(COUNT, side=SIDE)
    assert 0 < len(found) < len(expected)
    assert [e.bag_ns for e in found][-1] == expected[-1][0]
    assert set(codes) == {'bag_cut'}


@pytest.mark.parametrize('right', [True, False])
def test_checksums_of_chunks(bags, tmp_path, right):
    data = bytearray(storage_file(bags['small mcap']).read_bytes())
    at = data.index(b'\6', 8) + 9
    # Chunk: start, end, plain size, checksum, name of the compression, packed size, records.
    size, _, length = struct.unpack_from('<QII', data, at + 16)
    first = at + 32 + length + 8
    crc = zlib.crc32(data[first:first + size])
    struct.pack_into('<I', data, at + 24, crc if right else crc ^ 1)
    file = tmp_path / 'bag.mcap'
    file.write_bytes(data[:-40])
    if right:
        assert_events(read(file)[0], events(3))
    else:
        with pytest.raises(BagError, match=r'no topic with messages|is empty'):
            read(file)


def test_times_of_a_cut_off_chunk_are_put_in_order(tmp_path):
    kind = 'geometry_msgs/msg/PoseStamped'
    rows = [('/pose', kind, START_NS + t, stamped(kind, START_NS + t)) for t in (3, 1, 2)]
    kind = 'sensor_msgs/msg/PointCloud2'
    rows.append(('/elevation', kind, START_NS + 9, stamped(kind, START_NS)))
    bag = raw_bag(tmp_path / 'bag', rows)
    size = storage_file(bag).stat().st_size
    found, _ = read(cut(bag, tmp_path / 'cut', size - 40))
    assert [e.bag_ns - START_NS for e in found] == [1, 2, 3, 9]


def empty_folder(path):
    path.mkdir()


def empty_bag(path):
    raw_bag(path, [('/pose', 'geometry_msgs/msg/PoseStamped', 0, None)])


def empty_database(path):
    raw_bag(path, [('/pose', 'geometry_msgs/msg/PoseStamped', 0, None)], storage='sqlite3')


def foreign_database(path):
    database = sqlite3.connect(path)
    database.executescript('CREATE TABLE books(x); INSERT INTO books VALUES (1);')
    database.close()


def folder_with(name, text):
    def make(path):
        path.mkdir()
        (path / name).write_bytes(text)
    return make


MCAP_START = b'\x89MCAP0\r\n'


@pytest.mark.parametrize(('make', 'match'), [
    (lambda p: None, 'bag: no such file or folder; name a bag'),
    (lambda p: p.touch(), 'bag: is empty'),
    (lambda p: p.write_bytes(b'some text that is no bag'), 'is neither an MCAP nor an sqlite3'),
    (lambda p: p.write_bytes(b'#ROSBAG V2.0\n'), 'is a bag of ROS 1; convert it'),
    (lambda p: p.write_bytes(MCAP_START), 'cannot be read|is empty'),
    (lambda p: p.write_bytes(MCAP_START + b'\1' + bytes(8)), 'is empty'),
    (lambda p: p.write_bytes(b'SQLite format 3\0'), 'cannot be read'),
    (lambda p: p.write_bytes(b'SQLite format 3\0' * 1000), 'cannot be read'),
    (lambda p: p.write_bytes(b'\x28\xb5\x2f\xfd' + bytes(50)), 'is empty|neither'),
    (foreign_database, 'cannot be read'),
    (empty_folder, 'no bag in this folder: neither metadata.yaml nor a storage file; name the'),
    (empty_bag, 'the bag is empty: it has no messages'),
    (empty_database, 'the bag is empty: it has no messages'),
    (folder_with('metadata.yaml', b'a: [1'), 'bag: cannot be read: '),
    (folder_with('metadata.yaml', b'just text'), 'bag: cannot be read: '),
    (folder_with('metadata.yaml', b'\xff\xfe\0'), 'bag: cannot be read: '),
    (folder_with('x_0.mcap', b'text'), r'cannot be read: .*x_0.mcap: is neither'),
    (folder_with('x_0.mcap', b''), 'x_0.mcap: is empty'),
])
def test_no_bag_at_all(tmp_path, make, match):
    path = tmp_path / 'bag'
    make(path)
    with pytest.raises(BagError, match=match) as caught:
        open_bag(path)
    assert '\n' not in str(caught.value)
    assert str(path) in str(caught.value)


@settings(max_examples=150, deadline=None)
@given(
    spoils=st.lists(st.tuples(st.integers(0, 10 ** 7), st.binary(min_size=1, max_size=9)),
                    min_size=1, max_size=6),
    storage=st.sampled_from(['small mcap', 'small sqlite3']), metadata=st.booleans())
@example(spoils=[(3182, b'\t')], storage='small sqlite3', metadata=False)  # a column renamed
def test_spoiled_bytes_never_cause_anything_but_our_own_error(
        bags, tmp_path_factory, spoils, storage, metadata):
    data = bytearray(storage_file(bags[storage]).read_bytes())
    for at, value in spoils:
        data[at % len(data):at % len(data) + len(value)] = value
    path = tmp_path_factory.mktemp('spoiled') / 'bag'
    path.mkdir()
    (path / storage_file(bags[storage]).name).write_bytes(data)
    if metadata:
        shutil.copy(bags[storage] / 'metadata.yaml', path)
    with contextlib.suppress(BagError):
        read(path)


@pytest.mark.parametrize('claim', [2 ** 31, 2 ** 40, 2 ** 63, 2 ** 64 - 1])
def test_claims_of_records_and_chunks_take_no_memory(bags, tmp_path, claim):
    data = storage_file(bags['small mcap']).read_bytes()
    at = data.index(b'\6', 8)
    for offset in (1, 9 + 16, 9 + 32):  # of the record, of the chunk plain, and packed
        spoiled = bytearray(data)
        struct.pack_into('<Q', spoiled, at + offset, claim)
        file = tmp_path / f'bag{offset}.mcap'
        file.write_bytes(spoiled[:-40])
        tracemalloc.start()
        try:
            read(file)
        except BagError:
            pass
        finally:
            peak = tracemalloc.get_traced_memory()[1]
            tracemalloc.stop()
        assert peak < 5_000_000


def test_decompression_stops_at_the_wanted_size():
    plain = bytes(10 ** 7)
    for packed, name in ((zstd.compress(plain), 'zstd'), (lz4_frame.compress(plain), 'lz4')):
        assert inflated(packed, name, 10 ** 7) == plain
        assert len(inflated(packed[:-20], name, 10 ** 7)) <= 10 ** 7
        tracemalloc.start()
        try:
            assert len(inflated(packed, name, 1000)) == 1000
            assert tracemalloc.get_traced_memory()[1] < 10 ** 6
        finally:
            tracemalloc.stop()
    with pytest.raises(ValueError, match='unknown compression'):
        inflated(b'', 'gzip', 1)
    with pytest.raises(ValueError, match='claims'):
        inflated(b'', '', 2 ** 40)
