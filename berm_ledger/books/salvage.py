# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Save what can still be read of a damaged books file.

``python3 -m berm_ledger.books.salvage DAMAGED NEW``: the damaged file is left as it is. Exit code
0 when entries were saved, 2 when none could be.
"""

from __future__ import annotations

from collections.abc import Sequence
import contextlib
import sys

from .journal import connect_to_read, Journal, readable_entries, readable_rows
from .journal_rows import SURFACE_COLUMNS, surface_from_row
from ..errors import BermLedgerError, BooksError
from ..wording import counted


def salvage(path: str, new_path: str) -> int:
    """
    Copy what can still be read of damaged books into new ones.

    Parameters
    ----------
    path : path
        The damaged file; it is left as it is.
    new_path : path
        The new file; must not exist.

    Returns
    -------
    int
        Number of entries saved: all up to the first that cannot be read.

    Raises
    ------
    BooksError
        Nothing can be read, or the new file cannot be written.

    """
    with contextlib.closing(connect_to_read(path)) as db:
        entries = readable_entries(db)
        if not entries:
            msg = f'nothing can be read of {path}'
            raise BooksError(msg)
        meta = dict(readable_rows(db, 'SELECT key, value FROM meta'))
        with Journal.create(
                new_path, str(meta.get('site_digest', '')), str(meta.get('site_name', '')),
                str(meta.get('site_text', ''))) as journal:
            journal.append(entries)
            for row in readable_rows(db, f'SELECT {SURFACE_COLUMNS} FROM surfaces'):
                with contextlib.suppress(BooksError):
                    journal.append((), [surface_from_row(row)])
    return len(entries)


def main(arguments: Sequence[str]) -> int:
    """
    Salvage one file into another.

    Parameters
    ----------
    arguments : sequence of str
        The damaged file and the new one.

    Returns
    -------
    int
        Exit code.

    """
    if len(arguments) != 2:
        sys.stderr.write('usage: python3 -m berm_ledger.books.salvage DAMAGED_FILE NEW_FILE\n')
        return 2
    try:
        count = salvage(*arguments)
    except BermLedgerError as exc:
        sys.stderr.write(f'{exc}\n')
        return 2
    sys.stdout.write(f'{counted(count, "entry", "entries")} saved in {arguments[1]}\n')
    return 0


if __name__ == '__main__':
    sys.exit(main(sys.argv[1:]))
