# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The types that bags are read and written with are those of ROS."""

import importlib.util
from pathlib import Path

from bags_kit import events, raw_bag, small_bag, stamped, START_NS
from berm_ledger.offline.bag_topics import GRID_MAP, ROLE_TYPES
from berm_ledger.offline.bag_types import bag_typestore, blank_message
from berm_ledger.offline.bags import BagOptions, open_bag
import pytest
from rosbags.typesys import get_types_from_msg

STOCK = [name for kinds in ROLE_TYPES.values() for name in kinds if name != GRID_MAP]


def installed_text(name):
    """Return the definition of a type as the ROS installation here has it."""
    package, _, kind = name.split('/')
    spec = importlib.util.find_spec(package)
    if spec is None or spec.origin is None:
        pytest.skip(f'{package} is not installed')
    for top in Path(spec.origin).parents:
        file = top / 'share' / package / 'msg' / f'{kind}.msg'
        if file.exists():
            return file.read_text()
    pytest.skip(f'{package} is installed without its definitions')
    return ''


def whole_text(name):
    """Return a definition followed by all that it uses, as a recorder writes it."""
    fields = bag_typestore().fielddefs
    used, waiting = [], [name]
    while waiting:
        current = waiting.pop(0)
        if current in used:
            continue
        used.append(current)
        for _, desc in fields[current][1]:
            while isinstance(desc[1], tuple) and isinstance(desc[1][0], tuple):
                desc = desc[1][0]
            if isinstance(desc[1], str):
                waiting.append(desc[1])
    parts = [installed_text(used[0])]
    for other in used[1:]:
        package, _, kind = other.split('/')
        parts.append(f'{"=" * 80}\nMSG: {package}/{kind}\n{installed_text(other)}')
    return '\n'.join(parts)


@pytest.mark.parametrize('name', STOCK)
def test_fields_are_those_of_the_installation(name):
    given = get_types_from_msg(whole_text(name), name)
    assert name in given
    for kind, (_, fields) in given.items():
        assert list(fields) == list(bag_typestore().fielddefs[kind][1]), kind


@pytest.mark.parametrize('name', STOCK)
def test_definitions_as_recorders_write_them_are_taken(tmp_path, name):
    rows = [('/pose', 'geometry_msgs/msg/PoseStamped', START_NS,
             stamped('geometry_msgs/msg/PoseStamped', START_NS)),
            ('/elevation', 'sensor_msgs/msg/PointCloud2', START_NS,
             stamped('sensor_msgs/msg/PointCloud2', START_NS)),
            ('/it', name, START_NS, blank_message(name))]
    path = raw_bag(tmp_path / 'bag', rows, definitions={name: whole_text(name)})
    role = next(role for role, kinds in ROLE_TYPES.items() if name in kinds)
    with open_bag(path, BagOptions(**{f'{role}_topic': '/it'})) as stream:
        assert sum(1 for _ in stream) >= 2


# Field list of the published definition (grid_map_msgs of ROS 2, humble to rolling).
def test_grid_map_has_the_published_fields():
    fields = bag_typestore().fielddefs
    assert [name for name, _ in fields[GRID_MAP][1]] == [
        'header', 'info', 'layers', 'basic_layers', 'data', 'outer_start_index',
        'inner_start_index']
    assert [name for name, _ in fields['grid_map_msgs/msg/GridMapInfo'][1]] == [
        'resolution', 'length_x', 'length_y', 'pose']


@pytest.mark.parametrize('name', sorted(bag_typestore().fielddefs))
def test_blank_messages_can_be_sent(name):
    store = bag_typestore()
    blank = blank_message(name)
    raw = bytes(store.serialize_cdr(blank, name))
    assert bytes(store.serialize_cdr(store.deserialize_cdr(raw, name), name)) == raw


def test_bag_libraries_own_reader_agrees(tmp_path):
    # An independent reading of the same bag: names, types, counts and times.
    from rosbags.highlevel import AnyReader

    with AnyReader([small_bag(tmp_path / 'bag')]) as reader:
        rows = [(c.topic, t) for c, t, _ in reader.messages()]
    topics = {'grid': '/elevation', 'pose': '/pose', 'dump': '/dump'}
    assert rows == [(topics[kind], stamp_ns) for stamp_ns, kind, _ in events()]
