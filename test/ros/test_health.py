# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Health: levels mean what the conventions of diagnostics say; rates come from stamps."""

from berm_ledger.ros.health import (
    books_status,
    InputMonitor,
    journal_status,
    Level,
    RefusalMonitor,
    SILENT_REPORTS,
)
import pytest


def test_levels_are_those_of_the_message():
    status = pytest.importorskip('diagnostic_msgs.msg').DiagnosticStatus

    for level in Level:
        assert getattr(status, level.name) == bytes([level])


def test_nothing_ever_received_is_stale_and_says_what_to_check():
    status = InputMonitor('elevation').report()

    assert status.level == Level.STALE
    assert 'does anything publish elevation?' in status.message


def test_the_rate_comes_from_the_stamps():
    monitor = InputMonitor('elevation')
    for n in range(50):
        monitor.note(n * 200_000_000)

    status = monitor.report()

    assert (status.level, status.message) == (Level.OK, '5.0 Hz')
    assert ('rate [Hz]', '5.00') in status.values
    assert ('messages', '50') in status.values


def test_stamps_that_stand_still_or_go_back_make_no_rate():
    monitor = InputMonitor('pose')
    for stamp_ns in (5, 5, 4, 0):
        monitor.note(stamp_ns)

    assert monitor.rate_hz is None
    assert monitor.report().level == Level.OK


def test_silence_becomes_stale_and_ends_with_the_next_message():
    monitor = InputMonitor('pose')
    monitor.note(0)
    levels = [monitor.report().level for _ in range(SILENT_REPORTS + 1)]
    monitor.note(1)

    assert levels == [Level.OK] * SILENT_REPORTS + [Level.STALE]
    assert monitor.report().level == Level.OK


@pytest.mark.parametrize(('refusals', 'level'), [
    (['', ''], Level.OK), (['', 'no z'], Level.WARN), (['no z', 'no z'], Level.ERROR)])
def test_refusals_since_the_last_report_decide(refusals, level):
    monitor = InputMonitor('elevation')
    for n, refusal in enumerate(refusals):
        monitor.note(n, refusal)

    status = monitor.report()

    assert status.level == level
    assert ('no z' in status.message) == (level != Level.OK)
    assert monitor.report().level == Level.OK


def test_dumps_need_not_keep_coming():
    monitor = InputMonitor('dump', steady=False)
    levels = {monitor.report().level for _ in range(20)}

    assert levels == {Level.OK}


def test_only_new_refusals_warn():
    monitor = RefusalMonitor()

    assert monitor.report({}).level == Level.OK
    first = monitor.report({'wrong_frame': 3, 'all_nan': 1})
    assert (first.level, first.message) == (Level.WARN, 'more of all_nan, wrong_frame')
    assert monitor.report({'wrong_frame': 3, 'all_nan': 1}).level == Level.OK
    assert monitor.report({'wrong_frame': 4, 'all_nan': 1}).message == 'more of wrong_frame'


def test_a_journal_that_cannot_be_written_is_an_error():
    assert journal_status('b.sqlite', '', 12, 0).level == Level.OK
    status = journal_status('b.sqlite', 'disk full', 12, 3)
    assert status.level == Level.ERROR
    assert ('waiting', '3') in status.values


@pytest.mark.parametrize(('hold', 'flags', 'datum', 'level', 'text'), [
    (False, 0, True, Level.OK, 'in order'),
    (True, 1, True, Level.WARN, 'on hold: somebody'),
    (False, 2, True, Level.WARN, '2 segments'),
    (False, 0, False, Level.WARN, 'natural ground'),
])
def test_what_an_operator_must_act_on_warns(hold, flags, datum, level, text):
    status = books_status(hold, 'somebody' if hold else '', flags, datum)

    assert status.level == level
    assert text in status.message
