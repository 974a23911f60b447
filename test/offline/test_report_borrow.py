# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The borrow side in the report and in the summary."""

from pathlib import Path

from berm_ledger.books import Entry, fold
from berm_ledger.borrow.layers import layers_of
from berm_ledger.borrow.patch import BorrowPatch
from berm_ledger.offline.borrow_summary import borrow_summary
from berm_ledger.offline.opened import OpenedBooks
from berm_ledger.offline.report.borrow import borrow_pictures, borrow_tables
from berm_ledger.offline.report.canvas import drawing
from berm_ledger.offline.report.chapters import events
from berm_ledger.offline.report.facts import Facts, facts_of
from berm_ledger.offline.tables import summary_dict
from berm_ledger.site_source import load_site
import numpy as np
import pytest

SITE = load_site(Path(__file__).resolve().parents[2] / 'config' / 'demo_site.yaml').site
MINUTE_NS = 60_000_000_000
START_NS = 1_767_225_600_000_000_000


def an_entry(seq: int, minute: float, kind: str, data: dict) -> Entry:
    return Entry(seq, START_NS + round(minute * MINUTE_NS), kind, None, None, data)


def history() -> list[Entry]:
    """Return a datum, three loads with their cuts and balances, and a void."""
    out = [an_entry(1, 0.0, 'borrow_datum', {'area': 'pit', 'seen_fraction': 1.0})]
    for n in (1, 2, 3):
        lanes = [{'lane': k, 'volume_m3': 0.001 * n, 'mean_m': 0.002 * n, 'deepest_m': 0.004 * n,
                  'step_m': 0.003 * n} for k in (1, 2, 3, 4)]
        cut = {'area': 'pit', 'volume_m3': 0.0036 * n, 'volume_se_m3': 0.0003, 'lanes': lanes,
               'deepest_m': 0.004 * n, 'step_m': 0.003 * n, 'left_m2': 3.1, 'left_m3': 0.6,
               'next_lane': 2, 'next_cut_m': 0.0046}
        load = {'dump_seq': n, 'mass_kg': 6.0, 'mass_se_kg': 0.2,
                'partial': {1: None, 2: False, 3: True}[n], 'current_a': 2.6, 'cut_m3': 0.0036,
                'cut_se_m3': 0.0004, 'cycle_s': 66.0, 'dig_s': 30.0, 'haul_s': 31.0,
                'dump_s': 5.0, 'loads_left': 20 - n}
        balance = {'cut_m3': 0.0036 * n, 'cut_se_m3': 0.0003, 'swell': 1.11,
                   'placed_m3': 0.0039 * n, 'spilled_m3': 0.0001, 'placed_se_m3': 0.0003,
                   'carried_m3': 0.0, 'carried_se_m3': 0.0, 'unexplained_m3': -0.0001,
                   'unexplained_se_m3': 0.0005, 'open': False}
        facts = (('cut', cut), ('load', load), ('balance', balance))
        out += [an_entry(3 * n + k, 1.1 * n, kind, data) for k, (kind, data) in enumerate(facts)]
    out.append(an_entry(13, 4.0, 'void', {'area': 'pit', 'lane': 3, 'reason': 'steep',
                                          'text': 'lane 3 <b>of</b> pit is closed'}))
    return out


def some_facts(entries: list[Entry]) -> Facts:
    patch = BorrowPatch(SITE, SITE.yard.borrow_areas[0])
    patch.surface.height_m[:] = 0.0
    patch.surface.looks[:] = 9.0
    assert patch.take_datum() == 1.0
    patch.surface.height_m[patch.inside] = -0.01
    opened = OpenedBooks(SITE, fold(SITE, entries), tuple(entries),
                         layers_of(patch, START_NS) if entries else (), 'digest')
    return facts_of(opened, {})


def test_pictures_and_tables_tell_the_account() -> None:
    """A map for the area, a chart of the loads, and four kinds of table."""
    facts = some_facts(history())
    with drawing():
        pictures = borrow_pictures(facts)
    assert [picture.name for picture in pictures] == ['borrow-1-cut', 'borrow-production']
    assert all(picture.png.startswith(b'\x89PNG') for picture in pictures)
    html = borrow_tables(facts)
    for words in ('Lanes', 'Balance by the hour', 'Balance by the day', 'Production',
                  'closed', '10.8 ± 0.6', 'loads found partial', '2026-01-01 00:00 UTC',
                  '>2026-01-01 UTC<', 'Borrow areas, 95 % errors'):
        assert words in html
    # One chapter, one kind of error: 1.96 of 0.3 l, in the areas as in the balance.
    assert '± 0.3' not in html
    assert '<b>of</b>' not in html


def test_closed_lanes_and_soil_that_does_not_add_up_are_among_the_events() -> None:
    """As in events.csv."""
    entries = [*history(), an_entry(14, 5.0, 'imbalance', {
        'volume_m3': 0.0051, 'volume_se_m3': 0.0012, 'text': '5.1 l of what was dug are nowhere'})]
    html = events(some_facts(entries))
    for words in ('lane closed', 'lane 3 &lt;b&gt;of&lt;/b&gt; pit is closed',
                  'soil does not add up', '5.10 ± 1.20', '5.1 l of what was dug are nowhere'):
        assert words in html


def test_means_of_the_report_say_that_they_are_of_all_loads() -> None:
    """The summary looks back on the last twenty, the report on the whole build."""
    entries = [an_entry(n, 1.1 * n, 'load', {
        'dump_seq': n, 'mass_kg': 6.0, 'mass_se_kg': 0.2, 'cycle_s': 60.0 if n <= 5 else 90.0,
        'loads_left': 30 - n}) for n in range(1, 26)]
    html = borrow_tables(some_facts(entries))
    assert 'Production, means over all 25 loads' in html
    assert '>42.9<' in html
    assert 'Production, means over one load' in borrow_tables(some_facts(entries[:1]))
    told = summary_dict(SITE, fold(SITE, entries), (), entries)['borrow']
    assert told['loads_per_h'] == pytest.approx(40.0)


def test_the_same_books_give_the_same_pictures() -> None:
    """Byte for byte."""
    with drawing():
        first, second = (borrow_pictures(some_facts(history())) for _ in range(2))
    assert [picture.png for picture in first] == [picture.png for picture in second]


def test_nothing_is_said_of_what_was_not_booked() -> None:
    """Books of before have no chapter and no key of it."""
    facts = some_facts([])
    assert borrow_pictures(facts) == []
    assert borrow_tables(facts) == ''
    assert borrow_summary((), facts.books) is None
    assert 'borrow' not in summary_dict(SITE, facts.books)


def test_the_summary_has_no_balance_once_the_cut_is_unknown() -> None:
    """The fourth load comes from ground that no grid had shown."""
    entries = [*history(), an_entry(14, 5.0, 'load', {
        'dump_seq': 4, 'mass_kg': 6.0, 'mass_se_kg': 0.2, 'unseen_areas': ['heath']})]
    told = summary_dict(SITE, fold(SITE, entries), (), entries)['borrow']
    assert told['balance'] is None


def test_the_summary_has_the_figures() -> None:
    """Cut, balance, production, void and forecast."""
    entries = history()
    books = fold(SITE, entries)
    told = summary_dict(SITE, books, (), entries)['borrow']
    assert told['cut_volume_m3'] == pytest.approx(0.0108)
    assert told['balance']['closes'] is True
    assert told['loads_per_h'] == pytest.approx(3600.0 / 66.0, abs=1e-3)
    assert told['areas'][0]['closed_lanes'] == [3]
    assert told['partial_loads'] == 1
    assert told['dig_s'] + told['haul_s'] + told['dump_s'] == pytest.approx(told['cycle_s'])
    low_s, middle_s, high_s = told['time_left_s']
    assert low_s <= middle_s <= high_s
    assert np.isfinite([low_s, high_s]).all()
