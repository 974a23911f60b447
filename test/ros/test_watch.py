# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The operator's screen from values alone: what it says, and that it fits."""

from __future__ import annotations

from dataclasses import replace
import math
from types import SimpleNamespace
from typing import Any

from berm_ledger.books import Flag
from berm_ledger.books.profile import CrestProfile
from berm_ledger.books.rows import Row, State
from berm_ledger.errors import MessageError
from berm_ledger.ros.messages import fill_crest_cloud, fill_rework, fill_segments_cloud, Status
from berm_ledger.ros.messages.diagnostics import ERROR, OK, STALE, WARN
from berm_ledger.ros.table_text import table_text
from berm_ledger.ros.watch.advice import nothing_heard_lines, one_line, silence_text, Surroundings
from berm_ledger.ros.watch.heard import Heard, take
from berm_ledger.ros.watch.news import Event, event_from_log, news
from berm_ledger.ros.watch.section import ASCII, columns_of, section_rows, UNICODE
from berm_ledger.site_source import load_site
from hypothesis import given, settings
from hypothesis import strategies as st
from ledger_kit import FakePipeline, NS, SITE_TEXT
from messages_kit import bag_kit
import numpy as np
import pytest

pytest.importorskip('rich', reason='the screen needs rich, from the extra replay')
screen = pytest.importorskip('berm_ledger.ros.watch.screen')
KIT = bag_kit()
NEW, TYPES = KIT.blank, KIT.types


def row(segment: int = 1, state: State = State.SHORT, berm: int = 0, **figures: Any) -> Row:
    values = {'height_m': 0.12, 'height_se_m': 0.001, 'coverage': 1.0, 'at_grade': 0.2,
              'deficit_height_m': 0.08, 'dumps_remaining': 2, 'dumps_made': 1,
              'last_seen_ns': 9 * NS, **figures}
    return Row('', berm, segment, 0.5 * (segment - 1), 0.5 * segment, 0.2, state=state, **values)


def crest(berm: int = 0, count: int = 40) -> CrestProfile:
    station = (np.arange(count) + 0.5) / count
    return CrestProfile(
        berm, station, np.full(count, 0.1), np.zeros(count), np.full(count, 0.2))


TARGET = Status('berm_ledger: target', 'it is the lowest', OK, {
    'segment': '2', 'berm': 'west', 'code': 'target', 'x_m': '1', 'y_m': '2', 'yaw_rad': '0',
    'station_m': '0.75'})
FLAG = Status('berm_ledger: west segment 1', 'lost 0.0020 m3', WARN, {
    'berm': 'west', 'segment': '1'})
HEARD = Heard(
    10 * NS, (row(1), row(2)), (crest(),), ('west',), target=TARGET,
    health=(Status('pose', '10.0 Hz', OK, {'rate_hz': '10.00'}),))
VIEW = screen.View(HEARD)


def text_of(view: Any, width: int = 80, height: int = 24) -> str:
    return '\n'.join(line.plain for line in screen.screen_lines(view, width, height))


def changed(**changes: Any) -> Any:
    return replace(VIEW, heard=replace(HEARD, **changes))


# ---- from messages ---------------------------------------------------------------------------

@pytest.fixture
def site(tmp_path):
    path = tmp_path / 'site.yaml'
    path.write_text(SITE_TEXT)
    return load_site(path).site


def test_everything_shown_comes_out_of_the_messages_without_a_site_file(site):
    pipeline = FakePipeline(site)
    pipeline.stamp_ns = 10 * NS
    pipeline.disturb()
    books = pipeline.books
    cloud, crest_cloud, rework = (
        NEW('sensor_msgs/msg/PointCloud2'), NEW('sensor_msgs/msg/PointCloud2'),
        NEW('diagnostic_msgs/msg/DiagnosticArray'))
    fill_segments_cloud(cloud, site, books.rows, 10 * NS, TYPES)
    fill_crest_cloud(
        crest_cloud, site, pipeline.crest_profiles, pipeline.crest_lines, 10 * NS, TYPES)
    fill_rework(rework, books.flags, on_hold=books.on_hold, hold_text=books.hold_text,
                stamp_ns=10 * NS, types=TYPES)
    heard = take(Heard(), 'segments', cloud)
    heard = take(heard, 'crest', crest_cloud)
    heard = take(heard, 'rework', rework)
    heard = take(heard, 'table', SimpleNamespace(data=table_text(books, 10 * NS)))
    assert [r.segment for r in heard.rows] == [r.segment for r in books.rows]
    assert [r.state for r in heard.rows] == [r.state for r in books.rows]
    assert heard.stamp_ns == 10 * NS
    assert heard.names == ('west',)
    assert [len(part.station_m) for part in heard.crest] == [1]
    assert heard.hold_text == 'soil was disturbed'
    shown = text_of(screen.View(heard))
    assert 'ON HOLD: soil was disturbed' in shown
    assert 'ros2 service call /ledger/resume std_srvs/srv/Trigger' in shown
    assert 'REWORK west segment 1: lost 0.0020 m3' in shown


def test_health_of_others_on_the_same_topic_is_left_out():
    msg = SimpleNamespace(status=[
        SimpleNamespace(name=name, message='m', level=0, values=[])
        for name in ('ledger: pose', 'rover2/ledger: pose', 'battery')])
    assert [s.name for s in take(Heard(), 'diagnostics', msg).health] == ['pose']
    own = take(Heard(), 'diagnostics', msg, prefix='rover2/ledger: ')
    assert [s.name for s in own.health] == ['pose']
    msg.status = msg.status[2:]
    assert take(HEARD, 'diagnostics', msg) is HEARD


def test_a_cloud_that_is_no_table_is_refused():
    with pytest.raises(MessageError, match='is empty'):
        take(Heard(), 'segments', NEW('sensor_msgs/msg/PointCloud2'))


# ---- the screen ------------------------------------------------------------------------------

def test_the_screen_says_what_matters():
    shown = text_of(VIEW)
    assert shown.startswith('0 of 2 at grade | 4 loads left | 0 flagged | 2 made | look 1.0s ago')
    assert 'target   west segment 2 from x 1.00 y 2.00 yaw 0 deg: it is the lowest' in shown
    assert 'berm west: 0 % of 1.00 m at grade, 4 loads left' in shown
    assert 'pose 10.0Hz' in shown
    assert [line[0] for line in shown.split('\n') if 'short' in line[-6:]] == [' ', '>']
    assert shown.endswith(screen.KEYS)


def test_loads_of_a_level_crest_are_unknown_before_its_ground_is():
    rows = tuple(replace(row, target_height_m=math.nan) for row in VIEW.heard.rows)
    shown = text_of(replace(VIEW, heard=replace(VIEW.heard, rows=rows)))
    assert shown.startswith('0 of 2 at grade | loads left unknown | 0 flagged')
    assert 'berm west: 0 % of 1.00 m at grade, loads left unknown' in shown


def test_the_share_at_grade_is_that_of_the_table(site):
    books = FakePipeline(site).books
    rows = tuple(
        replace(row, height_m=0.19, at_grade=share, state=state, berm=books.rows[0].berm)
        for row, share, state in zip(books.rows, (0.92, 0.6), (State.AT_GRADE, State.SHORT)))

    assert 'berm west: 50 % of its length at grade' in table_text(
        replace(books, rows=rows), 10 * NS)
    assert 'berm west: 50 % of 1.00 m at grade' in text_of(changed(rows=rows))


def test_looks_that_have_stopped_are_not_called_fresh():
    silent = replace(HEARD, health=(Status('elevation', 'nothing has come in', STALE),))
    assert '| looks stopped |' in text_of(screen.View(silent)).split('\n')[0]
    never = replace(silent, rows=tuple(replace(r, last_seen_ns=None) for r in HEARD.rows))
    assert '| not seen yet |' in text_of(screen.View(never)).split('\n')[0]
    unstamped = text_of(screen.View(replace(never, stamp_ns=0))).split('\n')[0]
    assert unstamped.rstrip().endswith('| not seen yet')


def test_rows_take_the_room_that_no_event_needs():
    many = replace(HEARD, rows=tuple(row(k + 1) for k in range(9)))
    events = tuple(Event(None, f'event {k}', '') for k in range(3))
    shown = [text_of(screen.View(many, told), 80, 15) for told in ((), events)]
    counts = [sum(line.endswith('  short') for line in text.split('\n')) for text in shown]
    assert counts[0] > counts[1] >= 3
    assert all(event.text in shown[1] for event in events)


@pytest.mark.parametrize('width', [40, 46, 60, 79, 80, 200])
def test_the_state_and_the_loads_left_are_never_cut_off(width):
    rows = (row(1, State.AT_GRADE, dumps_remaining=0), row(2, dumps_remaining=17))
    lines = text_of(changed(rows=rows), width).splitlines()
    heading = next(line for line in lines if line.split()[:1] == ['seg'])
    left = heading.index('left') + len('left')
    first, second = (line for line in lines[lines.index(heading) + 1:][:2])
    assert first.endswith('  at grade')
    assert second.endswith('  short')
    assert first[left - 2:left] == ' 0'
    assert second[left - 2:left] == '17'


def test_a_wide_terminal_shows_all_columns():
    heading = next(
        line for line in text_of(VIEW, 80).splitlines() if line.split()[:1] == ['seg'])
    assert heading.split() == [
        'seg', 'station', 'target', 'height', '+-', 'seen', 'done', 'short', 'left', 'made',
        'age', 'state']


def test_the_long_section_changes_its_style_with_the_state_only():
    """Over a slow line every change costs ten characters."""
    for line in screen.screen_lines(VIEW, 80, 30):
        assert len(line.spans) <= 8


@settings(max_examples=40)
@given(width=st.integers(1, 200), height=st.integers(1, 80), segments=st.integers(1, 60),
       events=st.integers(0, 50), flags=st.integers(0, 6), scroll=st.integers(-80, 80),
       heights=st.lists(st.floats(-1.0, 2.0) | st.just(math.nan), min_size=1, max_size=50))
def test_it_fits_every_terminal(width, height, segments, events, flags, scroll, heights):
    count = len(heights)
    profile = CrestProfile(0, np.arange(count) + 0.5, np.array(heights), np.zeros(count),
                           np.full(count, math.nan if count % 3 == 0 else 0.2))
    heard = replace(
        HEARD, rows=tuple(row(k + 1) for k in range(segments)), crest=(profile,),
        flags=(FLAG,) * flags, hold_text='a hold', health=(
            Status('pose', 'm' * 150, ERROR), Status('elevation', 'gone', STALE)))
    view = replace(VIEW, heard=heard, scroll=scroll,
                   events=tuple(event_from_log('booked slump x', k) for k in range(events)))
    lines = screen.screen_lines(view, width, height)
    assert len(lines) == height
    assert all(line.cell_len <= width for line in lines)
    assert width < 2 or lines[-1].plain.startswith(screen.KEYS[0])


def test_a_table_that_says_that_no_look_could_be_used_is_repeated_whole():
    said = ('NO LOOK COULD BE USED for 35s: the same heights on and on while driving: sensor or '
            'mapper stuck')
    heard = take(HEARD, 'table', SimpleNamespace(data=f'1 of 2 segments\n{said}\n\nberm west'))
    shown = text_of(replace(VIEW, heard=heard))
    assert said in ' '.join(line.strip() for line in shown.split('\n'))
    assert 'NO LOOK' not in text_of(replace(VIEW, heard=take(
        heard, 'table', SimpleNamespace(data='1 of 2 segments\n\nberm west'))))


def test_80_by_24_holds_every_part_though_there_are_many_segments():
    heard = replace(HEARD, rows=tuple(row(k + 1) for k in range(50)), flags=(FLAG,), hold_text='h')
    events = tuple(event_from_log(f'booked slump number {k}', 0) for k in range(30))
    lines = text_of(replace(VIEW, heard=heard, events=events)).split('\n')
    assert sum(line.endswith('  short') for line in lines) >= screen.LEAST_ROWS
    assert any(line.startswith('>') for line in lines)
    assert lines[-2].endswith('slump number 29'), 'the newest event is the last'
    assert sum('slump number' in line for line in lines) >= screen.LEAST_EVENTS
    assert sum(UNICODE.blocks[8] in line for line in lines) >= 1


def test_the_table_can_be_scrolled_to_both_ends():
    rows = tuple(row(k + 1) for k in range(50))

    def first(scroll):
        return screen.window(rows, 25, 5, scroll)[0].segment
    assert (first(0), first(1), first(-1)) == (23, 24, 22)
    assert (first(-50), first(50)) == (1, 46)


def test_the_berm_that_is_worked_on_is_shown_until_another_is_asked_for():
    rows = (row(1, State.AT_GRADE), row(1, berm=1), row(1, State.AT_GRADE, berm=2))
    heard = replace(HEARD, rows=rows, names=('west', 'mid', 'east'), target=None)
    view = screen.View(heard)
    assert screen.berm_shown(view) == 1, 'the first that is not done'
    east = replace(TARGET, values={**TARGET.values, 'berm': 'east'})
    view = replace(view, heard=replace(heard, target=east))
    assert screen.berm_shown(view) == 2
    assert screen.next_berm(view) == 0
    assert screen.berm_shown(replace(view, berm_index=0)) == 0
    assert screen.berm_shown(replace(view, berm_index=7)) == 2


@pytest.mark.parametrize(('status', 'said'), [
    (Status('pose', 'nothing has come in', STALE), 'pose STALE'),
    (Status('pose', 'half refused', WARN, {'rate_hz': '3.20'}), 'pose 3.2Hz!'),
    (Status('journal', 'disk full', ERROR), 'ERROR journal: disk full'),
    (Status('refusals', 'none new', OK, {'old_stamp': '2', 'spike': '3'}), 'refusals 5'),
    (Status('refusals', 'more of spike', WARN, {'spike': '3'}), 'refusals 3!'),
    (Status('journal', '7 entries', OK), 'ok: journal'),
    (Status('dump', '7 announced', OK, {'messages': '7'}), 'dump 7'),
])
def test_health_is_said_in_words_not_in_colour_alone(status, said):
    assert said in text_of(changed(health=(status,)))


def test_no_datum_is_a_warning():
    assert 'NO DATUM' in text_of(changed(health=(Status('books', '', WARN, {'datum': 'none'}),)))
    assert 'NO DATUM' not in text_of(changed(health=(Status('books', '', OK, {}),)))


# ---- nothing comes in ------------------------------------------------------------------------

def test_when_nothing_publishes_it_says_so_and_what_to_check():
    around = Surroundings('/rover1/segments', 0, ('/rover2',), 4.0, {'ROS_DOMAIN_ID': '7'})
    shown = text_of(screen.View(Heard(), around=around))
    assert shown.startswith('Nothing publishes /rover1/segments (waiting for 4 s).')
    for words in ('What to check', 'berm-ledger watch --namespace /rover2', 'ROS_DOMAIN_ID is 7',
                  'ros2 launch berm_ledger'):
        assert words in ' '.join(shown.split())
    assert '\n' not in one_line(around)
    assert '--namespace /rover2' in one_line(around)


def test_a_ledger_that_is_there_but_silent_is_asked_for_its_state():
    lines = nothing_heard_lines(Surroundings('/segments', 1, (), 3.0), 80)
    assert lines[0] == '/segments is offered, but nothing has come in for 3 s.'
    assert all(len(line) <= 80 for line in lines)
    assert 'ros2 lifecycle get /ledger' in ' '.join(' '.join(lines).split())
    lines = nothing_heard_lines(Surroundings('/rover1/segments', 1, (), 3.0), 100)
    assert 'ros2 lifecycle get /rover1/ledger' in ' '.join(' '.join(lines).split())


def test_a_ledger_that_falls_silent_is_a_warning():
    assert silence_text(Surroundings()) == ''
    assert silence_text(Surroundings(publishers=2)).startswith('2 LEDGERS publish /segments')
    gone = replace(VIEW, around=Surroundings(publishers=0))
    assert 'THE LEDGER IS GONE' in text_of(gone)
    late = replace(VIEW, around=Surroundings(silent_s=8.0))
    assert 'NOTHING FROM THE LEDGER for 8 s' in text_of(late)


# ---- the long section ------------------------------------------------------------------------

def test_the_crest_is_drawn_to_scale():
    # Top of the drawing is 1.15 of the highest figure: 0.23 m; 0.115 m is half of it.
    profile = CrestProfile(0, np.arange(8) + 0.5, np.full(8, 0.115), np.zeros(8), np.full(8, 0.2))
    rows = section_rows(columns_of(profile, 8), 4)
    assert rows == ('\u2500' * 8, ' ' * 8, '\u2588' * 8, '\u2588' * 8)


def test_what_was_not_seen_is_drawn_as_not_seen_and_not_as_nothing():
    heights = np.array([0.0, math.nan, 0.2, math.nan])
    profile = CrestProfile(0, np.arange(4) + 0.5, heights, np.zeros(4), np.full(4, math.nan))
    assert section_rows(columns_of(profile, 4), 1, ASCII) == (' ?#?',)


@pytest.mark.parametrize('width', [1, 3, 40, 173])
def test_every_column_has_the_mean_of_its_sections(width):
    count = 40
    station = (np.arange(count) + 0.5) / count
    profile = CrestProfile(0, station, station.copy(), np.zeros(count), np.ones(count))
    columns = columns_of(profile, width)
    # A ramp of slope one: the mean height of a stretch is the station of its middle.
    assert np.abs(columns.height_m - columns.station_m).max() <= 0.5 / count + 1e-9
    assert columns.station_m[0] == pytest.approx(0.5 / width)


# ---- news ------------------------------------------------------------------------------------

def texts(before: Heard, after: Heard) -> list[str]:
    return [event.text for event in news(before, after)]


def test_dumps_and_states_are_told():
    after = replace(HEARD, rows=(
        row(1, State.AT_GRADE, height_m=0.199, dumps_made=2), row(2, dumps_made=3)))
    assert texts(HEARD, after) == [
        'a load dumped on west segment 1', 'west segment 1 is at grade, 0.199 of 0.200 m',
        '2 loads dumped on west segment 2']


def test_what_comes_in_for_the_first_time_is_no_news():
    assert texts(Heard(), replace(HEARD, target=None, health=())) == []


def test_flag_and_hold_are_told_when_they_come_and_when_they_go():
    spoiled = replace(HEARD, flags=(FLAG,), hold_text='soil was disturbed')
    assert texts(HEARD, spoiled) == ['west segment 1: lost 0.0020 m3',
                                     'ON HOLD: soil was disturbed']
    assert texts(spoiled, HEARD) == ['west segment 1 is no longer flagged', 'the hold has ended']


def test_target_and_health_are_told_when_they_change():
    none = Status('berm_ledger: target', 'the berm is done', OK, {'code': 'done', 'segment': ''})
    assert texts(HEARD, replace(HEARD, target=none)) == ['no target: the berm is done']
    assert texts(replace(HEARD, target=none), HEARD) == ['next load: west segment 2']
    same = replace(TARGET, message='another reason')
    assert texts(HEARD, replace(HEARD, target=same)) == []
    stale = replace(HEARD, health=(Status('pose', 'nothing for a while', STALE),))
    assert texts(HEARD, stale) == ['pose STALE: nothing for a while']


@pytest.mark.parametrize(('line', 'told'), [
    ('booked stray_dump: missed', 'stray dump: missed'),
    ('booked refused: old\nstamp', 'refused: old stamp'),
    ('booked void: too deep', 'void: too deep'),
    ('booked imbalance: soil is missing', 'imbalance: soil is missing'),
    ('booked dump west segment 1', None), ('books of x', None), ('', None)])
def test_the_log_tells_only_what_no_topic_shows(line, told):
    event = event_from_log(line, 1)
    assert (event and event.text) == told


def test_flags_are_the_ledger_s_own():
    msg = NEW('diagnostic_msgs/msg/DiagnosticArray')
    flag = Flag('west', 2, 5 * NS, 0.001, 0.1, 0.2, seq=3, dumps_since=0)
    fill_rework(msg, [flag], on_hold=False, hold_text='', stamp_ns=NS, types=TYPES)
    heard = take(Heard(), 'rework', msg)
    assert [(s.values['berm'], s.values['segment']) for s in heard.flags] == [('west', '2')]
    assert heard.hold_text is None
