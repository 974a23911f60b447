# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The fold: rows, dumps, flags and hold follow from the entries, however these come in."""

from dataclasses import replace
import math
from pathlib import Path
from typing import Any

from berm_ledger.books import (
    Entry,
    Fold,
    fold,
    KINDS,
    State,
    with_dumps_remaining,
)
from berm_ledger.books.journal import Journal
from berm_ledger.errors import BooksError
from books_kit import (
    a_berm,
    a_build,
    a_site,
    assert_books_equal,
    change,
    dump,
    numbered,
    reading,
    SECOND_NS,
    START_NS,
)
from hypothesis import given, settings
from hypothesis import strategies as st
import pytest

SITE = a_site()
TWO_BERMS = a_site(a_berm(), a_berm('east arc', 1.2, 2.0, crest_height_m=None, crest_level_m=0.4))
WEST = 'west arc'
DATUM = ('datum', None, None, {'source': 'survey', 'targets': [0.25] * 6, 'volumes': [0.04] * 6})


def books_after(*facts: tuple[Any, ...]) -> Any:
    return fold(SITE, numbered(DATUM, *facts))


def row_after(*facts: tuple[Any, ...]) -> Any:
    return books_after(*facts).rows[1]


# ---- opening and design


def test_books_without_entries_have_a_row_for_every_segment_of_every_berm() -> None:
    books = fold(TWO_BERMS, ())
    assert [(r.berm, r.berm_index, r.segment) for r in books.rows] == [
        *((WEST, 0, n) for n in range(1, 7)), *(('east arc', 1, n) for n in range(1, 4))]
    assert [r.target_height_m for r in books.rows[:6]] == [0.25] * 6
    assert all(math.isnan(r.target_height_m) for r in books.rows[6:])
    assert {r.state for r in books.rows} == {State.UNSEEN}
    assert (books.last_seq, books.datum_seq, books.on_hold, books.dumps) == (0, None, False, ())
    assert books.last_stamp_ns is None


def test_the_last_time_is_the_latest_of_all_entries() -> None:
    """A dump told of late bears the stamp of a pose that was before the look booked last."""
    entries = numbered(DATUM, *(('reading', WEST, number, reading(0.1)) for number in (1, 2)))
    stamps_ns = [3 * SECOND_NS, 9 * SECOND_NS, 5 * SECOND_NS]
    entries = [replace(entry, stamp_ns=stamp) for entry, stamp in zip(entries, stamps_ns)]
    for count in (1, 2, 3):
        books = fold(SITE, entries[:count])
        assert (books.last_stamp_ns, books.last_seq) == (max(stamps_ns[:count]), count)
    assert books.dump_yield.value_m3 == pytest.approx(7.5 / 1500.0)


def test_datum_replaces_the_design_figures() -> None:
    books = fold(SITE, a_build())
    assert [r.target_height_m for r in books.rows] == [0.25, 0.25, 0.26, 0.25, 0.25, 0.24]
    assert {r.target_volume_m3 for r in books.rows} == {0.04}
    assert (books.datum_seq, books.datum_stamp_ns) == (2, START_NS + 2 * SECOND_NS)


def test_heights_above_an_old_datum_mean_nothing_above_a_new_one() -> None:
    books = books_after(('reading', WEST, 2, reading()), ('dump', WEST, 2, dump()), DATUM)
    row = books.rows[1]
    assert (row.state, row.coverage, row.dumps_made) == (State.UNSEEN, 0.0, 1)
    assert math.isnan(row.height_m)
    assert math.isnan(row.deficit_volume_m3)


# ---- readings and states


def test_deficits_are_design_minus_current_and_signed() -> None:
    row = row_after(('reading', WEST, 2, reading(0.21, missing_m3=0.012, over_m3=0.002)))
    assert row.deficit_height_m == pytest.approx(0.04)
    assert row.deficit_volume_m3 == pytest.approx(0.010)
    assert row.deficit_mass_kg == pytest.approx(15.0)
    row = row_after(('reading', WEST, 2, reading(0.30, missing_m3=0.0, over_m3=0.004)))
    assert row.deficit_height_m == pytest.approx(-0.05)
    assert row.deficit_mass_kg == pytest.approx(-6.0)


def test_a_reading_replaces_all_figures_of_the_one_before() -> None:
    row = row_after(('reading', WEST, 2, reading()),
                    ('reading', WEST, 2, {'height_m': 0.1, 'coverage': 0.5}))
    assert (row.height_m, row.coverage, row.at_grade) == (0.1, 0.5, 0.0)
    for name in ('height_se_m', 'low_m', 'placed_m3', 'missing_m3', 'deficit_volume_m3'):
        assert math.isnan(getattr(row, name)), name
    assert row.last_seen_ns == START_NS + 3 * SECOND_NS


def test_a_look_that_says_nothing_new_moves_the_age_alone() -> None:
    facts = [('reading', WEST, 2, reading()), ('seen', None, None, {'segments': {WEST: [2, 3]}})]
    before, row = row_after(*facts[:1]), row_after(*facts)
    assert row.last_seen_ns == START_NS + 3 * SECOND_NS
    assert repr(replace(row, last_seen_ns=before.last_seen_ns)) == repr(before)
    assert row_after(*facts, ('reading', WEST, 2, reading(0.2))).last_seen_ns == (
        START_NS + 4 * SECOND_NS)
    assert row_after(*facts, DATUM).last_seen_ns is None


@pytest.mark.parametrize(('data', 'state'), [
    (reading(None, coverage=0.0, at_grade=None), State.UNSEEN),
    (reading(0.25, coverage=0.0), State.UNSEEN),
    (reading(None, coverage=0.3), State.UNSEEN),
    (reading(0.25, at_grade=0.9), State.AT_GRADE),
    (reading(0.25, at_grade=0.8999), State.SHORT),
    (reading(0.25, at_grade=None), State.SHORT),
    (reading(0.24, at_grade=0.5), State.SHORT),
    (reading(0.2701, at_grade=0.5), State.HIGH),
    (reading(0.2699, at_grade=0.5), State.SHORT),
    (reading(0.2701, at_grade=0.95), State.AT_GRADE),
    # Out of tolerance upwards only: no load is missing.
    (reading(0.26, at_grade=0.8, high_m=0.28), State.HIGH),
    (reading(0.26, at_grade=0.8, high_m=0.28, low_m=0.22), State.SHORT),
    (reading(0.26, at_grade=0.8, high_m=0.265), State.SHORT),
    (reading(0.26, at_grade=0.3, high_m=0.28, coverage=0.3), State.SHORT),
])
def test_state_follows_from_the_reading(data: dict[str, Any], state: State) -> None:
    assert row_after(('reading', WEST, 2, data)).state == state


@pytest.mark.parametrize(('data', 'state'), [
    (reading(0.24, at_grade=0.5), State.SHORT),
    (reading(0.2701, at_grade=0.5), State.HIGH),
    # Where the ground falls off the crest is to stand higher above it than on average.
    (reading(0.26, at_grade=0.8, high_m=0.28), State.SHORT),
])
def test_a_level_crest_is_high_by_its_mean_alone(data: dict[str, Any], state: State) -> None:
    targets = {'source': 'survey', 'targets': [0.25] * 9, 'volumes': [0.04] * 9}
    books = fold(TWO_BERMS, numbered(
        ('datum', None, None, targets), ('reading', 'east arc', 1, data)))
    assert books.rows[6].state == state


# ---- dumps, rises, yield


def test_dump_is_booked_on_its_segment_once() -> None:
    books = books_after(('dump', WEST, 2, dump(mass_kg=7.4)), ('dump', WEST, 2, dump()),
                        ('dump', None, None, dump(station_m=None, offset_m=None)))
    assert [r.dumps_made for r in books.rows] == [0, 2, 0, 0, 0, 0]
    first, _, off = books.dumps
    assert (first.seq, first.berm, first.segment, first.mass_kg) == (2, WEST, 2, 7.4)
    assert (off.berm, off.segment, math.isnan(off.station_m)) == (None, None, True)


def test_rise_is_linked_to_its_dump_and_teaches_the_yield() -> None:
    facts = [('dump', WEST, 2, dump())] * 8 + [
        ('rise', WEST, None, {'dump_seq': seq, 'volume_m3': 0.0042, 'volume_se_m3': 0.0001})
        for seq in range(2, 10)]
    books = books_after(*facts)
    assert [d.volume_m3 for d in books.dumps] == [0.0042] * 8
    assert books.dump_yield.count == 8
    assert books.dump_yield.value_m3 == pytest.approx(0.0042, abs=0.0002)


def test_stray_dump_does_not_teach_the_yield_whenever_it_is_found_out() -> None:
    rise = ('rise', WEST, None, {'dump_seq': 2, 'volume_m3': 0.001, 'volume_se_m3': 0.0001})
    stray = ('stray_dump', None, None, {'dump_seq': 2, 'text': '', 'volume_m3': 0.0})
    books = books_after(('dump', WEST, 2, dump()), rise, stray)
    assert books.dumps[0].stray
    assert books.dump_yield == fold(SITE, ()).dump_yield


# ---- flags


def flags_after(*facts: tuple[Any, ...]) -> Any:
    return books_after(*facts).flags


DISTURBED = ('disturbed', WEST, 2, change(rework=True))


def test_disturbance_that_calls_for_rework_flags_the_segment_until_it_is_reworked() -> None:
    books = books_after(('reading', WEST, 2, reading()), DISTURBED)
    assert books.rows[1].state == State.REWORK
    flag = books.flag_of(WEST, 2)
    assert (flag.since_ns, flag.volume_m3, flag.seq) == (START_NS + 3 * SECOND_NS, 0.003, 3)
    assert (flag.station_from_m, flag.station_to_m) == (0.5, 0.7)
    # A reading at grade alone does not end it.
    facts = [('reading', WEST, 2, reading()), DISTURBED, ('reading', WEST, 2, reading())]
    assert books_after(*facts).rows[1].state == State.REWORK
    done = books_after(*facts, ('reworked', WEST, 2, {'height_m': 0.25, 'dumps': 1}))
    assert (done.rows[1].state, done.flags) == (State.AT_GRADE, ())


@pytest.mark.parametrize('fact', [
    ('disturbed', WEST, 2, change(rework=False)), ('disturbed', WEST, 2, change()),
    ('slump', WEST, 2, change(rework=True)), ('unbooked_fill', WEST, 2, change()),
])
def test_other_changes_flag_nothing(fact: tuple[Any, ...]) -> None:
    assert flags_after(fact) == ()


def test_further_losses_are_added_to_the_flag() -> None:
    extent = {'station_from_m': 0.4, 'station_to_m': 0.6}
    later = ('disturbed', WEST, 2, change(0.001, rework=True, **extent))
    (flag,) = flags_after(DISTURBED, ('dump', WEST, 2, dump()), later)
    assert flag.since_ns == START_NS + 2 * SECOND_NS
    assert flag.volume_m3 == pytest.approx(0.004)
    assert (flag.station_from_m, flag.station_to_m) == (0.4, 0.7)
    assert (flag.seq, flag.dumps_since) == (4, 0)


@pytest.mark.parametrize(('facts', 'count'), [
    ([], 0),
    ([('dump', WEST, 2, dump())], 1),
    ([('dump', WEST, 3, dump())], 0),
    ([('dump', WEST, 3, dump()), ('rise', WEST, None, {
        'dump_seq': 4, 'volume_m3': 0.005, 'shares': {'2': 0.001, '3': 0.004}})], 1),
    ([('dump', WEST, 2, dump()), ('rise', WEST, None, {
        'dump_seq': 4, 'volume_m3': 0.005, 'shares': {'2': 0.004, '3': 0.001}})], 1),
    # The rise of a dump before the disturbance mends nothing.
    ([('rise', WEST, None, {'dump_seq': 2, 'volume_m3': 0.005, 'shares': {'2': 0.005}})], 0),
])
def test_dumps_that_came_onto_a_flagged_segment_are_counted(facts: Any, count: int) -> None:
    (flag,) = flags_after(('dump', WEST, 1, dump()), DISTURBED, *facts)
    assert flag.dumps_since == count


@pytest.mark.parametrize(('berm', 'segment', 'left'), [
    (None, None, []), (WEST, None, [5]), (WEST, 2, [3, 5]), (WEST, 4, [2, 3, 5]),
])
def test_operator_clears_all_a_berm_or_a_segment(berm, segment, left) -> None:
    entries = numbered(
        ('disturbed', WEST, 2, change(rework=True)), ('disturbed', WEST, 3, change(rework=True)),
        ('disturbed', 'east arc', 1, change(rework=True)),
        ('cleared', berm, segment, {'text': 'operator'}))
    flags = fold(TWO_BERMS, entries).flags
    assert [f.segment + (4 if f.berm == 'east arc' else 0) for f in flags] == left


def test_hold_lasts_until_it_is_resumed() -> None:
    hold = ('hold', None, None, {'text': 'somebody in the yard'})
    books = books_after(hold)
    assert (books.on_hold, books.hold_text) == (True, 'somebody in the yard')
    books = books_after(hold, ('resume', None, None, {'text': 'operator'}))
    assert (books.on_hold, books.hold_text) == (False, '')


def test_refusals_are_counted_by_code() -> None:
    books = books_after(
        ('refused', None, None, {'code': 'stale', 'text': '', 'count': 3}),
        ('refused', None, None, {'code': 'stale', 'text': '', 'count': 40}),
        ('refused', None, None, {'code': 'wrong_frame', 'text': '', 'count': 1}))
    assert books.refusals == {'stale': 43, 'wrong_frame': 1}
    assert books.counts == {'datum': 1, 'refused': 3}


# ---- helpers of the books


def test_share_at_grade_is_by_length() -> None:
    books = books_after(*[('reading', WEST, n, reading()) for n in (1, 2, 3)], DISTURBED)
    assert books.share_at_grade(WEST) == pytest.approx(2 / 6)
    assert fold(SITE, ()).share_at_grade(WEST) == 0.0


def test_dumps_remaining_are_filled_in() -> None:
    books = fold(SITE, ())
    rows = with_dumps_remaining(books.rows, [3, 0, 1, 0, 0, 2])
    assert [r.dumps_remaining for r in rows] == [3, 0, 1, 0, 0, 2]
    assert replace(books, rows=rows).dumps_remaining == 6
    with pytest.raises(ValueError, match='2 counts for 6 rows'):
        with_dumps_remaining(books.rows, [1, 2])


# ---- bad entries


@pytest.mark.parametrize(('entry', 'text'), [
    (Entry(1, 0, 'hold'), 'entry 1 comes after entry 1: entries must be posted once'),
    (Entry(0, 0, 'hold'), 'entry 0 comes after entry 1'),
    (Entry(2, 0, 'paid'), "of the unknown kind 'paid'"),
    (Entry(2, 0, 'reading', 'east arc', 1, reading()), "segment 1 of berm 'east arc', which the"),
    (Entry(2, 0, 'reading', WEST, 7, reading()), 'segment 7 of berm'),
    (Entry(2, 0, 'reading', WEST, None, reading()), 'segment None of berm'),
    (Entry(2, 0, 'reading', WEST, 1, {'height_m': 'tall'}), 'a figure that is no number'),
    (Entry(2, 0, 'seen', None, None, {'segments': {WEST: [7]}}), 'lacks the figures of its kind'),
    (Entry(2, 0, 'dump', WEST, 7, dump()), 'segment 7'),
    (Entry(2, 0, 'rise', WEST, None, {'dump_seq': 1, 'volume_m3': 0.1}), 'refers to no dump: 1'),
    (Entry(2, 0, 'rise', WEST, None, {}), 'lacks the figures of its kind'),
    (Entry(2, 0, 'datum', None, None, {'targets': [1.0], 'volumes': [1.0]}), '1 figures target'),
    (Entry(2, 0, 'datum', None, None, {'targets': 3, 'volumes': []}), 'lacks the figures'),
    (Entry(2, 0, 'refused', None, None, {}), 'lacks the figures'),
])
def test_entry_that_does_not_fit_is_refused(entry: Entry, text: str) -> None:
    with pytest.raises(BooksError, match=text):
        fold(SITE, [*numbered(DATUM), entry])


# ---- the law: however the entries come in, the books are the same


FIGURES = st.one_of(st.none(), st.floats(-0.1, 0.5).map(lambda v: round(v, 5)))
SHARES = st.one_of(st.none(), st.sampled_from([0.0, 0.3, 0.9, 1.0]))
READINGS = st.fixed_dictionaries({
    'height_m': FIGURES, 'coverage': SHARES, 'at_grade': SHARES, 'missing_m3': FIGURES,
    'over_m3': FIGURES})


@st.composite
def histories(draw: st.DrawFn) -> list[Entry]:
    """Draw entries of all kinds that refer to each other as entries do."""
    facts: list[tuple[Any, ...]] = [DATUM]
    dumps: list[int] = []
    for _ in range(draw(st.integers(0, 30))):
        kind, segment = draw(st.sampled_from(KINDS)), draw(st.integers(1, 6))
        if kind in ('rise', 'stray_dump') and not dumps:
            kind = 'dump'
        seq = draw(st.sampled_from(dumps)) if dumps else 0
        data = {
            'reading': draw(READINGS), 'dump': dump(), 'datum': DATUM[3],
            'refused': {'code': 'stale', 'count': 2}, 'at_grade': {'height_m': 0.25},
            'rise': {'dump_seq': seq, 'volume_m3': draw(FIGURES), 'shares': {
                str(segment): 0.001, '3': draw(st.sampled_from([0.0, 0.002]))}},
            'stray_dump': {'dump_seq': seq},
            'disturbed': change(draw(FIGURES), rework=draw(st.booleans())),
            'seen': {'segments': {WEST: [segment, 1 + segment % 6]}},
        }.get(kind, {'text': 'x'})
        somewhere = kind in ('reading', 'disturbed', 'reworked', 'at_grade') or (
            kind in ('dump', 'cleared') and draw(st.booleans()))
        if kind == 'dump':
            dumps.append(len(facts) + 1)
        berm = WEST if somewhere or kind == 'rise' else None
        facts.append((kind, berm, segment if somewhere else None, data))
    return numbered(*facts)


@given(histories(), st.data())
def test_one_batch_or_one_by_one_asked_at_any_time_gives_equal_books(entries, data) -> None:
    work = Fold(SITE)
    for count, entry in enumerate(entries, start=1):
        work.post(entry)
        if data.draw(st.booleans()):
            assert_books_equal(work.books(), fold(SITE, entries[:count]))
    assert_books_equal(work.books(), fold(SITE, entries))


@settings(max_examples=15)
@given(histories(), st.data())
def test_resumed_from_the_journal_anywhere_gives_equal_books(tmp_path_factory, entries, data):
    path = Path(tmp_path_factory.mktemp('law')) / 'books.sqlite'
    cut = data.draw(st.integers(0, len(entries)))
    for part in (entries[:cut], entries[cut:]):
        with Journal.open(path, 'd', 's', durable=False) as journal:
            journal.append(part)
    with Journal.read(path) as journal:
        assert_books_equal(fold(SITE, journal.entries()), fold(SITE, entries))


def test_posting_leaves_the_old_books_as_they_are() -> None:
    entries = a_build()
    work = Fold(SITE)
    for entry in entries[:-1]:
        work.post(entry)
    books = work.books()
    before = repr(books)
    work.post(entries[-1])
    assert repr(work.books()) != before
    assert repr(books) == before
