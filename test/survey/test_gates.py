# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Every reason to refuse an input, and that nothing else is refused."""

from dataclasses import replace
import math
import re

from berm_ledger.findings import Finding, Severity
from berm_ledger.geometry import GridAxes, Pose2, StampedPose
from berm_ledger.survey.gates import (
    check_dump,
    check_frame,
    check_grid,
    check_pose,
    check_stamp,
    GateState,
)
from berm_ledger.survey.grid import ElevationGrid
import numpy as np
import pytest
from survey_kit import SECOND_NS, START_NS

HEIGHTS = np.array([[0.0, 0.1], [np.nan, 0.2]], dtype=np.float32)
AXES = GridAxes((0.0, 0.0), (0.0, 0.02), (0.02, 0.0))
POSE = StampedPose(START_NS, 'map', Pose2(0.0, 0.0))
GRID = ElevationGrid(START_NS, 'map', AXES, HEIGHTS)
STATE = GateState('map', newest_ns=START_NS, last_grid_ns=START_NS - SECOND_NS, pose=POSE)


def grid_finding(grid=GRID, state=STATE):
    return check_grid(grid, state, largest_cell_m=0.2)


def test_good_inputs_pass() -> None:
    assert grid_finding() is None
    assert check_pose(POSE, STATE) is None
    assert check_dump(7.5, STATE) is None
    assert check_dump(math.nan, STATE._replace(told_ns=START_NS - 5 * SECOND_NS)) is None
    assert check_dump(0.0, STATE) is None


def says_what_to_do(finding: Finding) -> bool:
    """Tell whether a text says, after what is wrong, what to do about it."""
    return len(finding.text.partition('; ')[2].split()) > 1


def test_the_very_first_inputs_pass() -> None:
    assert check_pose(POSE, GateState('map')) is None
    assert grid_finding(state=GateState('map', newest_ns=START_NS, pose=POSE)) is None


@pytest.mark.parametrize(('grid', 'state', 'code', 'text'), [
    (replace(GRID, stamp_ns=0), STATE, 'zero_stamp', r'set header\.stamp'),
    (replace(GRID, stamp_ns=START_NS - 2 * SECOND_NS), STATE, 'stamp_backwards', '1.000 s older'),
    (GRID, STATE._replace(newest_ns=START_NS + 6 * SECOND_NS), 'stamp_too_old', '6.000 s older'),
    (replace(GRID, stamp_ns=START_NS + 30 * 24 * 3600 * SECOND_NS), STATE, 'stamp_ahead',
     '2592000 s ahead'),
    (GRID, STATE._replace(last_grid_ns=START_NS), 'repeated_grid', 'used already'),
    (replace(GRID, frame_id='odom'), STATE, 'wrong_frame', "'odom', the site is in 'map'"),
    (replace(GRID, frame_id=''), STATE, 'wrong_frame', "frame ''"),
    (GRID, STATE._replace(pose=None), 'no_pose', 'before any usable pose'),
    (replace(GRID, stamp_ns=START_NS + 3 * SECOND_NS), STATE, 'old_pose', '3.000 s older'),
    (replace(GRID, axes=GridAxes((0, 0), (0, 0.3), (0.3, 0))), STATE, 'coarse_grid',
     '0.300 m are too coarse'),
    (replace(GRID, height_m=np.full((2, 2), np.nan)), STATE, 'all_unknown', 'no known cell'),
    (replace(GRID, height_m=np.array([[0.0, 0.0], [np.nan, 20000.0]])), STATE, 'absurd_height',
     'check its units'),
    (replace(GRID, height_m=np.array([[0.0, 0.0], [np.nan, -2e4]])), STATE, 'absurd_height',
     'check its units'),
])
def test_grids_are_refused(grid, state, code, text) -> None:
    finding = grid_finding(grid, state)
    assert (finding.code, finding.severity, finding.stamp_ns) == (
        code, Severity.REFUSAL, grid.stamp_ns)
    assert re.search(text, finding.text)
    assert says_what_to_do(finding)


@pytest.mark.parametrize(('change', 'code', 'text'), [
    ({'stamp_ns': -5}, 'zero_stamp', 'no stamp'),
    ({'stamp_ns': START_NS - SECOND_NS}, 'stamp_backwards',
     'that needs new books'),
    ({'frame_id': 'base_link'}, 'wrong_frame', 'transform it'),
    ({'std_xy_m': 0.5}, 'uncertain_pose', 'uncertain by 0.50 m'),
    ({'std_yaw_rad': 0.6}, 'uncertain_pose', '34 degrees'),
])
def test_poses_are_refused(change, code, text) -> None:
    finding = check_pose(replace(POSE, **change), STATE)
    assert finding.code == code
    assert text in finding.text
    assert says_what_to_do(finding)


def test_a_pose_of_unknown_certainty_passes() -> None:
    assert math.isnan(POSE.std_xy_m)
    assert check_pose(POSE, STATE) is None


def test_poses_may_lag_or_repeat_but_not_go_back() -> None:
    assert check_pose(POSE, STATE) is None
    late = STATE._replace(newest_ns=START_NS + 4 * SECOND_NS)
    assert check_pose(POSE, late) is None
    assert check_stamp(START_NS, 'the pose', None, STATE._replace(
        newest_ns=START_NS + 6 * SECOND_NS)).code == 'stamp_too_old'


@pytest.mark.parametrize(('frame', 'site', 'passes'), [
    ('map', 'map', True), ('/map', 'map', True), ('map', '/map', True), ('Map', 'map', False),
    ('map2', 'map', False)])
def test_a_leading_slash_makes_no_other_frame(frame, site, passes) -> None:
    assert (check_frame(frame, 'the grid', GateState(site), START_NS) is None) == passes


@pytest.mark.parametrize(('mass_kg', 'state', 'told_ns', 'code'), [
    (-0.1, STATE, None, 'bad_mass'),
    (math.inf, STATE, None, 'bad_mass'),
    (-math.inf, STATE, None, 'bad_mass'),
    (7.5, STATE._replace(pose=None), None, 'no_pose'),
    (7.5, STATE, START_NS, 'repeated_dump'),
    (7.5, STATE, START_NS + 1, 'repeated_dump'),
    (7.5, STATE, START_NS - 5 * SECOND_NS + 1, 'repeated_dump'),
])
def test_dumps_are_refused(mass_kg, state, told_ns, code) -> None:
    finding = check_dump(mass_kg, state._replace(told_ns=told_ns))
    assert finding.code == code
    assert says_what_to_do(finding)


def far_ahead(stamps_ns):
    """Return the state after poses of stamps that were refused for being far ahead."""
    state = STATE
    for stamp_ns in stamps_ns:
        finding = check_pose(replace(POSE, stamp_ns=stamp_ns), state)
        assert finding.code == 'stamp_ahead'
        state = state.after_refusal(finding)
        assert check_pose(POSE, state) is None
    return state


def test_one_stamp_far_ahead_does_no_harm_and_three_over_a_second_are_believed() -> None:
    day_ns = 24 * 3600 * SECOND_NS
    state = far_ahead(START_NS + day_ns + step * SECOND_NS // 2 for step in range(3))
    # The fourth is believed, another time than theirs is not.
    fourth = replace(POSE, stamp_ns=START_NS + day_ns + 3 * SECOND_NS // 2)
    assert check_pose(fourth, state) is None
    assert check_pose(replace(POSE, stamp_ns=START_NS + 2 * day_ns), state).code == 'stamp_ahead'


def test_a_clock_far_ahead_for_part_of_a_second_is_not_believed() -> None:
    """A hundred poses a second, seventy of them of tomorrow, and then those of today again."""
    tomorrow_ns = START_NS + 24 * 3600 * SECOND_NS
    state = far_ahead(tomorrow_ns + step * SECOND_NS // 100 for step in range(70))
    assert check_pose(replace(POSE, stamp_ns=START_NS + SECOND_NS // 100), state) is None


def test_stamps_far_ahead_between_good_ones_are_never_believed() -> None:
    ahead, state = replace(POSE, stamp_ns=START_NS + 3600 * SECOND_NS), STATE
    for _ in range(10):
        finding = check_pose(ahead, state)
        assert finding.code == 'stamp_ahead'
        state = state.after_refusal(finding).after_grid(START_NS)


def test_refusals_of_other_kinds_leave_the_state_alone() -> None:
    finding = check_pose(replace(POSE, frame_id='odom'), STATE)
    assert STATE.after_refusal(finding) == STATE


@pytest.mark.parametrize(('before_s', 'passes'), [(-3600, True), (0, True), (4, True), (6, False)])
def test_after_a_restart_nothing_from_before_comes_in_again(before_s, passes) -> None:
    state = GateState('map', books_ns=START_NS)
    finding = check_pose(replace(POSE, stamp_ns=START_NS - before_s * SECOND_NS), state)
    assert (finding is None) == passes
    assert passes or 'name another books file' in finding.text


def test_a_long_frame_name_is_not_repeated_at_length() -> None:
    finding = check_frame('a' * 10 ** 6, 'the grid', GateState('map'), START_NS)
    assert len(finding.text) < 300


def test_a_rule_on_the_stamp_comes_before_the_rest() -> None:
    both = replace(GRID, stamp_ns=0, frame_id='odom')
    assert grid_finding(both).code == 'zero_stamp'
