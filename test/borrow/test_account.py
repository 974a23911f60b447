# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The borrow account is a fold over entries; the balance closes in closed form."""

from dataclasses import asdict, replace
import math

from berm_ledger.books import Entry, fold
from berm_ledger.books.accounts import DumpRecord
from berm_ledger.borrow.account import (
    account_of,
    AreaAccount,
    BALANCE_FIGURES,
    BorrowAccount,
    LoadRecord,
)
from berm_ledger.borrow.balance import (
    balance_of,
    has_opened,
    HOUR_NS,
    imbalance_text,
    is_open,
    periods,
)
from berm_ledger.borrow.booking import balance_data
from berm_ledger.errors import BooksError
from borrow_kit import a_site
import pytest

SITE = a_site()
CUT = {'area': 'pit', 'volume_m3': 0.1, 'volume_se_m3': 0.001, 'deepest_m': 0.02,
       'step_m': 0.01, 'left_m2': 2.0, 'left_m3': None, 'next_lane': 2, 'next_cut_m': 0.005,
       'lanes': [{'lane': 1, 'volume_m3': 0.1, 'mean_m': 0.01, 'deepest_m': 0.02,
                  'step_m': 0.01}]}
LOAD = {'dump_seq': 3, 'mass_kg': 6.0, 'mass_se_kg': 0.2, 'partial': None, 'current_a': None,
        'cut_m3': 0.0036, 'cut_se_m3': 0.0003, 'cycle_s': 60.0, 'dig_s': 20.0, 'haul_s': 30.0,
        'dump_s': 10.0, 'loads_left': 4}
DATUM = ('borrow_datum', {'area': 'pit'})
VOID = {'area': 'pit', 'lane': 2, 'reason': 'deep'}


def entries(*facts: tuple[str, dict]) -> list[Entry]:
    return [Entry(n, n * 10, kind, None, None, data) for n, (kind, data) in enumerate(facts, 1)]


def test_entries_make_the_account() -> None:
    """Figures, loads and voids; entries of other kinds change nothing."""
    account = account_of(entries(
        ('borrow_datum', {'area': 'pit'}), ('cut', CUT), ('load', LOAD), ('refused', {}),
        ('void', VOID)))
    area = account.areas['pit']
    assert (area.cut_m3, area.cut_se_m3, area.deepest_m) == (0.1, 0.001, 0.02)
    assert math.isnan(area.left_m3)
    assert area.voids == (2,)
    assert area.next_lane is None
    assert account.loads[0].times.dig_s == 20.0
    assert account.loads[0].partial is None
    assert account.cut_m3 == (0.1, 0.001)


def test_every_figure_of_a_cut_is_in_the_account() -> None:
    """None is unknown, not zero; lanes are numbered as they were booked."""
    known = {**CUT, 'left_m3': 0.6, 'next_lane': 3}
    for facts in (known, {**known, **dict.fromkeys(('step_m', 'left_m2', 'next_cut_m'))}):
        area = account_of(entries(DATUM, ('cut', facts))).areas['pit']
        for name in ('deepest_m', 'step_m', 'left_m2', 'left_m3', 'next_lane', 'next_cut_m'):
            wanted = math.nan if facts[name] is None else facts[name]
            found = getattr(area, name)
            assert math.nan if found is None else found == pytest.approx(wanted, nan_ok=True)
        assert area.stamp_ns == 20
        assert [asdict(lane) for lane in area.lanes] == CUT['lanes']


def test_a_new_datum_begins_anew_but_a_void_stays() -> None:
    """Depths below another datum mean nothing; a closed lane stays closed."""
    account = account_of(entries(
        ('borrow_datum', {'area': 'pit'}), ('cut', CUT), ('void', VOID),
        ('borrow_datum', {'area': 'pit'})))
    assert math.isnan(account.areas['pit'].cut_m3)
    assert account.areas['pit'].voids == (2,)


def test_a_cut_that_nobody_has_seen_leaves_the_sum_unknown() -> None:
    """Two areas were dug in and one was looked at: what both gave is not what that one gave."""
    facts = [('borrow_datum', {'area': 'pit'}), ('cut', CUT),
             ('load', {**LOAD, 'cut_m3': None, 'unseen_areas': ['heath']})]
    account = account_of(entries(*facts))
    assert all(math.isnan(value) for value in account.cut_m3)
    assert account.areas['pit'].cut_m3 == 0.1
    assert balance_of(SITE, books_with(0.1, 0.0), account, 0) is None
    # The ground that is surveyed at last lacks what was dug before; a datum taken anew does not.
    late = [('borrow_datum', {'area': 'heath'}), ('cut', {**CUT, 'area': 'heath'})]
    assert math.isnan(account_of(entries(*facts, *late)).cut_m3[0])
    anew = [('borrow_datum', {'area': 'heath', 'anew': True}), late[1]]
    for taken in ((*late, *anew), anew):
        account = account_of(entries(*facts, *taken))
        assert account.cut_m3[0] == pytest.approx(0.2)
        assert account.since_seq == len(facts) + len(taken) - 1


@pytest.mark.parametrize('fact', [
    ('load', {**LOAD, 'cut_m3': None, 'unseen_areas': ['heath']}),
    ('borrow_datum', {'area': 'pit', 'anew': True})])
def test_a_balance_ends_with_the_cut_it_is_one_of(fact: tuple[str, dict]) -> None:
    """What does not add up is over once the sum of the cut is unknown, or begins anew."""
    figures = {**dict.fromkeys(BALANCE_FIGURES, 0.0), 'unexplained_m3': 0.1, 'open': True}
    facts = [('borrow_datum', {'area': 'pit'}), ('cut', CUT), ('load', LOAD),
             ('balance', figures)]
    before, after = account_of(entries(*facts)), account_of(entries(*facts, fact))
    assert before.unbalanced
    assert not after.unbalanced
    assert before.last_balance == before.balances[-1]
    assert after.last_balance is None
    assert after.balances == before.balances
    # The next load is no such end: balances run on.
    after = account_of(entries(*facts, ('load', LOAD)))
    assert (after.unbalanced, after.holding) == (True, before.holding)
    again = account_of(entries(*facts, fact, ('balance', figures)))
    assert again.unbalanced
    assert again.last_balance == again.balances[-1]


def test_what_was_cut_is_unknown_while_it_is_so_in_one_area() -> None:
    """An area that is surveyed but not dug lacks nothing; one that nobody looked at since does."""
    other = {**CUT, 'area': 'field', 'volume_m3': None, 'volume_se_m3': None}
    facts = [DATUM, ('borrow_datum', {'area': 'field'}), ('cut', CUT)]
    assert account_of(entries(*facts)).cut_m3 == (0.1, 0.001)
    assert all(math.isnan(v) for v in account_of(entries(*facts, ('cut', other))).cut_m3)


def test_books_of_before_give_an_empty_account() -> None:
    """Nothing was booked on this side."""
    account = account_of(entries(('refused', {'code': 'x'}), ('hold', {'text': ''})))
    assert account.is_empty
    assert all(math.isnan(v) for v in account.cut_m3)


@pytest.mark.parametrize(('kind', 'data'), [
    ('cut', {}), ('cut', {'area': 'pit', 'volume_m3': 0.1}), ('load', {'mass_kg': 6.0}),
    ('void', {'area': 'pit', 'lane': None}), ('balance', {'cut_m3': 1.0}),
    ('borrow_datum', {})])
def test_an_entry_without_its_figures_is_refused(kind: str, data: dict) -> None:
    """What, where, and of which kind."""
    with pytest.raises(BooksError, match=rf'entry 1 \({kind}\) lacks the figures of its kind'):
        account_of(entries((kind, data)))


def books_with(placed_m3: float, spilled_m3: float, **dump: object):
    """Return books whose first row holds soil, with one dump."""
    books = fold(SITE, ())
    rows = (replace(books.rows[0], placed_m3=placed_m3, placed_se_m3=0.0005,
                    spilled_m3=spilled_m3), *books.rows[1:])
    record = DumpRecord(seq=3, stamp_ns=0, mass_kg=6.0, x_m=1.5, y_m=0.0, yaw_rad=0.0, **dump)
    return replace(books, rows=rows, dumps=(record,))


def account_with(cut_m3: float) -> BorrowAccount:
    area = AreaAccount('pit', stamp_ns=5, cut_m3=cut_m3, cut_se_m3=0.0005)
    return BorrowAccount({'pit': area}, (LoadRecord(3, 0, 6.0, 0.3),))


def test_what_was_cut_lies_somewhere() -> None:
    """0.1 m3 of bank is 0.111 loose: 0.1 placed, 0.007 spilled, 0.004 in the drum."""
    balance = balance_of(SITE, books_with(0.107, 0.007), account_with(0.1), 5)
    assert balance is not None
    assert balance.loose_m3 == pytest.approx(0.111)
    assert (balance.placed_m3, balance.spilled_m3) == pytest.approx((0.1, 0.007))
    assert balance.carried_m3 == pytest.approx(6.0 / 1500.0)
    assert balance.unexplained_m3 == pytest.approx(0.0, abs=1e-12)
    parts = (1.11 * 0.0005, 0.111 * 0.015, 0.0005, 0.3 / 1500.0)
    assert balance.unexplained_se_m3 == pytest.approx(math.hypot(*parts))
    assert not is_open(SITE, balance)


def test_a_measured_load_is_no_longer_carried_and_a_stray_one_is_spilled() -> None:
    """Each load is counted once."""
    done = balance_of(SITE, books_with(0.111, 0.0, volume_m3=0.004), account_with(0.1), 5)
    assert done is not None
    assert (done.carried_m3, done.unexplained_m3) == pytest.approx((0.0, 0.0))
    stray = balance_of(SITE, books_with(0.107, 0.0, stray=True), account_with(0.1), 5)
    assert stray is not None
    assert stray.spilled_m3 == pytest.approx(0.004)
    assert stray.unexplained_m3 == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(('seen_s', 'placed_m3', 'carried_m3', 'carried_se_m3'), [
    (None, 0.107, 0.004, 0.0002), (-1, 0.107, 0.004, 0.0002), (1, 0.109, 0.002, 0.0020025),
    (61, 0.111, 0.0, 0.0)])
def test_a_load_is_carried_until_its_segment_was_seen_with_it(
    seen_s: int | None, placed_m3: float, carried_m3: float, carried_se_m3: float,
) -> None:
    """Not measured yet: once the segment was seen a minute later it is in what is placed."""
    books = books_with(placed_m3, 0.0, berm='east', segment=1)
    dump_ns = 1_000_000_000_000
    seen_ns = None if seen_s is None else dump_ns + seen_s * 1_000_000_000
    books = replace(
        books, dumps=(replace(books.dumps[0], stamp_ns=dump_ns),),
        rows=(replace(books.rows[0], last_seen_ns=seen_ns), *books.rows[1:]))
    balance = balance_of(SITE, books, account_with(0.1), 5)
    assert balance is not None
    assert balance.carried_m3 == pytest.approx(carried_m3)
    assert balance.carried_se_m3 == pytest.approx(carried_se_m3, rel=0.01)
    assert balance.unexplained_m3 == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(('cut_m3', 'is_found'), [(0.1, False), (0.115, True), (0.085, True)])
def test_what_cannot_be_explained_is_found(cut_m3: float, is_found: bool) -> None:
    """15 l of 100 missing or too much, against an error of about 4 l."""
    balance = balance_of(SITE, books_with(0.107, 0.007), account_with(cut_m3), 5)
    assert balance is not None
    assert is_open(SITE, balance) is is_found


def test_what_was_found_is_over_well_within_the_bound_only() -> None:
    """The bounds to raise and to clear differ, so that one imbalance is one finding."""
    balance = balance_of(SITE, books_with(0.107, 0.007), account_with(0.1), 5)
    assert balance is not None
    bound_m3 = 1.96 * balance.unexplained_se_m3
    for share, raised, kept in ((1.01, True, True), (0.9, False, True), (0.6, False, False)):
        found = replace(balance, unexplained_m3=-share * bound_m3)
        assert is_open(SITE, found) is raised
        assert is_open(SITE, found, was_open=True) is kept


@pytest.mark.parametrize(('errors', 'is_found'), [
    ((1.1, 1.1), False), ((1.1, 1.1, 1.1), True), ((1.1, 1.1, 0.9), False),
    ((0.9, 1.1, 1.1), False), ((1.1, 1.1, -1.1), False), ((0.9, -1.1, -1.1, -1.1), True)])
def test_three_balances_running_do_not_close_before_it_is_told(
    errors: tuple[float, ...], is_found: bool,
) -> None:
    """In units of the bound: what was cut is measured anew with each, and some of it is off."""
    balance = balance_of(SITE, books_with(0.107, 0.007), account_with(0.1), 5)
    assert balance is not None
    bound_m3 = 1.96 * balance.unexplained_se_m3
    assert has_opened(SITE, [
        replace(balance, unexplained_m3=share * bound_m3) for share in errors]) is is_found


@pytest.mark.parametrize(('cut_m3', 'ending'), [
    (0.115, 'more soil was cut than lies on the berms or was spilled'),
    (0.100, 'spilled; or it swells by 1.11 and not by 1.25 as the site says'),
    (0.080, 'than was cut; or it swells by 1.39 and not by 1.25 as the site says')])
def test_a_swell_that_would_explain_it_is_named(cut_m3: float, ending: str) -> None:
    """111 l lie there or are carried; no soil shrinks by digging, so 0.97 is not named."""
    site = replace(SITE, material=replace(SITE.material, swell=1.25))
    balance = balance_of(site, books_with(0.107, 0.007), account_with(cut_m3), 5)
    assert balance is not None
    assert imbalance_text(balance).endswith(ending)


def test_nothing_measured_is_no_balance() -> None:
    """Neither without a cut nor without a berm."""
    assert balance_of(SITE, books_with(0.1, 0.0), BorrowAccount(), 5) is None
    assert balance_of(SITE, fold(SITE, ()), account_with(0.1), 5) is None


def test_hours_add_up_to_the_whole() -> None:
    """Three balances in two hours: changes from hour to hour, each with its error."""
    facts = []
    for cut_m3 in (0.02, 0.05, 0.09):
        placed = 1.11 * cut_m3
        balance = balance_of(SITE, books_with(placed, 0.0, volume_m3=0.004),
                             account_with(cut_m3), 0)
        facts.append(('balance', balance_data(balance, False)))
    history = [replace(entry, stamp_ns=stamp) for entry, stamp in zip(
        entries(*facts), (10, HOUR_NS - 1, HOUR_NS + 5))]
    rows = periods(account_of(history))
    assert [row.start_ns for row in rows] == [0, HOUR_NS]
    assert [row.cut_m3 for row in rows] == pytest.approx([0.05, 0.04])
    assert sum(row.placed_m3 for row in rows) == pytest.approx(1.11 * 0.09, abs=1e-6)
    assert all(row.unexplained_error_m3 > 0.0 for row in rows)


@pytest.mark.parametrize('dump', [{'stray': True}, {}])
def test_what_was_dumped_before_a_datum_taken_anew_no_longer_counts(dump: dict) -> None:
    """0.1 m3 cut and 0.111 placed since; a load off the berm, or unmeasured, before is neither."""
    account = account_of(entries(
        DATUM, ('cut', CUT), ('dump', {}), ('load', LOAD), DATUM, ('cut', CUT)))
    balance = balance_of(SITE, books_with(0.111, 0.0, **dump), account, 5)
    assert balance is not None
    assert (balance.spilled_m3, balance.carried_m3) == (0.0, 0.0)
    assert balance.unexplained_m3 == pytest.approx(0.0, abs=1e-12)
