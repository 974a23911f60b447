# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The standing crest as a point cloud, there and back."""

from dataclasses import replace
import math

from berm_ledger.books.profile import CrestProfile
from berm_ledger.errors import MessageError
from berm_ledger.ros.messages.crests import fill_crest_cloud, profiles_from_crest_cloud
from messages_kit import KITS, site
import numpy as np
import pytest

NOW_NS = 1_700_000_000_000_000_000
CLOUD = 'sensor_msgs/msg/PointCloud2'


@pytest.fixture(name='kit', params=sorted(KITS), scope='module')
def make_kit(request):
    return KITS[request.param]()


def profiles():
    return (
        CrestProfile(0, np.array([0.1, 0.3, 0.5]), np.array([0.125, math.nan, 0.25]),
                     np.array([0.0, math.nan, -0.03125]), np.array([0.25, 0.25, 0.25])),
        CrestProfile(1, np.array([0.25, 0.75]), np.array([0.0, 0.0625]),
                     np.array([0.0, 0.5]), np.array([0.5, 0.5])))


def cloud(kit, of=None, **changes):
    values = [replace(profile, **changes) for profile in profiles()]
    lines = [np.column_stack([p.station_m, p.offset_m, p.height_m]) for p in values]
    msg = kit.blank(CLOUD)
    fill_crest_cloud(msg, of or site(), values, lines, NOW_NS, kit.types)
    return kit.over_the_wire(msg, CLOUD)


def test_profiles_come_back_the_same(kit):
    for ours, back in zip(profiles(), profiles_from_crest_cloud(cloud(kit), site())):
        assert ours.berm_index == back.berm_index
        for name in ('station_m', 'height_m', 'offset_m', 'target_m'):
            np.testing.assert_array_equal(
                np.float32(getattr(ours, name)), getattr(back, name), err_msg=name)


def test_fields_that_the_readme_names(kit):
    msg = cloud(kit)
    assert [item.name for item in msg.fields] == [
        'x', 'y', 'z', 'berm', 'station', 'offset', 'height', 'target_height']
    assert (msg.height, msg.width, msg.header.frame_id) == (1, 5, 'map')


@pytest.mark.parametrize(('change', 'text'), [
    (lambda msg: setattr(msg.header, 'frame_id', 'odom'), 'in frame odom; the site file says map'),
    (lambda msg: setattr(msg.fields[4], 'name', 'other'), 'no field station'),
])
def test_another_cloud_is_refused(kit, change, text):
    msg = cloud(kit)
    change(msg)
    with pytest.raises(MessageError, match=text):
        profiles_from_crest_cloud(msg, site())


def test_unknown_berms_and_wild_stations_are_refused(kit):
    with pytest.raises(MessageError, match='of berm 7; the site file has 2 berms'):
        profiles_from_crest_cloud(cloud(kit, berm_index=7), site())
    with pytest.raises(MessageError, match='do not ascend'):
        profiles_from_crest_cloud(cloud(kit, berm_index=0), site())
