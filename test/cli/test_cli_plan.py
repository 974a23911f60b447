# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""``berm-ledger plan``: the order of work as a table."""

from __future__ import annotations

from collections.abc import Callable
import csv
import math
from pathlib import Path
from typing import Any

from berm_ledger.books.journal import Journal
from berm_ledger.commands.plan import rows_to_plan
from berm_ledger.design import design_quantities
from berm_ledger.geometry import Pose2, StampedPose
from berm_ledger.offline.opened import open_books
from berm_ledger.pipeline import Pipeline
from berm_ledger.site_source import load_site, text_digest
from berm_ledger.targeting.standing import standing_segments
from cli_kit import Outcome, SITE
import pytest
import yaml

Call = Callable[..., Outcome]
# Named one by one in the design, for other people's scripts.
COLUMNS = [
    'step', 'berm', 'segment', 'load', 'drop_x_m', 'drop_y_m', 'pose_x_m', 'pose_y_m', 'yaw_rad',
    'runup_x_m', 'runup_y_m', 'haul_m']


def plan(path: str) -> list[dict[str, str]]:
    with open(path, encoding='utf-8', newline='') as file:
        return list(csv.DictReader(file))


def changed(path: Path, **changes: Any) -> Path:
    """Write the demo's site with other values for the first berm, the rover or the top."""
    site = yaml.safe_load(SITE.read_text(encoding='utf-8'))
    for owner in (site['berms'][0], site['rover'], site):
        owner.update({key: value for key, value in changes.items() if key in owner})
    if 'crest_level_m' in changes:
        del site['berms'][0]['crest_height_m']
        site['berms'][0]['crest_level_m'] = changes['crest_level_m']
    path.write_text(yaml.safe_dump(site), encoding='utf-8')
    return path


def loads_of_design() -> float:
    """Return design mass over payload: whole loads may differ from it, but not by much."""
    site = load_site(SITE).site
    return math.fsum(quantity.loads for _, quantity in design_quantities(site))


def test_bare_site_takes_the_loads_of_its_design(call: Call) -> None:
    done = call('plan', SITE, '--out', 'plan.csv')
    assert (done.code, done.err) == (0, '')
    rows = plan('plan.csv')
    assert list(rows[0]) == COLUMNS
    assert [int(row['step']) for row in rows] == list(range(1, len(rows) + 1))
    assert len(rows) == pytest.approx(loads_of_design(), abs=2.0)
    assert {row['segment'] for row in rows} == set('123456')
    assert done.out.startswith(f'{len(rows)} loads on 6 segments')
    assert done.out.endswith('written to plan.csv\n')


def test_soil_that_two_berms_share_is_planned_once(call: Call, tmp_path: Path) -> None:
    site = yaml.safe_load(SITE.read_text(encoding='utf-8'))
    berm = site['berms'][0]
    site['berms'] = [
        {**berm, 'name': name, 'centreline': line} for name, line in (
            ('bar', [[1.5, -1.2], [1.5, 1.2]]), ('stem', [[1.5, 0.0], [0.3, 0.0]]))]
    site['rover']['drop_point'] = [0.85, 0.0]
    path = tmp_path / 'site.yaml'
    path.write_text(yaml.safe_dump(site), encoding='utf-8')
    assert call('plan', path, '--out', 'plan.csv').code == 0
    rows = plan('plan.csv')
    for segment, quantity in design_quantities(load_site(path).site):
        planned = sum((row['berm'], row['segment']) == (segment.berm, str(segment.number))
                      for row in rows)
        assert planned == pytest.approx(quantity.loads, abs=1.0)


def test_loads_of_a_segment_are_counted_and_land_before_the_robot(call: Call) -> None:
    call('plan', SITE, '--out', 'plan.csv')
    rover = load_site(SITE).site.rover
    for segment in '123456':
        loads = [int(row['load']) for row in plan('plan.csv') if row['segment'] == segment]
        assert loads == list(range(1, len(loads) + 1))
    for row in plan('plan.csv'):
        x, y, yaw = (float(row[name]) for name in ('pose_x_m', 'pose_y_m', 'yaw_rad'))
        ahead, left = rover.drop_point_xy
        assert float(row['drop_x_m']) == pytest.approx(
            x + ahead * math.cos(yaw) - left * math.sin(yaw), abs=2e-5)
        assert float(row['drop_y_m']) == pytest.approx(
            y + ahead * math.sin(yaw) + left * math.cos(yaw), abs=2e-5)
        run_up = math.hypot(x - float(row['runup_x_m']), y - float(row['runup_y_m']))
        assert run_up == pytest.approx(rover.run_up_m, abs=2e-5)


def test_books_say_what_is_still_to_be_done(call: Call, site: Path, replayed: Path) -> None:
    done = call('plan', site, '--books', replayed, '--out', 'plan.csv')
    assert (done.code, done.err) == (0, '')
    asked = {str(row.segment): row.dumps_remaining for row in open_books(replayed).books.rows}
    rows = plan('plan.csv')
    assert {number: sum(row['segment'] == number for row in rows) for number in asked} == asked


def test_loads_from_before_the_survey_stand_in_the_way() -> None:
    """Books without a datum know what was dumped; heights and volumes are the design's."""
    site = load_site(SITE).site
    pipeline = Pipeline(site)
    bare = rows_to_plan(pipeline)
    drop_m = site.rover.drop_point_xy[0]
    x, y = site.berms[0].centreline.points_xy.mean(axis=0)
    pipeline.add_pose(StampedPose(10**12, site.frame, Pose2(x - drop_m, y, 0.0)))
    pipeline.add_dump(site.rover.payload_kg)
    assert pipeline.books.datum_seq is None
    rows = rows_to_plan(pipeline)
    assert [row.dumps_made for row in rows] == [row.dumps_made for row in pipeline.books.rows]
    assert sum(row.dumps_made for row in rows) == 1
    assert standing_segments(site, rows).sum() == 1
    assert [(row.target_height_m, row.target_volume_m3) for row in rows] == [
        (row.target_height_m, row.target_volume_m3) for row in bare]


def test_plan_is_replaced_and_the_same_again(call: Call) -> None:
    Path('plan.csv').write_text('old', encoding='utf-8')
    call('plan', SITE, '--out', 'plan.csv')
    first = Path('plan.csv').read_bytes()
    call('plan', SITE, '--out', 'plan.csv')
    assert Path('plan.csv').read_bytes() == first
    assert [path.name for path in Path().iterdir()] == ['plan.csv']


def test_what_cannot_be_served_is_said(call: Call, tmp_path: Path) -> None:
    # A load that lands so close that the robot would have to stand on the berm.
    front_m = float(load_site(SITE).site.rover.footprint.corners_xy[:, 0].max())
    path = changed(tmp_path / 'site.yaml', drop_point=[front_m + 0.01, 0.0])
    done = call('plan', path, '--out', 'plan.csv')
    assert done.code == 1
    assert 'Cannot be served: windward segment 1: ' in done.out
    assert plan('plan.csv') == []


def test_loads_that_nobody_can_dig_are_said(
    call: Call, site: Path, replayed: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Pipeline, 'next_lane', lambda pipeline: None)
    done = call('plan', site, '--books', replayed, '--out', 'plan.csv')
    assert done.code == 1
    assert 'Every lane of the borrow areas is closed' in done.out
    assert plan('plan.csv')


def test_books_of_another_site_are_one_line(call: Call, replayed: Path) -> None:
    complaint = call('plan', SITE, '--books', replayed, '--out', 'plan.csv').complaint
    assert "holds the books of another site ('site.yaml'), not those of" in complaint
    assert 'cell_m: 0.03 in the books, 0.015 now; what is booked rests on that' in complaint
    assert complaint.endswith('or name other books')
    assert list(Path().iterdir()) == []


def test_a_yard_that_was_changed_since_is_planned_in(
        call: Call, site: Path, replayed: Path) -> None:
    values = yaml.safe_load(site.read_text(encoding='utf-8'))
    wide = [list(corner) for corner in values['yard']['boundary']]
    values['yard']['keep_outs'] = [{'name': 'all of it', 'polygon': wide}]
    Path('edited.yaml').write_text(yaml.safe_dump(values), encoding='utf-8')
    before = (replayed / 'books.sqlite').read_bytes()
    done = call('plan', 'edited.yaml', '--books', replayed, '--out', 'plan.csv')
    assert (done.code, done.err) == (1, '')
    assert 'Cannot be served' in done.out
    assert (replayed / 'books.sqlite').read_bytes() == before


def test_books_whose_site_file_breaks_a_later_rule_are_planned_with_the_mended_one(
        call: Call, site: Path, replayed: Path) -> None:
    """As ledger and replay go on with them: the rule is that a berm lies inside the boundary."""
    values = yaml.safe_load(site.read_text(encoding='utf-8'))
    values['yard']['boundary'] = [[8, 8], [9, 8], [9, 9]]
    with Journal.read(replayed / 'books.sqlite') as kept:
        entries, surfaces = list(kept.entries()), kept.surfaces()
    text = yaml.safe_dump(values)
    with Journal.create('former.sqlite', text_digest(text), 'site.yaml', text) as former:
        former.append(entries, surfaces)
    done = call('plan', site, '--books', 'former.sqlite', '--out', 'plan.csv')
    assert (done.code, done.err) == (
        call('plan', site, '--books', replayed, '--out', 'same.csv').code, '')
    assert plan('plan.csv') == plan('same.csv')


def test_level_crest_needs_the_survey(call: Call, tmp_path: Path) -> None:
    height_m = load_site(SITE).site.berms[0].crest_height_m
    path = changed(tmp_path / 'site.yaml', crest_level_m=height_m)
    assert 'before the ground is surveyed' in call('plan', path, '--out', 'plan.csv').complaint
    # Over a given plane it is known: on level ground it is the same berm.
    changed(path, crest_level_m=height_m, datum={'plane': [0.0, 0.0, 0.0]})
    assert call('plan', path, '--out', 'plan.csv').code == 0
    assert len(plan('plan.csv')) == pytest.approx(loads_of_design(), abs=2.0)


def test_place_that_cannot_be_written_is_one_line(call: Call, tmp_path: Path) -> None:
    assert 'there is no folder deep' in call('plan', SITE, '--out', 'deep/plan.csv').complaint
    assert 'is a folder: name a file' in call('plan', SITE, '--out', tmp_path).complaint


def test_site_file_and_books_named_for_the_plan_are_not_written_over(
        call: Call, tmp_path: Path) -> None:
    site, books = tmp_path / 'site.yaml', tmp_path / 'books.sqlite'
    text = SITE.read_text()
    site.write_text(text)
    books.write_bytes(b'books')
    for path in (site, books):
        done = call('plan', site, '--out', path)
        assert f'{path} does not end in .csv' in done.complaint
    assert (site.read_text(), books.read_bytes()) == (text, b'books')


@pytest.mark.parametrize('name', ['arc', 'demo', 'ring', 'two_berms'])
def test_example_sites_can_be_served(call: Call, name: str) -> None:
    done = call('plan', SITE.with_name(f'{name}_site.yaml'), '--out', 'plan.csv')
    assert (done.code, done.err) == (0, '')
    assert len(plan('plan.csv')) > 10
