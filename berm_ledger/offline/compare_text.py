# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A comparison of two books as a table for a person: aligned, at most 100 columns wide."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
import math
import textwrap
from typing import NamedTuple

from .compare import Change, Comparison, SegmentChange, total_of, Z95
from .opened import OpenedBooks
from ..books import Books, Entry, State
from ..books.statement import stamp_text
from ..borrow.account import account_of, BorrowAccount
from ..borrow.production import production_of
from ..ros.table_text import figure, station_text
from ..wording import counted

WIDTH = 100
# Widths of the columns, each with a blank after it.
FORM = '{:>4} {:>11} {:>6} {:>6} {:>8} {:>5} {:>6} {:>6} {:>8} {:>5} {:>5}  {}'
HEADS = (
    FORM.format('seg', 'station', 'height', 'height', 'change ', '95 %', 'placed', 'placed',
                'change ', '95 %', 'loads', 'state'),
    FORM.format('', 'm', 'A m', 'B m', 'mm ', '+-mm', 'A l', 'B l', 'l ', '+-l', '', ''))


class Named(NamedTuple):
    """Books and the name they are called by."""

    name: str
    opened: OpenedBooks


def comparison_text(before: Named, after: Named, found: Comparison) -> str:
    """
    Return a comparison as text.

    Parameters
    ----------
    before, after : Named
        The books.
    found : Comparison
        What changed between them.

    Returns
    -------
    str
        Lines of at most 100 characters, no newline at the end.

    """
    lines = [_head('A', before), _head('B', after)]
    for note in found.notes:
        lines += textwrap.wrap(f'note: {note}', WIDTH, subsequent_indent='  ')
    for name in dict.fromkeys(segment.before.berm for segment in found.segments):
        lines += ['', f'berm {name}', *HEADS]
        lines += [_segment(segment) for segment in found.of_berm(name)]
        lines.append(_sum(found.of_berm(name)))
    lines += ['', *_totals(before.opened.books, after.opened.books, found),
              *borrow_lines(before.opened.entries, after.opened.entries)]
    return '\n'.join(line.rstrip() if len(line.rstrip()) <= WIDTH
                     else f'{line[:WIDTH - 3].rstrip()}...' for line in lines)


def _head(letter: str, books: Named) -> str:
    """Return one line about books."""
    stamp_ns = books.opened.books.last_stamp_ns
    if stamp_ns is None:
        when = 'empty'
    else:
        when = f'to {stamp_text(stamp_ns)}'
    entries = counted(books.opened.books.last_seq, 'entry', 'entries')
    return f'{letter}  {when}, {entries}: {books.name}'


def _change(change: Change, digits: int) -> tuple[str, str]:
    """Return a change in thousandths and its bound; a real one is marked by a star."""
    mark = '*' if change.is_real else ' '
    return figure(change.value, digits, 1e3, '+') + mark, figure(change.bound, digits, 1e3)


def _segment(found: SegmentChange) -> str:
    """Return the line of one segment."""
    a, b = found.before, found.after
    height, bound_h = _change(found.height_m, 1)
    volume, bound_v = _change(found.volume_m3, 1)
    words = [_word(row.state) for row in (a, b)]
    return FORM.format(
        a.segment, station_text(a), figure(a.height_m, 3), figure(b.height_m, 3), height, bound_h,
        figure(a.placed_m3, 1, 1e3), figure(b.placed_m3, 1, 1e3), volume, bound_v,
        _loads(b.dumps_made - a.dumps_made),
        words[0] if words[0] == words[1] else f'{words[0]} > {words[1]}')


def _loads(count: int) -> str:
    """Return a number of loads more, or less."""
    return f'{count:+d}' if count else '0'


def _word(state: State) -> str:
    """Return a state in words."""
    return state.name.replace('_', ' ').lower()


def _sum(found: Sequence[SegmentChange]) -> str:
    """Return the line of the sums of one berm."""
    volume, bound = _change(total_of([segment.volume_m3 for segment in found]), 1)
    placed = [math.fsum(v for v in (row.placed_m3 for row in rows) if math.isfinite(v))
              for rows in ([s.before for s in found], [s.after for s in found])]
    loads = sum(segment.after.dumps_made - segment.before.dumps_made for segment in found)
    return FORM.format('sum', '', '', '', '', '', figure(placed[0], 1, 1e3),
                       figure(placed[1], 1, 1e3), volume, bound, _loads(loads), '')


def _totals(before: Books, after: Books, found: Comparison) -> Iterator[str]:
    """Yield what changed as a whole."""
    real = [segment for segment in found.segments
            if segment.height_m.is_real or segment.volume_m3.is_real]
    yield (f'{len(real)} of {len(found.segments)} segments changed by more than errors explain '
           f'(* beyond 95 %)')
    done = [sum(row.state == State.AT_GRADE for row in books.rows) for books in (before, after)]
    yield f'segments at grade: {done[0]} > {done[1]}'
    left = [figure(sum(row.loads_left for row in books.rows), 0) for books in (before, after)]
    yield (f'loads dumped: {len(before.dumps)} > {len(after.dumps)}; loads still called for: '
           f'{left[0]} > {left[1]}')
    kinds = {'disturbed': 'losses', 'slump': 'slides', 'unbooked_fill': 'fills without a dump'}
    counts = [f'{word} {before.counts.get(kind, 0)} > {after.counts.get(kind, 0)}'
              for kind, word in kinds.items()]
    yield f'booked: {", ".join(counts)}'


def borrow_lines(before: Sequence[Entry], after: Sequence[Entry]) -> Iterator[str]:
    """
    Yield what changed on the borrow side, a line each.

    Parameters
    ----------
    before, after : sequence of Entry
        All entries of the two books.

    Yields
    ------
    str
        Nothing where neither has booked anything on that side.

    """
    a, b = account_of(before), account_of(after)
    if a.is_empty and b.is_empty:
        return
    partial = [sum(load.partial is True for load in account.loads) for account in (a, b)]
    each = [figure(production_of(account, max(1, len(account.loads))).kg_per_cycle, 2)
            for account in (a, b)]
    yield (f'borrow: loads carried {len(a.loads)} > {len(b.loads)}, of them partial '
           f'{partial[0]} > {partial[1]}; mean {each[0]} > {each[1]} kg')
    if math.isfinite(a.cut_m3[0]) or math.isfinite(b.cut_m3[0]):
        yield f'cut, bank: {_cut(a, b, same=_datums(before) == _datums(after))}'
    closed = [sum(len(area.voids) for area in account.areas.values()) for account in (a, b)]
    if any(closed):
        yield f'lanes closed: {closed[0]} > {closed[1]}'
    if a.last_balance or b.last_balance:
        yield f'unexplained, loose: {_unexplained(a)} > {_unexplained(b)}'


def _cut(a: BorrowAccount, b: BorrowAccount, *, same: bool) -> str:
    """Return what was taken, and by how much that has changed where both count alike."""
    (old_m3, old_se_m3), (new_m3, new_se_m3) = a.cut_m3, b.cut_m3
    text = f'{figure(old_m3, 1, 1e3)} > {figure(new_m3, 1, 1e3)} l'
    one_look = _measured(a) == _measured(b)
    change = Change(new_m3 - old_m3, 0.0 if one_look else math.hypot(old_se_m3, new_se_m3))
    if not math.isfinite(change.value):
        return text
    if not same:
        return f'{text}, each below a survey of its own'
    value, bound = _change(change, 1)
    return f'{text}, change {value.rstrip()} +-{bound} l'


def _measured(account: BorrowAccount) -> list[tuple[str, int | None, float, float]]:
    """Return when the cut of each area was measured last, and what it was."""
    return [(name, area.stamp_ns, area.cut_m3, area.cut_se_m3)
            for name, area in sorted(account.areas.items())]


def _datums(entries: Sequence[Entry]) -> dict[str, tuple[int, Mapping[str, object]]]:
    """Return time and figures of the survey that the cut of each area is counted from."""
    return {str(e.data['area']): (e.stamp_ns, e.data)
            for e in entries if e.kind == 'borrow_datum'}


def _unexplained(account: BorrowAccount) -> str:
    """Return what the last balance leaves unexplained, if one holds."""
    last = account.last_balance
    if last is None:
        return figure(math.nan)
    text = (f'{figure(last.unexplained_m3, 1, 1e3, "+")} '
            f'+-{figure(Z95 * last.unexplained_se_m3, 1, 1e3)} l')
    return f'{text}, DOES NOT ADD UP' if account.unbalanced else text
