# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A target in the words of the services: keys, units, straight steps."""

from dataclasses import replace
import json
import math

from berm_ledger.books import Row
from berm_ledger.geometry import Pose2
from berm_ledger.ros.answers import approach_poses, target_json, target_values
from berm_ledger.targeting import NoTarget, Target
import pytest

KEYS = ['segment', 'berm', 'x', 'y', 'yaw', 'run_up', 'loads_remaining', 'reason', 'code',
        'crest_offset', 'crest_turn', 'unserved', 'look']
ROWS = (Row('west', 0, 1, 0.0, 0.5, 0.2, dumps_remaining=2),
        Row('west', 0, 2, 0.5, 1.0, 0.2, dumps_remaining=3))
TARGET = Target(
    'west', 0, 2, Pose2(1.0, 2.0, math.pi / 2), Pose2(1.0, 1.25, math.pi / 2), (1.0, 2.5), 0.75,
    0.0, 3, reason='segment 2 is low')


def test_a_target_is_one_line_of_json_with_these_keys():
    line = target_json(TARGET, ROWS)

    assert '\n' not in line
    content = json.loads(line)
    assert list(content) == KEYS
    assert content == {
        'segment': 2, 'berm': 'west', 'x': 1.0, 'y': 2.0, 'yaw': 1.570796, 'run_up': 0.75,
        'loads_remaining': 5, 'reason': 'segment 2 is low', 'code': 'target',
        'crest_offset': None, 'crest_turn': None, 'unserved': [], 'look': None}


def test_a_standing_crest_is_told_with_its_offset_and_direction():
    target = replace(TARGET, crest_offset_m=-0.034, crest_turn_rad=0.05)

    content = json.loads(target_json(target, ROWS))

    assert (content['crest_offset'], content['crest_turn']) == (-0.034, 0.05)
    values = target_values(target)
    assert (values['crest_offset_m'], values['crest_turn_rad']) == (-0.034, 0.05)


def test_where_no_crest_stands_neither_offset_nor_direction_is_known():
    values = target_values(TARGET)

    assert math.isnan(values['crest_offset_m'])
    assert math.isnan(values['crest_turn_rad'])


def test_what_no_order_serves_is_told_with_the_target():
    target = replace(TARGET, unserved=('west segment 4: blocked', 'west segment 5: blocked'))

    assert json.loads(target_json(target, ROWS))['unserved'] == list(target.unserved)
    assert target_values(target)['unserved'] == 'west segment 4: blocked; west segment 5: blocked'


def test_a_look_is_proposed_with_its_pose():
    choice = NoTarget('look', 'look at it', 'west', 2, Pose2(1.0, 1.25, -1.5))

    content = json.loads(target_json(choice, ROWS))

    assert (content['code'], content['segment'], content['x']) == ('look', None, None)
    assert content['look'] == {'berm': 'west', 'segment': 2, 'x': 1.0, 'y': 1.25, 'yaw': -1.5}
    assert target_values(choice) == {
        'code': 'look', 'look_x_m': 1.0, 'look_y_m': 1.25, 'look_yaw_rad': -1.5}
    nowhere = json.loads(target_json(NoTarget('look', 'survey it', 'west', 1), ROWS))['look']
    assert nowhere == {'berm': 'west', 'segment': 1, 'x': None, 'y': None, 'yaw': None}


def test_no_target_has_the_same_keys_and_the_reason():
    content = json.loads(target_json(NoTarget('hold', 'on hold: "x"\nlook'), ROWS))

    assert list(content) == KEYS
    assert content['segment'] is None
    assert content['reason'] == 'on hold: "x"\nlook'


def test_the_approach_is_straight_from_run_up_start_to_dump_pose_in_short_steps():
    poses = approach_poses(TARGET)

    assert (poses[0], poses[-1]) == (TARGET.run_up_start, TARGET.pose)
    steps = [b.y_m - a.y_m for a, b in zip(poses, poses[1:])]
    assert max(steps) <= 0.1 + 1e-9
    assert steps == pytest.approx([0.75 / 8] * 8)
    assert {(pose.x_m, pose.yaw_rad) for pose in poses} == {(1.0, math.pi / 2)}
    assert approach_poses(NoTarget('done', 'done')) == ()


@pytest.mark.parametrize('yaw_rad', [0.0, 0.7, 2.5, -2.2, math.pi])
def test_the_approach_drives_forward_whichever_way_it_runs(yaw_rad):
    ahead_x, ahead_y = math.cos(yaw_rad), math.sin(yaw_rad)
    start = Pose2(1.0 - 0.75 * ahead_x, 2.0 - 0.75 * ahead_y, yaw_rad)

    poses = approach_poses(replace(TARGET, pose=Pose2(1.0, 2.0, yaw_rad), run_up_start=start))

    ahead_m = [(p.x_m - 1.0) * ahead_x + (p.y_m - 2.0) * ahead_y for p in poses]
    aside_m = [(p.y_m - 2.0) * ahead_x - (p.x_m - 1.0) * ahead_y for p in poses]
    assert ahead_m == pytest.approx([-0.75 + 0.75 * n / 8 for n in range(9)])
    assert aside_m == pytest.approx([0.0] * 9)


def test_figures_name_their_code():
    assert target_values(TARGET)['code'] == 'target'
    assert target_values(TARGET)['segment_loads_remaining'] == 3
    assert target_values(NoTarget('blocked', 'by x')) == {'code': 'blocked'}
