# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The report of a books file, ready to be written; the same books give the same bytes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
import os
from pathlib import Path

from .facts import Facts, gather
from .page import draw, page


@dataclass(frozen=True, eq=False)
class Report:
    """
    A report that is not written yet.

    Parameters
    ----------
    facts : Facts
        What it was made of.
    files : mapping
        Bytes of the page and of its pictures by where they go; the page first, then by name.

    """

    facts: Facts
    files: Mapping[Path, bytes]


def make_report(
    books_path: str | os.PathLike[str], html_path: str | os.PathLike[str]
) -> Report:
    """
    Make the report of a books file, also of one that a ledger is writing.

    The pictures are part of the page and lie beside it once more, as PNG files that begin with
    its name.

    Parameters
    ----------
    books_path : path
        The books file, or the folder that holds it under the name ``books.sqlite``.
    html_path : path
        Where the page goes.

    Returns
    -------
    Report
        Page and pictures.

    Raises
    ------
    BooksError
        No usable books.

    """
    facts = gather(books_path)
    path = Path(html_path)
    pictures = draw(facts)
    beside = {path.with_name(f'{path.stem}-{picture.name}.png'): picture.png
              for group in pictures for picture in group}
    return Report(facts, {
        path: page(facts, pictures, path.stem).encode(), **dict(sorted(beside.items()))})
