# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
YAML text as plain values that know the line they stand on.

Only what a settings file needs: mappings with text keys, lists, numbers, text, true and false.
Numbers are decimal; YAML 1.1's octal and base-60 numbers, tags, aliases and merge keys are
refused, because they hide what a reader of the file would not expect.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
import re
from typing import Any

import yaml
from yaml.composer import ComposerError
from yaml.nodes import MappingNode, Node, ScalarNode
from yaml.reader import ReaderError

# More levels and values than a site file has; what would take all memory is refused.
MAX_DEPTH = 12
MAX_VALUES = 100_000
NUMBER = re.compile(r'[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?')
NOT_FINITE = re.compile(r'[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)')
LEADING_ZERO = re.compile(r'[-+]?0\d')
STANDARD_TAG = 'tag:yaml.org,2002:'
TAGS = {STANDARD_TAG + word for word in (
    'null', 'bool', 'int', 'float', 'str', 'timestamp', 'map', 'seq', 'merge', 'value')}

Scalar = str | int | float | bool | None


@dataclass(frozen=True)
class Item:
    """
    One value of the file.

    Parameters
    ----------
    value : str, int, float, bool, None, list of Item or dict of str to Item
        What the file says.
    line : int
        Line it stands on, from 1; for the value of a key the line of the key.

    """

    value: Scalar | list[Item] | dict[str, Item]
    line: int


@dataclass(frozen=True)
class Fault:
    """
    One rule that the file breaks.

    Parameters
    ----------
    path : str
        Where, e.g. ``berms[0].side_slope_deg``; empty for the file as a whole.
    line : int
        Line in the file, from 1.
    rule : str
        What is wrong and what to do.

    """

    path: str
    line: int
    rule: str

    def __str__(self) -> str:
        """Return path, line and rule in one line."""
        where = f'{self.path} (line {self.line})' if self.path else f'line {self.line}'
        return f'{where}: {self.rule}'


class YamlError(Exception):
    """The text is not YAML that can be read; holds the one fault that stopped it."""

    def __init__(self, line: int, rule: str) -> None:
        """Keep the fault."""
        self.fault = Fault('', line, rule)
        super().__init__(str(self.fault))


class _Loader(yaml.SafeLoader):
    """A safe loader that stops at aliases, and at nesting and numbers no site file has."""

    depth = 0
    count = 0

    def compose_node(self, parent: Node | None, index: int) -> Node | None:
        """Compose one node; an alias may stand for a tree of any size, so there are none."""
        peek: Callable[[], Any] = self.peek_event
        event = peek()
        is_alias = isinstance(event, yaml.AliasEvent)
        if is_alias:
            msg = f'alias *{event.anchor}: write the value out, aliases are not used here'
            raise ComposerError(None, None, msg, event.start_mark)
        if self.depth >= MAX_DEPTH:
            msg = f'more than {MAX_DEPTH} levels of nesting'
            raise ComposerError(None, None, msg, event.start_mark)
        self.count += 1
        if self.count > MAX_VALUES:
            msg = f'more than {MAX_VALUES} values'
            raise ComposerError(None, None, msg, event.start_mark)
        self.depth += 1
        node: Node | None = super().compose_node(parent, index)
        self.depth -= 1
        return node


def item_from_text(text: str) -> tuple[Item, tuple[Fault, ...]]:
    """
    Read YAML text.

    Parameters
    ----------
    text : str
        One YAML document.

    Returns
    -------
    tuple
        The value, and faults that left the rest readable: duplicate keys, tags.

    Raises
    ------
    YamlError
        Text that is not YAML, empty, or of several documents.

    """
    try:
        loader = _Loader(text)
        try:
            node = loader.get_single_node()
        finally:
            loader.dispose()
    except ReaderError as exc:
        line = text.count('\n', 0, exc.position) + 1
        msg = f'character {exc.character!r} has no place in a text file'
        raise YamlError(line, msg) from exc
    except yaml.MarkedYAMLError as exc:
        raise YamlError(*_line_and_rule(exc)) from exc
    if node is None:
        raise YamlError(1, 'the file is empty')
    faults: list[Fault] = []
    return _item(node, '', faults, None), tuple(faults)


def _line_and_rule(exc: yaml.MarkedYAMLError) -> tuple[int, str]:
    """Return where and what from PyYAML's error, in words that say what to do."""
    mark = exc.problem_mark or exc.context_mark
    line = mark.line + 1 if mark else 1
    problem = exc.problem or 'not YAML'
    if "'\\t'" in problem:
        return line, 'a tab where YAML wants spaces; indent with spaces'
    if exc.context == 'expected a single document in the stream':
        return line, 'a second document starts here; a site file holds one'
    context = f'{exc.context}: ' if exc.context else ''
    return line, f'not YAML: {context}{problem}'


def _item(node: Node, path: str, faults: list[Fault], line: int | None) -> Item:
    """Turn a node into a value with its line."""
    line = node.start_mark.line + 1 if line is None else line
    if node.tag not in TAGS:
        tag = node.tag.replace(STANDARD_TAG, '!!')
        faults.append(Fault(path, line, f'tags such as {tag!r} are not used here; leave it out'))
    if isinstance(node, MappingNode):
        return Item(dict(_pairs(node, path, faults)), line)
    if isinstance(node, ScalarNode):
        return Item(_scalar(node), line)
    return Item([_item(part, f'{path}[{k}]', faults, None)
                 for k, part in enumerate(node.value)], line)


def _pairs(
    node: MappingNode, path: str, faults: list[Fault]
) -> Iterator[tuple[str, Item]]:
    """Yield keys and values; a key given twice counts the first time."""
    seen: dict[str, int] = {}
    for key, value in node.value:
        line = key.start_mark.line + 1
        if not isinstance(key, ScalarNode):
            faults.append(Fault(path, line, 'a key must be a word, not a list or a mapping'))
            continue
        name = str(key.value)
        where = f'{path}.{name}' if path else name
        if name == '<<':
            faults.append(Fault(where, line, 'merge keys are not used here; write the keys out'))
        elif name in seen:
            faults.append(Fault(where, line, f'given twice; it is also on line {seen[name]}'))
        else:
            seen[name] = line
            yield name, _item(value, where, faults, line)


def _scalar(node: ScalarNode) -> Scalar:
    """Return text, number, truth value or nothing, as a reader of the file would take it."""
    text = str(node.value)
    if node.style is not None:  # quoted, or a block of text
        return text
    if NUMBER.fullmatch(text) and not LEADING_ZERO.match(text):
        whole = text.lstrip('+-').isdigit() and len(text) < 18
        return int(text) if whole else float(text)
    if NOT_FINITE.fullmatch(text):
        return float(text.replace('.', ''))
    if node.tag == STANDARD_TAG + 'bool':
        return yaml.SafeLoader.bool_values[text.lower()]
    if node.tag == STANDARD_TAG + 'null':
        return None
    return text
