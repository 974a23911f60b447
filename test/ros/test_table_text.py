# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The table for a person: what matters first, aligned, within 100 columns, honest about gaps."""

from dataclasses import replace
import math

from berm_ledger.books import Books, Flag, Row, State, YieldEstimate
from berm_ledger.ros.table_text import table_text
import pytest

ROWS = (
    Row('west arc', 0, 1, 0.0, 0.4, 0.25, height_m=0.2473, height_se_m=0.0008, low_m=0.241,
        high_m=0.2531, coverage=1.0, at_grade=0.963, deficit_height_m=0.0027,
        deficit_volume_m3=-0.00004, dumps_made=9, line_offset_m=-0.0042, state=State.AT_GRADE,
        last_seen_ns=99_600_000_000),
    Row('west arc', 0, 2, 0.4, 0.8, 0.25),
)
BOOKS = Books(
    site=None, rows=ROWS, dump_yield=YieldEstimate(0.005, 0.001, 0.001, 0), datum_seq=1,
    datum_stamp_ns=1)
NOW_NS = 100_000_000_000
TABLE = """
1 of 2 segments at grade | 0 loads left | 0 dumped | 0 flagged | last look 0.4s ago | 100.0 s

berm west arc: 50 % of its length at grade, 0 loads left, 0 flagged
 seg     station target height  +-    low  high seen done short short left made line   age  state
               m      m      m  mm      m     m    %    %    mm     l             mm
   1   0.00-0.40  0.250  0.247 0.8  0.241 0.253  100   96     3   0.0    0    9   -4  0.4s  at grade
   2   0.40-0.80  0.250      -   -      -     -    0    0     -     -    0    0    -     -  unseen
"""  # noqa: E501


def test_the_table_reads_so():
    assert f'\n{table_text(BOOKS, NOW_NS)}\n' == TABLE


def test_the_first_line_of_a_long_berm_is_told_to_its_end():
    now_ns = 1_767_226_500_000_000_000
    rows = tuple(replace(row, dumps_remaining=9, last_seen_ns=now_ns - 400_000_000)
                 for row in 50 * ROWS)

    first = table_text(replace(BOOKS, rows=rows), now_ns).splitlines()[0]

    assert first == (
        '50 of 100 at grade | 900 loads left | 0 dumped | 0 flagged | last look 0.4s ago | '
        '00:15:00 UTC')


def test_hold_flags_and_a_missing_datum_stand_at_the_top():
    flag = Flag('west arc', 1, 40_000_000_000, 0.0021, 0.1, 0.35, 7)
    books = replace(
        BOOKS, on_hold=True, hold_text='segment 1 disturbed', flags=(flag,), datum_seq=None)

    top = table_text(books, NOW_NS).splitlines()[:4]

    assert '1 flagged' in top[0]
    assert top[1].startswith('NO DATUM')
    assert top[2] == 'ON HOLD, no target is given: segment 1 disturbed'
    assert top[3] == (
        'REWORK west arc, segment 1: lost 2.1 l at station 0.10 to 0.35 m, 60s ago')


def test_silence_stands_right_under_the_first_line():
    lines = table_text(BOOKS, NOW_NS, silence='no look').splitlines()

    assert lines[1] == 'no look'
    assert [lines[0], *lines[2:]] == table_text(BOOKS, NOW_NS).splitlines()


def test_what_to_do_about_a_silence_is_not_cut_off():
    why = ("NO LOOK COULD BE USED for 35s: the grid is in frame 'odom', the site is in 'map'; "
           'transform it or change the frame of the site file')
    lines = table_text(BOOKS, NOW_NS, 'borrow: ' + 'lane 1 is closed, ' * 7, silence=why)

    assert ' '.join(' '.join(line.split()) for line in lines.splitlines()[1:3]) == why
    assert lines.count('lane 1 is closed') == 7
    assert max(len(line) for line in lines.splitlines()) <= 100


def test_shares_at_grade_are_not_rounded_up():
    """35 of 39 cross-sections are not 90 %; nor is a berm done but for its shortest segment."""
    rows = (replace(ROWS[0], at_grade=0.8974, station_to_m=99.7),
            replace(ROWS[1], station_from_m=99.7, station_to_m=100.0))

    lines = table_text(replace(BOOKS, rows=rows), NOW_NS).splitlines()

    assert 'berm west arc: 99 % of its length at grade' in lines[2]
    assert lines[5].split()[7:9] == ['100', '89']


def test_one_load_is_one_load():
    books = replace(BOOKS, rows=(replace(ROWS[0], dumps_remaining=1), ROWS[1]))

    assert table_text(books, NOW_NS).count('1 load left') == 2


def test_loads_of_a_level_crest_are_unknown_before_its_ground_is():
    level = replace(ROWS[1], target_height_m=math.nan)

    lines = table_text(replace(BOOKS, rows=(ROWS[0], level)), NOW_NS).splitlines()

    assert lines[0].startswith('1 of 2 segments at grade | loads left unknown | 0 dumped')
    assert lines[2].endswith('at grade, loads left unknown, 0 flagged')
    assert lines[-1].split()[11:13] == ['-', '0']


def test_nothing_seen_is_said_so():
    books = replace(BOOKS, rows=ROWS[1:])

    # Nor is there a time before anything with a stamp has come in.
    assert table_text(books, 0).splitlines()[0].endswith('| nothing seen yet')


@pytest.mark.parametrize('row', [
    replace(ROWS[0], station_from_m=1234.5, station_to_m=1235.0),
    replace(ROWS[0], height_m=math.inf, high_m=-0.9994, line_offset_m=-0.9991, dumps_made=9999,
            deficit_height_m=-9.9991, deficit_volume_m3=-9.991, dumps_remaining=1200),
    replace(ROWS[0], berm='b' * 200, last_seen_ns=-NOW_NS * 10000),
    replace(ROWS[0], last_seen_ns=NOW_NS - 5_900_000_000_000),
    replace(ROWS[0], low_m=-0.002, high_m=-0.001, line_offset_m=-0.046),
])
def test_no_line_is_wider_than_a_hundred_columns(row):
    books = replace(BOOKS, rows=(row, ROWS[1]), on_hold=True, hold_text='x' * 300)

    assert max(len(line) for line in table_text(books, NOW_NS).splitlines()) <= 100


def test_figures_of_bare_ground_do_not_run_into_their_neighbours():
    bare = replace(ROWS[0], low_m=-0.042, high_m=-0.021, height_m=-0.031)
    cells = table_text(replace(BOOKS, rows=(bare,)), NOW_NS).splitlines()[-1].split()

    assert cells[3:7] == ['-0.031', '0.8', '-0.042', '-0.02']
