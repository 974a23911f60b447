# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The statement of an account: what concerns it, in order, and changes that add up."""

from dataclasses import replace
from datetime import datetime, timezone

from berm_ledger.books.statement import statement_lines, statement_text, utc_text
from books_kit import a_build, change, dump, numbered, reading
from hypothesis import given
from hypothesis import strategies as st
import pytest

WEST = 'west arc'
STATEMENT = """
west arc, segment 2
time (UTC)            entry           change  balance height  detail
                                           l        l      m
2023-11-14 22:13:22.0 datum                                   natural ground from survey
2023-11-14 22:13:23.0 dump                                    no. 3, 7.4 kg at 0.60 m, +0 mm off
2023-11-14 22:13:24.0 reading          +30.0     30.0  0.110  0 % at grade
2023-11-14 22:13:25.0 rise                                    no. 3: 4.0 of 4.7 l fell here
2023-11-14 22:13:29.0 reading           +0.0     30.0  0.250  100 % at grade
2023-11-14 22:13:30.0 at_grade                         0.250
2023-11-14 22:13:31.0 disturbed                               3.0 l, rework: soil went, between
                                                              2023-11-14 22:13:19.0 and 22:13:20.0
                                                              UTC
"""


def test_the_statement_reads_so() -> None:
    entries = [e for e in a_build() if e.seq <= 11]
    assert f'\n{statement_text(entries, WEST, 2)}\n' == STATEMENT


def test_a_clock_that_counts_from_a_start_has_no_date() -> None:
    entries = numbered(('dump', WEST, 2, dump()))
    start = replace(entries[0], stamp_ns=97_600_000_000)
    _, heading, _, line, *_ = statement_text([start], WEST, 2).splitlines()
    assert heading.split()[:2] == ['time', 'entry']
    assert line.split()[:3] == ['97.6', 's', 'dump']
    assert line.index('dump') == heading.index('entry')


def test_it_shows_what_concerns_the_account_and_nothing_else() -> None:
    kinds = [line.what for line in statement_lines(a_build(), WEST, 2)]
    assert kinds == [
        'datum', 'dump', 'reading', 'rise', 'reading', 'at_grade', 'disturbed', 'hold', 'reading',
        'resume', 'dump', 'rise', 'reading', 'reworked', 'slump', 'cleared']
    # A neighbour that a dump fed sees its rise; another berm of the same number sees nothing.
    assert [line.what for line in statement_lines(a_build(), WEST, 3)] == [
        'datum', 'rise', 'hold', 'resume', 'cleared']
    assert [line.what for line in statement_lines(a_build(), 'east arc', 2)] == [
        'datum', 'hold', 'resume', 'cleared']


def test_a_rise_in_doubt_says_why() -> None:
    entries = numbered(('dump', WEST, 2, dump()), ('rise', WEST, 2, {
        'dump_seq': 1, 'volume_m3': 0.008, 'shares': {'2': 0.008}, 'text': 'more rose'}))
    assert [line.detail for line in statement_lines(entries, WEST, 2)][1] == (
        'no. 1: 8.0 of 8.0 l fell here; more rose')


def test_stray_dump_of_the_account_is_shown() -> None:
    entries = numbered(('dump', WEST, 2, dump()), ('stray_dump', WEST, None, {
        'dump_seq': 1, 'text': 'no rise', 'volume_m3': 0.0}))
    assert [line.detail for line in statement_lines(entries, WEST, 2)][1] == 'dump no. 1: no rise'
    assert statement_lines(entries, WEST, 1) == []


@given(st.lists(st.sampled_from([None, 0.0, 0.01, 0.025, 0.03]), max_size=12),
       st.integers(0, 12), st.booleans())
def test_changes_add_up_to_the_balance(placed, hold_at, every_reading) -> None:
    facts = [('reading', WEST, 2, reading(placed_m3=value)) for value in placed]
    facts.insert(min(hold_at, len(facts)), ('hold', None, None, {'text': 'wait'}))
    lines = statement_lines(numbered(*facts), WEST, 2, every_reading=every_reading)
    known = [value for value in placed if value is not None]
    total = sum(line.change_l for line in lines if line.change_l is not None)
    assert total == pytest.approx(1e3 * known[-1] if known else 0.0)
    assert not every_reading or len(lines) == len(facts)


def test_readings_in_a_row_are_told_once() -> None:
    facts = [('reading', WEST, 2, reading(0.1 * n, placed_m3=0.01 * n)) for n in (1, 2, 3)]
    (line,) = statement_lines(numbered(*facts), WEST, 2)
    assert (line.balance_l, line.height_m) == (pytest.approx(30.0), pytest.approx(0.3))
    assert line.detail.endswith('last of 3 readings')
    assert len(statement_lines(numbered(*facts), WEST, 2, every_reading=True)) == 3


def test_nothing_booked_is_said_so() -> None:
    assert statement_text([], WEST, 2).splitlines()[-1] == 'nothing booked yet'


def test_lines_fit_the_screen_and_lose_no_word_whatever_the_text() -> None:
    words = 'somebody\nwalked over the berm ' * 30
    entries = numbered(
        ('disturbed', WEST, 2, change(text=words)), ('hold', None, None, {'text': 'wait'}))
    lines = statement_text(entries, WEST, 2).splitlines()
    assert 90 < max(map(len, lines)) <= 100
    *body, hold = lines[3:]
    detail = lines[1].index('detail')
    assert ' '.join(words.split()) in ' '.join(' '.join(line[detail:] for line in body).split())
    assert not any(line[:detail].strip() for line in body[1:])
    assert hold[detail:] == 'wait'


# Python's own calendar as the oracle.
@given(st.integers(-2 ** 58, 2 ** 62))
def test_utc_agrees_with_the_calendar_of_python(stamp_ns: int) -> None:
    seconds, part = divmod(stamp_ns, 1_000_000_000)
    then = datetime.fromtimestamp(seconds, timezone.utc)
    assert utc_text(stamp_ns) == f'{then:%Y-%m-%d %H:%M:%S}.{part // 100_000_000}'
