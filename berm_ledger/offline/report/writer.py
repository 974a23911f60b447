# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Write the report of a books file; the same books give the same bytes."""

from __future__ import annotations

import os
from pathlib import Path

from .facts import gather
from .page import draw, page
from ..fresh import write_whole, write_whole_bytes


def write_report(
    books_path: str | os.PathLike[str], html_path: str | os.PathLike[str]
) -> bool:
    """
    Write the report of a books file, also of one that a ledger is writing.

    The pictures are part of the page and lie beside it once more, as PNG files that begin with
    its name. Files of the same names are replaced, each at once.

    Parameters
    ----------
    books_path : path
        The books file, or the folder that holds it under the name ``books.sqlite``.
    html_path : path
        Where the page goes, in a folder that exists.

    Returns
    -------
    bool
        Whether the berms meet their specification.

    Raises
    ------
    BooksError
        No usable books.

    """
    facts = gather(books_path)
    path = Path(html_path)
    pictures = draw(facts)
    for group in pictures:
        for picture in group:
            write_whole_bytes(path.with_name(f'{path.stem}-{picture.name}.png'), picture.png)
    write_whole(path, page(facts, pictures, path.stem))
    return bool(facts.summary['accepted'])


def picture_names(html_path: str | os.PathLike[str]) -> tuple[str, ...]:
    """Return the names of the pictures that lie beside a page, sorted."""
    path = Path(html_path)
    return tuple(sorted(p.name for p in path.parent.glob('*.png')
                        if p.name.startswith(f'{path.stem}-')))
