# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A replay of a whole simulated build against its truth: the figures that were promised."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

from berm_ledger.cli import main
import numpy as np
import pytest

SITE = Path(__file__).resolve().parents[2] / 'config' / 'shelter_site.yaml'
# Promised for six segments with cells of 20 mm, 4 mm of white and 2 mm of correlated noise, 4 mm
# of placement jitter, 6 % of holes and spikes: the preset `field`.
MOST_HEIGHT_ERROR_M = 0.005
MOST_VOLUME_ERROR = 0.05

Table = list[dict[str, str]]
Scored = tuple[Table, Table, dict[str, Any], dict[str, Any]]


@pytest.fixture(scope='module')
def scored(tmp_path_factory: pytest.TempPathFactory) -> Scored:
    """Return segments, events and summary of a replay, and the truth of its bag."""
    folder = tmp_path_factory.mktemp('scored')
    bag, out = folder / 'bag', folder / 'out'
    assert main(['simulate', str(SITE), '--out', str(bag), '--seed', '7', '--noise', 'field']) == 0
    assert main(['replay', str(bag), '--site', str(SITE), '--out', str(out)]) == 0
    tables = []
    for name in ('segments.csv', 'events.csv'):
        with open(out / name, encoding='utf-8', newline='') as file:
            tables.append(list(csv.DictReader(file)))
    summary, truth = (json.loads(path.read_text(encoding='utf-8')) for path in (
        out / 'summary.json', folder / 'bag.truth.json'))
    return tables[0], tables[1], summary, truth


def test_heights_are_true(scored: Scored) -> None:
    segments, _, _, truth = scored
    assert len(segments) == len(truth['segments']) == 6
    booked = np.array([float(row['height_m']) for row in segments])
    true = np.array([row['height_m'] for row in truth['segments']])
    assert np.abs(booked - true).mean() <= MOST_HEIGHT_ERROR_M
    # It was built, so that there is something to be right about.
    assert true.min() > 0.1


def test_stated_error_of_the_heights_is_one(scored: Scored) -> None:
    segments, _, _, truth = scored
    ratios = np.array([
        (float(row['height_m']) - fact['height_m']) / float(row['height_se_m'])
        for row, fact in zip(segments, truth['segments'])])
    # Root mean square of six standard normal numbers: above 2 in 1 of 2000 cases.
    assert np.sqrt(np.mean(ratios ** 2)) < 2.0


def test_placed_volume_is_true(scored: Scored) -> None:
    segments, _, summary, truth = scored
    assert summary['placed_volume_m3'] == pytest.approx(truth['placed_m3'], rel=MOST_VOLUME_ERROR)
    assert sum(float(row['deficit_volume_m3']) for row in segments) == pytest.approx(
        sum(row['design_m3'] - row['footprint_m3'] for row in truth['segments']),
        abs=MOST_VOLUME_ERROR * truth['placed_m3'])


def test_every_announced_dump_is_booked_where_it_fell(scored: Scored) -> None:
    segments, events, summary, truth = scored
    dumps = [row for row in events if row['kind'] == 'dump']
    assert len(dumps) == summary['dumps'] == len(truth['dumps']) > 15
    assert sum(int(row['dumps_made']) for row in segments) == len(dumps)
    for row, fact in zip(dumps, truth['dumps']):
        assert abs(int(row['segment']) - fact['segment']) <= 1
        assert float(row['volume_m3']) == pytest.approx(fact['volume_m3'], rel=0.3)
    mean_m3 = np.mean([fact['volume_m3'] for fact in truth['dumps']])
    assert summary['yield_m3'] == pytest.approx(mean_m3, rel=0.05)


def test_nothing_is_booked_that_did_not_happen(scored: Scored) -> None:
    _, events, _, truth = scored
    assert truth['intrusions'] == []
    assert {row['kind'] for row in events} <= {'datum', 'dump', 'at_grade', 'map_shift'}
