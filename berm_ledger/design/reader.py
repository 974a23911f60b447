# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Values of a site file checked against the table of its keys, all faults together.

The function of each kind returns the value in the shape that the rest of the package wants, or
raises ``_RefusedError`` with the rule; the reader notes the fault and goes on with the next key.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
import math

from .schema import Key, MAX_NAME, MAX_POINTS, TABLES
from .yaml_lines import Fault, Item

Point = tuple[float, float]


@dataclass
class Table:
    """
    One mapping of the file after reading.

    Parameters
    ----------
    path : str
        Where it is.
    line : int
        Line it starts on.
    values : dict
        Value of each key of the table, default where left out; without the keys at fault.
    lines : dict
        Line of each key that the file gives.

    """

    path: str
    line: int
    values: dict[str, object] = field(default_factory=dict)
    lines: dict[str, int] = field(default_factory=dict)

    def path_of(self, key: str) -> str:
        """Return the path of one of its keys."""
        return f'{self.path}.{key}' if self.path else key

    def line_of(self, key: str) -> int:
        """Return the line of a key, that of the mapping where the key is left out."""
        return self.lines.get(key, self.line)

    def fault(self, key: str, rule: str) -> Fault:
        """Return a fault at one of its keys."""
        return Fault(self.path_of(key), self.line_of(key), rule)

    def number(self, key: str) -> float | None:
        """Return a number, None where it is left out or at fault."""
        value = self.values.get(key)
        return value if isinstance(value, float) else None

    def text(self, key: str) -> str | None:
        """Return a text, None where it is left out or at fault."""
        value = self.values.get(key)
        return value if isinstance(value, str) else None

    def truth(self, key: str) -> bool | None:
        """Return a truth value, None where it is left out or at fault."""
        value = self.values.get(key)
        return value if isinstance(value, bool) else None

    def points(self, key: str) -> tuple[Point, ...] | None:
        """Return points, None where they are left out or at fault."""
        value = self.values.get(key)
        return value if isinstance(value, tuple) and value else None

    def numbers(self, key: str) -> tuple[float, ...] | None:
        """Return a point or a triple, None where it is left out or at fault."""
        value = self.values.get(key)
        return value if isinstance(value, tuple) and value else None

    def table(self, key: str) -> Table | None:
        """Return a mapping, None where it is left out or at fault."""
        value = self.values.get(key)
        return value if isinstance(value, Table) else None

    def tables(self, key: str) -> tuple[Table, ...]:
        """Return the mappings of a list, none where it is left out or at fault."""
        value = self.values.get(key)
        return tuple(part for part in value if isinstance(part, Table)) if (
            isinstance(value, tuple)) else ()


class _RefusedError(Exception):
    """A value breaks rules of its kind."""

    def __init__(self, *faults: Fault) -> None:
        """Keep the faults."""
        super().__init__('; '.join(str(fault) for fault in faults))
        self.faults = faults


def _refusal(rule: str, path: str, item: Item) -> _RefusedError:
    """Return the error for one rule."""
    return _RefusedError(Fault(path, item.line, rule))


class Reader:
    """Reads mappings by their tables and collects the faults."""

    def __init__(self) -> None:
        """Start without faults."""
        self.faults: list[Fault] = []

    def table(self, item: Item, path: str, name: str) -> Table | None:
        """
        Read one mapping.

        Parameters
        ----------
        item : Item
            The mapping.
        path : str
            Where it is, for the faults.
        name : str
            Name of the table in ``schema.TABLES``.

        Returns
        -------
        Table or None
            What could be read; None for anything but a mapping.

        """
        if not isinstance(item.value, dict):
            keys = ', '.join(key.name for key in TABLES[name][:3])
            rule = f'must be a mapping with keys ({keys}, ...), not {said(item)}'
            self.faults.append(Fault(path, item.line, rule))
            return None
        out = Table(path, item.line)
        self._unknown_keys(item.value, out, name)
        for key in TABLES[name]:
            given = item.value.get(key.name)
            if given is None and key.is_required:
                self.faults.append(out.fault(key.name, f'is missing: {key.text}'))
                continue
            if given is None or (given.value is None and not key.is_required):
                out.values[key.name] = key.default
                continue
            out.lines[key.name] = given.line
            try:
                out.values[key.name] = self._value(given, out.path_of(key.name), key)
            except _RefusedError as exc:
                self.faults += exc.faults
        return out

    def _unknown_keys(self, given: Mapping[str, Item], out: Table, name: str) -> None:
        """Note keys that the table does not have, with the nearest one that it has."""
        known = [key.name for key in TABLES[name]]
        for word, item in given.items():
            if word in known:
                continue
            near = get_close_matches(word, known, 1)
            homes = [other for other, keys in TABLES.items() for key in keys if key.name == word]
            if near:
                hint = f'did you mean {near[0]!r}?'
            elif homes:
                hint = f'it belongs under {" or ".join(sorted(set(homes)))!r}'
            else:
                hint = f'known here are {", ".join(known)}'
            path = out.path_of(word)
            self.faults.append(Fault(path, item.line, f'is not a key of a {name}; {hint}'))

    def _value(self, item: Item, path: str, key: Key) -> object:
        """Read a value by its kind."""
        if key.kind == 'number':
            return _number(item, path, key)
        if key.kind == 'whole':
            return _whole(item, path, key)
        if key.kind == 'text':
            return _text(item, path)
        if key.kind == 'choice':
            return _choice(item, path, key)
        if key.kind == 'truth':
            return _truth(item, path)
        if key.kind in ('point', 'triple'):
            return _numbers(item, path, key, 2 if key.kind == 'point' else 3)
        if key.kind == 'table':
            return self.table(item, path, key.table)
        if key.kind == 'tables':
            return self._tables(item, path, key)
        if key.kind == 'line' and isinstance(item.value, dict):
            return self._alone(item, path, 'arc')
        if key.kind == 'datum':
            return self._datum(item, path)
        return self._points(item, path, key)

    def _tables(self, item: Item, path: str, key: Key) -> tuple[Table, ...]:
        """Read a list of mappings."""
        if not isinstance(item.value, list):
            raise _refusal(f'must be a list of mappings, not {said(item)}', path, item)
        if len(item.value) < key.least:
            raise _refusal(f'needs at least {key.least} entry', path, item)
        parts = [self.table(part, f'{path}[{k}]', key.table) for k, part in enumerate(item.value)]
        return tuple(part for part in parts if part is not None)

    def _points(self, item: Item, path: str, key: Key) -> tuple[Point, ...]:
        """Read a list of points; every point at fault is noted."""
        if not isinstance(item.value, list):
            raise _refusal(f'must be a list of points [x, y], not {said(item)}', path, item)
        if not key.least <= len(item.value) <= MAX_POINTS:
            rule = f'needs {key.least} to {MAX_POINTS} points [x, y], has {len(item.value)}'
            raise _refusal(rule, path, item)
        points: list[Point] = []
        faults: list[Fault] = []
        for k, part in enumerate(item.value):
            try:
                x, y = _numbers(part, f'{path}[{k}]', key, 2)
                points.append((x, y))
            except _RefusedError as exc:
                faults += exc.faults
        if faults:
            raise _RefusedError(*faults)
        return tuple(points)

    def _datum(self, item: Item, path: str) -> object:
        """Read `survey` or a plane."""
        if isinstance(item.value, dict):
            return self.table(item, path, 'plane')
        if item.value != 'survey':
            rule = f'must be `survey` or `{{plane: [a, b, c]}}`, not {said(item)}'
            raise _refusal(rule, path, item)
        return 'survey'

    def _alone(self, item: Item, path: str, name: str) -> Table | None:
        """Read a mapping that holds one key only, the name of the table of its value."""
        given = item.value if isinstance(item.value, dict) else {}
        if set(given) != {name}:
            rule = f'must be a list of points [x, y] or `{{{name}: ...}}`, not {said(item)}'
            raise _refusal(rule, path, item)
        return self.table(given[name], f'{path}.{name}', name)


def said(item: Item) -> str:
    """Return in a few words what a value is, for messages."""
    value = item.value
    if value is None:
        return 'nothing'
    if isinstance(value, bool):
        return f'the truth value {str(value).lower()}'
    if isinstance(value, str):
        return f'the text {value[:40]!r}'
    if isinstance(value, (int, float)):
        return f'the number {value:g}'
    if isinstance(value, list):
        return f'a list of {len(value)}'
    return f'a mapping with {", ".join(list(value)[:3]) or "no keys"}'


def _number(item: Item, path: str, key: Key) -> float:
    """Read a number and hold it to its bounds."""
    value = item.value
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        hint = ''
        if isinstance(value, str) and _is_number(value):
            hint = '; leave out the quotes and leading zeros'
        raise _refusal(f'must be a number{_in(key)}, not {said(item)}{hint}', path, item)
    number = float(value)
    if not math.isfinite(number):
        raise _refusal(f'must be finite, not {number}', path, item)
    if number < key.low or number > key.high or (key.open_low and number == key.low):
        raise _refusal(f'must be {_bounds(key)}{_in(key)}, not {number:g}', path, item)
    return number


def _is_number(text: str) -> bool:
    """Tell whether a text would be a number without its quotes."""
    try:
        return math.isfinite(float(text))
    except ValueError:
        return False


def _bounds(key: Key) -> str:
    """Return the bounds of a number in words."""
    if key.open_low:
        return f'more than {key.low:g} and at most {key.high:g}'
    return f'between {key.low:g} and {key.high:g}'


def _in(key: Key) -> str:
    """Return the unit as it follows a number."""
    return f' [{key.unit}]' if key.unit else ''


def _whole(item: Item, path: str, key: Key) -> int:
    """Read a whole number with one allowed value, the version of the format."""
    if isinstance(item.value, bool) or not isinstance(item.value, int) or (
            not key.low <= item.value <= key.high):
        raise _refusal(f'must be {key.high:g}, not {said(item)}', path, item)
    return item.value


def _text(item: Item, path: str) -> str:
    """Read a word or a name of one line."""
    if not isinstance(item.value, str):
        hint = '; put it in quotes' if isinstance(item.value, (bool, int, float)) else ''
        raise _refusal(f'must be text, not {said(item)}{hint}', path, item)
    text = item.value.strip()
    if not text or len(text) > MAX_NAME or not text.isprintable():
        raise _refusal(f'must be 1 to {MAX_NAME} printable characters', path, item)
    return text


def _choice(item: Item, path: str, key: Key) -> str:
    """Read one of a few words."""
    if not isinstance(item.value, str) or item.value not in key.choices:
        words = ' or '.join(f'`{word}`' for word in key.choices)
        raise _refusal(f'must be {words}, not {said(item)}', path, item)
    return item.value


def _truth(item: Item, path: str) -> bool:
    """Read true or false."""
    if not isinstance(item.value, bool):
        raise _refusal(f'must be true or false, not {said(item)}', path, item)
    return item.value


def _numbers(item: Item, path: str, key: Key, count: int) -> tuple[float, ...]:
    """Read a list of so many numbers."""
    if not isinstance(item.value, list) or len(item.value) != count:
        what = 'a point [x, y]' if count == 2 else f'a list of {count} numbers'
        raise _refusal(f'must be {what}, not {said(item)}', path, item)
    return tuple(_number(part, f'{path}[{k}]', key) for k, part in enumerate(item.value))
