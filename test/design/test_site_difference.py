# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What two site files say differently: every key of the table, and every way to say the same."""

from __future__ import annotations

import json
from typing import Any

from berm_ledger.design.schema import Key, TABLES
from berm_ledger.design.site_difference import Difference, differences
from berm_ledger.design.site_file import site_from_text
from berm_ledger.errors import SiteFileError
import pytest
import yaml

# Every key once, those of a berm on a line and on an arc.
FULL = """\
format: 1
frame: map
berms:
  - name: west
    centreline: [[0, 0], [2, 0], [2, 1]]
    closed: false
    crest_height_m: 0.15
    crest_width_m: 0.1
    side_slope_deg: 33
    segment_length_m: 0.4
    height_tolerance_m: 0.02
    line_tolerance_m: 0.06
  - name: east
    arc: {centre: [1, 1], radius_m: 0.8, from_deg: 90, sweep_deg: -180}
    crest_level_m: 1.2
    side_slope_deg: 30
    segment_length_m: 0.4
    height_tolerance_m: 0.02
    line_tolerance_m: 0.06
datum: {plane: [0.01, -0.02, 1.0]}
material: {loose_density_kg_m3: 1500, repose_deg: 33, swell: 1.2}
rover:
  footprint: [[-0.4, -0.3], [0.4, -0.3], [0.4, 0.3], [-0.4, 0.3]]
  drop_point: [0.75, 0.0]
  drum_width_m: 0.36
  payload_kg: 8
  turning_radius_m: 1.0
  run_up_m: 0.5
  clearance_m: 0.04
  drum_current: {empty_a: 0.5, full_a: 3.0}
yard:
  boundary: [[-9, -9], [9, -9], [9, 9], [-9, 9]]
  keep_outs:
    - {name: mast, polygon: [[4, 1], [5, 1], [5, 2]]}
    - {name: tank, polygon: [[6, 1], [7, 1], [7, 2]]}
  borrow_areas:
    - {name: pit, polygon: [[-3, -3], [-1, -3], [-1, -1]], max_cut_m: 0.2}
hold_on_disturbance: true
work_order: lifts
cell_m: 0.02
site_from_map: {x_m: 0.5, y_m: -0.5, yaw_deg: 12.5}
"""
ARC = '    arc: {centre: [1, 1], radius_m: 0.8, from_deg: 90, sweep_deg: -180}'
MAST = '    - {name: mast, polygon: [[4, 1], [5, 1], [5, 2]]}\n'
PLACES: dict[str, tuple[Any, ...]] = {
    'site': (), 'transform': ('site_from_map',), 'berm': ('berms', 0), 'arc': ('berms', 1, 'arc'),
    'plane': ('datum',), 'material': ('material',), 'rover': ('rover',),
    'drum_current': ('rover', 'drum_current'), 'yard': ('yard',),
    'keep_out': ('yard', 'keep_outs', 0), 'borrow_area': ('yard', 'borrow_areas', 0)}
# What may be changed while books are kept: only plans, views and holds to come rest on it. A key
# that is new is not among these; put it here, and say so to ``schema``, once that is certain.
FREE = {
    ('site', 'hold_on_disturbance'), ('site', 'work_order'), ('material', 'repose_deg'),
    ('rover', 'footprint'), ('rover', 'turning_radius_m'), ('rover', 'run_up_m'),
    ('rover', 'clearance_m'), ('yard', 'boundary'), ('yard', 'keep_outs'),
    ('keep_out', 'name'), ('keep_out', 'polygon')}
KEYS = [(name, key) for name, keys in TABLES.items() for key in keys]
# One value only is allowed.
ALONE = ('site', 'format')


def text_of(values: dict[str, Any]) -> str:
    # Without aliases, which a site file may not have.
    return yaml.safe_dump(json.loads(json.dumps(values)), sort_keys=False)


def found_in(was: str, now: str) -> tuple[Difference, ...]:
    return differences(was, 'was.yaml', now, 'now.yaml')


def changed(*changes: tuple[str, str]) -> str:
    text = FULL
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return text


def another(key: Key, value: Any) -> Any:
    """Return another value that the key may have; None to leave it out."""
    if key.kind == 'number':
        return value + 0.01
    if key.kind == 'text':
        return f'{value}2'
    if key.kind == 'choice':
        return next(word for word in key.choices if word != value)
    if key.kind == 'truth':
        return not value
    if key.kind in ('point', 'triple'):
        return [value[0] + 0.01, *value[1:]]
    if key.kind in ('points', 'line'):
        return [*value[:-1], [value[-1][0] + 0.01, value[-1][1]]]
    if key.kind == 'tables':
        return [*value, {**value[0], 'name': 'one more'}]
    return None


def path_of(name: str, key: Key) -> str:
    parts = [f'[{part}]' if isinstance(part, int) else f'.{part}'
             for part in (*PLACES[name], key.name)]
    return ''.join(parts).removeprefix('.')


def test_the_text_holds_every_key() -> None:
    assert site_from_text(FULL, 'full.yaml').berms[1].crest_level_m == 1.2
    for name, key in KEYS:
        values = yaml.safe_load(FULL)
        for part in PLACES[name]:
            values = values[part]
        there = key.name in values or (name, key.name) in (
            ('berm', 'arc'), ('berm', 'crest_level_m'))
        assert there, (name, key.name)


def test_what_may_be_changed_is_just_this() -> None:
    assert {(name, key.name) for name, key in KEYS if not key.fixed} == FREE


@pytest.mark.parametrize(
    ('name', 'key'), [item for item in KEYS if (item[0], item[1].name) != ALONE],
    ids=lambda value: getattr(value, 'name', value))
def test_a_change_of_any_key_is_found_and_weighed(name: str, key: Key) -> None:
    values = yaml.safe_load(FULL)
    place = values
    for part in PLACES[name]:
        place = place[part]
    if name == 'berm' and key.name in ('arc', 'crest_level_m'):
        place = values['berms'][1]
    was = place[key.name]
    now = another(key, was)
    if now is None:
        del place[key.name]
        # A mapping that may not be left out is at fault; its keys have tests of their own.
        if (name, key.name) in (('site', 'material'), ('site', 'rover'), ('site', 'yard')):
            with pytest.raises(SiteFileError, match=f'{key.name} .* is missing'):
                found_in(FULL, text_of(values))
            return
    else:
        place[key.name] = now

    found = found_in(FULL, text_of(values))

    assert found
    assert {difference.fixed for difference in found} == {(name, key.name) not in FREE}
    if key.kind in ('number', 'truth', 'choice', 'point', 'triple') and place is not (
            values['berms'][1]):
        assert found == (Difference(path_of(name, key), was, now, (name, key.name) not in FREE),)


@pytest.mark.parametrize('text', [
    f'# a comment\n\n{FULL}',
    text_of(dict(reversed(yaml.safe_load(FULL).items()))),
    changed(('crest_height_m: 0.15', 'crest_height_m: 1.50e-1'), ('radius_m: 0.8', 'radius_m: .8'),
            ('payload_kg: 8', 'payload_kg: 8.0')),
    changed(('frame: map', 'frame: "/map"'), ('    closed: false\n', '')),
    changed((ARC, ARC.replace('arc: {centre: [1, 1], ', 'centreline: {arc: {').replace(
        '}', ', centre: [1, 1]}}'))),
    changed((MAST, ''), ('  borrow_areas', f'{MAST}  borrow_areas')),
    changed(('hold_on_disturbance: true\n', ''), ('work_order: lifts\n', '')),
], ids=['comment', 'order', 'numbers', 'frame and closed', 'arc', 'keep-outs', 'defaults'])
def test_what_means_the_same_makes_no_difference(text: str) -> None:
    assert text != FULL
    assert found_in(FULL, text) == ()


def test_a_full_turn_is_closed_whether_it_is_said_or_not() -> None:
    turn = changed(('sweep_deg: -180}', 'sweep_deg: 360}'))
    said = turn.replace('sweep_deg: 360}', 'sweep_deg: 360}\n    closed: true')
    assert found_in(turn, said) == ()


def test_a_datum_of_another_kind() -> None:
    found = found_in(FULL, changed(('datum: {plane: [0.01, -0.02, 1.0]}', 'datum: survey')))
    assert [(d.key, d.was, d.now, d.fixed) for d in found] == [
        ('datum.plane', [0.01, -0.02, 1.0], None, True), ('datum', None, 'survey', True)]


def test_of_a_long_line_the_points_that_differ_are_told() -> None:
    found = found_in(FULL, changed(('[[0, 0], [2, 0], [2, 1]]', '[[0, 0], [2, 0.5], [2, 1]]')))
    assert [d.text('in the books', 'now') for d in found] == [
        'berms[0].centreline[1]: [2.0, 0.0] in the books, [2.0, 0.5] now']


def test_keep_outs_are_told_by_name_and_long_ones_are_cut() -> None:
    rock = '    - {name: rock, polygon: [[3.25, 1], [4.25, 1], [4.25, 2], [3.25, 2], [3, 1.5]]}\n'
    found = found_in(FULL, changed(('  keep_outs:\n', f'  keep_outs:\n{rock}')))
    said = ('yard.keep_outs[rock].polygon: none before, [[3.25, 1.0], [4.25, 1.0], [4.25, 2.0], '
            '[3.25, 2.0], [3.0, ... from now on')
    assert [d.text('before', 'from now on') for d in found] == [said]
    assert found[0].now == [[3.25, 1.0], [4.25, 1.0], [4.25, 2.0], [3.25, 2.0], [3.0, 1.5]]


def test_one_more_berm_is_told_with_all_its_keys() -> None:
    values = yaml.safe_load(FULL)
    values['berms'].append(values['berms'][0] | {'name': 'north'})
    found = found_in(FULL, text_of(values))
    assert found[0] == Difference('berms[2].name', None, 'north', True)
    assert len(found) == len(values['berms'][0])


@pytest.mark.parametrize(('was', 'now', 'source'), [
    ('format: 2\n', FULL, 'was.yaml'), (FULL, '{', 'now.yaml')])
def test_a_text_that_cannot_be_read_is_told_by_its_name(was: str, now: str, source: str) -> None:
    with pytest.raises(SiteFileError) as caught:
        found_in(was, now)
    assert caught.value.source == source


def test_rules_across_keys_do_not_keep_books_from_being_compared() -> None:
    """A file that a later rule refuses must still be told from the one that mends it."""
    broken = changed(('boundary: [[-9, -9], [9, -9], [9, 9], [-9, 9]]',
                      'boundary: [[-9, -9], [9, -9], [9, 0], [-9, 0]]'))
    with pytest.raises(SiteFileError, match='boundary'):
        site_from_text(broken, 'broken.yaml')
    assert {d.key for d in found_in(broken, FULL)} == {'yard.boundary[2]', 'yard.boundary[3]'}
