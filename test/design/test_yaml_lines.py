# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""YAML with lines: values as a reader would take them, and one clear error for the rest."""

import math
import re

from berm_ledger.design import yaml_lines
from berm_ledger.design.yaml_lines import Item, item_from_text, NUMBER, YamlError
from hypothesis import given
from hypothesis import strategies as st
import pytest
import yaml


def plain(item):
    """Return the value without its lines."""
    if isinstance(item.value, dict):
        return {key: plain(part) for key, part in item.value.items()}
    if isinstance(item.value, list):
        return [plain(part) for part in item.value]
    return item.value


def value_of(text):
    item, faults = item_from_text(f'x: {text}\n')
    assert faults == ()
    return item.value['x'].value


def error_of(text):
    with pytest.raises(YamlError) as caught:
        item_from_text(text)
    return str(caught.value)


def test_lines_are_those_of_keys_and_of_list_entries():
    item, faults = item_from_text('a: 1\nb:\n  c:\n    - 2\n    - [3,\n       4]\n')
    assert faults == ()
    inner = item.value['b'].value['c']
    assert item.value['a'] == Item(1, 1)
    assert inner.line == 3
    assert [part.line for part in inner.value] == [4, 5]
    assert [part.line for part in inner.value[1].value] == [5, 6]


@pytest.mark.parametrize(('text', 'value'), [
    ('1', 1), ('-2', -2), ('0.25', 0.25), ('.5', 0.5), ('5.', 5.0), ('+1.5', 1.5), ('0', 0),
    ('1e3', 1000.0), ('1.0e-2', 0.01), ('true', True), ('no', False), ('~', None), ('', None),
    ('null', None), ('word', 'word'), ("'1'", '1'), ('"true"', 'true'),
    ('2026-01-01', '2026-01-01'),
    ('010', '010'), ('0x1F', '0x1F'), ('1:30', '1:30'), ('1_000', '1_000'), ('-.inf', -math.inf),
    ('1e999', math.inf), ('"a # b"', 'a # b'), ('caf\u00e9', 'caf\u00e9'),
])
def test_scalars(text, value):
    found = value_of(text)
    assert found == value
    assert type(found) is type(value)


def test_nan_is_a_number():
    assert math.isnan(value_of('.nan'))


@given(st.recursive(
    st.none() | st.booleans() | st.integers(-10**6, 10**6) | st.floats(-1e6, 1e6)
    | st.text(st.characters(codec='utf-8', exclude_categories=['Cc', 'Cs']), max_size=8).filter(
        lambda text: not NUMBER.fullmatch(text)),  # PyYAML leaves 1e3 bare as a text
    lambda inner: st.lists(inner, max_size=3)
    | st.dictionaries(st.from_regex('[a-z]{1,6}_m', fullmatch=True), inner, max_size=3),
    max_leaves=10))
def test_what_pyyaml_writes_comes_back(value):
    item, faults = item_from_text(yaml.safe_dump({'x': value}, allow_unicode=True))
    assert faults == ()
    assert plain(item) == {'x': value}


@pytest.mark.parametrize(('text', 'match'), [
    ('', 'line 1: the file is empty'),
    ('# only a comment\n', 'line 1: the file is empty'),
    ('a: 1\nb:\n\t- 2\n', 'line 3: a tab where YAML wants spaces'),
    ('a: [1, 2\nb: 3\n', 'line 2: not YAML'),
    ('a: "open\n', 'line 2: not YAML'),
    ('a: 1\n---\nb: 2\n', 'line 2: a second document starts here'),
    ('a: &x [1]\nb: *x\n', 'line 2: not YAML: alias \\*x: write the value out'),
    ('a: &x [*x]\n', 'line 1: not YAML: alias \\*x'),
    ('a: *nowhere\n', 'line 1: not YAML: alias \\*nowhere'),
    ('a: 1\nb: \x07\n', 'line 2: character .* has no place in a text file'),
    ('a: ' + '[' * 5000, 'line 1: not YAML: more than 12 levels of nesting'),
    ('a: {' * 5000, 'line 1: not YAML: more than 12 levels of nesting'),
    ('%YAML 3.0\n---\na: 1\n', 'line 1: not YAML'),
    ('a: !!python/object/apply:os.system [ls]\n---\n', 'line 2: a second document'),
])
def test_what_is_not_yaml_is_one_fault(text, match):
    assert re.search(match, error_of(text))


def test_a_flood_of_values_is_cut_short(monkeypatch):
    monkeypatch.setattr(yaml_lines, 'MAX_VALUES', 50)
    # The file, the key, the list and its numbers.
    assert value_of(f'[{", ".join("1" * 46)}]')
    assert error_of(f'x: [{", ".join("1" * 48)}]') == 'line 1: not YAML: more than 50 values'


def test_an_alias_bomb_goes_off_nowhere():
    lines = ['a0: &a0 [x, x, x, x, x, x, x, x, x]']
    lines += [f'a{k}: &a{k} [{", ".join([f"*a{k - 1}"] * 9)}]' for k in range(1, 10)]
    assert 'line 2: not YAML: alias *a0' in error_of('\n'.join(lines))


@pytest.mark.parametrize(('text', 'fault'), [
    ('a: 1\nb: 2\na: 3\n', 'a (line 3): given twice; it is also on line 1'),
    ('b:\n  a: 1\n  a: 1\n', 'b.a (line 3): given twice; it is also on line 2'),
    ('a: [{b: 1, b: 2}]\n', 'a[0].b (line 1): given twice'),
    ('a: !!python/object/apply:os.system [ls]\n', "a (line 1): tags such as '!!python/object"),
    ('a: !mine 1\n', "a (line 1): tags such as '!mine' are not used here"),
    ('a: 1\n<<: {b: 1}\n', '<< (line 2): merge keys are not used here'),
    ('? [1, 2]\n: 3\n', 'line 1: a key must be a word'),
])
def test_what_leaves_the_rest_readable_is_noted(text, fault):
    _, faults = item_from_text(text)
    assert [str(found)[:len(fault)] for found in faults] == [fault]


def test_a_key_given_twice_counts_the_first_time():
    item, _ = item_from_text('a: 1\na: 2\n')
    assert plain(item) == {'a': 1}
