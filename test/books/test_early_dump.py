# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A dump announced before the first pose waits for that, is booked or refused, and never lost."""

import math

from berm_ledger.books.early_dump import EarlyDump, MOST_WAIT_NS
from berm_ledger.design.site_file import site_from_text
from berm_ledger.geometry import Pose2, StampedPose
from berm_ledger.pipeline import Pipeline
from ledger_kit import a_grid, NS, SITE_TEXT
import pytest

SITE = site_from_text(SITE_TEXT, 'site.yaml')
BEGIN_S = 1000.0
# Drop point 0.75 m ahead of base_link; the berm runs along y = 2 from x = 2 to 3.
AT_BERM = Pose2(2.25, 1.25, 0.5 * math.pi)
OFF_BERM = Pose2(2.25, 3.9, 0.5 * math.pi)


def stamped(pose, stamp_s=BEGIN_S, frame='map', **spread):
    return StampedPose(int(stamp_s * NS), frame, pose, **spread)


def waiting(mass_kg=6.0, **options):
    pipeline = Pipeline(SITE, **options)
    update = pipeline.add_dump(mass_kg)
    assert [f.code for f in update.findings] == ['dump_waits']
    # It is in the books from the first moment on: a process that is killed now loses nothing.
    assert [(e.kind, e.data['code']) for e in update.entries] == [('refused', 'dump_waits')]
    return pipeline


def dumps(update):
    return [entry for entry in update.entries if entry.kind == 'dump']


def test_it_is_booked_at_the_first_pose():
    pipeline = waiting()
    update = pipeline.add_pose(stamped(AT_BERM))
    entry, = dumps(update)
    assert (entry.berm, entry.segment, entry.stamp_ns) == ('west', 1, int(BEGIN_S * NS))
    assert entry.data['mass_kg'] == 6.0
    assert (entry.data['x_m'], entry.data['y_m']) == pytest.approx((2.25, 2.0))
    assert 'dump_waited' in [f.code for f in update.findings]
    assert sum(row.dumps_made for row in pipeline.books.rows) == 1
    assert dumps(pipeline.add_pose(stamped(AT_BERM, BEGIN_S + 1.0))) == []


def test_a_load_that_was_not_weighed_waits_too():
    entry, = dumps(waiting(math.nan).add_pose(stamped(AT_BERM)))
    assert entry.data['mass_kg'] is None


@pytest.mark.parametrize('between', [
    {'frame': 'odom'}, {'std_xy_m': 5.0}], ids=['frame', 'uncertain'])
@pytest.mark.parametrize(('late_s', 'count'), [(9.0, 1), (11.0, 0)])
def test_time_passes_by_what_is_refused_meanwhile(between, late_s, count):
    pipeline = waiting()
    pipeline.add_pose(stamped(AT_BERM, **between))
    update = pipeline.add_pose(stamped(AT_BERM, BEGIN_S + late_s))
    assert len(dumps(update)) == count
    if not count:
        assert [f.code for f in update.findings] == ['no_pose']
        assert 'the first pose came 11 s after it' in update.findings[0].text
        assert [e.data['code'] for e in update.entries] == ['no_pose']


def test_at_no_berm_it_is_refused_and_not_booked_as_a_stray_dump():
    update = waiting().add_pose(stamped(OFF_BERM))
    assert [e.kind for e in update.entries] == ['refused']
    assert 'off every berm' in update.findings[0].text
    assert 'announce it again' in update.findings[0].text


def test_only_one_waits_and_the_next_is_refused():
    pipeline = waiting()
    assert [f.code for f in pipeline.add_dump(5.0).findings] == ['no_pose']
    entry, = dumps(pipeline.add_pose(stamped(AT_BERM)))
    assert entry.data['mass_kg'] == 6.0


def test_after_a_restart_it_is_booked_once_and_the_last_of_before_is_not_booked_again():
    first = Pipeline(SITE)
    entries = list(first.add_pose(stamped(AT_BERM)).entries)
    entries += first.add_dump(6.0).entries
    again = waiting(entries=entries)
    # The very pose of the last dump: nothing has come since, so it is the same one.
    update = again.add_pose(stamped(AT_BERM))
    assert dumps(update) == []
    assert 'announced twice' in update.findings[0].text
    new = waiting(entries=entries)
    assert len(dumps(new.add_pose(stamped(AT_BERM, BEGIN_S + 30.0)))) == 1
    assert sum(row.dumps_made for row in new.books.rows) == 2


def test_one_told_again_after_a_restart_begins_its_time_anew():
    first = Pipeline(SITE)
    entries = list(first.add_pose(stamped(AT_BERM)).entries)
    entries += first.add_dump(6.0).entries
    again = waiting(entries=entries)
    assert dumps(again.add_pose(stamped(AT_BERM, BEGIN_S + 4.0))) == []
    again.add_pose(stamped(AT_BERM, BEGIN_S + 8.0))
    assert [f.code for f in again.add_dump(6.0).findings] == ['repeated_dump']
    assert again.health.dump_ns == int(BEGIN_S * NS)


def test_a_bag_played_again_does_not_book_its_first_dump_at_its_last_pose():
    first = Pipeline(SITE)
    entries = list(first.add_pose(stamped(AT_BERM, BEGIN_S + 100.0)).entries)
    entries += first.add_dump(6.0).entries
    again = waiting(entries=entries)
    assert [f.code for f in again.add_pose(stamped(AT_BERM)).findings] == ['stamp_too_old']
    update = again.add_pose(stamped(AT_BERM, BEGIN_S + 101.0))
    assert dumps(update) == []
    assert [f.code for f in update.findings] == ['no_pose']


def test_the_first_stamp_counts_and_no_stamp_tells_nothing():
    dump = EarlyDump(6.0).after(0).after(5 * NS).after(9 * NS)
    assert dump.since_ns == 5 * NS
    assert dump.objection(stamped(AT_BERM, 5.0 + MOST_WAIT_NS / NS), True) == ''
    assert dump.objection(stamped(AT_BERM, 5.001 + MOST_WAIT_NS / NS), True)


LOST = {'frame': {'frame': 'odom'}, 'uncertain': {'std_xy_m': 5.0}}


def lost(between, *, poses=6, unreadable=False):
    """Return a pipeline that knows a pose far off the berm, and then gets none that is of use."""
    pipeline = Pipeline(SITE)
    pipeline.add_pose(stamped(OFF_BERM))
    for k in range(poses):
        stamp_s = BEGIN_S + 1.0 + k
        if unreadable:
            pipeline.refuse_unread('pose', 'not finite', int(stamp_s * NS))
        else:
            pipeline.add_pose(stamped(AT_BERM, stamp_s, **between))
    return pipeline


@pytest.mark.parametrize('between', LOST.values(), ids=LOST)
@pytest.mark.parametrize('unreadable', [False, True])
def test_a_dump_while_every_pose_is_refused_waits_for_the_next_that_is_used(between, unreadable):
    """It was booked where the rover had stood when last known, and so as one gone astray."""
    pipeline = lost(between, unreadable=unreadable)
    assert [f.code for f in pipeline.add_dump(6.0).findings] == ['dump_waits']
    entry, = dumps(pipeline.add_pose(stamped(AT_BERM, BEGIN_S + 8.0)))
    assert (entry.berm, entry.segment) == ('west', 1)


def test_a_dump_while_no_pose_comes_at_all_waits_for_the_next():
    """A localisation that has died is told by the grids, for which the last pose is too old."""
    pipeline = Pipeline(SITE)
    pipeline.add_pose(stamped(OFF_BERM))
    for k in range(1, 6):
        grid = a_grid(BEGIN_S + 2.0 * k, 0.0)
        codes = [f.code for f in pipeline.add_grid(grid).findings]
        assert codes == ([] if k == 1 else ['old_pose'])
    assert [f.code for f in pipeline.add_dump(6.0).findings] == ['dump_waits']
    entry, = dumps(pipeline.add_pose(stamped(AT_BERM, BEGIN_S + 12.0)))
    assert (entry.berm, entry.segment) == ('west', 1)
    # Poses come again: the next is booked at once.
    pipeline.add_pose(stamped(AT_BERM, BEGIN_S + 20.0))
    assert len(dumps(pipeline.add_dump(6.0))) == 1


def test_what_is_wrong_with_another_message_makes_no_pose_of_it():
    pipeline = Pipeline(SITE)
    pipeline.add_pose(stamped(AT_BERM))
    for k in range(6):
        update = pipeline.refuse_unread('elevation', 'pose: not finite', int((BEGIN_S + k) * NS))
        finding, = update.findings
        assert (finding.code, finding.text) == ('bad_message', 'elevation: pose: not finite')
    assert len(dumps(pipeline.add_dump(6.0))) == 1


def test_a_message_without_a_stamp_is_refused_at_the_newest():
    pipeline = Pipeline(SITE)
    pipeline.add_pose(stamped(AT_BERM))
    finding, = pipeline.refuse_unread('elevation', 'no field z').findings
    assert finding.stamp_ns == int(BEGIN_S * NS)


def test_what_could_not_be_read_is_named_once():
    finding, = Pipeline(SITE).refuse_unread('pose', 'pose: not finite').findings
    assert finding.text == 'pose: not finite'


def test_one_or_two_poses_that_are_refused_do_not_hold_a_dump_up():
    entry, = dumps(lost(LOST['frame'], poses=2).add_dump(6.0))
    assert entry.stamp_ns == int(BEGIN_S * NS)


def test_a_dump_told_again_while_poses_are_refused_is_the_same_dump():
    pipeline = Pipeline(SITE)
    pipeline.add_pose(stamped(AT_BERM))
    assert len(dumps(pipeline.add_dump(6.0))) == 1
    for k in range(6):
        pipeline.add_pose(stamped(AT_BERM, BEGIN_S + 1.0 + k, **LOST['uncertain']))
        assert [f.code for f in pipeline.add_dump(6.0).findings] == ['repeated_dump']
    assert len(pipeline.books.dumps) == 1
