# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The text of the check: complete, in 100 columns, figures that agree."""

from dataclasses import replace
import math

from berm_ledger.design import design_quantities
from berm_ledger.design.notes import notes_of_site
from berm_ledger.design.summary import check_lines
from berm_ledger.geometry import Polyline
from design_kit import berm_of, edited, EXAMPLES, site_of, site_of_text, TEXT, with_key
import pytest

LINE = '[[0, 0], [2, 0]]'


def rows_of(lines):
    """Return the figures of the lines that begin with the number of a segment."""
    rows = [line.split() for line in lines]
    return [[float(word) for word in row] for row in rows
            if len(row) == 6 and row[0].isdigit() and '-' not in row]


@pytest.mark.parametrize('path', EXAMPLES, ids=lambda path: path.stem)
def test_examples_fit_in_100_columns(path):
    site = site_of_text(path.read_text(encoding='utf-8'))
    lines = check_lines(site)
    assert max(len(line) for line in lines) < 100
    assert len(rows_of(lines)) == len(design_quantities(site))
    assert not [line for line in lines if line.startswith('note')]


def test_figures_of_the_segments_and_of_the_berm():
    site = site_of_text(TEXT)
    lines = check_lines(site)
    rows = rows_of(lines)
    for (segment, quantity), row in zip(design_quantities(site), rows):
        assert row == pytest.approx([
            segment.number, segment.station_from_m, segment.station_to_m, quantity.volume_m3,
            quantity.mass_kg, quantity.loads], abs=0.06)
    berm = next(line for line in lines if line.startswith('  berm '))
    volume, mass, loads = (float(word) for word in berm.split()[1:])
    assert volume == pytest.approx(sum(row[3] for row in rows), abs=3e-4)
    assert mass == pytest.approx(volume * 1500, abs=0.1)
    assert loads == pytest.approx(mass / 8, abs=0.06)
    assert lines[-1] == f'{volume:.4f} m3 of loose soil, {mass:.1f} kg: 15 whole loads of 8 kg'


def test_a_berm_of_one_load_is_told_as_such():
    site = site_of_text(TEXT)
    # A load and a third of soil: whole loads of the design are those nearest to it.
    one = replace(site, rover=replace(
        site.rover, payload_kg=0.75 * sum(q.mass_kg for _, q in design_quantities(site))))
    assert check_lines(one)[-1].partition(' kg: ')[2].startswith('1 whole load of ')


def test_long_names_and_large_figures_fit():
    line = Polyline.arc([0, 0], 40.0, 0.0, 2 * math.pi)
    site = site_of(berm_of(line, name='x' * 60, height_m=3.0, width_m=1.2345678, segment_m=20.0),
                   berm_of(line, name='y' * 60, segment_m=20.0), cell_m=0.5)
    assert max(len(line) for line in check_lines(site)) < 100


def test_the_sum_of_two_berms():
    site = site_of(berm_of(Polyline([[0, 0], [1, 0]])),
                   berm_of(Polyline([[0, 3], [1, 3]]), name='b'))
    berms = [line for line in check_lines(site) if line.startswith('  berm ')]
    whole = next(line for line in check_lines(site) if line.startswith('  all berms'))
    assert float(whole.split()[2]) == pytest.approx(
        sum(float(line.split()[1]) for line in berms), abs=2e-4)


def test_what_is_unknown_is_a_dash():
    site = site_of_text(edited(('crest_height_m: 0.15', 'crest_level_m: 0.15')))
    lines = check_lines(site)
    assert rows_of(lines) == []
    assert [line.split()[3:] for line in lines if line.startswith('        1')] == [['-'] * 3]
    assert lines[-1].startswith('the volume under a level crest is known once the datum is')


UNDER_ROVER = (
    'the drop point lies inside the footprint of the rover: no approach keeps the rover off '
    'the toe')
ON_TOE = (
    "loads land 0.15 m ahead of the footprint of the rover and the toe of berm 'west' lies 0.23 m "
    'from its line: no approach keeps the rover off the toe')
AREA = 'polygon: [[1, 0.1], [2, 0.1], [2, 1]]'


def test_how_wide_a_berm_is_at_the_toe_is_said_where_it_is_known():
    # 2 H / tan(s), H = 0.15 m at 33 degrees: 0.46 m; a level crest waits for its ground.
    known = site_of_text(TEXT)
    level = site_of_text(TEXT.replace('crest_height_m: 0.15', 'crest_level_m: 1.0'))
    said = [' '.join(' '.join(check_lines(site)).split()) for site in (known, level)]
    assert 'up to 0.46 m wide at the toe' in said[0]
    assert 'at the toe' not in said[1]


@pytest.mark.parametrize(('gap_m', 'noted'), [(0.14, True), (0.16, False)])
def test_of_a_toe_that_is_not_known_the_crest_alone_is_looked_at(gap_m, noted):
    # Half of a top of 0.3 m.
    text = with_key('berms', 'crest_width_m: 0.3').replace(
        'crest_height_m: 0.15', 'crest_level_m: 1.0')
    post = f'[[0.5, {gap_m}], [0.7, {gap_m}], [0.7, 0.9], [0.5, 0.9]]'
    site = site_of_text(f'{text}  keep_outs: [{{name: a, polygon: {post}}}]\n')
    assert any('overlaps keep-out' in note for note in notes_of_site(site)) == noted


@pytest.mark.parametrize(('text', 'note'), [
    (with_key('yard', f'keep_outs: [{{name: a, {AREA}}}]'),
     "the footprint of berm 'west' overlaps keep-out 'a'"),
    (with_key('yard', f'borrow_areas: [{{name: a, {AREA}}}]'),
     "the footprint of berm 'west' overlaps borrow area 'a'"),
    (with_key('yard', 'borrow_areas: [{name: a, polygon: [[3, 1], [9, 1], [9, 2]]}]'),
     "borrow area 'a' is not wholly inside the boundary"),
    (edited(('drop_point: [0.75', 'drop_point: [0.3')),
     UNDER_ROVER),
    (edited(('drop_point: [0.75', 'drop_point: [0.55')),
     ON_TOE),
])
def test_notes(text, note):
    site = site_of_text(text)
    assert notes_of_site(site) == (note,)
    # A long note is wrapped.
    assert f'note: {note}' in ' '.join(line.strip() for line in check_lines(site))


def test_berms_that_overlap_are_noted():
    beside = Polyline([[0, 0.4], [1, 0.4]])
    site = site_of(berm_of(Polyline([[0, 0], [1, 0]])), berm_of(beside, name='b'))
    assert notes_of_site(site)[0].startswith("berms 'west' and 'b' overlap")
    apart = Polyline([[0, 0.5], [1, 0.5]])
    assert notes_of_site(site_of(site.berms[0], berm_of(apart, name='b'))) == ()


@pytest.mark.parametrize(('cut_m', 'enough'), [(0.01, False), (0.2, True), (None, True)])
def test_borrow_areas_that_hold_too_little_are_noted(cut_m, enough):
    limit = '' if cut_m is None else f', max_cut_m: {cut_m}'
    areas = f'borrow_areas: [{{name: a, polygon: [[3, 1], [4, 1], [4, 2], [3, 2]]{limit}}}]'
    site = site_of_text(with_key('yard', areas))
    lines = ' '.join(line.strip() for line in check_lines(site))
    # One square metre, swollen by 1.11.
    note = 'note: dug down to their max_cut_m all over, the borrow areas give 0.01 m3'
    assert (note in lines) is not enough


@pytest.mark.parametrize(('width_m', 'noted'), [(0.11, False), (0.12, True), (0.3, True)])
def test_tops_wider_than_loads_along_one_line_fill_are_noted(width_m, noted):
    # By hand: 0.05 + 2 * 0.02 / tan 33 degrees = 0.112.
    site = site_of_text(with_key('berms', f'crest_width_m: {width_m}'))
    notes = [note for note in notes_of_site(site) if note.startswith('the top of berm')]
    assert bool(notes) is noted


def test_the_note_on_a_wide_top_says_what_stays_open():
    # By hand: 0.15 / tan 33 degrees = 0.231, and 1 - (0.05 + 0.231) / (0.3 + 0.231) = 0.47.
    note = notes_of_site(site_of_text(with_key('berms', 'crest_width_m: 0.3')))[-1]
    assert note.startswith("the top of berm 'west' is 0.30 m wide")
    assert 'fill 0.11 m of that: its edges, some 47 % of the soil, stay open' in note
    level = edited(('crest_height_m: 0.15', 'crest_level_m: 0.15\n    crest_width_m: 0.3'))
    assert 'fill 0.11 m of that: its edges stay open' in notes_of_site(site_of_text(level))[-1]


def test_a_good_site_has_no_notes():
    assert notes_of_site(site_of_text(TEXT)) == ()
    near = with_key('yard', 'keep_outs: [{name: a, polygon: [[0, 0.24], [2, 0.24], [2, 1]]}]')
    assert notes_of_site(site_of_text(near)) == ()
