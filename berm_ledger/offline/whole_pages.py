# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
SQLite files that were cut off in the middle of a page, without that page.

SQLite takes what is missing of a page for zeros. Rows are filled in from the end of a page, so
that a row could be had without the one before it, or with zeros for a part of its data.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any
from urllib.parse import quote

from .bag_damage import apsw

NAME = 'berm_ledger_whole_pages'
# Where the header holds the size of a page, and what 1 stands for there.
PAGE_AT, LARGEST_PAGE = 16, 65536


def page_bytes(path: Path) -> int:
    """Return the size of a page by the header of a file; 0 where it has none."""
    with path.open('rb') as file:
        head = file.read(PAGE_AT + 2)[PAGE_AT:]
    size = int.from_bytes(head, 'big') if len(head) == 2 else 0
    return LARGEST_PAGE if size == 1 else size


def is_cut_in_a_page(path: Path) -> bool:
    """Tell whether a file ends in the middle of a page."""
    size = page_bytes(path)
    return size > 0 and path.stat().st_size % size != 0


def open_whole_pages(path: Path) -> Any:
    """
    Open a file that nobody writes, as if it ended with its last whole page.

    Parameters
    ----------
    path : Path
        The file; it is only read.

    Returns
    -------
    apsw.Connection
        With ``execute`` and ``close`` as those of ``sqlite3``.

    Raises
    ------
    apsw.Error
        It cannot be opened.

    """
    size = path.stat().st_size // page_bytes(path) * page_bytes(path)

    class File(apsw.VFSFile):  # type: ignore[misc]
        """A file that ends early."""

        def __init__(self, name: Any, flags: Any) -> None:
            super().__init__('', name, flags)

        def xFileSize(self) -> int:  # noqa: N802
            """Return where the last whole page ends."""
            return size

        def xRead(self, amount: int, offset: int) -> bytes:  # noqa: N802
            """Return what lies before that."""
            data: bytes = super().xRead(amount, offset)
            return data[:max(0, size - offset)]

    class System(apsw.VFS):  # type: ignore[misc]
        """Files of the machine, cut."""

        def __init__(self) -> None:
            super().__init__(NAME, '')

        def xOpen(self, name: Any, flags: Any) -> File:  # noqa: N802
            """Open one."""
            return File(name, flags)

    system = System()
    try:
        return apsw.Connection(
            f'file:{quote(str(path.resolve()))}?mode=ro&immutable=1', vfs=NAME,
            flags=apsw.SQLITE_OPEN_READONLY | apsw.SQLITE_OPEN_URI)
    finally:
        system.unregister()
