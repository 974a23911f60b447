# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Bags that are as they should be: every kind of storage, topics, order, time."""

import errno
import math
import re
import sqlite3
import tracemalloc

from bags_kit import (
    assert_events,
    events,
    grid,
    raw_bag,
    read,
    small_bag,
    stamped,
    START_NS,
    STEP_NS,
    storage_file,
)
from berm_ledger.errors import BagError, UsageError
from berm_ledger.geometry import Pose2, StampedPose
from berm_ledger.offline.bag_records import MOST_WAITING
from berm_ledger.offline.bag_types import bag_message_types, blank_message
from berm_ledger.offline.bag_writer import write_bag
from berm_ledger.offline.bags import BagOptions, open_bag
from berm_ledger.ros.messages import fill_grid_map, fill_point_cloud, fill_pose
import pytest
from rosbags.rosbag2 import CompressionMode
from ruamel.yaml import YAML

CLOUD = 'sensor_msgs/msg/PointCloud2'
MAP = 'grid_map_msgs/msg/GridMap'
POSE = 'geometry_msgs/msg/PoseStamped'
COVARIANCE = 'geometry_msgs/msg/PoseWithCovarianceStamped'
ODOMETRY = 'nav_msgs/msg/Odometry'
MASS = 'std_msgs/msg/Float32'


def cloud(stamp_ns):
    msg = blank_message(CLOUD)
    fill_point_cloud(msg, grid(stamp_ns), bag_message_types())
    return msg


def pose(kind, stamp_ns):
    msg = blank_message(kind)
    fill_pose(msg, StampedPose(stamp_ns, 'map', Pose2(1.0, 2.0, 0.5)))
    return msg


@pytest.mark.parametrize('compression', ['none', 'message', 'file'])
@pytest.mark.parametrize('storage', ['mcap', 'sqlite3'])
@pytest.mark.parametrize('elevation_type', ['point_cloud', 'grid_map'])
def test_what_was_written_comes_back(tmp_path, storage, compression, elevation_type):
    path = tmp_path / 'bag'
    written = [(t, kind, value) for t, kind, value in events()]
    if elevation_type == 'grid_map':  # which cannot be mirrored
        written = [e for e in written if e[1] != 'grid' or e[2].axes.row_step_xy[0] > 0.0]
        written.append((START_NS + 10 ** 10, 'grid', turned(START_NS + 10 ** 10)))
    counts = write_bag(
        path, written, storage=storage, compression=compression, elevation_type=elevation_type)
    assert counts == {kind: sum(e[1] == kind for e in written) for kind in counts}
    with open_bag(path) as stream:
        assert_events(stream, written)
        assert stream.findings == []
        assert stream.message_count == len(written)
        assert (stream.start_ns, stream.end_ns) == (written[0][0], written[-1][0])
        assert_events(stream, written)


def turned(stamp_ns):
    from berm_ledger.geometry import GridAxes
    from berm_ledger.survey import ElevationGrid

    return ElevationGrid(
        stamp_ns, 'map', GridAxes((0.5, 1.0), (0.3, 0.4), (-0.4, 0.3)), grid(stamp_ns).height_m)


@pytest.mark.parametrize('storage', ['mcap', 'sqlite3'])
def test_folder_file_or_metadata(tmp_path, storage):
    path = small_bag(tmp_path / 'bag', storage=storage)
    for way in (path, str(path), storage_file(path), path / 'metadata.yaml'):
        found, codes = read(way)
        assert_events(found, events())
        assert codes == []


def test_a_single_file_that_is_compressed(tmp_path):
    path = small_bag(tmp_path / 'bag', compression='file')
    found, codes = read(storage_file(path))
    assert_events(found, events())
    assert codes == []


@pytest.mark.parametrize('name', ['bag', 'bag/bag.mcap.zstd'])
def test_no_room_to_unpack_says_where(tmp_path, monkeypatch, name):
    def full(*_):
        raise OSError(errno.ENOSPC, 'No space left on device')

    small_bag(tmp_path / 'bag', compression='file')
    for reader in ('WholeBag', 'unpack_file'):
        monkeypatch.setattr(f'berm_ledger.offline.bag_sources.{reader}', full)
    with pytest.raises(BagError, match=f'{name}: there is no room to unpack it in .*TMPDIR'):
        open_bag(tmp_path / name)


def test_compressed_in_chunks(tmp_path):
    rows = [('/elevation', CLOUD, START_NS + k, cloud(START_NS + k)) for k in range(5)]
    rows.append(('/pose', POSE, START_NS + 9, pose(POSE, START_NS + 9)))
    path = raw_bag(tmp_path / 'bag', rows, mode=CompressionMode.STORAGE)
    found, codes = read(path)
    assert [e.role for e in found] == ['elevation'] * 5 + ['pose']
    assert codes == []


@pytest.mark.parametrize('with_metadata', [True, False])
@pytest.mark.parametrize('storage', ['mcap', 'sqlite3'])
def test_split_bags(tmp_path, storage, with_metadata):
    folder = tmp_path / 'bag'
    folder.mkdir()
    yaml, metadata, names = YAML(typ='safe'), None, []
    # Part 10 comes after part 9, not after part 1; sqlite3 is slow to make.
    parts = 12 if storage == 'mcap' else 3
    for part in range(parts):
        one = small_bag(tmp_path / f'part{part}', 3, 3 * part, storage=storage)
        file = storage_file(one)
        names.append(f'bag_{part}{file.suffix}')
        file.rename(folder / names[-1])
        info = yaml.load((one / 'metadata.yaml').read_text())['rosbag2_bagfile_information']
        if metadata is None:
            metadata = info
            continue
        metadata['message_count'] += info['message_count']
        for mine, its in zip(
                metadata['topics_with_message_count'], info['topics_with_message_count']):
            mine['message_count'] += its['message_count']
    metadata['relative_file_paths'] = names
    metadata['duration']['nanoseconds'] = (3 * parts - 1) * STEP_NS
    if with_metadata:
        with (folder / 'metadata.yaml').open('w') as file:
            yaml.dump({'rosbag2_bagfile_information': metadata}, file)
    found, codes = read(folder)
    assert_events(found, events(3 * parts))
    assert codes == ([] if with_metadata else ['bag_cut'])


def test_parts_of_one_time_come_in_the_order_of_their_numbers(tmp_path):
    folder = tmp_path / 'bag'
    folder.mkdir()
    for part in (10, 9):
        rows = [('/pose', POSE, START_NS, pose(POSE, START_NS + part)),
                ('/elevation', CLOUD, START_NS, cloud(START_NS + part))]
        one = raw_bag(tmp_path / f'part{part}', rows)
        storage_file(one).rename(folder / f'bag_{part}.mcap')
    assert [e.stamp_ns - START_NS for e in read(folder)[0]] == [9, 9, 10, 10]


def test_parts_are_not_begun_before_their_time(tmp_path):
    folder = tmp_path / 'bag'
    folder.mkdir()
    side = 150
    for part in range(12):
        one = small_bag(tmp_path / f'part{part}', 1, part, side=side)
        storage_file(one).rename(folder / f'bag_{part}.mcap')
    read(folder)
    tracemalloc.start()
    try:
        read_count = sum(1 for _ in each(folder))
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert read_count == len(events(12))
    assert peak < 12 * side * side * 12


def each(path):
    with open_bag(path) as stream:
        yield from stream


def test_a_day_in_parts_in_any_order(tmp_path):
    parts = [small_bag(tmp_path / f'part{k}', 4, 4 * k) for k in range(3)]
    found, codes = read([parts[2], parts[0], parts[1]])
    assert_events(found, events(12))
    assert codes == []


def test_bags_side_by_side_are_joined_by_time(tmp_path):
    together = events()
    write_bag(tmp_path / 'a', [e for e in together if e[1] != 'grid'])
    write_bag(tmp_path / 'b', [e for e in together if e[1] == 'grid'])
    with open_bag([tmp_path / 'a', tmp_path / 'b']) as stream:
        assert_events(stream, together)
        assert stream.message_count == len(together)


def test_time_of_recording_orders_and_ties_keep_the_order_of_the_file(tmp_path):
    rows = [('/pose', POSE, START_NS + t, pose(POSE, START_NS + k))
            for k, t in enumerate([5, 5, 3, 5, 4])]
    rows.append(('/elevation', CLOUD, START_NS + 9, cloud(START_NS)))
    for storage in ('mcap', 'sqlite3'):
        found, _ = read(raw_bag(tmp_path / storage, rows, storage=storage))
        assert [e.stamp_ns - START_NS for e in found[:-1]] == [2, 4, 0, 1, 3]


@pytest.mark.parametrize('kind', [POSE, COVARIANCE, ODOMETRY])
def test_every_type_of_pose(tmp_path, kind):
    path = raw_bag(tmp_path / 'bag', [
        ('/where', kind, START_NS, pose(kind, START_NS)),
        ('/top', CLOUD, START_NS, cloud(START_NS))])
    found, _ = read(path)
    assert [e.role for e in found] == ['pose', 'elevation']
    assert found[0].value.pose.x_m == 1.0


def old_sqlite(path):
    """Take the definitions out of an sqlite3 bag, as recorders before 2023 left it."""
    database = sqlite3.connect(storage_file(path))
    database.executescript(
        'DROP TABLE message_definitions; DROP TABLE metadata; DROP TABLE schema;'
        'CREATE TABLE schema(schema_version INTEGER PRIMARY KEY, ros_distro TEXT NOT NULL);'
        "INSERT INTO schema VALUES (3, 'humble');"
        'CREATE TABLE old(id INTEGER PRIMARY KEY, name TEXT NOT NULL, type TEXT NOT NULL,'
        ' serialization_format TEXT NOT NULL, offered_qos_profiles TEXT NOT NULL);'
        'INSERT INTO old SELECT id, name, type, serialization_format, offered_qos_profiles'
        ' FROM topics; DROP TABLE topics; ALTER TABLE old RENAME TO topics;')
    database.close()


def test_sqlite3_without_type_definitions(tmp_path):
    path = tmp_path / 'bag'
    written = [e for e in events() if e[1] != 'grid']
    written.append((START_NS + 10 ** 10, 'grid', turned(START_NS + 10 ** 10)))
    write_bag(path, written, storage='sqlite3', elevation_type='grid_map')
    old_sqlite(path)
    found, codes = read(path)
    assert_events(found, written)
    assert codes == []


def test_another_definition_of_a_type(tmp_path):
    path = raw_bag(
        tmp_path / 'bag', [('/elevation', CLOUD, START_NS, cloud(START_NS)),
                           ('/pose', POSE, START_NS, pose(POSE, START_NS)),
                           ('/dump', MASS, START_NS, blank_message(MASS))],
        definitions={MASS: 'float64 data'})
    with pytest.raises(BagError, match=r'/dump was recorded with another definition of std_msgs'):
        open_bag(path)


def test_a_definition_in_the_bag_makes_no_code(tmp_path):
    text = 'float32 data\nfloat32 x=__import__("os").abort()'
    path = raw_bag(
        tmp_path / 'bag', [('/elevation', CLOUD, START_NS, cloud(START_NS)),
                           ('/pose', POSE, START_NS, pose(POSE, START_NS)),
                           ('/dump', MASS, START_NS, blank_message(MASS))],
        definitions={MASS: text})
    assert len(read(path)[0]) == 3


@pytest.mark.parametrize(('limits', 'steps'), [
    ({'start_s': 0.4}, range(2, 12)),
    ({'end_s': 0.4}, range(2)),
    ({'start_s': 0.2, 'end_s': 0.6000001}, range(1, 4)),
    ({'start_s': 0.0, 'end_s': 1e300}, range(12)),
    ({'start_s': 2.2}, range(11, 12)),
])
@pytest.mark.parametrize('storage', ['mcap', 'sqlite3'])
def test_a_part_of_a_bag(tmp_path, storage, limits, steps):
    path = small_bag(tmp_path / 'bag', storage=storage)
    found, codes = read(path, **limits)
    wanted = {START_NS + k * STEP_NS for k in steps}
    assert_events(found, [e for e in events() if e[0] in wanted])
    assert codes == []


@pytest.mark.parametrize(('limits', 'error', 'match'), [
    ({'start_s': 3.0}, BagError, 'start 3.0 s is after the end of the bag at 2.2 s'),
    ({'start_s': math.inf}, UsageError, 'select nothing'),
    ({'start_s': -1.0}, UsageError, 'select nothing'),
    ({'start_s': 2.0, 'end_s': 1.0}, UsageError, 'the end must be after the start'),
    ({'start_s': math.nan}, UsageError, 'select nothing'),
    ({'end_s': math.nan}, UsageError, 'select nothing'),
])
def test_a_part_that_is_none(tmp_path, limits, error, match):
    with pytest.raises(error, match=match):
        open_bag(small_bag(tmp_path / 'bag'), BagOptions(**limits))


def test_header_stamps_of_another_time(tmp_path):
    rows = [('/elevation', CLOUD, START_NS + k, cloud(5 * 10 ** 9)) for k in range(3)]
    rows += [('/pose', POSE, START_NS + 5, pose(POSE, 5 * 10 ** 9))]
    with open_bag(raw_bag(tmp_path / 'bag', rows)) as stream:
        assert [e.stamp_ns for e in stream] == [5 * 10 ** 9] * 4
    (finding,) = stream.findings
    assert finding.code == 'bag_time'
    assert 'header stamps are -1699999995.0 s off the time of recording' in finding.text


def test_bad_messages_are_events(tmp_path):
    late = stamped(POSE, START_NS)
    late.pose.orientation.w = 3.0
    odd = stamped(POSE, START_NS)
    odd.header.stamp.nanosec = 2 * 10 ** 9
    path = raw_bag(tmp_path / 'bag', [
        ('/pose', POSE, START_NS, late),
        ('/pose', POSE, START_NS + 1, odd),
        ('/pose', POSE, START_NS + 2, b'\0\1\0\0abc'),
        ('/pose', POSE, START_NS + 3, b''),
        ('/elevation', CLOUD, START_NS + 4, stamped(CLOUD, START_NS)),
        ('/dump', MASS, START_NS + 5, b'\0\1\0\0'),
        ('/pose', POSE, START_NS + 6, pose(POSE, START_NS))])
    found, codes = read(path)
    assert [e.role for e in found] == ['pose'] * 4 + ['elevation', 'dump', 'pose']
    assert [e.value is None for e in found] == [True] * 6 + [False]
    assert [e.stamp_ns for e in found[:6]] == [START_NS, None, None, None, START_NS, None]
    assert [e.bag_ns - START_NS for e in found] == list(range(7))
    for event, match in zip(found, [
            'pose: quaternion .* is not of unit length', 'header.stamp.nanosec is',
            'cannot be decoded: ', 'cannot be decoded: Invalid or unsupported CDR',
            'point cloud is not organised', 'cannot be decoded: ', '$']):
        assert re.match(match, event.fault)
    assert codes == []


def test_a_layer_is_chosen(tmp_path):
    msg = blank_message(MAP)
    fill_grid_map(msg, turned(START_NS), 'top', bag_message_types())
    path = raw_bag(tmp_path / 'bag', [
        ('/map', MAP, START_NS, msg), ('/pose', POSE, START_NS, pose(POSE, START_NS))])
    assert [e.role for e in read(path, layer='top')[0]] == ['elevation', 'pose']
    (bad, _), _ = read(path)
    assert bad.fault == 'grid map has no layer elevation; its layers are: top'


@pytest.mark.parametrize('storage', ['mcap', 'sqlite3'])
def test_memory_does_not_grow_with_the_bag(tmp_path, storage):
    side, peaks = 150, []
    for count in (10, 60):
        path = small_bag(tmp_path / f'bag{count}', count, side=side, storage=storage)
        read(path)
        tracemalloc.start()
        try:
            with open_bag(path) as stream:
                assert sum(1 for _ in stream) > 2 * count
            peaks.append(tracemalloc.get_traced_memory()[1])
        finally:
            tracemalloc.stop()
    message = side * side * 12
    # Some may wait for their digest, as many as the processor has not come to yet.
    assert peaks[1] < peaks[0] + (MOST_WAITING + 1) * message
    assert peaks[1] < 25 * message
