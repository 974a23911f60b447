# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""``berm-ledger check``."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
import re

from cli_kit import Outcome, ROOT, SITE
import pytest
import yaml

Call = Callable[..., Outcome]


SITES = sorted((ROOT / 'config').glob('*site.yaml'))


@pytest.mark.parametrize('path', SITES, ids=lambda path: path.name)
def test_sites_that_come_with_the_package_are_sound(call: Call, path: Path) -> None:
    done = call('check', path)
    assert (done.code, done.err) == (0, '')
    assert 'whole loads' in done.out


def test_short_sand_berm_takes_six_loads(call: Call, tmp_path: Path) -> None:
    # Common practice, no source: a berm 15 cm high and 75 cm long of sand at 1500 kg/m3 and 34
    # degrees takes about 50 kg, which is six loads of 8 kg.
    site = yaml.safe_load(SITE.read_text(encoding='utf-8'))
    site['berms'][0].update(
        centreline=[[0.0, -0.375], [0.0, 0.375]], crest_height_m=0.15, side_slope_deg=34)
    site['material'] = {'loose_density_kg_m3': 1500, 'repose_deg': 34}
    site['rover']['payload_kg'] = 8.0
    path = tmp_path / 'site.yaml'
    path.write_text(yaml.safe_dump(site), encoding='utf-8')
    done = call('check', path)
    total = done.out.splitlines()[-1]
    assert total.endswith(': 6 whole loads of 8 kg')
    assert float(total.split(' kg:')[0].split()[-1]) == pytest.approx(50.0, abs=3.0)


def test_all_faults_are_reported_with_their_lines(call: Call, tmp_path: Path) -> None:
    text, count = re.subn(
        'payload_kg: [0-9.]+', 'payload_kg: heavy', SITE.read_text(encoding='utf-8'))
    assert count == 1
    path = tmp_path / 'site.yaml'
    path.write_text(text.replace('format: 1', 'format: 2'), encoding='utf-8')
    done = call('check', path)
    assert (done.code, done.out) == (2, '')
    lines = done.err.splitlines()
    assert lines[0] == f'berm-ledger: {path}: 2 faults in this site file'
    assert [line.split(' (line ')[0] for line in lines[1:]] == ['  format', '  rover.payload_kg']


@pytest.mark.parametrize(('content', 'text'), [
    (b'', 'site.yaml'),
    (b'\xff\xfe', 'UTF-8'),
    (b'format: [1', 'line 1'),
    (b'- a list', 'site.yaml'),
])
def test_file_that_is_no_site_is_one_line(
        call: Call, tmp_path: Path, content: bytes, text: str) -> None:
    path = tmp_path / 'site.yaml'
    path.write_bytes(content)
    assert text in call('check', path).complaint


def test_missing_file_and_folder_are_one_line(call: Call, tmp_path: Path) -> None:
    assert 'nowhere.yaml: cannot be read: No such file' in call('check', 'nowhere.yaml').complaint
    assert 'cannot be read: Is a directory' in call('check', tmp_path).complaint


@pytest.mark.parametrize(('tolerance_m', 'noted'), [(0.01, True), (0.04, False)])
def test_a_load_too_big_for_the_tolerance_is_noted(
        call: Call, tmp_path: Path, tolerance_m: float, noted: bool) -> None:
    site = yaml.safe_load(SITE.read_text(encoding='utf-8'))
    site['berms'][0]['height_tolerance_m'] = tolerance_m
    path = tmp_path / 'site.yaml'
    path.write_text(yaml.safe_dump(site), encoding='utf-8')
    done = call('check', path)
    assert done.code == 0
    # After the two lines on frame and soil, and wrapped.
    assert done.out.splitlines()[2].startswith('note: berm ') is noted
    assert ('more than its tolerance of 10 mm' in ' '.join(done.out.split())) is noted


@pytest.mark.parametrize(('side_m', 'noted'), [(0.3, True), (0.8, False)])
def test_a_borrow_area_without_a_lane_is_noted(
        call: Call, tmp_path: Path, side_m: float, noted: bool) -> None:
    site = yaml.safe_load(SITE.read_text(encoding='utf-8'))
    assert site['rover']['drum_width_m'] == 0.36
    area = site['yard']['borrow_areas'][0]
    x, y = area['polygon'][0]
    area['polygon'] = [[x, y], [x + side_m, y], [x + side_m, y + side_m], [x, y + side_m]]
    path = tmp_path / 'site.yaml'
    path.write_text(yaml.safe_dump(site), encoding='utf-8')
    done = call('check', path)
    assert done.code == 0
    said = f'note: borrow area {area["name"]}: no lane fits into it, as wide as the drum (0.36 m)'
    assert (said in ' '.join(done.out.split())) is noted


def test_a_crest_that_begins_under_a_higher_one_is_noted(call: Call, tmp_path: Path) -> None:
    site = yaml.safe_load(SITE.read_text(encoding='utf-8'))
    low = {**site['berms'][0], 'name': 'stub', 'crest_height_m': 0.08,
           'centreline': [[1.45, 0.2], [0.45, 0.2]]}
    site['berms'].append(low)
    path = tmp_path / 'site.yaml'
    path.write_text(yaml.safe_dump(site), encoding='utf-8')
    done = call('check', path)
    assert done.code == 0
    assert "note: berm 'stub': from 0.01 to 0.1" in ' '.join(done.out.split())
