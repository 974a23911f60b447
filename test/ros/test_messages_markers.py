# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What RViz is sent."""

import math

from berm_ledger.books import Flag
from berm_ledger.design import Plane
from berm_ledger.geometry import Pose2
from berm_ledger.ros.messages import fill_markers, fill_no_markers
from messages_kit import KITS, site, table_rows
import numpy as np
import pytest

NAN = math.nan
NOW_NS = 12_000_000_000
ARRAY = 'visualization_msgs/msg/MarkerArray'
# visualization_msgs/Marker: kinds and actions.
ARROW, SPHERE, LINE_STRIP, LINE_LIST, TEXT = 0, 2, 4, 5, 9
ADD, DELETE, DELETEALL = 0, 2, 3


@pytest.fixture(name='kit', params=sorted(KITS), scope='module')
def make_kit(request):
    return KITS[request.param]()


def markers(kit, datum_plane=None, **options):
    of = site(datum_plane)
    msg = kit.blank(ARRAY)
    fill_markers(msg, of, table_rows(of, NOW_NS), stamp_ns=NOW_NS, types=kit.types, **options)
    out = {(m.ns, m.id): m for m in kit.over_the_wire(msg, ARRAY).markers}
    assert len(out) == len(msg.markers)
    return out


def points(marker):
    return np.array([[p.x, p.y, p.z] for p in marker.points])


def test_every_segment_has_a_line_and_a_label(kit):
    out = markers(kit, Plane(0.0, 0.0, 1.0))
    lines = [m for (name, _), m in out.items() if name == 'segments']
    assert [m.type for m in lines] == [LINE_STRIP] * 5
    np.testing.assert_allclose(points(lines[1])[[0, -1]], [[0.4, 0, 1.25], [0.8, 0, 1.25]])
    labels = [m for (name, _), m in out.items() if name == 'labels']
    assert {m.type for m in labels} == {TEXT}
    assert labels[1].text == '2: 0.141 of 0.25 m AT_GRADE'
    assert labels[3].text == '1: UNSEEN'
    # Colour is never the only sign, but the states do differ in it.
    assert len({(m.color.r, m.color.g, m.color.b) for m in lines}) == 4


def test_markers_never_time_out_and_are_in_the_site_frame(kit):
    for marker in markers(kit, target=Pose2(1.0, 2.0)).values():
        assert (marker.lifetime.sec, marker.lifetime.nanosec) == (0, 0)
        assert (marker.header.frame_id, marker.header.stamp.sec) == ('map', 12)
        assert marker.color.a == 1.0
        values = (marker.scale.x, marker.pose.position.z, *points(marker).reshape(-1))
        assert all(math.isfinite(v) for v in values)


def test_crest_line_keeps_its_gaps(kit):
    line = np.array([[0, 0, 1], [1, 0, 1], [NAN, NAN, NAN], [3, 0, 1], [4, 0, 2.0]])
    out = markers(kit, crest_lines=[line, np.full((4, 3), NAN)])
    assert (out['crest', 0].type, out['crest', 0].action) == (LINE_LIST, ADD)
    np.testing.assert_array_equal(
        points(out['crest', 0]), [[0, 0, 1], [1, 0, 1], [3, 0, 1], [4, 0, 2]])
    assert out['crest', 1].action == DELETE
    assert markers(kit, crest_lines=[np.empty((0, 3))])['crest', 0].action == DELETE


def test_flags_come_and_go_by_name(kit):
    out = markers(kit, flags=[Flag('level', 2, 0, 0.1, 0.0, 1.0, 1)])
    assert [out['flags', k].action for k in range(5)] == [DELETE] * 4 + [ADD]
    assert out['flags', 4].type == SPHERE
    assert out['flags', 4].pose.position.y == pytest.approx(1.6)


def test_target_comes_and_goes(kit):
    arrow = markers(kit, target=Pose2(1.0, 2.0, math.pi / 2))['target', 0]
    assert (arrow.type, arrow.action) == (ARROW, ADD)
    assert (arrow.pose.position.x, arrow.pose.position.y) == (1.0, 2.0)
    assert arrow.pose.orientation.z == pytest.approx(math.sqrt(0.5))
    assert markers(kit)['target', 0].action == DELETE


def test_all_of_them_go_at_one_word(kit):
    msg = kit.blank(ARRAY)
    fill_no_markers(msg, kit.types)
    marker, = kit.over_the_wire(msg, ARRAY).markers
    # Without a namespace it is meant for all of them.
    assert (marker.action, marker.ns) == (DELETEALL, '')
