# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The files that are made from a books file; the same books give the same bytes."""

from __future__ import annotations

from collections.abc import Mapping
import os
from pathlib import Path
from typing import Any

from .fresh import write_together
from .opened import BOOKS_NAME, open_books, OpenedBooks
from .tables import events_csv, segments_csv, summary_dict, summary_json
from ..site_source import LoadedSite

SEGMENTS_NAME, EVENTS_NAME, SUMMARY_NAME = 'segments.csv', 'events.csv', 'summary.json'
REPORT_NAME = 'report.html'
TABLE_NAMES = (SEGMENTS_NAME, EVENTS_NAME, SUMMARY_NAME)
#: All files of a replay, in the order in which they are named to people.
OUTPUT_NAMES = (BOOKS_NAME, *TABLE_NAMES)


def table_files(
    opened: OpenedBooks, summary: Mapping[str, Any], folder: Path
) -> dict[Path, bytes]:
    """
    Return the tables of a books file by where they go.

    Parameters
    ----------
    opened : OpenedBooks
        What the file holds.
    summary : mapping
        What ``summary.json`` is to say.
    folder : Path
        Where to.

    Returns
    -------
    dict
        Bytes by path, in the order of ``TABLE_NAMES``.

    """
    texts = (segments_csv(opened.books), events_csv(opened.entries, opened.books),
             summary_json(summary))
    return {folder / name: text.encode() for name, text in zip(TABLE_NAMES, texts)}


def write_outputs(
    books_path: str | os.PathLike[str], folder: str | os.PathLike[str], *,
    loaded: LoadedSite | None = None,
) -> dict[str, Any]:
    """
    Write the tables of a books file, also of one that a ledger is writing.

    Parameters
    ----------
    books_path : path
        The books file.
    folder : path
        Where to; files of the same names there are replaced, all or none.
    loaded : LoadedSite, optional
        The site, where it has been read already.

    Returns
    -------
    dict
        What the summary says.

    Raises
    ------
    BooksError
        No usable books.

    """
    opened = open_books(books_path, loaded=loaded)
    summary = summary_dict(opened.site, opened.books, opened.surfaces, opened.entries)
    write_together(table_files(opened, summary, Path(folder)))
    return summary
