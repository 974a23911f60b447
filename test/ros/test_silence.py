# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""For how long no grid could be used, with a clock of the test's own."""

from berm_ledger.findings import Finding, Severity
from berm_ledger.ros.silence import Silence
from berm_ledger.ros.table_text import WIDTH
from berm_ledger.survey.standstill import NOTHING_NEW_TEXT, STANDS_STILL_TEXT
import pytest


@pytest.fixture
def now_s():
    return [500.0]


@pytest.fixture
def silence(now_s):
    return Silence(lambda: now_s[0], '/r/elevation')


def test_silence_is_told_from_ten_seconds_on_and_ends_with_a_look(now_s, silence):
    now_s[0] += 9.9
    assert silence.text == ''
    now_s[0] += 25.3
    assert silence.text == ('NO LOOK HAS COME IN for 35s on /r/elevation: does anything publish '
                            'it? All below is as of then')

    silence.note('')
    assert silence.text == ''


def test_grids_that_are_all_refused_are_no_looks_and_say_why(now_s, silence):
    for _ in range(35):
        now_s[0] += 1.0
        silence.note("the grid is in frame 'odom'")

    assert silence.text == "NO LOOK COULD BE USED for 35s: the grid is in frame 'odom'"
    silence.note('')
    now_s[0] += 12.0
    assert silence.text.startswith('NO LOOK HAS COME IN for 12s')


def test_a_ledger_that_can_use_no_grid_for_ten_seconds_is_blind_until_it_can(now_s, silence):
    said = []
    for _ in range(12):
        now_s[0] += 1.0
        silence.note('the grid lies +1.0, +0.0, +0.0 m off')
        said.append(silence.blind_text)

    # Ten seconds from the first that was refused.
    assert said[:10] == [''] * 10
    assert said[-1] == 'no look could be used for 12s: the grid lies +1.0, +0.0, +0.0 m off'
    silence.note('')
    assert silence.blind_text == ''


@pytest.mark.parametrize('away', [
    lambda silence: None,
    lambda silence: silence.note('a grid of this stamp was used already', repeated=True)])
def test_one_that_only_gets_nothing_new_to_see_is_not_blind(now_s, silence, away):
    silence.note('the last pose is 2.5 s older than the grid')
    for _ in range(60):
        now_s[0] += 1.0
        away(silence)

    assert silence.text
    assert silence.blind_text == ''


def found(code, text='said'):
    refused = code in ('wrong_frame', 'repeated_grid')
    return [Finding(code, text, Severity.REFUSAL if refused else Severity.WARNING, 0)]


@pytest.mark.parametrize(('code', 'text', 'blind'), [
    ('nothing_new', NOTHING_NEW_TEXT, False), ('stands_still', STANDS_STILL_TEXT, True),
    ('wrong_frame', 'frame odom', True), ('repeated_grid', 'used already', False)])
def test_grids_that_show_the_same_again_are_no_looks(now_s, silence, code, text, blind):
    for _ in range(35):
        now_s[0] += 1.0
        silence.note_grid(found(code, text))
    assert silence.text == f'NO LOOK COULD BE USED for 35s: {text}'
    # It must not be cut off in the table, however long it lasts.
    assert len(silence.text.replace('35s', '120min')) <= WIDTH
    assert bool(silence.blind_text) == blind

    silence.note_grid(found('odd_mass'))
    assert silence.text == silence.blind_text == ''


def test_it_is_told_again_every_ten_seconds(now_s, silence):
    told = []
    for _ in range(40):
        now_s[0] += 1.0
        told.append(silence.is_due())

    assert [k + 1 for k, due in enumerate(told) if due] == [10, 20, 30, 40]
