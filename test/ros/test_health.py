# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Health: levels mean what the conventions of diagnostics say; rates come from stamps."""

import math
from types import SimpleNamespace

from berm_ledger.ros.health import (
    books_status,
    input_statuses,
    InputMonitor,
    journal_status,
    masked_status,
    RefusalMonitor,
    registration_status,
    SILENT_REPORTS,
)
from berm_ledger.ros.messages.diagnostics import ERROR, OK, STALE, WARN
from berm_ledger.survey.attitude import Attitude
from berm_ledger.survey.registration import Shift
from berm_ledger.survey.tilt import Tilt
from berm_ledger.survey.yaw import Yaw
import pytest


def test_nothing_ever_received_is_stale_and_says_what_to_check():
    status = InputMonitor('elevation', '/r/elevation').report()

    assert (status.name, status.level) == ('elevation', STALE)
    assert 'does anything publish /r/elevation?' in status.message
    assert status.values['topic'] == '/r/elevation'


@pytest.mark.parametrize(('role', 'steady', 'advice'), [
    ('dump', False, ''), ('pose', True, '; set pose_type, or publish that'),
    ('elevation', True, '; set elevation_type, or publish that')])
def test_what_is_published_as_another_type_is_an_error(role, steady, advice):
    monitor = InputMonitor(role, f'/r/{role}', steady=steady)
    mistaken = 'it is published as std_msgs/msg/Float64, not as std_msgs/msg/Float32'

    status = monitor.report(lambda: mistaken)

    assert (status.level, status.message) == (ERROR, f'nothing can come in: {mistaken}{advice}')
    monitor.note(1)
    assert monitor.report(lambda: mistaken).level == OK


def test_the_rate_comes_from_the_stamps():
    monitor = InputMonitor('elevation', '/r/elevation')
    for n in range(50):
        monitor.note(n * 200_000_000)

    status = monitor.report()

    assert (status.level, status.message) == (OK, '5.0 Hz')
    assert status.values['rate_hz'] == '5.00'
    assert status.values['messages'] == 50


def test_stamps_that_stand_still_or_go_back_make_no_rate():
    monitor = InputMonitor('pose', '/r/pose')
    for stamp_ns in (5, 5, 4, 0):
        monitor.note(stamp_ns)

    assert monitor.rate_hz is None
    assert monitor.report().level == OK


def elevation_status(*, came=True, refusal='', silence='', seen_s=(100,)):
    """Return the status of the grids at 100 s, the last of them seen then."""
    monitor, now_ns = InputMonitor('elevation', '/r/elevation'), 100_000_000_000
    if came:
        monitor.note(now_ns, refusal)
    pipeline = SimpleNamespace(
        stamp_ns=now_ns, looked_ns={('west', k): s * 10**9 for k, s in enumerate(seen_s)})
    return input_statuses({'elevation': monitor}, lambda kind: '', silence, pipeline, '')[0]


def test_loads_that_come_to_lie_elsewhere_are_a_warning_of_the_dumps():
    pipeline = SimpleNamespace(stamp_ns=0, looked_ns={})
    for said, level in (('', OK), ('the last 9 loads came to lie 0.15 m behind', WARN)):
        monitors = {kind: InputMonitor(kind, kind, steady=False) for kind in ('elevation', 'dump')}
        _, dump = input_statuses(monitors, lambda kind: '', '', pipeline, said)
        assert (dump.level, dump.message) == (level, said or '0 announced')


def test_grids_that_tell_nothing_are_a_warning_that_says_why():
    said = 'NO LOOK COULD BE USED for 35s: the same heights on and on'
    status = elevation_status(silence=said)
    assert (status.level, status.message) == (WARN, said)
    # What is worse stays.
    assert elevation_status(silence=said, refusal='frame odom').level == ERROR
    assert elevation_status(silence=said, came=False).level == STALE


def test_grids_of_another_place_are_in_order_and_say_so():
    status = elevation_status(seen_s=(40, 65))
    assert (status.level, status.message) == (OK, 'coming in, nothing new of the berm for 35s')
    assert elevation_status(seen_s=(40, 95)).message == 'coming in'
    assert elevation_status(seen_s=()).message == 'coming in'


def test_silence_becomes_stale_and_ends_with_the_next_message():
    monitor = InputMonitor('pose', '/r/pose')
    monitor.note(0)
    levels = [monitor.report().level for _ in range(SILENT_REPORTS + 1)]
    monitor.note(1)

    assert levels == [OK] * SILENT_REPORTS + [STALE]
    assert monitor.report().level == OK


@pytest.mark.parametrize(('refusals', 'level'), [
    (['', ''], OK), (['', 'no z'], WARN), (['no z', 'no z'], ERROR)])
def test_refusals_since_the_last_report_decide(refusals, level):
    monitor = InputMonitor('elevation', '/r/elevation')
    for n, refusal in enumerate(refusals):
        monitor.note(n, refusal)

    status = monitor.report()

    assert status.level == level
    assert ('no z' in status.message) == (level != OK)
    assert monitor.report().level == OK


def test_dumps_need_not_keep_coming():
    monitor = InputMonitor('dump', '/r/dump', steady=False)
    levels = {monitor.report().level for _ in range(20)}

    assert levels == {OK}


def test_only_new_refusals_warn():
    monitor = RefusalMonitor()

    assert monitor.report({}).level == OK
    first = monitor.report({'wrong_frame': 3, 'all_nan': 1})
    assert (first.level, first.message) == (WARN, 'more of all_nan, wrong_frame')
    assert monitor.report({'wrong_frame': 3, 'all_nan': 1}).level == OK
    assert monitor.report({'wrong_frame': 4, 'all_nan': 1}).message == 'more of wrong_frame'


def test_a_journal_that_cannot_be_written_is_an_error():
    assert journal_status('b.sqlite', '', 12, 0).level == OK
    status = journal_status('b.sqlite', 'disk full', 12, 3)
    assert status.level == ERROR
    assert status.values['waiting'] == 3


@pytest.mark.parametrize(('hold', 'flags', 'datum', 'several', 'level', 'text'), [
    (False, 0, True, '', OK, 'in order'),
    (True, 1, True, '', WARN, 'on hold: somebody'),
    (False, 1, True, '', WARN, '1 segment to be'),
    (False, 2, True, '', WARN, '2 segments to be'),
    (False, 0, False, '', WARN, 'natural ground'),
    (True, 1, True, '2 nodes publish /r/segments', ERROR, '2 nodes publish /r/segments'),
])
def test_what_an_operator_must_act_on_warns(hold, flags, datum, several, level, text):
    status = books_status(hold, 'somebody' if hold else '', flags, datum, several)

    assert status.level == level
    assert text in status.message


@pytest.mark.parametrize(('grid_ns', 'cells', 'planar', 'level', 'text'), [
    (None, 0, False, STALE, 'no grid used yet'),
    (5, 0, False, OK, 'map shift 12, -3, 4 mm removed'),
    (5, 900, True, OK, 'map shift 12, -3, 4 mm removed'),
    (5, 900, False, OK,
     'map shift 12, -3, 4 mm removed; too little relief to see the planar part'),
])
def test_registration_says_what_was_removed(grid_ns, cells, planar, level, text):
    shift = Shift(
        dx_m=0.012, dy_m=-0.003, dz_m=0.004, se_xy_m=0.001, se_z_m=0.001, residual_m=0.002,
        cells=cells, planar_observed=planar)
    status = registration_status(SimpleNamespace(
        shift=shift, grid_ns=grid_ns, noise_m=0.004, judged_within_m=math.inf))

    assert (status.level, status.message) == (level, text)
    assert status.values['dx_m'] == 0.012
    assert math.isnan(status.values['se_xy_m']) == math.isnan(status.values['se_z_m']) == (
        grid_ns is None)


def test_a_shift_that_rounds_to_nothing_has_no_sign():
    status = registration_status(SimpleNamespace(
        shift=Shift(0.0004, -0.0004, -0.0), grid_ns=5, noise_m=0.004, judged_within_m=math.inf))

    assert status.message == 'map shift 0, 0, 0 mm removed'


def test_registration_says_how_a_grid_was_tilted_and_where_it_is_too_noisy():
    shift = Shift(
        0.012, -0.003, 0.004, cells=900, planar_observed=True,
        attitude=Attitude(Tilt((0.006, -0.008)), Yaw(0.0122)))
    status = registration_status(SimpleNamespace(
        shift=shift, grid_ns=5, noise_m=0.004, judged_within_m=1.25))

    assert status.message == (
        'map shift 12, -3, 4 mm removed; tilted by 0.57 degrees; turned by 0.70 degrees; '
        'further than 1.25 m off the grids are too noisy to tell what came or went')
    told = [status.values[key] for key in ('tilt_x', 'tilt_y', 'yaw_rad')]
    assert told == [0.006, -0.008, 0.0122]


def test_cells_left_out_are_counted_by_reason_and_are_no_trouble():
    status = masked_status({'grids': 3, 'poses': 9, 'cells_spikes': 2, 'cells_objects': 5})

    assert (status.level, status.message) == (OK, '7 cells of the grids used were left out')
    assert status.values == {'cells_objects': 5, 'cells_spikes': 2}


def test_one_is_told_as_one():
    one = masked_status({'grids': 3, 'cells_spikes': 1})

    assert one.message == '1 cell of the grids used was left out'
    assert journal_status('b.sqlite', '', 1, 0).message == '1 entry written'
