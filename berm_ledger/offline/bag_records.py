# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
What was read of each bag, as it is noted in the books: time covered, messages, digest.

The digest is the SHA-256 of one line ``ROLE TIME SHA256`` for each message used, in the order of
reading: its role, when it was recorded [ns], and the SHA-256 of its bytes. So it is the same
however the bag is stored, compressed or split, and anybody can compute it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import asdict, dataclass
import hashlib
import json
from typing import Any

from ..errors import BooksError

KEY = 'bag_'
# Messages from this size on are hashed beside the work [bytes], and no more than so many wait.
LARGE = 16_384
MOST_WAITING = 8


@dataclass(frozen=True)
class BagRecord:
    """
    What was read of one bag.

    Parameters
    ----------
    first_ns, last_ns : int
        When the first and the last message used were recorded [ns].
    messages : int
        How many were used.
    sha256 : str
        Digest of them, 64 hexadecimal digits.

    """

    first_ns: int
    last_ns: int
    messages: int
    sha256: str

    def text(self) -> str:
        """Return it as one line of JSON."""
        return json.dumps(asdict(self), sort_keys=True)


def records_of(meta: Mapping[str, str], name: str) -> tuple[BagRecord, ...]:
    """
    Return what books say of the bags they were made from.

    Parameters
    ----------
    meta : mapping
        What is noted in the books.
    name : str
        Name of the books file, for messages.

    Returns
    -------
    tuple of BagRecord
        In the order of booking; none in books that a node kept.

    Raises
    ------
    BooksError
        A note that makes no sense.

    """
    numbers = sorted(int(key[len(KEY):]) for key in meta
                     if key.startswith(KEY) and key[len(KEY):].isdecimal())
    out = []
    for number in numbers:
        key = f'{KEY}{number}'
        try:
            found = json.loads(meta[key])
            out.append(BagRecord(int(found['first_ns']), int(found['last_ns']),
                                 int(found['messages']), str(found['sha256'])))
        except (ValueError, TypeError, KeyError) as exc:
            msg = f'{name}: the note {key} on a bag makes no sense: name books from before it'
            raise BooksError(msg) from exc
    return tuple(out)


def notes_of(records: Iterable[BagRecord], earlier: int = 0) -> dict[str, str]:
    """Return records as notes for the books, numbered on from those that are there."""
    return {f'{KEY}{number}': record.text() for number, record in enumerate(records, earlier + 1)}


def _digest(data: Any) -> str:
    """Return the SHA-256 of the bytes of a message."""
    return hashlib.sha256(data).hexdigest()


class BagReader:
    """Takes note of the messages of one bag while they are read."""

    def __init__(self, pool: ThreadPoolExecutor) -> None:
        """Begin with nothing read."""
        self._pool = pool
        self._total = hashlib.sha256()
        self._waiting: deque[tuple[str, int, Future[str] | str]] = deque()
        self._first_ns = self._last_ns = 0
        self._count = 0

    def add(self, role: str, bag_ns: int, data: Any) -> None:
        """Take note of a message; the bytes must stay as they are."""
        self._first_ns = min(self._first_ns, bag_ns) if self._count else bag_ns
        self._last_ns = max(self._last_ns, bag_ns) if self._count else bag_ns
        self._count += 1
        digest: Future[str] | str = (
            _digest(data) if len(data) < LARGE else self._pool.submit(_digest, data))
        self._waiting.append((role, bag_ns, digest))
        self._settle(MOST_WAITING)

    def _settle(self, most: int) -> None:
        """Enter the digests of the messages read longest ago, until so many still wait."""
        while len(self._waiting) > most:
            role, bag_ns, digest = self._waiting.popleft()
            found = digest if isinstance(digest, str) else digest.result()
            self._total.update(f'{role} {bag_ns} {found}\n'.encode())

    def record(self) -> BagRecord | None:
        """Return what was read, None when it was nothing."""
        self._settle(0)
        if not self._count:
            return None
        return BagRecord(self._first_ns, self._last_ns, self._count, self._total.hexdigest())
