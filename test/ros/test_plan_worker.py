# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Plans made beside the work of the node."""

from threading import current_thread, Event, main_thread

from berm_ledger.ros.plan_worker import PlanWorker
import pytest

GIVE_UP_S = 60.0


class Due:
    """A plan that is due; it is made when the test says so."""

    def __init__(self, outcome='plan', *, at_once=False):
        self.outcome, self.go, self.thread = outcome, Event(), None
        if at_once:
            self.go.set()

    def made(self):
        self.thread = current_thread()
        assert self.go.wait(GIVE_UP_S)
        if isinstance(self.outcome, Exception):
            raise self.outcome
        return self.outcome, True


@pytest.fixture
def told():
    return Event()


def test_a_plan_that_is_made_soon_is_waited_for(told):
    due = Due(at_once=True)
    assert PlanWorker(told.set, patience_s=GIVE_UP_S)(due) == ('plan', True)
    assert due.thread is not main_thread()
    assert not told.is_set()


def test_a_slow_plan_is_told_of_when_it_is_made(told):
    due, worker = Due(), PlanWorker(told.set, patience_s=0.0)
    assert worker(due) is None
    assert worker(due) is None
    assert not told.is_set()
    due.go.set()
    assert told.wait(GIVE_UP_S)
    assert worker(due) == ('plan', True)


def test_one_plan_at_a_time_and_the_next_when_it_is_made(told):
    first, second = Due('first'), Due('second', at_once=True)
    worker = PlanWorker(told.set, patience_s=0.0)
    assert worker(first) is None
    assert worker(second) is None
    assert second.thread is None
    first.go.set()
    assert told.wait(GIVE_UP_S)
    told.clear()
    while worker(second) is None:
        assert told.wait(GIVE_UP_S)
    assert second.thread is not None


def test_what_goes_wrong_while_a_plan_is_made_is_raised_where_it_was_asked_for(told):
    due, worker = Due(ValueError('no such row')), PlanWorker(told.set, patience_s=0.0)
    assert worker(due) is None
    due.go.set()
    assert told.wait(GIVE_UP_S)
    with pytest.raises(ValueError, match='no such row'):
        worker(due)
