# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The plain choice: nearest, square on, and why not."""

from dataclasses import replace
import math

from berm_ledger.books.rows import State
from berm_ledger.geometry import Pose2
from berm_ledger.targeting import choose_target, NoTarget, Target
import numpy.testing as npt
import pytest
from targeting_kit import bare_rows, raised, rectangle, rover_of, site_of, straight


def test_first_segment_from_the_side_of_the_robot():
    site = site_of(straight(2.0))
    target = choose_target(site, bare_rows(site), None, Pose2(1.8, 3.0))
    assert isinstance(target, Target)
    assert (target.berm, target.segment) == ('west', 1)
    assert target.pose.y_m == pytest.approx(0.75)
    assert target.run_up_start.y_m == pytest.approx(1.25)
    assert target.pose.yaw_rad == pytest.approx(-math.pi / 2)


@pytest.mark.parametrize('drop', [(0.75, 0.0), (0.7, 0.1), (-0.75, 0.0)])
def test_drop_point_lands_on_the_dump_line(drop):
    site = site_of(straight(2.0), rover=rover_of(drop=drop))
    target = choose_target(site, bare_rows(site), None, None)
    npt.assert_allclose(target.pose.apply([drop])[0], target.drop_xy, atol=1e-12)
    npt.assert_allclose(target.drop_xy, [target.station_m, 0.0], atol=1e-12)
    away = abs(target.run_up_start.y_m) - abs(target.pose.y_m)
    assert away == pytest.approx(0.5)


def test_rework_comes_first():
    site = site_of(straight(2.0))
    rows = list(bare_rows(site))
    rows[3] = replace(raised(rows[3], 0.07), state=State.REWORK, dumps_remaining=2, dumps_made=4)
    target = choose_target(site, rows, None, Pose2(1.8, 3.0))
    assert target.segment == 4
    assert 'rework' in target.reason


def test_the_other_side_is_taken_when_a_keep_out_is_in_the_way():
    site = site_of(straight(0.4), keep_outs=[rectangle(-1.0, 0.4, 1.4, 2.0)])
    target = choose_target(site, bare_rows(site), None, Pose2(0.2, 3.0))
    assert target.pose.y_m < 0.0


def test_what_blocks_is_named():
    site = site_of(straight(0.4), yard=rectangle(-3.0, -1.0, 3.0, 3.0),
                   keep_outs=[rectangle(-1.0, 0.4, 1.4, 2.0)])
    answer = choose_target(site, bare_rows(site), None, None)
    assert isinstance(answer, NoTarget)
    assert answer.code == 'blocked'
    assert (answer.berm, answer.segment) == ('west', 1)
    assert 'post 1' in answer.reason
    assert 'the boundary' in answer.reason


@pytest.mark.parametrize(('options', 'code'), [
    ({'hold_text': 'soil is gone'}, 'hold'), ({'stale_text': 'the pose is 9 s old'}, 'stale')])
def test_no_target_on_hold_or_with_stale_input(options, code):
    site = site_of(straight(2.0))
    answer = choose_target(site, bare_rows(site), None, None, **options)
    assert answer.code == code
    assert next(iter(options.values())) in answer.reason


def test_done_when_no_loads_are_left_and_stale_without_rows():
    site = site_of(straight(2.0))
    assert choose_target(site, bare_rows(site, loads=0), None, None).code == 'done'
    assert choose_target(site, (), None, None).code == 'stale'
