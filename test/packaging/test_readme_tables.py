# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What the README lists of files, kinds, keys and parameters is what the code has, all of it."""

from __future__ import annotations

from pathlib import Path
import re

from berm_ledger.books import Flag
from berm_ledger.books.entries import KINDS
from berm_ledger.design.schema import Key, TABLES
from berm_ledger.geometry import Pose2
from berm_ledger.offline.tables import (
    EVENT_COLUMNS,
    EVENT_KINDS,
    SEGMENT_COLUMNS,
    SUMMARY_KEYS,
)
from berm_ledger.ros.answers import target_values
from berm_ledger.ros.messages.diagnostics import flag_status
from berm_ledger.ros.parameters import PARAMETERS, ParameterSpec
from berm_ledger.targeting import NoTarget, PLAN_COLUMNS, Target
import pytest

README = (Path(__file__).resolve().parents[2] / 'README.md').read_text(encoding='utf-8')
FILES, = re.findall(r'^## Files\n(.*?)^## ', README, re.DOTALL | re.MULTILINE)
PARAMETER_LINES, = re.findall(r'^### Parameters\n(.*?)^## ', README, re.DOTALL | re.MULTILINE)
LEFT_OUT, = re.findall(r'^May be left out: (.*?)\n\n', README, re.DOTALL | re.MULTILINE)
OPTIONAL = [key for keys in TABLES.values() for key in keys
            if not key.is_required and key.name not in (
                'centreline', 'arc', 'crest_height_m', 'crest_level_m')]


def row(name: str) -> str:
    """Return what the table of files says of a file."""
    return next(line.split(' | ')[1] for line in FILES.splitlines()
                if line.startswith(f'| `{name}`'))


def test_columns_and_keys_of_the_files() -> None:
    assert row('plan.csv').partition(';')[0].split(', ') == list(PLAN_COLUMNS)
    assert row('segments.csv').rstrip(' |').split(', ') == list(SEGMENT_COLUMNS)
    columns, kinds = row('events.csv').split('; kinds ')
    assert columns.split(', ') == list(EVENT_COLUMNS)
    assert re.findall(r'`(\w+)`', kinds) == list(EVENT_KINDS)
    keys = re.findall(r'[a-z_0-9]+', row('summary.json').partition(';')[0].replace('`', ''))
    assert [key for key in keys if key in SUMMARY_KEYS] == list(SUMMARY_KEYS)


@pytest.mark.parametrize('kind', KINDS)
def test_every_kind_of_entry_is_named(kind: str) -> None:
    assert f'`{kind}`' in FILES


@pytest.mark.parametrize('key', OPTIONAL, ids=lambda key: key.name)
def test_what_may_be_left_out_is_listed_with_what_holds_then(key: Key) -> None:
    told, = re.findall(rf'`{key.name}` \(([^)]*)', LEFT_OUT)
    default = {'datum': 'survey', 'closed': 'false'}.get(key.name, key.default)
    if isinstance(default, bool):
        assert told == str(default).lower()
    elif isinstance(default, str):
        assert default in told
    elif isinstance(default, float):
        assert told.startswith(f'{default:g}')
    else:
        assert told.startswith(('none', 'no '))


@pytest.mark.parametrize('spec', PARAMETERS, ids=lambda spec: spec.name)
def test_every_parameter_is_told_with_its_default(spec: ParameterSpec) -> None:
    line, = re.findall(rf'^\| `{spec.name}` \|.*$', PARAMETER_LINES, re.MULTILINE)
    nodes, default, text = [part.strip() for part in line.strip('|').split('|')[1:]]
    assert nodes.split(', ') == list(spec.nodes)
    told = str(spec.default).lower() if isinstance(spec.default, bool) else str(spec.default)
    assert default == (f'`{told}`' if told else 'required' if spec.required else 'empty')
    assert text.startswith(spec.description)
    for word in (spec.rule, '' if spec.read_only else 'May be changed at run time.'):
        assert spec.required or word.lower() in text.lower()


def test_the_values_of_flags_and_targets_are_named() -> None:
    flagged = next(line for line in README.splitlines() if line.startswith('| `rework` |'))
    flag = Flag('west', 1, 0, 0.001, 0.0, 0.4, 1)
    assert [key for key in flag_status(flag).values if f'`{key}`' not in flagged] == []
    told = README.partition('\nValues of `target`: ')[2].partition('\n\n')[0]
    pose = Pose2(0.0, 0.0, 0.0)
    keys = {**target_values(Target('west', 0, 1, pose, pose, (0.7, 0.0), 0.2, 0.0, 1)),
            **target_values(NoTarget('look', 'look there', 'west', 1, pose))}
    assert [key for key in keys if f'`{key}`' not in told] == []
