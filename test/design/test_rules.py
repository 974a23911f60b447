# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Rules across keys, each just broken and just kept."""

import tracemalloc

from design_kit import edited, faults_of, site_of_text, TEXT, with_key
import pytest

LEVEL = ('crest_height_m: 0.15', 'crest_level_m: 0.15')
LINE = '[[0, 0], [2, 0]]'
BOUNDARY = '[[-3, -3], [5, -3], [5, 3], [-3, 3]]'
BERM = TEXT[TEXT.index('  - name'):TEXT.index('material')]
WIDE = '[[-9, -9], [999, -9], [999, 999], [-9, 999]]'


def plane(a, b, c):
    return ('frame: map', f'frame: map\ndatum: {{plane: [{a}, {b}, {c}]}}')


@pytest.mark.parametrize(('block', 'line', 'fault'), [
    ('berms', 'crest_level_m: 1',
     'berms[0].crest_level_m (line 11): give crest_height_m or crest_level_m, not both'),
    ('berms', 'arc: {centre: [0, 0], radius_m: 1, from_deg: 0, sweep_deg: 9}',
     'berms[0].arc (line 11): give centreline or arc, not both'),
])
def test_not_both(block, line, fault):
    assert faults_of(with_key(block, line)) == [fault]


def test_nothing_in_place_of_a_key_is_left_out():
    assert site_of_text(with_key('berms', 'crest_level_m: ~')).berms[0].crest_height_m == 0.15
    assert site_of_text(with_key('berms', 'arc:')).berms[0].centreline.length_m == 2.0
    assert faults_of(edited(('crest_height_m: 0.15', 'crest_height_m: ~'))) == [
        'berms[0].crest_height_m (line 4): is missing: give crest_height_m or crest_level_m']


@pytest.mark.parametrize(('kind', 'path'), [
    ('keep_outs', 'yard.keep_outs'), ('borrow_areas', 'yard.borrow_areas')])
def test_names_of_areas_differ(kind, path):
    areas = [f'{{name: {name}, polygon: [[0, 1], [1, 1], [1, 2]]}}' for name in 'aba']
    text = with_key('yard', f'{kind}: [{", ".join(areas)}]')
    assert faults_of(text) == [f"{path}[2].name (line 23): 'a' is also the name of {path}[0]"]


def test_names_of_berms_differ():
    start, end = TEXT.index('  - name'), TEXT.index('material:')
    berm = TEXT[start:end]
    text = TEXT[:end] + berm + TEXT[end:]
    assert faults_of(text) == ["berms[1].name (line 11): 'west' is also the name of berms[0]"]
    apart = text.replace('west', 'east', 1).replace(LINE, '[[0, 1], [2, 1]]', 1)
    assert len(site_of_text(apart).berms) == 2


def test_side_slope_may_be_the_angle_of_repose_and_no_steeper():
    assert site_of_text(TEXT)
    found, = faults_of(edited(('side_slope_deg: 33', 'side_slope_deg: 33.1')))
    assert found.startswith(
        'berms[0].side_slope_deg (line 7): 33.1 degrees is steeper than the angle of repose, '
        'material.repose_deg 33')


def test_a_segment_holds_two_cells():
    # 2 m in parts of at most 0.03 m: 67 of 0.0299 m, a little shorter than two cells.
    assert site_of_text(edited(('segment_length_m: 0.4', 'segment_length_m: 0.031'))).berms
    found, = faults_of(edited(('segment_length_m: 0.4', 'segment_length_m: 0.03')))
    assert found.startswith(
        'berms[0].segment_length_m (line 8): segments of 0.0299 m (67 in 2 m) are shorter than 2 '
        'cells of 0.015 m')
    short = edited((LINE, '[[0, 0], [0.029, 0]]'))
    assert 'segments of 0.029 m (1 in 0.029 m)' in faults_of(short)[0]
    assert site_of_text(edited((LINE, '[[0, 0], [0.031, 0]]')))
    wide = edited(('segment_length_m: 0.4', 'segment_length_m: 0.15'),
                  ('frame: map', 'frame: map\ncell_m: 0.08'))
    assert '2 cells of 0.08 m' in faults_of(wide)[0]


def test_a_short_segment_is_told_without_a_line_too():
    text = edited((LINE, '[[0, 0], [0, 0]]'), ('segment_length_m: 0.4', 'segment_length_m: 0.01'))
    assert [fault.split(' ')[0] for fault in faults_of(text)] == [
        'berms[0].centreline', 'berms[0].segment_length_m']


def test_not_too_many_segments():
    text = edited((LINE, '[[0, 0], [0, 160]]'), (BOUNDARY, WIDE),
                  ('segment_length_m: 0.4', 'segment_length_m: 0.031'))
    found, = faults_of(text)
    assert found.endswith('(line 8): cuts the line of 160 m into 5162 segments; at most 5000')


@pytest.mark.parametrize(('line', 'fault'), [
    ('[[0, 0], [5.5, 0]]', 'the centreline leaves yard.boundary'),
    ('[[9, 9], [11, 9]]', 'the centreline leaves yard.boundary'),
    # Half the footprint is 0.15 / tan(33 deg) = 0.231 m; 0.2 m are left to the boundary.
    ('[[0, 0], [4.8, 0]]', 'the toe, 0.231 m from the centreline, reaches 0.031 m beyond'),
    ('[[0, 2.8], [2, 2.8]]', 'the toe, 0.231 m from the centreline, reaches 0.031 m beyond'),
])
def test_the_footprint_stays_inside_the_boundary(line, fault):
    found = faults_of(edited((LINE, line)))
    assert len(found) == 1
    assert found[0].startswith(f'berms[0].centreline (line 5): {fault}')


@pytest.mark.parametrize('line', ['[[0, 0], [4.76, 0]]', '[[-2.76, -2.76], [2, 2.76]]'])
def test_a_footprint_close_to_the_boundary_is_inside(line):
    assert site_of_text(edited((LINE, line)))


def test_a_line_between_two_parts_of_the_yard_leaves_it():
    # Both ends are inside; between them is a notch.
    notch = '[[-3, -3], [5, -3], [5, 3], [1.1, 3], [1.0, -2], [0.9, 3], [-3, 3]]'
    assert faults_of(edited((BOUNDARY, notch))) == [
        'berms[0].centreline (line 5): the centreline leaves yard.boundary']


def test_the_crest_alone_counts_where_the_toe_is_not_known():
    near = (LINE, '[[0, 0], [4.95, 0]]')
    assert site_of_text(edited(near, LEVEL)).berms[0].crest_level_m == 0.15
    known = faults_of(edited(near, LEVEL, plane(0, 0, 0)))
    assert 'the toe, 0.231 m from the centreline' in known[0]


def test_an_arc_outside_is_told_at_the_arc():
    arc = 'arc: {centre: [0, 0], radius_m: 4, from_deg: 0, sweep_deg: 90}'
    assert faults_of(edited((f'centreline: {LINE}', arc))) == [
        'berms[0].arc (line 5): the centreline leaves yard.boundary']


@pytest.mark.parametrize(('sweep', 'closed'), [('359', 'true'), ('360', 'false')])
def test_an_arc_is_closed_by_its_sweep_alone(sweep, closed):
    arc = f'arc: {{centre: [1, 0], radius_m: 1, from_deg: 0, sweep_deg: {sweep}}}'
    text = edited((f'centreline: {LINE}', f'{arc}\n    closed: {closed}'))
    found, = faults_of(text)
    assert found.startswith('berms[0].closed (line 6): an arc is closed by a sweep of 360 degrees')


def test_an_arc_without_sweep():
    arc = 'arc: {centre: [1, 0], radius_m: 1, from_deg: 0, sweep_deg: 0}'
    assert faults_of(edited((f'centreline: {LINE}', arc)))[0].startswith(
        'berms[0].arc (line 5): an arc needs a radius')


def test_bare_ground_does_not_pass():
    found, = faults_of(edited(('height_tolerance_m: 0.02', 'height_tolerance_m: 0.15')))
    assert found.startswith(
        'berms[0].height_tolerance_m (line 9): 0.15 m is not less than crest_height_m 0.15')


def test_a_level_crest_is_above_the_plane_all_along():
    # At the far end, x = 2 m, the ground reaches 0.1 + 0.02 * 2 = 0.14 m.
    assert site_of_text(edited(LEVEL, plane(0.02, 0, 0.1)))
    found, = faults_of(edited(LEVEL, plane(0.02, 0, 0.12)))
    assert found.startswith('berms[0].crest_level_m (line 7): 0.15 m is not above the datum plane')
    assert found.endswith('which reaches 0.16 m')


def test_a_plane_as_steep_as_the_sides_has_no_toe():
    found, = faults_of(edited(LEVEL, plane(0, 0.65, 0)))
    assert found.startswith(
        'berms[0].side_slope_deg (line 8): the datum plane falls as steeply as the sides')


def test_the_load_lands_ahead():
    found, = faults_of(edited(('drop_point: [0.75', 'drop_point: [-0.75')))
    assert found.startswith('rover.drop_point (line 16): x must be more than 0, not -0.75')


@pytest.mark.parametrize('line', ['[[0, 0], [2, 0]]', '[[1.5, 0], [0.5, 0]]', '[[-1, 0], [3, 0]]'])
def test_berms_on_one_line_are_refused(line):
    second = BERM.replace('west', 'east').replace(LINE, line)
    found, = faults_of(edited((BERM, BERM + second)))
    assert 'lies on the line of berms[0]: berms on one line share all their ground' in found
    across = BERM.replace('west', 'east').replace(LINE, '[[1, -1], [1, 1]]')
    assert site_of_text(edited((BERM, BERM + across)))


def test_berms_too_far_apart_for_one_lattice():
    text = edited((LINE, '[[0, 0], [90, 90]]'), (BOUNDARY, WIDE))
    found, = faults_of(text)
    assert found.startswith(
        'cell_m (line 1): the berms lie 90 x 90 m apart: 3.6e+07 cells of 0.015 m')
    assert site_of_text(text.replace('frame: map', 'frame: map\ncell_m: 0.03'))


def test_a_slipped_digit_beside_another_berm_takes_no_memory():
    # Gone along in cells of 15 mm this line has 6.7 million places: that took 0.6 GB.
    far = BERM.replace('west', 'east').replace(LINE, '[[0, 1], [100000, 1.5]]')
    tracemalloc.start()
    try:
        found = faults_of(edited((BERM, BERM + far)))
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert [fault.partition(' (line')[0] for fault in found] == [
        'cell_m', 'berms[1].centreline', 'berms[1].segment_length_m']
    assert most < 10e6


def test_a_full_drum_draws_more_than_an_empty_one():
    given = ('  run_up_m', '  drum_current: {empty_a: 2.0, full_a: 1.5}\n  run_up_m')
    found, = faults_of(edited(given))
    assert found.startswith('rover.drum_current.full_a (line ')
    assert found.endswith('1.5 A is not more than empty_a 2: the current would not tell the mass')
    site = site_of_text(edited((given[0], given[1].replace('1.5', '4.5'))))
    assert site.rover.drum_current_a == (2.0, 4.5)
    assert site.material.swell == 1.11


@pytest.mark.parametrize(('text', 'fault'), [
    ('swell: 0.9', 'material.swell (line 12): must be between 1 and 3 [m3/m3], not 0.9'),
    ('swell: soft', "material.swell (line 12): must be a number [m3/m3], not the text 'soft'")])
def test_soil_does_not_shrink_when_it_is_dug(text, fault):
    assert fault in faults_of(edited(('material:', f'material:\n  {text}')))
