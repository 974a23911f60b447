# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Crest length, longest gap, and the verdict with the segments it names."""

import math

from berm_ledger.books import fold
from berm_ledger.books.acceptance import (
    acceptance,
    crest_from_rows,
    crest_length,
    crest_lines,
    longest_gap,
    summarise_crest,
)
from berm_ledger.geometry import Lattice, Polyline
from berm_ledger.survey.snapshot import NamedSurface
from books_kit import a_berm, a_site, change, dump, numbered, reading
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import pytest

NAN = math.nan
SITE = a_site()
WEST = 'west arc'
DATUM = ('datum', None, None, {'source': 'survey', 'targets': [0.25] * 6, 'volumes': [0.04] * 6})
ALL_GOOD = [('reading', WEST, n, reading()) for n in range(1, 7)]
SQUARE = Polyline([[0, 0], [1, 0], [1, 1], [0, 1]], closed=True)


def verdict(*facts):
    return acceptance(SITE, fold(SITE, numbered(DATUM, *ALL_GOOD, *facts)))


# o = within tolerance, x = short, h = high, ? = unknown; sections of 0.5 m.
LINE = {'o': 0.25, 'x': 0.2, 'h': 0.3, '?': NAN}


@pytest.mark.parametrize(('text', 'length', 'gap', 'gap_closed'), [
    ('oooo', 2.0, 0.0, 0.0),
    ('xxxx', 0.0, 2.0, 2.0),
    ('????', 0.0, 2.0, 2.0),
    ('oxxo', 1.0, 1.0, 1.0),
    ('xoox', 1.0, 0.5, 1.0),
    ('x?hoxx', 0.5, 1.5, 2.5),
    ('oxoo?xoo', 2.5, 1.0, 1.0),
    ('o', 0.5, 0.0, 0.0),
])
def test_crest_length_and_longest_gap(text, length, gap, gap_closed) -> None:
    heights = [LINE[c] for c in text]
    assert crest_length(heights, 0.25, 0.02, 0.5) == pytest.approx(length)
    assert longest_gap(heights, 0.25, 0.02, 0.5) == pytest.approx(gap)
    assert longest_gap(heights, 0.25, 0.02, 0.5, closed=True) == pytest.approx(gap_closed)


@given(st.text('ox?', min_size=1, max_size=40), st.integers(0, 40))
def test_gap_agrees_with_the_longest_run_of_letters(text: str, turn: int) -> None:
    heights = [LINE[c] for c in text]
    words = text.replace('x', '?').split('o')
    assert longest_gap(heights, 0.25, 0.02, 1.0) == max(len(word) for word in words)
    # A closed line has no beginning.
    turned = heights[turn % len(text):] + heights[:turn % len(text)]
    assert longest_gap(turned, 0.25, 0.02, 1.0, closed=True) == longest_gap(
        heights, 0.25, 0.02, 1.0, closed=True)


def layers(berm: str, height, target, offset) -> list[NamedSurface]:
    lattice = Lattice(0.1, 0.0, 0.2, 1, len(height))
    values = {'crest:': height, 'crest_target:': target, 'crest_offset:': offset}
    return [NamedSurface(name + berm, 5, lattice, np.array([row], dtype=np.float32))
            for name, row in values.items()]


def test_crest_lines_come_from_the_layers_of_the_journal() -> None:
    site = a_site(a_berm(), a_berm('east arc', y_m=2.0))
    kept = layers(WEST, [0.25, NAN, 0.22, 0.26], [0.25] * 4, [0.01, NAN, -0.05, 0.0])
    lines = crest_lines(site, [*kept, layers('east arc', [0.1], [0.1], [0.0])[0]])
    assert list(lines) == [WEST]
    np.testing.assert_allclose(lines[WEST].station_m, [0.1, 0.3, 0.5, 0.7])
    summary = summarise_crest(site.berms[0], lines[WEST])
    assert summary.crest_length_m == pytest.approx(0.4)
    assert summary.longest_gap_m == pytest.approx(0.4)
    assert summary.mean_height_m == pytest.approx(0.73 / 3)
    assert summary.line_deviation_m == pytest.approx(0.02)
    assert summary.seen_m == pytest.approx(0.6)


def test_gap_of_a_closed_berm_runs_over_its_start() -> None:
    berm = a_berm(centreline=SQUARE)
    (line,) = crest_lines(a_site(berm), layers(
        WEST, [0.1, 0.25, 0.25, 0.1], [0.25] * 4, [0.0] * 4)).values()
    assert summarise_crest(berm, line).longest_gap_m == pytest.approx(0.4)


def test_crest_that_was_never_seen_is_unknown_not_zero() -> None:
    (line,) = crest_lines(SITE, layers(WEST, [NAN] * 3, [0.25] * 3, [NAN] * 3)).values()
    summary = summarise_crest(SITE.berms[0], line)
    assert (summary.crest_length_m, summary.seen_m) == (0.0, 0.0)
    assert summary.longest_gap_m == pytest.approx(0.6)
    assert math.isnan(summary.mean_height_m)
    assert math.isnan(summary.line_deviation_m)


def test_readings_stand_in_for_a_crest_line() -> None:
    facts = [('reading', WEST, 2, reading(0.2, at_grade=0.25, line_offset_m=-0.03)),
             ('reading', WEST, 3, reading(0.26, at_grade=0.5, coverage=0.5)),
             ('reading', WEST, 4, reading(None, coverage=0.0))]
    summary = crest_from_rows(fold(SITE, numbered(DATUM, *facts)).rows)
    assert summary.crest_length_m == pytest.approx(0.4 * 0.75)
    assert summary.mean_height_m == pytest.approx((0.2 + 0.5 * 0.26) / 1.5)
    assert summary.line_deviation_m == pytest.approx((0.03 + 0.5 * 0.01) / 1.5)
    assert summary.seen_m == pytest.approx(0.6)
    assert math.isnan(summary.longest_gap_m)
    assert math.isnan(crest_from_rows(fold(SITE, ()).rows).crest_length_m)


def test_berm_at_grade_everywhere_is_accepted() -> None:
    assert verdict() == (
        True, 'west arc: segments 1-6 at grade, no segment further than 10 mm off the centreline')


def test_accepted_berm_states_its_crest_length() -> None:
    kept = layers(WEST, [0.25] * 12, [0.25] * 12, [0.0] * 12)
    crests = {WEST: summarise_crest(SITE.berms[0], crest_lines(SITE, kept)[WEST])}
    books = fold(SITE, numbered(DATUM, *ALL_GOOD))
    accepted, why = acceptance(SITE, books, crests)
    assert accepted
    assert '2.40 m of 2.40 m of crest within 20 mm of the design' in why


@pytest.mark.parametrize(('facts', 'why'), [
    ([('reading', WEST, 2, reading(None, coverage=0.0)),
      ('reading', WEST, 5, reading(None, coverage=0.0))], 'west arc: segments 2, 5 not seen'),
    ([('disturbed', WEST, 3, change(rework=True))],
     'west arc: segment 3 disturbed and not yet reworked'),
    ([('disturbed', WEST, 3, change(rework=True)), ('dump', WEST, 3, dump()), ALL_GOOD[2]],
     'west arc: segment 3 disturbed and not yet reworked'),
    ([('reading', WEST, 1, reading(0.29, at_grade=0.1))],
     'west arc: segment 1 up to 40 mm too high (20 mm allowed)'),
    ([('reading', WEST, 2, reading(0.261, at_grade=0.8, low_m=0.24, high_m=0.286))],
     'west arc: segment 2 up to 36 mm too high in places (20 mm allowed)'),
    ([('reading', WEST, 1, reading(0.31, at_grade=0.1)),
      ('reading', WEST, 3, reading(0.29, at_grade=0.1))],
     'west arc: segments 1, 3 up to 60 mm too high (20 mm allowed)'),
    ([('reading', WEST, n, reading(0.2, at_grade=0.1 * n)) for n in (2, 3, 4)],
     ('west arc: segments 2-4 not at grade, up to 50 mm short on average and with only 20 % of '
      'the crest within 20 mm of the design at worst')),
    # 35 of 39 cross-sections: not the 90 % that at grade takes.
    ([('reading', WEST, 4, reading(0.255, at_grade=0.8974))],
     ('west arc: segment 4 not at grade, with only 89 % of the crest within 20 mm of the design '
      'at worst')),
    ([('reading', WEST, 4, reading(0.255, at_grade=0.7))],
     ('west arc: segment 4 not at grade, with only 70 % of the crest within 20 mm of the design '
      'at worst')),
    ([('reading', WEST, 6, reading(line_offset_m=-0.071))],
     'west arc: crest of segment 6 up to 71.0 mm off the centreline (60 mm allowed)'),
    ([('reading', WEST, 1, reading(None, coverage=0.0)),
      ('reading', WEST, 6, reading(line_offset_m=0.0601))],
     ('west arc: segment 1 not seen; west arc: crest of segment 6 up to 60.1 mm off the '
      'centreline (60 mm allowed)')),
])
def test_what_fails_is_named(facts, why: str) -> None:
    assert verdict(*facts) == (False, why)


def test_bare_ground_has_no_crest_off_the_line() -> None:
    """Its highest noise lies anywhere in the cross-section, and is no fault of the berm."""
    good, why = verdict(('reading', WEST, 6, reading(0.002, at_grade=0.0, line_offset_m=0.147)))
    assert not good
    assert 'segment 6 not at grade' in why
    assert 'off the centreline' not in why


def test_operator_can_clear_what_stands_at_grade() -> None:
    accepted, _ = verdict(('disturbed', WEST, 3, change(rework=True)),
                          ('cleared', None, None, {'text': 'as it stands'}))
    assert accepted


def test_one_bad_berm_spoils_the_site() -> None:
    site = a_site(a_berm(), a_berm('east arc', 0.4, 2.0))
    datum = ('datum', None, None, {
        'source': 'survey', 'targets': [0.25] * 7, 'volumes': [0.04] * 7})
    books = fold(site, numbered(datum, *ALL_GOOD))
    assert acceptance(site, books) == (False, 'east arc: segment 1 not seen')


def test_without_a_datum_nothing_is_accepted() -> None:
    accepted, why = acceptance(SITE, fold(SITE, ()))
    assert (accepted, 'not surveyed' in why) == (False, True)
