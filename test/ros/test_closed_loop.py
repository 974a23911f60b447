# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The stand-in robot goes where it is told, and the story of the demo comes to its end."""

from dataclasses import replace
import itertools
import math

from berm_ledger.books import fold, State
from berm_ledger.ros.closed_loop import Accept, Answer, Ask, best_segment, ClosedLoop, Resume
from berm_ledger.simulation import SimEvent, Yard, YardOptions
from berm_ledger.site_source import load_site
from ledger_kit import SITE_TEXT
import pytest

TARGET = {'segment': 1, 'berm': 'west', 'x': 2.25, 'y': 1.25, 'yaw': math.pi / 2, 'run_up': 0.5,
          'loads_remaining': 1, 'reason': 'segment 1 is low'}
NONE = {**dict.fromkeys(TARGET), 'loads_remaining': 0, 'reason': 'no reason'}


@pytest.fixture
def site(tmp_path):
    path = tmp_path / 'site.yaml'
    path.write_text(SITE_TEXT)
    return load_site(path).site


def played(site, codes, rows=None, **options):
    """Play a build against a script of answers; return the loop, its steps and its words."""
    words, steps = [], []
    loop = ClosedLoop(
        Yard(site, seed=3, options=YardOptions(soil_cell_m=0.05)), words.append,
        **options)
    rows = rows or fold(site, ()).rows
    script, work, answer = iter(codes), loop.work(), None
    while True:
        try:
            step = work.send(answer)
        except StopIteration:
            return loop, steps, words
        steps.append(step)
        answer = None
        if isinstance(step, Ask):
            code = next(script)
            answer = Answer(code, TARGET if code == 'target' else NONE, rows)
        elif isinstance(step, (Resume, Accept)):
            answer = 'noted'


def test_the_whole_story(site):
    codes = ['target', 'target', 'done', 'done', 'hold', 'target', 'done', 'done']

    loop, steps, words = played(site, codes)

    assert (loop.trouble, loop.loads, loop.spoiled) == ('', 3, 1)
    dumps = [step for step in steps if isinstance(step, SimEvent) and step.kind == 'dump']
    assert len(dumps) == 3
    assert sum(isinstance(step, Resume) for step in steps) == 1
    assert [word.split()[0] for word in words] == [
        'survey', 'load', 'load', 'no', 'an', 'no', 'the', 'load', 'no', 'done']
    stamps = [step.stamp_ns for step in steps if isinstance(step, SimEvent)]
    assert stamps == sorted(stamps)


def test_what_stays_flagged_though_no_load_is_called_for_is_accepted_once(site):
    rows = tuple(replace(row, state=State.REWORK) for row in fold(site, ()).rows)

    loop, steps, _ = played(site, ['done'] * 10, rows)

    assert (loop.trouble, loop.spoiled) == ('', 1)
    assert sum(isinstance(step, Accept) for step in steps) == 1


def test_it_dumps_at_the_pose_it_was_given(site):
    _, steps, _ = played(site, ['target', *['done'] * 5])

    events = [step for step in steps if isinstance(step, SimEvent)]
    dump = next(n for n, event in enumerate(events) if event.kind == 'dump')
    pose = events[dump - 1].value.pose
    assert (pose.x_m, pose.y_m) == pytest.approx((TARGET['x'], TARGET['y']), abs=0.05)
    assert pose.yaw_rad == pytest.approx(TARGET['yaw'], abs=0.05)
    assert events[dump + 1].stamp_ns > events[dump].stamp_ns


def test_no_soil_is_dug_in_the_yard_where_no_borrow_area_is_named(site):
    """Else the robot would dig up what it stands before, which is the berm."""
    bare = replace(site, yard=replace(site.yard, borrow_areas=()))

    loop, _, _ = played(bare, itertools.repeat('target'), most_loads=2)

    assert float(loop.yard.soil.rise_m.min()) > -1e-6
    truth = loop.yard.truth()
    assert truth['placed_m3'] == pytest.approx(truth['dumped_m3'], rel=0.02)


def test_what_stays_blocked_ends_in_trouble_and_not_in_a_loop(site):
    loop, steps, _ = played(site, ['blocked'] * 10)

    assert loop.trouble == 'no target: no reason'
    assert sum(isinstance(step, Ask) for step in steps) == 4


def test_a_ledger_that_never_has_enough_ends_in_trouble(site):
    loop, _, _ = played(site, itertools.repeat('target'), most_loads=2)

    assert loop.trouble == '2 loads and still no end'


def test_the_intruder_takes_from_the_most_finished_segment_nearest_the_middle(site):
    rows = [replace(fold(site, ()).rows[0], segment=n) for n in range(1, 6)]
    assert best_segment(rows).segment == 3
    rows[0] = replace(rows[0], at_grade=0.8)
    assert best_segment(rows).segment == 1
    rows[4] = replace(rows[4], state=State.AT_GRADE, at_grade=0.9)
    assert best_segment(rows).segment == 5
