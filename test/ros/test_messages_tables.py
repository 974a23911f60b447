# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The table for machines, there and back."""

from dataclasses import replace
import math

from berm_ledger.design import Plane
from berm_ledger.errors import MessageError
from berm_ledger.ros.messages import fill_segments_cloud, rows_from_segments_cloud
from messages_kit import KITS, put, site, table_rows
import numpy as np
import pytest

NOW_NS = 1_700_000_000_000_000_000
CLOUD = 'sensor_msgs/msg/PointCloud2'
# The fields that the design fixes for the topic `segments`, in its order.
DESIGN_FIELDS = [
    'x', 'y', 'z', 'segment', 'berm', 'station_from', 'station_to', 'target_height', 'height',
    'height_se', 'low', 'high', 'coverage', 'at_grade', 'deficit_height', 'deficit_volume',
    'dumps_remaining', 'dumps_made', 'line_offset', 'state', 'age']


@pytest.fixture(name='kit', params=sorted(KITS), scope='module')
def make_kit(request):
    return KITS[request.param]()


def table(kit, of=None, rows=None, **options):
    of = of or site()
    msg = kit.blank(CLOUD)
    fill_segments_cloud(msg, of, rows or table_rows(of, NOW_NS), NOW_NS, kit.types, **options)
    return kit.over_the_wire(msg, CLOUD)


def column(msg, name):
    """Read a field as any user of the topic would, by its offset."""
    item = next(item for item in msg.fields if item.name == name)
    dtype = {6: '<u4', 7: '<f4'}[item.datatype]
    data = np.frombuffer(bytes(msg.data), np.uint8).reshape(msg.width, msg.point_step)
    return data[:, item.offset:item.offset + 4].copy().view(dtype)[:, 0]


def test_fields_of_the_design(kit):
    msg = table(kit)
    assert [item.name for item in msg.fields] == DESIGN_FIELDS
    assert (msg.height, msg.width, msg.header.frame_id) == (1, 5, 'map')
    counts = {item.name for item in msg.fields if item.datatype == 6}
    assert counts == {'segment', 'berm', 'dumps_remaining', 'dumps_made', 'state'}
    assert column(msg, 'segment').tolist() == [1, 2, 3, 1, 2]
    assert column(msg, 'berm').tolist() == [0, 0, 0, 1, 1]
    assert column(msg, 'state').tolist() == [1, 2, 3, 0, 1]
    np.testing.assert_array_equal(column(msg, 'age'), [0.5, 1.0, 1.5, math.nan, 2.5])
    assert math.isnan(column(msg, 'height')[3])


def test_points_are_on_the_design_crest(kit):
    # Middles of three segments of 0.4 m along y = 0, and of two along x = 3; plane z = 0.1 x.
    expected_xy = [[0.2, 0.0], [0.6, 0.0], [1.0, 0.0], [3.0, 1.2], [3.0, 1.6]]
    msg = table(kit, site(Plane(0.1, 0.0, 0.0)))
    xyz = np.stack([column(msg, name) for name in 'xyz'], axis=1)
    np.testing.assert_allclose(xyz[:, :2], expected_xy, atol=1e-6)
    np.testing.assert_allclose(xyz[:, 2], [0.27, 0.31, 0.35, 0.55, 0.55], atol=1e-6)
    surveyed = column(table(kit, datum_m=[0.0, 0.5, math.nan, 1.0, 1.0]), 'z')
    np.testing.assert_allclose(surveyed, [0.25, 0.75, math.nan, 1.25, 1.25])
    # Without a datum only a level crest has a height.
    np.testing.assert_allclose(
        column(table(kit), 'z'), [math.nan, math.nan, math.nan, 0.6, 0.6], atol=1e-6)


def test_there_and_back(kit):
    of = site()
    rows = table_rows(of, NOW_NS)
    after = rows_from_segments_cloud(table(kit, of), of)
    for a, b in zip(after, rows):
        for name in b.__dataclass_fields__:
            np.testing.assert_equal(getattr(a, name), getattr(b, name), err_msg=name)


def test_counts_stay_counts(kit):
    of = site()
    rows = table_rows(of, NOW_NS)
    rows = (replace(rows[0], dumps_remaining=-1, dumps_made=2 ** 40), *rows[1:])
    after = rows_from_segments_cloud(table(kit, of, rows), of)
    assert (after[0].dumps_remaining, after[0].dumps_made) == (0, 2 ** 32 - 1)


def spoil_data(name, value):
    def spoil(msg):
        item = next(item for item in msg.fields if item.name == name)
        data = bytearray(bytes(msg.data))
        data[item.offset:item.offset + 4] = value
        put(msg, bytes(data))
    return spoil


def drop_field(msg):
    msg.fields = [item for item in msg.fields if item.name != 'coverage']


@pytest.mark.parametrize(('spoil', 'match'), [
    (lambda m: setattr(m.header, 'frame_id', 'odom'), 'frame odom; the site file says map'),
    (lambda m: setattr(m, 'width', 4), 'has 4 points; the site file makes 5'),
    (lambda m: setattr(m, 'height', 2), 'has 10 points'),
    (lambda m: put(m, b'12'), 'sizes do not match'),
    (drop_field, 'no field coverage'),
    (lambda m: setattr(m.fields[3], 'datatype', 7), 'field segment has datatype 7'),
    (spoil_data('segment', b'\x07\0\0\0'), 'berm 0 segment 7 from .* of the same site file'),
    (spoil_data('berm', b'\xff\xff\xff\xff'), 'berm 4294967295 segment 1'),
    (spoil_data('station_to', b'\0\0\xc0\x7f'), 'to nan m where'),
    (spoil_data('station_to', b'\0\0\0\x3f'), 'from 0.000 to 0.500 m where'),
    (spoil_data('state', b'\x09\0\0\0'), 'state 9 of segment 1'),
])
def test_tables_that_are_none(kit, spoil, match):
    msg = table(kit)
    spoil(msg)
    with pytest.raises(MessageError, match=match):
        rows_from_segments_cloud(msg, site())
