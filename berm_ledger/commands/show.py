# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""``berm-ledger show``: the table of a books file, or the history of one account."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import replace
import sys
from typing import TYPE_CHECKING

from ..errors import UsageError

if TYPE_CHECKING:
    from ..books import Books, Row

SUMMARY = "print the table of a books file, or one segment's history"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument('books', metavar='BOOKS',
                        help='books file, or the folder that holds books.sqlite')
    parser.add_argument('--segment', type=int, metavar='N',
                        help='history of this segment, counted from 1 along its berm')
    parser.add_argument('--berm', metavar='NAME', help='only this berm')
    parser.add_argument('--readings', action='store_true',
                        help='with --segment: every reading, not only the last in a row')


def run(args: argparse.Namespace) -> int:
    """Print what was asked for."""
    from ..books.statement import statement_text
    from ..borrow.account import account_of
    from ..offline.opened import open_books
    from ..ros.borrow_text import borrow_line
    from ..ros.table_text import table_text
    if args.readings and args.segment is None:
        msg = '--readings lists those of one segment: add --segment N'
        raise UsageError(msg)
    opened = open_books(args.books)
    rows = chosen_rows(opened.books.rows, args.berm, args.segment)
    if args.segment is not None:
        row = rows[0]
        text = statement_text(
            opened.entries, row.berm, row.segment, every_reading=args.readings)
        sys.stdout.write(text + '\n')
        return 0
    books = opened.books if args.berm is None else of_berm(opened.books, args.berm)
    borrow = borrow_line(account_of(opened.entries), opened.books.dumps_remaining)
    sys.stdout.write(table_text(books, books.last_stamp_ns or 0, borrow) + '\n')
    return 0


def of_berm(books: Books, berm: str) -> Books:
    """Return the books with the accounts, dumps and flags of one berm only."""
    return replace(
        books, rows=books.rows_of(berm), dumps=tuple(d for d in books.dumps if d.berm == berm),
        flags=tuple(flag for flag in books.flags if flag.berm == berm))


def chosen_rows(
    rows: Sequence[Row], berm: str | None, segment: int | None
) -> tuple[Row, ...]:
    """
    Return the rows asked for.

    Parameters
    ----------
    rows : sequence of Row
        All rows.
    berm : str or None
        Name of a berm.
    segment : int or None
        Number of a segment.

    Returns
    -------
    tuple of Row
        At least one; with a segment exactly one.

    Raises
    ------
    UsageError
        No such berm or segment, or segments of that number on several berms.

    """
    names = tuple(dict.fromkeys(row.berm for row in rows))
    if berm is not None and berm not in names:
        msg = f'no berm {berm!r} in these books; there is: {", ".join(map(repr, names))}'
        raise UsageError(msg)
    chosen = tuple(row for row in rows if berm in (None, row.berm))
    if segment is None:
        return chosen
    found = tuple(row for row in chosen if row.segment == segment)
    if not found:
        most = max(row.segment for row in chosen)
        msg = f'no segment {segment}; segments are numbered 1 to {most}'
        raise UsageError(msg)
    if len(found) > 1:
        msg = (f'several berms have a segment {segment}; add --berm NAME, one of: '
               f'{", ".join(map(repr, names))}')
        raise UsageError(msg)
    return found
