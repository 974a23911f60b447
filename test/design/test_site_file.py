# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Site files: what is read, and every fault with path, line and rule."""

import math

from berm_ledger.design.schema import TABLES
from design_kit import edited, EXAMPLES, faults_of, site_of_text, TEXT, with_key, without
import numpy.testing as npt
import pytest

LINE = '[[0, 0], [2, 0]]'
FOOTPRINT = '[[-0.4, -0.3], [0.4, -0.3], [0.4, 0.3], [-0.4, 0.3]]'
TRIANGLE = '[[0, 1], [1, 1], [1, 2]]'
EAST = """\
  - name: east
    arc: {centre: [1, 1], radius_m: 0.8, from_deg: 90, sweep_deg: -180}
    crest_level_m: 1.2
    side_slope_deg: 30
    segment_length_m: 0.5
    height_tolerance_m: 0.02
    line_tolerance_m: 0.06
material:"""
HEAD = """\
frame: odom
cell_m: 0.02
work_order: segments
hold_on_disturbance: false
datum: {plane: [0.01, -0.02, 1]}"""
AREAS = f"""\
  keep_outs: [{{name: a, polygon: {TRIANGLE}}}]
  borrow_areas:
    - {{name: b, polygon: {TRIANGLE}, max_cut_m: 0.2}}
    - {{name: c, polygon: {TRIANGLE}, max_cut_m: ~}}
  boundary"""


def test_a_whole_site_in_metres_and_radians():
    site = site_of_text(TEXT)
    berm = site.berms[0]
    assert (site.frame, site.datum_plane, berm.name) == ('map', None, 'west')
    assert (berm.crest_height_m, berm.crest_level_m) == (0.15, None)
    assert berm.side_slope_rad == pytest.approx(math.radians(33))
    assert site.material.repose_rad == pytest.approx(math.radians(33))
    npt.assert_array_equal(berm.centreline.points_xy, [[0, 0], [2, 0]])
    assert site.rover.drop_point_xy == (0.75, 0.0)
    assert site.rover.footprint.area_m2 == pytest.approx(0.48)
    assert site.yard.boundary.area_m2 == pytest.approx(48.0)
    assert site.load_volume_m3 == pytest.approx(8 / 1500)


def test_what_may_be_left_out():
    site = site_of_text(TEXT)
    berm = site.berms[0]
    assert (berm.centreline.closed, berm.crest_width_m) == (False, 0.0)
    assert (site.rover.clearance_m, site.hold_on_disturbance, site.cell_m) == (0.05, True, 0.015)
    assert (site.yard.keep_outs, site.yard.borrow_areas) == ((), ())
    assert (site.work_order, site.in_lifts) == ('lifts', True)


def test_what_may_be_given():
    text = edited(('material:', EAST), ('frame: map', HEAD), ('  boundary', AREAS))
    site = site_of_text(text)
    east = site.berms[1]
    assert (site.frame, site.cell_m, site.hold_on_disturbance) == ('odom', 0.02, False)
    assert (site.work_order, site.in_lifts) == ('segments', False)
    assert (site.datum_plane.a, site.datum_plane.b, site.datum_plane.c) == (
        0.01, -0.02, 1.0)
    assert (east.crest_height_m, east.crest_level_m) == (None, 1.2)
    assert east.centreline.length_m == pytest.approx(0.8 * math.pi, rel=1e-3)
    npt.assert_allclose(east.centreline.points_xy[[0, -1]], [[1, 1.8], [1, 0.2]], atol=1e-12)
    assert [(area.name, area.max_cut_m) for area in site.yard.borrow_areas] == [
        ('b', 0.2), ('c', None)]
    assert site.yard.keep_outs[0].polygon.area_m2 == 0.5


@pytest.mark.parametrize('line', [
    'arc: {centre: [1, 0], radius_m: 1, from_deg: 0, sweep_deg: 90}',
    'centreline: {arc: {centre: [1, 0], radius_m: 1, from_deg: 0, sweep_deg: 90}}',
])
def test_an_arc_in_either_place(line):
    site = site_of_text(edited(('centreline: [[0, 0], [2, 0]]', line)))
    npt.assert_allclose(site.berms[0].centreline.points_xy[-1], [1, 1])
    assert not site.berms[0].centreline.closed


@pytest.mark.parametrize('closed', ['', 'closed: true'])
@pytest.mark.parametrize('sweep', ['360', '-360.0'])
def test_a_full_turn_closes(sweep, closed):
    arc = f'arc: {{centre: [1, 0], radius_m: 1, from_deg: 5, sweep_deg: {sweep}}}\n    {closed}'
    line = site_of_text(edited(('centreline: [[0, 0], [2, 0]]', arc))).berms[0].centreline
    assert line.closed
    assert line.length_m == pytest.approx(2 * math.pi, rel=1e-3)


def test_a_leading_slash_of_the_frame_is_left_out():
    """Since ROS 2 no frame has one: whoever looks up such a frame of ours would be refused."""
    assert site_of_text(edited(('frame: map', 'frame: /map'))).frame == 'map'


def test_a_closed_polyline():
    text = edited(('[[0, 0], [2, 0]]', '[[0, 0], [2, 0], [1, 1]]\n    closed: true'))
    assert site_of_text(text).berms[0].centreline.length_m == pytest.approx(2 + 2 * math.sqrt(2))


@pytest.mark.parametrize('ending', ['\r\n', '\n'])
def test_line_endings_and_byte_order_mark(ending):
    assert site_of_text('\ufeff' + TEXT.replace('\n', ending)).frame == 'map'


@pytest.mark.parametrize('path', EXAMPLES, ids=lambda path: path.stem)
def test_examples_are_sites(path):
    assert site_of_text(path.read_text(encoding='utf-8')).berms


def test_there_are_examples():
    assert [path.stem for path in EXAMPLES] == [
        'arc_site', 'demo_site', 'facing_site', 'horseshoe_site', 'ring_site', 'shelter_site',
        'two_berms_site', 'wall_site']


REQUIRED = [key.name for table in ('site', 'berm', 'material', 'rover', 'yard')
            for key in TABLES[table]
            if key.is_required and key.kind not in ('table', 'tables') and key.name != 'boundary']


@pytest.mark.parametrize('key', [*REQUIRED, 'centreline', 'crest_height_m'])
def test_missing_keys(key):
    if key == 'name':
        text = edited(('- name: west\n    centreline', '- centreline'))
    else:
        text = without(key)
    found = [fault for fault in faults_of(text) if 'is missing' in fault]
    assert len(found) == 1
    assert found[0].split(' ')[0].endswith(key)


def test_a_missing_key_is_told_with_the_line_of_its_mapping():
    assert faults_of(without('payload_kg')) == [
        'rover.payload_kg (line 14): is missing: mass of a full load']
    assert faults_of(without('repose_deg')) == [
        'material.repose_deg (line 11): is missing: angle of repose']
    assert faults_of(without('boundary'))[0].startswith(
        'yard (line 21): must be a mapping with keys (boundary, keep_outs, borrow_areas, ...)')


@pytest.mark.parametrize(('block', 'line', 'where', 'hint'), [
    ('berms', 'crest_heigth_m: 1',
     'berms[0].crest_heigth_m (line 11)', "a berm; did you mean 'crest_height_m'?"),
    ('root', 'bermss: 1',
     'bermss (line 3)', "a site; did you mean 'berms'?"),
    ('rover', 'repose_deg: 3',
     'rover.repose_deg (line 21)', "a rover; it belongs under 'material'"),
    ('material', 'x: 3',
     'material.x (line 14)', 'a material; known here are loose_density_kg_m3, repose_deg, swell'),
    ('yard', '1: 3',
     'yard.1 (line 23)', 'a yard; known here are boundary, keep_outs, borrow_areas'),
])
def test_unknown_keys(block, line, where, hint):
    assert faults_of(with_key(block, line)) == [f'{where}: is not a key of {hint}']


@pytest.mark.parametrize(('old', 'new', 'where', 'rule'), [
    ('format: 1', 'format: 2',
     'format (line 1)', 'must be 1, not the number 2'),
    ('format: 1', 'format: 1.0',
     'format (line 1)', 'must be 1, not the number 1'),
    ('format: 1', 'format: true',
     'format (line 1)', 'must be 1, not the truth value true'),
    ('format: 1', "format: '1'",
     'format (line 1)', "must be 1, not the text '1'"),
    ('frame: map', 'frame: 7',
     'frame (line 2)', 'must be text, not the number 7; put it in quotes'),
    ('frame: map', 'frame: [map]',
     'frame (line 2)', 'must be text, not a list of 1'),
    ('frame: map', 'frame: " "',
     'frame (line 2)', 'must be 1 to 60 printable characters'),
    ('frame: map', 'frame:',
     'frame (line 2)', 'must be text, not nothing'),
    ('name: west', 'name: on',
     'berms[0].name (line 4)', 'must be text, not the truth value true'),
    ('name: west', 'name: "a\\nb"',
     'berms[0].name (line 4)', 'must be 1 to 60 printable'),
    ('crest_height_m: 0.15', 'crest_height_m: true',
     'berms[0].crest_height_m (line 6)', 'must be a number [m], not the truth value true'),
    ('crest_height_m: 0.15', "crest_height_m: '0.15'",
     'berms[0].crest_height_m (line 6)',
     "must be a number [m], not the text '0.15'; leave out the quotes and leading zeros"),
    ('crest_height_m: 0.15', 'crest_height_m: 0.15 m',
     'berms[0].crest_height_m (line 6)', "must be a number [m], not the text '0.15 m'"),
    ('crest_height_m: 0.15', 'crest_height_m: [0.15]',
     'berms[0].crest_height_m (line 6)', 'must be a number [m], not a list of 1'),
    ('crest_height_m: 0.15', 'crest_height_m: .nan',
     'berms[0].crest_height_m (line 6)', 'must be finite, not nan'),
    ('crest_height_m: 0.15', 'crest_height_m: -.inf',
     'berms[0].crest_height_m (line 6)', 'must be finite, not -inf'),
    ('crest_height_m: 0.15', 'crest_height_m: 1e999',
     'berms[0].crest_height_m (line 6)', 'must be finite, not inf'),
    ('crest_height_m: 0.15', 'crest_height_m: 0',
     'berms[0].crest_height_m (line 6)', 'must be more than 0 and at most 100 [m], not 0'),
    ('side_slope_deg: 33', 'side_slope_deg: 0',
     'berms[0].side_slope_deg (line 7)', 'must be between 1 and 89 [deg], not 0'),
    ('segment_length_m: 0.4', 'segment_length_m: -0.4',
     'berms[0].segment_length_m (line 8)', 'must be more than 0'),
    ('payload_kg: 8', 'payload_kg: 0',
     'rover.payload_kg (line 18)', 'must be more than 0'),
    ('payload_kg: 8', 'payload_kg: 010',
     'rover.payload_kg (line 18)', "must be a number [kg], not the text '010'; leave out"),
    ('turning_radius_m: 1.0', 'turning_radius_m: -1',
     'rover.turning_radius_m (line 19)', 'must be between 0 and 1000 [m], not -1'),
    ('loose_density_kg_m3: 1500', 'loose_density_kg_m3: 1.5',
     'material.loose_density_kg_m3 (line 12)', 'must be between 100 and 10000 [kg/m3], not 1.5'),
    ('drop_point: [0.75, 0.0]', 'drop_point: 0.75',
     'rover.drop_point (line 16)', 'must be a point [x, y], not the number 0.75'),
    ('drop_point: [0.75, 0.0]', 'drop_point: [0.75]',
     'rover.drop_point (line 16)', 'must be a point [x, y], not a list of 1'),
    ('drop_point: [0.75, 0.0]', "drop_point: [0.75, '0']",
     'rover.drop_point[1] (line 16)', "must be a number [m], not the text '0'"),
    (LINE, '[[0, 0], [2, .nan]]',
     'berms[0].centreline[1][1] (line 5)', 'must be finite, not nan'),
    (LINE, '\n      - [0, 0]\n      - [2, 0, 0]',
     'berms[0].centreline[1] (line 7)', 'must be a point [x, y], not a list of 3'),
    (LINE, '[[0, 0]]',
     'berms[0].centreline (line 5)', 'needs 2 to 10000 points [x, y], has 1'),
    (LINE, 'straight',
     'berms[0].centreline (line 5)', "must be a list of points [x, y], not the text 'straight'"),
    (LINE, '{line: []}',
     'berms[0].centreline (line 5)',
     'must be a list of points [x, y] or `{arc: ...}`, not a mapping with line'),
    (LINE, '[[0, 0], [2, 2], [2, 0], [0, 2]]',
     'berms[0].centreline (line 5)', 'pieces 0 and 2 of the line, counted from 0, cross or touch'),
    (LINE, '[[0, 0], [2, 0], [1, 0]]',
     'berms[0].centreline (line 5)', 'the line folds straight back'),
    (LINE, f'{LINE}\n    closed: 1',
     'berms[0].closed (line 6)', 'must be true or false, not the number 1'),
    (LINE, f'{LINE}\n    closed: true',
     'berms[0].centreline (line 5)', 'a closed line needs at least 3 points'),
    (FOOTPRINT, '[[-0.4, -0.3], [0.4, 0.3], [0.4, -0.3], [-0.4, 0.3]]',
     'rover.footprint (line 15)', 'edges 0 and 2 of the polygon, counted from 0, cross'),
    (FOOTPRINT, '[[0, 0], [1, 1]]',
     'rover.footprint (line 15)', 'needs 3 to 10000 points'),
    ('frame: map', 'frame: map\ndatum: surveyed',
     'datum (line 3)', "must be `survey` or `{plane: [a, b, c]}`, not the text 'surveyed'"),
    ('frame: map', 'frame: map\ndatum: {plane: [0, 0]}',
     'datum.plane (line 3)', 'must be a list of 3 numbers, not a list of 2'),
    ('frame: map', 'frame: map\ndatum: {}',
     'datum.plane (line 3)', 'is missing'),
    ('frame: map', 'frame: map\nhold_on_disturbance: "yes"',
     'hold_on_disturbance (line 3)', "must be true or false, not the text 'yes'"),
    ('frame: map', 'frame: map\nwork_order: lift',
     'work_order (line 3)', "must be `lifts` or `segments`, not the text 'lift'"),
    ('frame: map', 'frame: map\nwork_order: 2',
     'work_order (line 3)', 'must be `lifts` or `segments`, not the number 2'),
    ('frame: map', 'frame: map\ncell_m: 0.001',
     'cell_m (line 3)', 'must be between 0.002 and 0.5 [m], not 0.001'),
    ('yard:', 'yard: []\nx:',
     'yard (line 21)', 'must be a mapping with keys (boundary,'),
    ('  boundary', '  keep_outs: {}\n  boundary',
     'yard.keep_outs (line 22)', 'must be a list of mappings, not a mapping with no keys'),
    ('  boundary', '  keep_outs: [1]\n  boundary',
     'yard.keep_outs[0] (line 22)',
     'must be a mapping with keys (name, polygon, ...), not the number 1'),
    ('  boundary', '  keep_outs: [{name: a, polygon: [[0, 0], [1, 0], [2, 0]]}]\n  boundary',
     'yard.keep_outs[0].polygon (line 22)', 'the polygon folds straight back'),
    ('  boundary', AREAS.replace('0.2', '0'),
     'yard.borrow_areas[0].max_cut_m (line 24)', 'must be more than 0'),
    ('frame: map', 'frame: map\nformat: 1',
     'format (line 3)', 'given twice; it is also on line 1'),
])
def test_one_wrong_value_is_one_fault(old, new, where, rule):
    found = faults_of(edited((old, new)))
    if new.endswith('x:'):  # the rest of the yard now hangs on an unknown key
        assert found.pop().startswith('x (line 22)')
    assert len(found) == 1, found
    assert found[0].startswith(f'{where}: {rule}'), found[0]


@pytest.mark.parametrize(('text', 'fault'), [
    ('', 'line 1: the file is empty'),
    ('- format: 1\n', 'line 1: must be a mapping with keys (format, frame, berms, ...), not a'),
    ('words\n', 'line 1: must be a mapping with keys (format, frame, berms, ...), not the text'),
    ('format: 1\n\tframe: map\n', 'line 2: a tab where YAML wants spaces'),
])
def test_what_is_no_mapping_is_one_fault(text, fault):
    found = faults_of(text)
    assert len(found) == 1
    assert found[0].startswith(fault)


def test_no_berm_at_all():
    start, end = TEXT.index('berms:'), TEXT.index('material:')
    assert faults_of(f'{TEXT[:start]}berms: []\n{TEXT[end:]}') == [
        'berms (line 3): needs at least 1 entry']


def test_all_faults_come_together_in_the_order_of_the_file():
    text = edited(
        ('frame: map', 'frame: 3'), ('side_slope_deg: 33', 'side_slope_deg: 40'),
        ('[[0, 0], [2, 0]]', '[[0, 0], [9, 0]]'), ('payload_kg: 8', 'payload: 8'),
        ('segment_length_m: 0.4', 'segment_length_m: 0.02'), ('run_up_m: 0.5', 'run_up_m: ten'))
    found = faults_of(text)
    assert [fault.split(': ')[0] for fault in found] == [
        'frame (line 2)', 'berms[0].centreline (line 5)', 'berms[0].side_slope_deg (line 7)',
        'berms[0].segment_length_m (line 8)', 'rover.payload_kg (line 14)',
        'rover.payload (line 18)', 'rover.run_up_m (line 20)']
