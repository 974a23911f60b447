# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Site files on disk: the one place that reads them, for the command line and the nodes."""

from __future__ import annotations

from dataclasses import dataclass
import hashlib
import os

from .design import Site
from .design.site_file import site_from_text
from .errors import SiteFileError

MAX_BYTES = 1_000_000


@dataclass(frozen=True, eq=False)
class LoadedSite:
    """
    A site with the text it was read from.

    Parameters
    ----------
    site : Site
        The site.
    text : str
        Text of the file, as it is kept with the books.
    digest : str
        SHA-256 of the text in UTF-8, 64 hexadecimal digits: the same as of the file's bytes.

    """

    site: Site
    text: str
    digest: str


def load_site(path: str | os.PathLike[str]) -> LoadedSite:
    """
    Read a site file.

    Parameters
    ----------
    path : str or path
        The file.

    Returns
    -------
    LoadedSite
        Site, text and digest.

    Raises
    ------
    SiteFileError
        The file cannot be read, is no text, or breaks rules; all its faults.

    """
    source = os.fspath(path)
    text = _text(source)
    return LoadedSite(site_from_text(text, source), text, text_digest(text))


def text_digest(text: str) -> str:
    """Return the SHA-256 of a text in UTF-8 as 64 hexadecimal digits."""
    return hashlib.sha256(text.encode('utf-8')).hexdigest()


def _text(source: str) -> str:
    """Return the text of a file, refusing what is none before it is parsed."""
    try:
        with open(source, 'rb') as file:
            data = file.read(MAX_BYTES + 1)
    except (OSError, ValueError) as exc:
        reason = getattr(exc, 'strerror', None) or str(exc)
        raise SiteFileError(source, (f'cannot be read: {reason}; name a site file',)) from exc
    if len(data) > MAX_BYTES:
        rule = f'is larger than {MAX_BYTES} bytes; a site file is not'
        raise SiteFileError(source, (rule,))
    if b'\0' in data:
        raise SiteFileError(source, ('holds zero bytes, so it is no text; save it as UTF-8',))
    try:
        return data.decode('utf-8')
    except UnicodeDecodeError as exc:
        line = data.count(b'\n', 0, exc.start) + 1
        rule = f'line {line}: is not text in UTF-8; save it as UTF-8'
        raise SiteFileError(source, (rule,)) from exc
