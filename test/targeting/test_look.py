# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""From where a segment is looked at whose design height is not known yet."""

from dataclasses import replace
import math

from berm_ledger.geometry import Pose2
from berm_ledger.targeting.look import look_at_unknown
import numpy as np
import pytest
from shapely.geometry import Polygon
from targeting_kit import bare_rows, choose_target, rectangle, ring, site_of, straight

PIT = rectangle(5.5, 1.0, 7.0, 3.0)


def unknown(site, numbers=None):
    return tuple(
        replace(row, target_height_m=math.nan)
        if numbers is None or row.segment in numbers else row
        for row in bare_rows(site, loads=0))


def test_the_first_along_the_berm_from_the_side_of_the_borrow_area():
    site = site_of(straight(2.0), borrow=[PIT])
    answer = choose_target(site, unknown(site), None, None)
    assert (answer.code, answer.segment) == ('look', 1)
    # Drop point 0.75 m ahead and 0.5 m of run-up, square to the middle of the segment.
    pose = answer.look_pose
    assert (pose.x_m, pose.y_m) == pytest.approx((0.2, 1.25))
    assert pose.yaw_rad == pytest.approx(-0.5 * math.pi)


def test_the_nearest_to_the_robot_comes_first_and_what_is_known_is_left_out():
    site = site_of(straight(2.0), borrow=[PIT])
    rows = unknown(site, {1, 4, 5})
    assert look_at_unknown(site, rows, None, Pose2(1.05, 2.0)).segment == 4
    assert look_at_unknown(site, unknown(site, set()), None, None) is None


@pytest.mark.parametrize('berm', [straight(2.0), ring(1.5)])
def test_the_segment_lies_on_the_side_where_the_load_leaves(berm):
    site = site_of(berm, borrow=[PIT])
    for row in unknown(site):
        look = look_at_unknown(site, unknown(site, {row.segment}), None, None)
        middle = berm.centreline.point_at(0.5 * (row.station_from_m + row.station_to_m))
        ahead = look.look_pose.inverse().apply([middle])[0]
        assert ahead == pytest.approx([1.25, 0.0], abs=1e-9)


def test_a_side_that_is_walled_off_is_not_looked_from():
    wall = rectangle(-1.0, 0.5, 3.0, 3.5)
    site = site_of(straight(2.0), borrow=[rectangle(5.5, -3.0, 7.0, -1.0)], keep_outs=[wall])
    rows = unknown(site)
    for number in range(1, 6):
        pose = look_at_unknown(site, unknown(site, {number}), None, None).look_pose
        assert pose.y_m < 0.0
        body = Polygon(pose.apply(site.rover.footprint.corners_xy))
        assert not body.intersects(Polygon(wall.corners_xy))
    assert len(rows) == 5


def test_a_turned_look_where_the_square_one_is_not_free():
    # A post on either side stands where the robot would stand square to the segment.
    posts = [rectangle(0.9, 1.1, 1.1, 1.3), rectangle(0.9, -1.3, 1.1, -1.1)]
    site = site_of(straight(2.0), borrow=[PIT], keep_outs=posts)
    pose = look_at_unknown(site, unknown(site, {3}), None, None).look_pose
    turn = abs(abs(pose.yaw_rad) - 0.5 * math.pi)
    assert 0.3 < turn < 0.8
    assert np.hypot(*(pose.xy - [1.0, 0.0])) == pytest.approx(1.25)


def test_a_look_keeps_the_whole_footprint_off_things_not_only_its_middle():
    # Its middle has room where the square looks would be from, but a post stands under its tail.
    posts = [rectangle(0.95, 1.5, 1.05, 1.6), rectangle(0.95, -1.6, 1.05, -1.5)]
    site = site_of(straight(2.0), borrow=[PIT], keep_outs=posts)
    pose = look_at_unknown(site, unknown(site, {3}), None, None).look_pose
    body = Polygon(pose.apply(site.rover.footprint.corners_xy))
    assert not any(body.intersects(Polygon(post.corners_xy)) for post in posts)


@pytest.mark.parametrize('options', [
    {'yard': rectangle(-1.0, -0.8, 3.0, 0.8)},
    # Free places there are, but a fence across the yard is between them and the borrow area.
    {'borrow': [PIT], 'keep_outs': [rectangle(4.0, -5.0, 4.5, 5.0)]}])
def test_without_a_free_place_that_can_be_reached_it_says_so_and_gives_no_pose(options):
    site = site_of(straight(2.0), **options)
    answer = look_at_unknown(site, unknown(site), None, None)
    assert (answer.code, answer.look_pose) == ('look', None)
    assert 'no free place' in answer.reason
