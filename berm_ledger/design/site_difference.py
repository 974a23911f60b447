# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
What two site files say differently, key by key, whatever their text looks like.

Comments, the order of keys, the spelling of a number, and a default that is written out make no
difference. Keep-outs go by their names, all else by its place in the file.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
import json
from typing import Any

from .reader import Table
from .schema import Key, TABLES
from .site_file import frame_name, table_from_text

# Tables of what is told apart by its name: their order means nothing.
BY_NAME = ('keep_out',)
# Longest list that a line shows; the others are cut.
MOST_CHARACTERS = 60
# Most differences that a line names.
MOST_NAMED = 5


@dataclass(frozen=True)
class Difference:
    """
    One value that two site files give differently.

    Parameters
    ----------
    key : str
        Path of the key, as in ``berms[0].crest_height_m``.
    was, now : object
        Value before and after, as JSON has it, in the units of the file; None where the file does
        not have the key.
    fixed : bool
        Whether what is booked rests on it.

    """

    key: str
    was: Any
    now: Any
    fixed: bool

    def text(self, before: str, after: str) -> str:
        """
        Return it in words.

        Parameters
        ----------
        before, after : str
            Where, or when, the two values hold.

        Returns
        -------
        str
            Key and both values.

        Examples
        --------
        >>> Difference('rover.run_up_m', 0.5, 0.75, False).text('in the books', 'now')
        'rover.run_up_m: 0.5 in the books, 0.75 now'
        >>> Difference('berms[1].name', None, 'east', True).text('in the books', 'now')
        "berms[1].name: none in the books, 'east' now"

        """
        return f'{self.key}: {_said(self.was)} {before}, {_said(self.now)} {after}'


def differences(was: str, was_source: str, now: str, now_source: str) -> tuple[Difference, ...]:
    """
    Return what two site files say differently.

    Parameters
    ----------
    was, now : str
        Texts of the files, before and after.
    was_source, now_source : str
        Names of the files, for their faults.

    Returns
    -------
    tuple of Difference
        In the order of the keys; none where both files mean the same.

    Raises
    ------
    SiteFileError
        One of the texts cannot be read, or breaks rules of single keys.

    """
    old = dict(_leaves(table_from_text(was, was_source), 'site', ''))
    new = dict(_leaves(table_from_text(now, now_source), 'site', ''))
    return tuple(
        difference for path in [*old, *(path for path in new if path not in old)]
        for difference in _apart(path, old, new))


def listed(
    found: Sequence[Difference], before: str = 'in the books', after: str = 'now'
) -> str:
    """
    Return the first differences in words, and how many more there are.

    Parameters
    ----------
    found : sequence of Difference
        What differs.
    before, after : str
        Where, or when, the two values hold.

    Returns
    -------
    str
        Empty where nothing differs.

    """
    words = [difference.text(before, after) for difference in found[:MOST_NAMED]]
    if len(found) > MOST_NAMED:
        words.append(f'and {len(found) - MOST_NAMED} more')
    return '; '.join(words)


Leaf = tuple[Any, bool]


def _leaves(table: Table, name: str, path: str) -> Iterator[tuple[str, Leaf]]:
    """Yield path, value and whether it is fixed for each value of a mapping and those in it."""
    for key in TABLES[name]:
        where = f'{path}.{key.name}' if path else key.name
        value = _plain(table, name, key)
        if isinstance(value, Table):
            inner, where = _inner(key, path, where)
            yield from _leaves(value, inner, where)
        elif key.kind == 'tables':
            for index, part in enumerate(table.tables(key.name)):
                mark = part.text('name') if key.table in BY_NAME else index
                yield from _leaves(part, key.table, f'{where}[{mark}]')
        elif value is not None and not (name in BY_NAME and key.name == 'name'):
            yield where, (json.loads(json.dumps(value)), key.fixed)


def _plain(table: Table, name: str, key: Key) -> object:
    """Return the value of a key, one for all ways to say the same; None where there is none."""
    value = table.values.get(key.name)
    if (name, key.name) == ('berm', 'closed'):
        # Of an arc the sweep alone says it.
        return None if table.table('arc') or table.table('centreline') else bool(value)
    if (name, key.name) == ('site', 'frame'):
        return frame_name(str(value))
    return value


def _inner(key: Key, path: str, where: str) -> tuple[str, str]:
    """Return table and path of a mapping; an arc has one path wherever it stands."""
    if key.kind == 'line':
        return 'arc', f'{path}.arc'
    return ('plane' if key.kind == 'datum' else key.table), where


def _apart(
    path: str, old: Mapping[str, Leaf], new: Mapping[str, Leaf]
) -> Iterator[Difference]:
    """Yield the difference at a path; of lists of points the points that differ."""
    was, fixed = old.get(path, (None, False))
    now, also = new.get(path, (None, False))
    if was == now:
        return
    both = isinstance(was, list) and isinstance(now, list) and len(was) == len(now)
    if both and was and isinstance(was[0], list):
        for index, (a, b) in enumerate(zip(was, now)):
            if a != b:
                yield Difference(f'{path}[{index}]', a, b, fixed)
    else:
        yield Difference(path, was, now, fixed or also)


def _said(value: Any) -> str:
    """Return a value in few words."""
    if value is None:
        return 'none'
    if isinstance(value, str):
        return repr(value)
    said = json.dumps(value)
    if len(said) <= MOST_CHARACTERS:
        return said
    # Never within a number, which would then be another.
    return f'{said[:MOST_CHARACTERS].rpartition(", ")[0]}, ...'
