# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Statuses: health, flags, hold, choice of target."""

import math

from berm_ledger.books import Flag
from berm_ledger.ros.messages import (
    blind_text_from_rework,
    fill_rework,
    fill_status,
    fill_target_status,
    flagged_from_rework,
    hold_from_rework,
    Status,
    status_from,
)
from messages_kit import KITS
import pytest

ARRAY = 'diagnostic_msgs/msg/DiagnosticArray'
STATUS = 'diagnostic_msgs/msg/DiagnosticStatus'
FLAG = Flag('west arc', 3, 1_700_000_000_250_000_000, 0.01234, 0.8, 1.15, 17, 2)


@pytest.fixture(name='kit', params=sorted(KITS), scope='module')
def make_kit(request):
    return KITS[request.param]()


def rework(kit, flags=(FLAG,), on_hold=False, hold_text='', **more):
    msg = kit.blank(ARRAY)
    fill_rework(
        msg, flags, on_hold=on_hold, hold_text=hold_text, stamp_ns=9_000_000_001,
        types=kit.types, **more)
    return kit.over_the_wire(msg, ARRAY)


@pytest.mark.parametrize('level', range(4))
def test_status_there_and_back(kit, level):
    msg = kit.blank(STATUS)
    before = Status('berm_ledger: input', 'as it should be', level, {'rate_hz': 5.0, 'n': 3})
    fill_status(msg, before, kit.types)
    after = status_from(kit.over_the_wire(msg, STATUS))
    assert after == Status(before.name, before.message, level, {'rate_hz': '5', 'n': '3'})


def test_flagged_segments(kit):
    msg = rework(kit)
    assert (msg.header.stamp.sec, msg.header.stamp.nanosec) == (9, 1)
    (status,) = [status_from(item) for item in msg.status]
    assert (status.name, status.level) == ('berm_ledger: west arc segment 3', 1)
    assert status.message == 'lost 0.0123 m3 between 0.80 and 1.15 m: to be reworked'
    assert status.values == {
        'berm': 'west arc', 'segment': '3', 'since': '1700000000.250000000',
        'lost_volume_m3': '0.01234', 'station_from_m': '0.8', 'station_to_m': '1.15',
        'dumps_since': '2'}
    assert flagged_from_rework(msg) == (('west arc', 3),)
    assert hold_from_rework(msg) == (False, '')


def test_a_loss_that_was_not_measured(kit):
    flag = Flag('a', 1, 0, math.nan, 0.0, 1.0, 1)
    (status,) = [status_from(item) for item in rework(kit, [flag]).status]
    assert status.message.startswith('lost an unknown volume')
    assert status.values['lost_volume_m3'] == 'nan'


def test_hold_there_and_back(kit):
    msg = rework(kit, on_hold=True, hold_text='soil was taken from segment 3')
    assert len(msg.status) == 2
    hold = status_from(msg.status[-1])
    assert hold.name.endswith('hold')
    assert hold.level == 1
    assert 'people may be in the yard' in hold.message
    assert hold_from_rework(msg) == (True, 'soil was taken from segment 3')
    assert flagged_from_rework(msg) == (('west arc', 3),)
    assert hold_from_rework(rework(kit, [], on_hold=True)) == (True, '')


def test_the_caution_is_said_once(kit):
    text = 'soil was disturbed: people may be in the yard; look before work goes on'
    hold = status_from(rework(kit, [], on_hold=True, hold_text=text).status[0])
    assert hold.message.count('people may be in the yard') == 1
    assert hold.message.startswith(text)
    assert hold.message.endswith('called resume')


def test_a_berm_of_that_name_is_no_hold(kit):
    assert hold_from_rework(rework(kit, [Flag('hold', 1, 0, 0.1, 0.0, 1.0, 1)])) == (False, '')


def test_a_ledger_that_cannot_see_there_and_back(kit):
    msg = rework(kit, blind_text='no look could be used for 12s: the grid lies 1 m off')
    assert blind_text_from_rework(msg) == (
        'no look could be used for 12s: the grid lies 1 m off')
    assert hold_from_rework(msg) == (False, '')
    assert flagged_from_rework(msg) == (('west arc', 3),)
    assert blind_text_from_rework(rework(kit, on_hold=True, hold_text='looks')) == ''


def test_nothing_flagged_is_an_empty_array(kit):
    msg = rework(kit, [])
    assert len(msg.status) == 0
    assert hold_from_rework(msg) == (False, '')


@pytest.mark.parametrize(('segment', 'loads', 'on_hold', 'level'), [
    (3, 7, False, 0), (None, 0, False, 0), (None, 7, False, 1), (None, 0, True, 1),
])
def test_target_status(kit, segment, loads, on_hold, level):
    msg = kit.blank(STATUS)
    fill_target_status(
        msg, segment=segment, berm='west arc' if segment else None, reason='shortest haul',
        loads_remaining=loads, on_hold=on_hold, types=kit.types, values={'haul_m': 4.25})
    status = status_from(kit.over_the_wire(msg, STATUS))
    assert status.level == level
    assert status.values == {
        'segment': str(segment or ''), 'berm': 'west arc' if segment else '',
        'reason': 'shortest haul', 'loads_remaining': str(loads),
        'hold': 'true' if on_hold else 'false', 'haul_m': '4.25'}


@pytest.mark.parametrize(('reason', 'message'), [
    ('shortest haul', 'shortest haul; the last load fell far off'),
    ('no pose: is it on?', 'no pose: is it on? And the last load fell far off'),
])
def test_what_is_to_be_said_besides_goes_on_where_the_reason_ends(kit, reason, message):
    msg = kit.blank(STATUS)
    fill_target_status(
        msg, segment=3, berm='west arc', reason=reason, loads_remaining=7,
        on_hold=False, types=kit.types, caution='the last load fell far off')
    status = status_from(kit.over_the_wire(msg, STATUS))
    assert (status.level, status.message) == (1, message)
