# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Grids in which nothing is measured any more, and robots that only look elsewhere.

That mappers and sensors hang and go on publishing what they have: common practice, no source.
"""

from dataclasses import replace

from berm_ledger.geometry import GridAxes, Pose2
from berm_ledger.survey.grid import ElevationGrid
from berm_ledger.survey.standstill import Standstill
import numpy as np
import pytest

CELL_M = 0.05
NAN = np.float32('nan')
AXES = GridAxes((-2.0, -3.0), (0.0, CELL_M), (CELL_M, 0.0))
SHAPE = 120, 140
UNSEEN, SEEN = np.zeros(5, dtype=bool), np.array([False, True, False])
HERE, THERE = Pose2(0.0, 0.0, 0.0), Pose2(1.2, 0.0, 0.0)


def rough(seed=0, shape=SHAPE):
    """Return heights with noise of 4 mm and a hole [m]."""
    height_m = 0.1 + 0.004 * np.random.default_rng(seed).standard_normal(shape)
    height_m[:40, :50] = NAN
    return height_m.astype(np.float32)


def grid(height_m, axes=AXES):
    return ElevationGrid(1, 'map', axes, height_m)


def codes(grids, rovers, seen=UNSEEN, *, period_s=5):
    """Return what is found about each grid, so long after the one before."""
    still = Standstill()
    return [next((finding.code for finding in still.findings(
                replace(each, stamp_ns=k * period_s * 10**9), rover, seen)), '')
            for k, (each, rover) in enumerate(zip(grids, rovers))]


def test_the_same_again_is_nothing_new_and_a_standstill_once_the_rover_has_moved():
    same = [grid(rough()) for _ in range(4)]
    assert codes(same, [HERE, HERE, HERE, THERE]) == [
        '', 'nothing_new', 'nothing_new', 'stands_still']


def test_a_mapper_may_publish_the_same_between_two_scans():
    grids = [grid(rough(k // 4)) for k in range(12)]
    rovers = [Pose2(0.4 * k - 2.0, 0.0, 0.0) for k in range(12)]
    assert set(codes(grids, rovers, period_s=1)) == {'', 'nothing_new'}


def test_a_window_that_rolls_with_the_rover_holds_nothing_new_either():
    world = rough(shape=(SHAPE[0] + 30, SHAPE[1] + 30))
    grids, rovers = [], []
    for down, right in ((0, 0), (3, 5), (3, 13), (11, 30)):
        seen = world[down:down + SHAPE[0], right:right + SHAPE[1]].copy()
        # The ring that comes into view stays unknown.
        seen[SHAPE[0] - down:], seen[:, SHAPE[1] - right:] = NAN, NAN
        moved = CELL_M * np.array([right, down])
        grids.append(grid(seen, replace(AXES, origin_xy=tuple(AXES.origin_xy + moved))))
        rovers.append(Pose2(*moved, 0.0))
    assert codes(grids, rovers) == ['', 'nothing_new', 'nothing_new', 'stands_still']


def test_a_sensor_that_sees_a_little_anywhere_works():
    before, now = rough(), rough()
    now[100:108, 120:128] = rough(1)[100:108, 120:128]
    assert codes([grid(before), grid(now)], [HERE, THERE]) == ['', '']


def test_any_cell_of_the_berm_seen_is_news():
    assert codes([grid(rough())] * 3, [HERE, HERE, THERE], SEEN) == ['', '', '']


def test_a_rover_outside_of_the_grids_may_look_away():
    away = [Pose2(6.0 + k, 0.0, 0.0) for k in range(4)]
    assert codes([grid(rough())] * 4, away) == ['', *['nothing_new'] * 3]
    # Neither does it count where it was before it went.
    back = [HERE, Pose2(9.0, 0.0, 0.0), THERE, THERE]
    assert codes([grid(rough())] * 4, back) == ['', *['nothing_new'] * 3]


def test_news_begin_it_anew():
    grids = [grid(rough(seed)) for seed in (0, 0, 1, 1, 1)]
    assert codes(grids, [HERE, HERE, THERE, THERE, HERE], period_s=6) == [
        '', 'nothing_new', '', 'nothing_new', 'stands_still']


@pytest.mark.parametrize('height_m', [
    np.zeros(SHAPE, np.float32), np.full(SHAPE, NAN), np.round(rough(), 3)],
    ids=['without noise', 'nothing known', 'rounded to 1 mm'])
def test_where_chance_or_a_perfect_sensor_repeats_heights_nothing_is_said(height_m):
    assert codes([grid(height_m)] * 3, [HERE, HERE, THERE]) == ['', '', '']


def test_the_sender_may_write_over_a_grid_once_it_was_taken():
    still, room = Standstill(), rough()
    still.findings(grid(room), HERE, UNSEEN)
    room[:] = rough(1)
    assert still.findings(grid(room), HERE, UNSEEN) == ()
