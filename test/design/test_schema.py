# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The table of keys is whole."""

from pathlib import Path
import re

from berm_ledger.design.schema import Key, TABLES
import pytest

CONFIG = Path(__file__).resolve().parents[2] / 'config'
KINDS = {'number', 'whole', 'text', 'choice', 'truth', 'point', 'points', 'triple', 'table',
         'tables', 'line', 'datum'}
KEYS = [(name, key) for name, keys in TABLES.items() for key in keys]


@pytest.mark.parametrize(('name', 'key'), KEYS, ids=lambda value: getattr(value, 'name', value))
def test_every_key_is_described(name: str, key: Key) -> None:
    assert key.kind in KINDS
    assert key.text
    assert key.table in TABLES or key.kind not in ('table', 'tables')
    assert (key.kind == 'choice') == bool(key.choices)
    assert key.unit or key.kind not in ('number', 'point', 'points', 'triple')
    # The name says the unit, and the unit says no other.
    for ending, unit in (('_m', 'm'), ('_deg', 'deg'), ('_kg', 'kg'), ('_kg_m3', 'kg/m3')):
        if key.name.endswith(ending):
            assert key.unit == unit
    if isinstance(key.default, float):
        assert key.low <= key.default <= key.high


@pytest.mark.parametrize('name', TABLES)
def test_no_key_twice_in_a_table(name: str) -> None:
    names = [key.name for key in TABLES[name]]
    assert len(names) == len(set(names))


def test_the_site_of_the_demo_shows_every_key() -> None:
    # The README sends people there for all of them.
    text = (CONFIG / 'demo_site.yaml').read_text(encoding='utf-8')
    assert [key.name for _, key in KEYS if not re.search(rf'\b{key.name}:', text)] == []
