# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A clock that is set back under a live ledger: the books go on, in the order of what happened."""

from collections import Counter

from berm_ledger.inputs import DUMP, ELEVATION, POSE
from berm_ledger.pipeline import Pipeline
from berm_ledger.ros.book_clock import BookClock
from berm_ledger.ros.feed import feed
from ledger_kit import NS
import pytest
from test_feed_gates import cloud, mass, pose, SITE

DAY_S = 86400.0
BEGIN_S = 30 * DAY_S
# Time between two poses, which is all that is lost.
PERIOD_S = 0.2


class Robot:
    """A robot that looks at a bare berm; ``off_s`` is how far its clock is off."""

    def __init__(self, pipeline, *, clock_s=None):
        self.pipeline, self.at_s, self.off_s = pipeline, BEGIN_S, 0.0
        self.clock = BookClock(lambda: round((self.now_s if clock_s is None else clock_s) * NS))
        self.codes, self.entries, self.used_ns = Counter(), [], []

    @property
    def now_s(self):
        return self.at_s + self.off_s

    def give(self, role, msg):
        update = feed(self.pipeline, role, msg, clock=self.clock)
        self.codes.update(finding.code for finding in update.findings)
        self.entries += update.entries
        self.used_ns.append(self.pipeline.stamp_ns)

    def work(self, seconds):
        """Look five times a second."""
        for _ in range(round(seconds * 5)):
            self.at_s += 0.2
            self.give(POSE, pose(self.now_s))
            self.give(ELEVATION, cloud(self.now_s))

    def dump(self):
        before = len(self.pipeline.books.dumps)
        self.give(DUMP, mass(7.5))
        return len(self.pipeline.books.dumps) - before


@pytest.fixture
def robot():
    made = Robot(Pipeline(SITE))
    made.work(10.0)
    assert not made.codes
    return made


@pytest.mark.parametrize('back_s', [10.0, 600.0, 3600.0, DAY_S])
def test_a_clock_set_back_costs_a_second_and_no_load(robot, back_s):
    assert robot.dump() == 1
    robot.off_s = -back_s
    robot.work(6.0)
    assert robot.dump() == 1
    robot.work(6.0)
    # Six poses over a second, and five grids meanwhile.
    assert (robot.codes['clock_set'], robot.codes['clock_followed']) == (10, 1)
    # None is told that it needs new books.
    assert robot.codes['stamp_backwards'] == robot.codes['stamp_too_old'] == 0
    assert robot.codes['repeated_dump'] == robot.codes['no_pose'] == 0
    # Time of the books passed as time did, but for that between the poses around the change.
    assert robot.used_ns == sorted(robot.used_ns)
    assert robot.pipeline.stamp_ns == round((robot.at_s - PERIOD_S) * NS)
    assert [e.stamp_ns for e in robot.entries] == sorted(e.stamp_ns for e in robot.entries)
    dumps = robot.pipeline.books.dumps
    assert dumps[1].stamp_ns - dumps[0].stamp_ns == pytest.approx((6.0 - PERIOD_S) * NS)
    told, = [e.data['text'] for e in robot.entries if e.data.get('code') == 'clock_followed']
    assert f'with times {back_s - PERIOD_S:.3f} s ahead of the clock' in told


def test_a_load_dumped_while_the_clock_is_judged_is_booked_where_it_fell(robot):
    robot.off_s = -600.0
    robot.work(0.6)
    assert robot.dump() == 1
    robot.work(2.0)
    assert robot.codes['clock_followed'] == 1
    assert len(robot.pipeline.books.dumps) == 1


def test_a_clock_set_back_by_a_second_is_waited_for(robot):
    robot.off_s = -1.0
    robot.work(5.0)
    assert robot.clock.ahead_ns == 0
    # Until the clock is where it was: the stamp of the last grid is no other one's.
    assert robot.codes == {'stamp_backwards': 8, 'repeated_grid': 1}
    assert robot.pipeline.stamp_ns == round(robot.now_s * NS)


def test_a_clock_that_was_an_hour_ahead_for_a_while_and_is_right_again(robot):
    robot.off_s = 3600.0
    robot.work(5.0)
    robot.off_s = 0.0
    robot.work(5.0)
    assert robot.codes['clock_followed'] == 1
    assert robot.used_ns == sorted(robot.used_ns)
    assert robot.clock.ahead_ns == pytest.approx(3600 * NS, abs=2 * NS)
    # The hour comes off once the clock is as far on, as on the next day.
    robot.at_s += DAY_S
    robot.work(5.0)
    assert robot.clock.ahead_ns == 0
    assert robot.pipeline.stamp_ns == round(robot.now_s * NS)
    assert robot.used_ns == sorted(robot.used_ns)


def test_a_clock_set_back_and_forth_ends_without_a_difference(robot):
    robot.off_s = -600.0
    robot.work(5.0)
    assert robot.clock.ahead_ns == round((600.0 - PERIOD_S) * NS)
    robot.off_s = 0.0
    robot.work(5.0)
    assert robot.clock.ahead_ns == 0
    assert robot.pipeline.stamp_ns == round(robot.now_s * NS)
    assert robot.used_ns == sorted(robot.used_ns)


def test_books_of_before_the_clock_was_set_back_are_gone_on_with(robot):
    """A robot without a battery for its clock starts in the past, and is set right later."""
    assert robot.dump() == 1
    again = Robot(Pipeline(SITE, entries=robot.entries))
    again.at_s, again.off_s = robot.at_s + 60.0, -DAY_S / 2
    again.work(5.0)
    assert again.dump() == 0  # Told again, as time of the books has stood still since.
    again.work(5.0)
    assert again.dump() == 1
    again.off_s = 0.0
    again.work(5.0)
    assert again.clock.ahead_ns == 0
    assert [e.stamp_ns for e in (*robot.entries, *again.entries)] == sorted(
        e.stamp_ns for e in (*robot.entries, *again.entries))


def test_a_bag_that_is_played_again_is_refused(robot):
    """Its stamps are not of now, whatever the clock of the machine says."""
    player = Robot(Pipeline(SITE), clock_s=BEGIN_S + 30 * DAY_S)
    player.work(10.0)
    stamp_ns = player.pipeline.stamp_ns
    player.at_s = BEGIN_S
    player.work(9.0)
    assert player.pipeline.stamp_ns == stamp_ns
    assert player.clock.ahead_ns == 0
    assert set(player.codes) == {'stamp_backwards'}


def test_late_poses_between_others_and_poses_of_another_clock_set_nothing(robot):
    for _ in range(40):
        robot.work(0.2)
        robot.give(POSE, pose(robot.now_s - 4.0))
        robot.give(POSE, pose(robot.now_s - 10.0))
        robot.give(ELEVATION, cloud(robot.now_s - 10.0))
    assert robot.clock.ahead_ns == 0
    assert not robot.codes['clock_followed']


@pytest.mark.parametrize('ahead_s', [61.0, 3600.0, DAY_S])
def test_a_localisation_with_a_wrong_clock_does_not_set_the_books_ahead(robot, ahead_s):
    """However slow it is: three such poses of one a second would have been believed."""
    for _ in range(5):
        robot.at_s += 1.0
        robot.give(POSE, pose(robot.now_s + ahead_s))
        robot.give(ELEVATION, cloud(robot.now_s))
    assert robot.codes['stamp_of_future'] == 5
    assert robot.pipeline.stamp_ns <= round(robot.now_s * NS)
    robot.work(2.0)
    assert robot.pipeline.stamp_ns == round(robot.now_s * NS)
    assert robot.clock.ahead_ns == 0
    assert robot.codes['stamp_backwards'] == robot.codes['clock_followed'] == 0


def test_a_machine_whose_own_clock_is_wrong_follows_that_of_the_messages():
    robot = Robot(Pipeline(SITE), clock_s=1.0)
    robot.work(5.0)
    robot.at_s += 3600.0
    robot.work(5.0)
    assert robot.pipeline.stamp_ns == round(robot.now_s * NS)
    assert set(robot.codes) == {'stamp_ahead'}


def test_what_is_told_is_in_the_time_of_the_clock(robot):
    robot.off_s = -600.0
    robot.work(5.0)
    books = robot.pipeline.books
    seen_ns = max(row.last_seen_ns for row in books.rows)
    told = robot.clock.told(books)
    assert max(row.last_seen_ns for row in told.rows) == seen_ns - robot.clock.ahead_ns
    assert max(row.last_seen_ns for row in told.rows) <= round(robot.now_s * NS)
