# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The borrow side in one line and as statuses."""

from pathlib import Path

from berm_ledger.books import fold
from berm_ledger.borrow.account import AreaAccount, BorrowAccount, LoadRecord
from berm_ledger.borrow.cycle import CycleTimes
from berm_ledger.borrow.lane_figures import LaneFigures
from berm_ledger.borrow.lanes import lanes_of_area
from berm_ledger.ros.borrow_text import borrow_line, borrow_statuses
from berm_ledger.ros.messages.diagnostics import OK, WARN
from berm_ledger.ros.table_text import table_text
from berm_ledger.site_source import load_site

SITE = load_site(Path(__file__).resolve().parents[2] / 'config' / 'demo_site.yaml').site
LANES = lanes_of_area(SITE, SITE.yard.borrow_areas[0])


def account(**changes: object) -> BorrowAccount:
    """Return an account with a cut of 21.2 l, four cycles of a minute, and a void."""
    area = AreaAccount(
        'pit', stamp_ns=5, cut_m3=0.0212, cut_se_m3=0.001, deepest_m=0.011,
        lanes=(LaneFigures(1, 0.005, 0.006, 0.011, 0.012),), voids=(2,), next_lane=1)
    loads = tuple(LoadRecord(n, n, 6.0, 0.2, times=CycleTimes(60.0, 20.0, 30.0, 10.0))
                  for n in range(4))
    values = {'areas': {'pit': area}, 'loads': loads, **changes}
    return BorrowAccount(**values)


def test_one_line_says_it_all() -> None:
    """Cut with its 95 % error, depth, closed lanes, production, forecast."""
    line = borrow_line(account(), 10)
    assert line.startswith('borrow: cut 21.2+-2.0 l, deepest 11 mm, 1 lane closed, 60 loads/h')
    assert ' min' in line
    # What is wrong comes first: a screen of 80 characters cuts the end off.
    assert borrow_line(account(unbalanced=True), 10) == line.replace(
        'borrow: ', 'borrow: DOES NOT ADD UP, ')
    assert borrow_line(BorrowAccount(), 10) == ''


def test_the_table_has_the_line_below_those_at_the_top() -> None:
    """And none where there is nothing to say."""
    books = fold(SITE, ())
    lines = table_text(books, 0, borrow_line(account(), 10)).splitlines()
    assert sum(line.startswith('borrow: ') for line in lines) == 1
    assert max(map(len, lines)) <= 100
    assert 'borrow: ' not in table_text(books, 0)


def test_every_lane_has_a_status() -> None:
    """The first is about all; a closed lane is a warning; unknown figures are nan."""
    first, *lanes = borrow_statuses({'pit': LANES}, account(), (LANES[0], 0.0046), 10)
    assert first.values['next_lane'] == 1
    assert first.values['next_cut_m'] == '0.0046'
    assert first.level == OK
    assert [status.values['lane'] for status in lanes] == [1, 2, 3, 4]
    assert [status.level for status in lanes] == [OK, WARN, OK, OK]
    assert lanes[0].message == 'next'
    assert [status.values['open'] for status in lanes] == ['true', 'false', 'true', 'true']
    assert lanes[2].values['mean_m'] == 'nan'


def test_what_is_not_known_yet_is_there_as_unknown() -> None:
    """Whoever reads the values finds each of them from the start."""
    values = borrow_statuses({'pit': LANES}, BorrowAccount(), None, 10)[0].values
    assert {name: values[name] for name in (
        'unexplained_m3', 'unexplained_se_m3', 'load_kg', 'load_se_kg', 'load_partial')} == {
            'unexplained_m3': 'nan', 'unexplained_se_m3': 'nan', 'load_kg': 'nan',
            'load_se_kg': 'nan', 'load_partial': 'unknown'}
    assert values.keys() == borrow_statuses(
        {'pit': LANES}, account(), None, 10)[0].values.keys()


def test_no_open_lane_is_a_warning() -> None:
    """Somebody must find another place to dig."""
    first = borrow_statuses({'pit': LANES}, account(), None, 10)[0]
    assert (first.level, first.message) == (
        WARN, 'no lane is open: there is no soil left to dig')


def test_areas_too_small_for_a_lane_are_not_called_closed() -> None:
    """What is to be mended is the site file."""
    first, *lanes = borrow_statuses({'pit': ()}, account(), None, 10)
    assert (first.level, first.message) == (WARN, 'no lane fits into any borrow area')
    assert lanes == []
