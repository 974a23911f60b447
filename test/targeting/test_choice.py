# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The next target while the plan is being made elsewhere."""

from dataclasses import replace

from berm_ledger.books.rows import State
from berm_ledger.geometry import Lattice, Polyline
from berm_ledger.targeting import Ground, ReadyChoice, Target
import numpy as np
import pytest
from targeting_kit import bare_rows, berm_of, choose_target, raised, rectangle, site_of, straight

PIT = rectangle(5.5, -1.0, 7.0, 1.0)


class Elsewhere:
    """Makes plans when it is told to."""

    def __init__(self):
        self.asked, self.ready = [], False

    def __call__(self, due):
        if not any(due is other for other in self.asked):
            self.asked.append(due)
        return due.made() if self.ready else None


@pytest.fixture
def site():
    return site_of(straight(2.0), borrow=[PIT])


def test_planning_is_said_until_the_plan_is_there(site):
    elsewhere, rows = Elsewhere(), bare_rows(site)
    ready = ReadyChoice(elsewhere)
    for _ in range(3):
        answer = ready(site, rows, None, None)
        assert (answer.code, answer.segment) == ('planning', None)
    assert len(elsewhere.asked) == 1
    elsewhere.ready = True
    assert repr(ready(site, rows, None, None)) == repr(choose_target(site, rows, None, None))


def test_a_plan_made_for_an_older_table_is_held_against_the_newest(site):
    elsewhere, rows = Elsewhere(), list(bare_rows(site))
    ready = ReadyChoice(elsewhere)
    assert ready(site, tuple(rows), None, None).code == 'planning'
    # Meanwhile somebody filled the first segment: it calls for nothing any more.
    rows[0] = raised(rows[0], 0.15, dumps_remaining=0)
    newest = tuple(rows)
    assert ready(site, newest, None, None).code == 'planning'
    elsewhere.ready = True
    answer = ready(site, newest, None, None)
    assert (len(elsewhere.asked), ready.planner.replans) == (1, 1)
    assert isinstance(answer, Target)
    assert answer.segment != 1


def test_a_plan_that_does_not_do_for_the_newest_table_is_followed_by_another(site):
    elsewhere, rows = Elsewhere(), list(bare_rows(site))
    only = tuple(replace(row, dumps_remaining=row.dumps_remaining * (k == 0))
                 for k, row in enumerate(rows))
    ready = ReadyChoice(elsewhere)
    assert ready(site, only, None, None).code == 'planning'
    every = tuple(rows)
    assert ready(site, every, None, None).code == 'planning'
    elsewhere.ready = True
    assert isinstance(ready(site, every, None, None), Target)
    assert [len([r for r in due.rows if r.dumps_remaining]) for due in elsewhere.asked] == [1, 5]


@pytest.mark.parametrize(('change', 'code'), [
    ({}, 'target'),
    ({'dumps_remaining': 0}, 'planning'),
    ({'coverage': 0.1}, 'look'),
    ({'dumps_made': 0, 'height_m': 0.0, 'state': State.SHORT}, 'planning')])
def test_a_target_is_kept_only_where_it_takes_no_way_from_anybody(site, change, code):
    elsewhere, rows = Elsewhere(), list(bare_rows(site))
    ready = ReadyChoice(elsewhere)
    elsewhere.ready = True
    rows = [replace(row, dumps_remaining=0) for row in rows]
    rows[2] = replace(raised(rows[2], 0.1), dumps_made=2, dumps_remaining=2)
    assert ready(site, tuple(rows), None, None).segment == 3
    elsewhere.ready = False

    # Another that does not stand calls for loads, of which the plan at hand knows nothing.
    rows[4] = replace(rows[4], dumps_remaining=3)
    rows[2] = replace(rows[2], **change)
    answer = ready(site, tuple(rows), None, None)

    assert ('target' if isinstance(answer, Target) else answer.code) == code
    assert answer.segment == (None if code == 'planning' else 3)


def test_a_target_is_not_kept_where_its_way_is_newly_blocked(site):
    elsewhere, rows = Elsewhere(), [replace(r, dumps_remaining=0) for r in bare_rows(site)]
    rows[2] = replace(raised(rows[2], 0.1), dumps_made=2, dumps_remaining=2)
    ready, rows = ReadyChoice(elsewhere), tuple(rows)
    elsewhere.ready = True
    first = ready(site, rows, None, None)
    lattice = Lattice(-5.0, -5.0, 0.05, 201, 281)
    blocked = np.zeros(lattice.shape, dtype=bool)
    way = ready.planner.plan.ways[2]
    off = way[np.hypot(*(way - first.run_up_start.xy).T) > 1.2]
    row, col = np.rint(lattice.index_from_xy(off[len(off) // 2])).astype(int)
    blocked[row - 1:row + 2, col - 1:col + 2] = True
    elsewhere.ready = False

    assert ready(site, rows, Ground(lattice, blocked), None).code == 'planning'
    elsewhere.ready = True
    assert isinstance(ready(site, rows, Ground(lattice, blocked), None), Target)


def test_a_berm_of_unknown_height_takes_no_heed_from_the_others(site):
    # A level crest has no height before its ground was surveyed; keep-outs count all the same.
    other = berm_of(Polyline([[0.0, 3.0], [2.0, 3.0]]), name='level')
    wall = rectangle(-1.0, 0.3, 3.0, 0.6)
    both = site_of(straight(2.0), other, borrow=[PIT], keep_outs=[wall])
    rows = [replace(row, target_height_m=float('nan'), dumps_remaining=0)
            if row.berm == 'level' else row for row in bare_rows(both, loads=2)]
    answer = choose_target(both, rows, None, None)
    assert isinstance(answer, Target)
    assert answer.pose.y_m < 0.0
