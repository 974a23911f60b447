# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The errors that a user's input can cause; nodes and command line catch only the root."""

from __future__ import annotations

from collections.abc import Iterator
import contextlib


class BermLedgerError(Exception):
    """Root of all errors of this package: the text says what, where and what to do."""


class SiteFileError(BermLedgerError):
    """
    A site file breaks rules; all faults are reported together.

    Parameters
    ----------
    source : str
        Name of the file, for the message.
    faults : tuple of str
        One line per fault: path, line in the file, rule.

    """

    def __init__(self, source: str, faults: tuple[str, ...]) -> None:
        """Keep the faults beside the joined text."""
        self.source = source
        self.faults = faults
        super().__init__('; '.join(f'{source}: {fault}' for fault in faults))


class GeometryError(BermLedgerError):
    """Numbers that describe no usable geometry."""


class MessageError(BermLedgerError):
    """A message cannot be read as what it claims to be."""


class BooksError(BermLedgerError):
    """A books file cannot be used."""


class BagError(BermLedgerError):
    """A recorded bag cannot be used."""


class UsageError(BermLedgerError):
    """A command was called with arguments that do not go together."""


@contextlib.contextmanager
def naming_books(path: object) -> Iterator[None]:
    """
    Say which books it is whose entries make no sense together.

    Parameters
    ----------
    path : path or None
        Their file; None for new books.

    Raises
    ------
    BooksError
        As it came, with the file and what to do.

    Examples
    --------
    >>> with naming_books('a/books.sqlite'):
    ...     raise BooksError('entry 7 is of the unknown kind')
    Traceback (most recent call last):
    berm_ledger.errors.BooksError: a/books.sqlite: entry 7 is of the unknown kind; ...

    """
    try:
        yield
    except BooksError as exc:
        msg = (f'{path}: {exc}; these books were changed by another program: put a copy from '
               f'before that in their place')
        raise BooksError(msg) from exc
