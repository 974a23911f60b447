# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What changed between two books: figures by hand, surfaces of known shape, refusals."""

from __future__ import annotations

from dataclasses import replace
import math
from pathlib import Path

from berm_ledger.books import Entry
from berm_ledger.books.acceptance import crest_lines
from berm_ledger.errors import BooksError
from berm_ledger.offline.compare import (
    Change,
    compare_books,
    same_datum,
    total_of,
)
from berm_ledger.offline.compare_text import borrow_lines, comparison_text, Named
from berm_ledger.offline.crest_levels import crest_points
from berm_ledger.offline.opened import open_books, OpenedBooks
from berm_ledger.ros.table_text import figure
from berm_ledger.survey.snapshot import NamedSurface
import numpy as np
import pytest
from report_kit import (
    books_file,
    change,
    datum,
    dump,
    GROUND,
    HEIGHT_M,
    layers,
    numbered,
    reading,
    SEGMENTS,
    site_text,
)

WEST = 'west arc'


def opened(path: Path, *facts: tuple[object, ...], text: str = '', **named: object) -> OpenedBooks:
    """Return books with these facts after a datum."""
    return open_books(books_file(
        path, numbered(('datum', None, None, datum()), *facts), text=text, **named))


def test_changes_by_hand(tmp_path: Path) -> None:
    before = opened(tmp_path / 'a', ('reading', WEST, 1, reading(0.100)),
                    ('reading', WEST, 2, reading(0.100)))
    after = opened(
        tmp_path / 'b', ('reading', WEST, 1, reading(0.150, placed_m3=0.018)),
        ('reading', WEST, 2, reading(0.102, placed_m3=0.0151)), ('dump', WEST, 1, dump()),
        ('disturbed', WEST, 2, change(rework=True)))
    found = compare_books(before, after)
    assert found.same_datum
    first, second, third = found.segments[:3]
    assert first.height_m.value == pytest.approx(0.05)
    # Errors of 1 mm and 1 mm.
    assert first.height_m.error == pytest.approx(0.001 * math.sqrt(2.0))
    assert first.height_m.is_real
    # 2 mm is less than the level of detection, 1.96 sqrt(1 + 1) mm = 2.8 mm.
    assert second.height_m.value == pytest.approx(0.002)
    assert not second.height_m.is_real
    assert first.volume_m3.value == pytest.approx(0.003)
    assert math.isnan(third.height_m.value)
    assert not third.volume_m3.is_real
    total = total_of([segment.volume_m3 for segment in found.segments])
    assert total.value == pytest.approx(0.0031)
    assert total.error == pytest.approx(2 * 0.0003 * math.sqrt(2.0))


def test_books_without_a_survey_are_said_to_have_none(tmp_path: Path) -> None:
    after = opened(tmp_path / 'b', ('reading', WEST, 1, reading(0.150)))
    before = open_books(books_file(tmp_path / 'a', ()))
    notes = compare_books(before, after).notes
    assert notes == (
        'A has no survey of the natural ground: changes are those of the kept surfaces',)
    assert compare_books(after, before).notes[0].startswith('B has no survey')


def test_loads_of_a_level_crest_are_unknown_before_its_ground_is(tmp_path: Path) -> None:
    text = site_text().replace('crest_height_m: 0.15', 'crest_level_m: 5.15')
    before, after = (open_books(books_file(tmp_path / name, (), text=text)) for name in 'ab')
    told = comparison_text(Named('a', before), Named('b', after), compare_books(before, after))
    assert 'loads dumped: 0 > 0; loads still called for: - > -' in told


def test_table_of_changes(tmp_path: Path) -> None:
    before = opened(tmp_path / 'a', ('reading', WEST, 1, reading(0.100, at_grade=0.0)))
    after = opened(
        tmp_path / 'b', ('reading', WEST, 1, reading(0.150, placed_m3=0.018)),
        ('dump', WEST, 1, dump()), ('disturbed', WEST, 2, change(rework=True)))
    text = comparison_text(
        Named('a' * 120, before), Named('b', after), compare_books(before, after))
    lines = text.splitlines()
    assert max(map(len, lines)) <= 100
    assert lines[0].endswith('...')
    assert ('   1   0.00-0.40  0.100  0.150   +50.0*   2.8   15.0   18.0    +3.0*   0.8    +1'
            '  short > at grade') in lines
    assert any(line.startswith('   3   0.80-1.20      -      -       -      -') for line in lines)
    assert 'segments at grade: 0 > 1' in lines
    assert 'booked: losses 0 > 1, slides 0 > 0, fills without a dump 0 > 0' in lines
    # Every line of figures has its columns where the head has them.
    head = next(line for line in lines if line.startswith(' seg'))
    for line in lines:
        if line[:4].strip().isdigit() or line.startswith(' sum'):
            assert line[head.index('loads') - 1] == ' '


def test_one_look_that_both_tell_of_is_no_change_and_errs_in_none(tmp_path: Path) -> None:
    """A figure less itself is nothing, however wrong it is; common practice, no source."""
    looks = (('reading', WEST, 1, reading(0.100)), ('reading', WEST, 2, reading(0.100)))
    before = opened(tmp_path / 'a', *looks)
    # The second segment was looked at again, and stands as it did.
    after = opened(tmp_path / 'b', *looks, ('seen', None, None, {'segments': {WEST: [2]}}))
    first, second, third = compare_books(before, after).segments[:3]
    for found in (first.height_m, first.volume_m3):
        assert (found.value, found.error, found.is_real) == (0.0, 0.0, False)
    assert second.height_m.error == pytest.approx(0.001 * math.sqrt(2.0))
    assert math.isnan(third.height_m.value)
    told = comparison_text(Named('a', before), Named('a', before), compare_books(before, before))
    assert ('   1   0.00-0.40  0.100  0.100     0.0    0.0   15.0   15.0     0.0    0.0     0'
            '  at grade') in told.splitlines()
    assert ' sum                                            30.0   30.0     0.0    0.0     0' in (
        told.splitlines())
    assert '0 of 5 segments changed' in told


def dug(loads: int, cut_m3: float, unexplained_m3: float = 0.0, **more: bool) -> list[Entry]:
    """Return a survey of the pit, so many loads of 6 kg, the last one partial, and a balance."""
    facts: list[tuple[str, dict[str, object]]] = [
        ('borrow_datum', {'area': 'pit', 'seen_fraction': 1.0})]
    facts += [('load', {'dump_seq': n, 'mass_kg': 6.0, 'partial': n == loads})
              for n in range(1, loads + 1)]
    facts += [
        ('cut', {'area': 'pit', 'volume_m3': cut_m3, 'volume_se_m3': 0.001, 'lanes': []}),
        ('balance', {'cut_m3': cut_m3, 'cut_se_m3': 0.001, 'swell': 1.11, 'placed_m3': 0.0,
                     'spilled_m3': 0.0, 'placed_se_m3': 0.0, 'carried_m3': 0.0,
                     'carried_se_m3': 0.0, 'unexplained_m3': unexplained_m3,
                     'unexplained_se_m3': 0.002, **more})]
    return [Entry(n, n, kind, data=data) for n, (kind, data) in enumerate(facts, 1)]


def test_changes_of_the_borrow_side_by_hand() -> None:
    before, after = dug(2, 0.008), dug(5, 0.0203, 0.0071, open=True)
    after.append(Entry(99, 99, 'void', data={'area': 'pit', 'lane': 3}))
    assert list(borrow_lines(before, after)) == [
        'borrow: loads carried 2 > 5, of them partial 1 > 1; mean 6.00 > 6.00 kg',
        # 1.96 sqrt(1 + 1) l = 2.8 l.
        'cut, bank: 8.0 > 20.3 l, change +12.3* +-2.8 l',
        'lanes closed: 0 > 1',
        # 1.96 * 2 l = 3.9 l.
        'unexplained, loose: 0.0 +-3.9 l > +7.1 +-3.9 l, DOES NOT ADD UP']
    assert next(iter(borrow_lines([], before))) == (
        'borrow: loads carried 0 > 2, of them partial 0 > 1; mean - > 6.00 kg')
    assert 'cut, bank: 8.0 > 8.0 l, change 0.0 +-0.0 l' in borrow_lines(before, before)
    assert 'cut, bank: - > 8.0 l' in borrow_lines([], before)
    assert 'unexplained, loose: - > 0.0 +-3.9 l' in borrow_lines([], before)


def test_cuts_below_other_surveys_have_no_change() -> None:
    before, after = dug(2, 0.008), dug(5, 0.0203)
    anew = [replace(entry, stamp_ns=10**9) for entry in after]
    assert 'cut, bank: 8.0 > 20.3 l, each below a survey of its own' in borrow_lines(before, anew)


def test_nothing_is_said_of_a_borrow_side_that_was_not_kept(tmp_path: Path) -> None:
    before = opened(tmp_path / 'a', ('dump', WEST, 1, dump()))
    told = comparison_text(Named('a', before), Named('b', before), compare_books(before, before))
    assert 'borrow' not in told
    # Loads that were weighed, and no grid that shows the pit.
    weighed = dug(2, 0.0)[1:3]
    assert list(borrow_lines(weighed, weighed)) == [
        'borrow: loads carried 2 > 2, of them partial 1 > 1; mean 6.00 > 6.00 kg']


@pytest.mark.parametrize(('old', 'new', 'text'), [
    ('[[0, 0], [2, 0]]', '[[0, 0], [2, 0.1]]', "the line of berm 'west arc' differs"),
    ('segment_length_m: 0.4', 'segment_length_m: 0.5', "the segments of berm 'west arc' differ"),
    ('frame: map', 'frame: odom', "frames 'map' and 'odom'"),
    ('- name: west arc', '- name: east arc', "berms 'west arc' and 'east arc'"),
])
def test_other_plans_cannot_be_compared(tmp_path: Path, old: str, new: str, text: str) -> None:
    assert old in site_text()
    before = open_books(books_file(tmp_path / 'a'))
    after = open_books(books_file(tmp_path / 'b', text=site_text().replace(old, new)))
    with pytest.raises(BooksError, match=f'different sites .*{text}'):
        compare_books(before, after)


def test_other_design_along_the_same_line_is_noted(tmp_path: Path) -> None:
    text = site_text().replace('crest_height_m: 0.15', 'crest_height_m: 0.12')
    before = open_books(books_file(tmp_path / 'a'))
    after = open_books(books_file(tmp_path / 'b', text=text))
    assert compare_books(before, after).notes == (
        'the site files differ, but their berms follow the same lines',
        'the design heights differ: states are each against its own design')


def raised(surfaces: list[NamedSurface], names: set[str], rise_m: float) -> list[NamedSurface]:
    """Return layers, those of these names higher by so much."""
    return [NamedSurface(s.name, s.stamp_ns, s.lattice, s.values + np.float32(rise_m))
            if s.name in names else s for s in surfaces]


def test_books_with_grounds_of_their_own_are_compared_by_their_surfaces(tmp_path: Path) -> None:
    """A day later a fresh survey took what stood for natural ground: heights mean nothing."""
    facts = [('reading', WEST, n, reading()) for n in range(1, SEGMENTS + 1)]
    entries = numbered(('datum', None, None, datum()), *facts)
    old = layers(site_text())
    # The second survey's ground lies 4 cm, its surface 1 cm higher.
    new = raised(raised(old, {'datum_m'}, 0.04), {'height_m'}, 0.01)
    before = open_books(books_file(tmp_path / 'a', entries, old))
    after = open_books(books_file(tmp_path / 'b', entries, new))
    assert not same_datum(before, after)
    found = compare_books(before, after)
    assert 'survey of the natural ground' in found.notes[0]
    for segment in found.segments:
        # The kept crest stands as high above its own ground, which is 4 cm higher.
        assert segment.height_m.value == pytest.approx(0.04, abs=1e-6)
    # 1 cm over the corridor of 2 m by the footprint and 30 cm on either side, with round ends.
    half_m = HEIGHT_M / math.tan(math.radians(33.0)) + 0.30
    area_m2 = 2.0 * 2.0 * half_m + math.pi * half_m ** 2
    total = total_of([segment.volume_m3 for segment in found.segments])
    assert total.value == pytest.approx(0.01 * area_m2, rel=0.01)


def test_level_of_the_crest_is_ground_and_height(tmp_path: Path) -> None:
    books = open_books(books_file(tmp_path / 'a', surfaces=layers(site_text(), 0.01)))
    berm = books.site.berms[0]
    crest = crest_lines(books.site, books.surfaces)[berm.name]
    found = crest_points(books, berm, crest)
    levels = found.level_m.reshape(SEGMENTS, -1).mean(axis=1)
    middles = 0.4 * np.arange(SEGMENTS) + 0.2
    np.testing.assert_allclose(
        levels, GROUND[0] * middles + GROUND[2] + HEIGHT_M - 0.01, atol=3e-4)


@pytest.mark.parametrize('fresh', [False, True], ids=['then one of it', 'both of it'])
def test_a_berm_taken_for_natural_ground_has_not_sunk(tmp_path: Path, fresh: bool) -> None:
    """What is highest above such a ground is noise, and lies anywhere on the flanks."""
    text = site_text()
    crest = [f'crest:{WEST}', f'crest_offset:{WEST}']
    built = layers(text)
    stands = next(s for s in built if s.name == 'height_m').values
    noise = {'datum_m': stands, crest[0]: np.float32(0.003)}
    taken = [
        [NamedSurface(s.name, s.stamp_ns, s.lattice, np.broadcast_to(
            noise.get(s.name, np.float32(offset_m) if s.name == crest[1] else s.values),
            s.values.shape).astype(np.float32)) for s in built] for offset_m in (0.11, -0.08)]
    facts = [('reading', WEST, n, reading()) for n in range(1, SEGMENTS + 1)]
    entries = [numbered(('datum', None, None, datum(seen_fraction=seen)), *facts)
               for seen in (0.98, 0.99)]
    before = open_books(books_file(tmp_path / 'a', entries[0], taken[1] if fresh else built))
    after = open_books(books_file(tmp_path / 'b', entries[1], taken[0]))
    for pair, sign in (((before, after), 1.0), ((after, before), -1.0)):
        found = compare_books(*pair)
        assert not found.same_datum
        for segment in found.segments:
            assert sign * segment.height_m.value == pytest.approx(0.0, abs=1e-3)
            assert not segment.height_m.is_real


def test_ground_surveyed_late_in_some_cells_is_the_same_survey(tmp_path: Path) -> None:
    entries = numbered(('datum', None, None, datum()))
    old = layers(site_text())
    late = [s if s.name != 'datum_m' else NamedSurface(
        s.name, s.stamp_ns, s.lattice,
        np.where(np.arange(s.lattice.cols) < 10, s.values + np.float32(0.01), s.values))
        for s in old]
    before = open_books(books_file(tmp_path / 'a', entries, old))
    after = open_books(books_file(tmp_path / 'b', entries, late))
    assert same_datum(before, after)


def test_books_without_layers_and_with_other_grounds_have_no_changes(tmp_path: Path) -> None:
    before = opened(tmp_path / 'a', ('reading', WEST, 1, reading()))
    after = open_books(books_file(tmp_path / 'b', numbered(
        ('datum', None, None, datum(seen_fraction=0.5)), ('reading', WEST, 1, reading()))))
    found = compare_books(before, after)
    assert all(math.isnan(s.height_m.value) and math.isnan(s.volume_m3.value)
               for s in found.segments)


def test_unknown_change_is_not_real_and_no_zero_has_a_sign() -> None:
    assert not Change().is_real
    assert not Change(0.1).is_real
    assert Change(-0.1, 0.05).is_real
    assert figure(-0.00001, 1, 1e3, '+') == '0.0'
