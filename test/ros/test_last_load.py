# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Targets where every lane of the borrow areas is closed: only for a load that is aboard."""

from pathlib import Path

from berm_ledger.books.site_check import check_site, SiteFile
from berm_ledger.borrow.account import BorrowAccount
from berm_ledger.borrow.lanes import lanes_of_area
from berm_ledger.errors import BooksError
from berm_ledger.geometry import Pose2
from berm_ledger.ros.borrow_text import borrow_statuses
from berm_ledger.ros.last_load import as_soil_allows, drum_where_closed, LAST_LOAD, NO_SOIL
from berm_ledger.site_source import load_site
from berm_ledger.targeting import NoTarget, Target
import pytest

SITE = load_site(Path(__file__).resolve().parents[2] / 'config' / 'demo_site.yaml').site
LANES = lanes_of_area(SITE, SITE.yard.borrow_areas[0])
TARGET = Target('west', 0, 2, Pose2(0.0, 0.0, 0.0), Pose2(-0.5, 0.0, 0.0), (0.7, 0.0), 0.6, 0.0, 3,
                reason='segment 2 is low')


def statuses(aboard=None, *, lanes=LANES, proposal=None):
    return borrow_statuses({'pit': lanes}, BorrowAccount(), proposal, 3, aboard)


@pytest.mark.parametrize(('aboard', 'drum'), [
    (True, 'loaded'), (False, 'empty'), (None, 'unknown')])
def test_of_the_drum_it_is_known_what_the_ledger_knows(aboard, drum):
    assert drum_where_closed(statuses(aboard)) == drum


def test_where_a_lane_is_open_or_none_ever_was_nothing_is_said():
    assert drum_where_closed(statuses(False, proposal=(LANES[0], 0.005))) is None
    assert drum_where_closed(statuses(False, lanes=())) is None
    assert drum_where_closed([]) is None


@pytest.mark.parametrize('drum', ['loaded', 'unknown'])
def test_a_drum_that_may_be_full_is_emptied_and_told_that_it_is_the_last(drum):
    choice = as_soil_allows(TARGET, drum)
    assert isinstance(choice, Target)
    assert choice.pose == TARGET.pose
    assert choice.reason == f'segment 2 is low. {LAST_LOAD}'


def test_an_empty_drum_is_told_that_no_soil_is_left():
    choice = as_soil_allows(TARGET, 'empty')
    assert isinstance(choice, NoTarget)
    assert choice.code == 'blocked'
    assert 'no soil left to dig' in choice.reason
    assert 'max_cut_m' in choice.reason


def test_what_an_empty_drum_is_told_to_do_can_be_done():
    """Books there are do not go on with other borrow areas: they are made anew by a replay."""
    path = Path(__file__).resolve().parents[2] / 'config' / 'demo_site.yaml'
    text = path.read_text(encoding='utf-8')
    deeper = text.replace('max_cut_m: 0.20', 'max_cut_m: 0.40')
    assert deeper != text
    with pytest.raises(BooksError, match='max_cut_m'):
        check_site('b.sqlite', SiteFile('site.yaml', '1', text), SiteFile(
            'site.yaml', '2', deeper), 'name other books')
    assert 'replay all bags of the build with that' in NO_SOIL


@pytest.mark.parametrize('choice', [TARGET, NoTarget('done', 'all done')])
def test_else_the_choice_is_what_it_was(choice):
    assert as_soil_allows(choice, None) is choice
    if isinstance(choice, NoTarget):
        assert as_soil_allows(choice, 'empty') is choice
