# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Books and a site file that was changed: gone on with and booked, or refused with the reason."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
import json
from pathlib import Path
import sqlite3

from berm_ledger.books import Entry, fold, journal_checks
from berm_ledger.books.journal import Journal
from berm_ledger.books.site_check import check_site, NOTHING, site_entry, SiteFile
from berm_ledger.books.statement import statement_lines
from berm_ledger.design.site_difference import differences
from berm_ledger.design.site_file import site_from_text
from berm_ledger.errors import BooksError
from berm_ledger.site_source import text_digest
from berm_ledger.survey.area import survey_area
from books_kit import a_build
import numpy.testing as npt
import pytest

TEXT = """\
format: 1
frame: map
berms:
  - name: west arc
    centreline: [[0, 0], [2.4, 0]]
    crest_height_m: 0.25
    side_slope_deg: 33
    segment_length_m: 0.4
    height_tolerance_m: 0.02
    line_tolerance_m: 0.06
material: {loose_density_kg_m3: 1500, repose_deg: 33}
rover:
  footprint: [[-0.35, -0.3], [0.45, -0.3], [0.45, 0.3], [-0.35, 0.3]]
  drop_point: [0.75, 0.0]
  drum_width_m: 0.36
  payload_kg: 7.5
  turning_radius_m: 1.0
  run_up_m: 0.5
yard:
  boundary: [[-9, -9], [9, -9], [9, 9], [-9, 9]]
"""
ROCK = TEXT + '  keep_outs: [{name: rock, polygon: [[3, 1], [4, 1], [4, 2]]}]\n'
HIGHER = ROCK.replace('crest_height_m: 0.25', 'crest_height_m: 0.30').replace(
    'payload_kg: 7.5', 'payload_kg: 8')
BUILD = a_build()


def site_file(text: str, name: str = 'site.yaml') -> SiteFile:
    return SiteFile(name, text_digest(text), text)


def opened(path: Path, text: str, name: str = 'site.yaml') -> Journal:
    return Journal.open(path, text_digest(text), name, text)


@pytest.fixture
def books(tmp_path: Path) -> Path:
    path = tmp_path / 'books.sqlite'
    with opened(path, TEXT) as journal:
        journal.append(BUILD)
    return path


def held(path: Path) -> tuple[list[Entry], dict[str, str]]:
    with Journal.read(path) as journal:
        return list(journal.entries()), dict(journal.meta)


# ---- gone on with ------------------------------------------------------------------------------

def test_the_very_file_books_nothing(books: Path) -> None:
    before = books.read_bytes()
    with opened(books, TEXT, 'renamed.yaml') as journal:
        assert (journal.news, journal.meta['site_name']) == ('', 'site.yaml')
    assert books.read_bytes() == before


def test_a_keep_out_more_is_gone_on_with_and_booked(books: Path) -> None:
    with opened(books, ROCK, 'edited.yaml') as journal:
        assert journal.last_seq == len(BUILD) + 1
        assert journal.news == (
            'the site file was changed: yard.keep_outs[rock].polygon: none before, '
            '[[3.0, 1.0], [4.0, 1.0], [4.0, 2.0]] from now on')

    entries, meta = held(books)
    assert entries[:-1] == BUILD
    assert meta == {'site_name': 'edited.yaml', 'site_digest': text_digest(ROCK),
                    'site_text': ROCK}
    entry = entries[-1]
    newest_ns = max(e.stamp_ns for e in BUILD if e.kind != 'refused')
    assert (entry.kind, entry.stamp_ns, entry.berm, entry.segment) == (
        'site', newest_ns, None, None)
    assert entry.data['changes'] == [{
        'key': 'yard.keep_outs[rock].polygon', 'was': None,
        'now': [[3.0, 1.0], [4.0, 1.0], [4.0, 2.0]]}]
    # Who holds the books can tell from them alone which file held when.
    assert text_digest(entry.data['former_text']) == entry.data['former_digest']
    assert entry.data['former_text'] == TEXT
    assert (entry.data['site_name'], entry.data['site_digest'], entry.data['former_name']) == (
        'edited.yaml', text_digest(ROCK), 'site.yaml')


def test_the_change_can_be_read_with_plain_sql(books: Path) -> None:
    opened(books, ROCK).close()
    db = sqlite3.connect(books)
    rows = db.execute(
        "SELECT seq, json_extract(data, '$.changes[0].key') FROM entries WHERE kind = 'site'")
    assert rows.fetchall() == [(len(BUILD) + 1, 'yard.keep_outs[rock].polygon')]
    db.close()


def test_an_older_release_is_told_that_the_books_are_newer(
        books: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It does not know the kind; books without such an entry it can read as ever."""
    opened(books, ROCK).close()
    copy = tmp_path / 'copy.sqlite'
    with opened(copy, ROCK) as journal:
        journal.append(held(books)[0])
    plain = tmp_path / 'plain.sqlite'
    with opened(plain, TEXT) as journal:
        journal.append(BUILD)

    monkeypatch.setattr(journal_checks, 'SCHEMA_VERSION', 1)
    for path in (books, copy):
        with pytest.raises(BooksError, match=r'newer berm_ledger \(schema 2, this one knows 1\): '
                                             r'use that one'):
            Journal.read(path)
    assert held(plain)[0] == BUILD


def test_once_booked_it_is_the_file_of_the_books(books: Path) -> None:
    opened(books, ROCK).close()
    before = books.read_bytes()
    opened(books, ROCK).close()
    assert books.read_bytes() == before
    opened(books, TEXT).close()
    assert [e.data['changes'][0]['key'] for e in held(books)[0] if e.kind == 'site'] == [
        'yard.keep_outs[rock].polygon'] * 2


def test_every_account_shows_it(books: Path) -> None:
    opened(books, ROCK).close()
    last = statement_lines(held(books)[0], 'west arc', 1)[-1]
    assert last.what == 'site'
    assert last.detail.startswith('yard.keep_outs[rock].polygon: none before')


def test_a_comment_is_booked_as_no_other_value(books: Path) -> None:
    text = f'# mapped anew in spring\n{TEXT}'
    opened(books, text).close()
    entries, meta = held(books)
    assert (entries[-1].kind, entries[-1].data['text'], entries[-1].data['changes']) == (
        'site', NOTHING, [])
    assert meta['site_text'] == text


def test_of_many_changes_all_are_kept_and_some_are_named(books: Path) -> None:
    more = ''.join(f'    - {{name: k{n}, polygon: [[{n}, 1], [{n + 1}, 1], [{n}, 2]]}}\n'
                   for n in range(7))
    opened(books, f'{TEXT}  keep_outs:\n{more}').close()
    entry = held(books)[0][-1]
    assert len(entry.data['changes']) == 7
    assert entry.data['text'].endswith(' from now on; and 2 more')


def test_books_without_an_entry_take_the_file_over(tmp_path: Path) -> None:
    opened(tmp_path / 'books.sqlite', TEXT).close()
    with opened(tmp_path / 'books.sqlite', ROCK) as journal:
        assert (journal.last_seq, journal.news, journal.meta['site_text']) == (0, '', ROCK)


def test_notes_on_bags_stay(books: Path) -> None:
    with opened(books, TEXT) as journal:
        journal.append((), (), {'bag_1': 'a note'})
    opened(books, ROCK).close()
    assert held(books)[1]['bag_1'] == 'a note'


@pytest.mark.parametrize(('entries', 'stamp_ns'), [
    ([Entry(1, 5, 'dump'), Entry(2, 99, 'refused')], 5),
    ([Entry(1, 99, 'refused'), Entry(2, 7, 'refused')], 7)])
def test_stamp_is_the_newest_that_can_be_trusted(entries: list[Entry], stamp_ns: int) -> None:
    found = site_entry(entries, site_file(TEXT), site_file(ROCK), ())
    assert found is not None
    assert (found.seq, found.stamp_ns) == (3, stamp_ns)


def test_a_full_disk_leaves_the_books_as_they_were(
        books: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Entry and text of the file are written together, or neither."""
    before = held(books)
    add: Callable[..., None] = Journal.append

    def append_on_a_full_disk(self: Journal, *given: object) -> None:
        self._db.execute('CREATE TEMP TRIGGER full BEFORE INSERT ON main.meta '
                         "BEGIN SELECT RAISE(FAIL, 'database or disk is full'); END")
        add(self, *given)

    monkeypatch.setattr(Journal, 'append', append_on_a_full_disk)
    with pytest.raises(BooksError, match=r'nothing was booked: .*free some space on the disk'):
        opened(books, ROCK)
    assert held(books) == before
    monkeypatch.undo()
    opened(books, ROCK).close()
    assert len(held(books)[0]) == len(BUILD) + 1


def test_neither_fold_nor_survey_rests_on_what_may_change() -> None:
    """Every key that is free at once: rows, flags, yield and surveyed cells stay as they were."""
    pit = '  borrow_areas: [{name: pit, polygon: [[0, 0.3], [1, 0.3], [1, 1], [0, 1]]}]\n'
    text = TEXT + pit
    for old, new in (
            ('repose_deg: 33', 'repose_deg: 36'), ('[-0.35, -0.3], [0.45', '[-0.5, -0.3], [0.4'),
            ('turning_radius_m: 1.0', 'turning_radius_m: 0.2'), ('run_up_m: 0.5', 'run_up_m: 1'),
            ('payload_kg: 7.5', 'payload_kg: 7.5\n  clearance_m: 0.08'),
            ('[9, 9]', '[8, 9]'), ('  borrow', f'{ROCK[len(TEXT):]}  borrow'),
            ('format: 1', 'format: 1\nwork_order: segments\nhold_on_disturbance: false')):
        assert text.count(old) == 1
        text = text.replace(old, new)
    found = differences(TEXT + pit, 'was', text, 'now')
    tops = {d.key.partition('[')[0] for d in found}
    assert len(tops) == 9
    assert not any(d.fixed for d in found)
    was, now = (site_from_text(t, 'site.yaml') for t in (TEXT + pit, text))

    before, after = (fold(site, BUILD) for site in (was, now))
    # In words, as what is unknown is no number that equals itself.
    assert repr(replace(after, site=was)) == repr(before)
    areas = [survey_area(site) for site in (was, now)]
    assert areas[0].lattice == areas[1].lattice
    for name in ('in_corridor', 'in_footprint', 'is_dug', 'cell_of_flat'):
        npt.assert_array_equal(getattr(areas[0], name), getattr(areas[1], name))
    assert areas[0].is_dug.any()
    assert (areas[0].shares != areas[1].shares).nnz == 0


# ---- refused -----------------------------------------------------------------------------------

def test_what_booked_figures_rest_on_is_named_with_both_values(books: Path) -> None:
    before = books.read_bytes()
    with pytest.raises(BooksError) as caught:
        opened(books, HIGHER)
    said = str(caught.value)
    assert said == (
        f"{books} holds the books of another site, or of 'site.yaml' before it was changed: "
        f'berms[0].crest_height_m: 0.25 in the books, 0.3 now; rover.payload_kg: 7.5 in the '
        f'books, 8.0 now; what is booked rests on that: put it back (the text of their site '
        f'file is there as site_text in their table meta), or name another books file')
    assert books.read_bytes() == before
    assert [p.name for p in books.parent.iterdir()] == [books.name]
    opened(books, TEXT).close()


@pytest.mark.parametrize(('theirs', 'what'), [
    (SiteFile('site.yaml', 'digest', ''), 'is not there'),
    (SiteFile('site.yaml', 'digest', 'format: 9\n'), 'cannot be read any more ('),
    (SiteFile('site.yaml', 'digest', '{'), 'cannot be read any more (')])
def test_books_whose_site_file_cannot_be_read_any_more(theirs: SiteFile, what: str) -> None:
    with pytest.raises(BooksError, match='the very file they were opened with') as caught:
        check_site('b.sqlite', theirs, site_file(TEXT), 'name another books file')
    assert f'site_text in their table meta, {what}' in str(caught.value)


def test_data_are_plain_json() -> None:
    found = check_site('b.sqlite', site_file(TEXT), site_file(ROCK), '')
    assert found is not None
    entry = site_entry(BUILD, site_file(TEXT), site_file(ROCK), found)
    assert entry is not None
    assert json.loads(entry.data_json()) == entry.data
