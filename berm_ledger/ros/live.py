# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Pipeline and journal together: nothing is shown that is not on the disk.

Knows no ROS, so that the rule can be tested without it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from ..books import Entry
from ..books.journal import Journal
from ..errors import BooksError
from ..survey.snapshot import NamedSurface

# Entries kept while the disk refuses them; beyond that no message is taken.
MAX_WAITING = 5000


class LiveBooks:
    """
    Books that are written as they grow.

    Parameters
    ----------
    pipeline : Pipeline
        Where messages go.
    journal : Journal
        Open for writing.

    """

    def __init__(self, pipeline: Any, journal: Journal) -> None:
        """Take over both."""
        self.pipeline = pipeline
        self.journal = journal
        #: Why the last entries could not be written; empty when all is written.
        self.fault = ''
        self._entries: tuple[Entry, ...] = ()
        self._surfaces: dict[str, NamedSurface] = {}

    @property
    def waiting(self) -> int:
        """Count the entries that could not be written yet."""
        return len(self._entries)

    @property
    def full(self) -> bool:
        """Tell whether so much waits to be written that nothing more may be taken."""
        return len(self._entries) >= MAX_WAITING

    def book(self, update: Any) -> tuple[Entry, ...] | None:
        """
        Write what an update brought, with anything still waiting from before.

        Parameters
        ----------
        update : Update
            Of the pipeline.

        Returns
        -------
        tuple of Entry or None
            As ``flush``.

        """
        self._entries += tuple(update.entries)
        self._surfaces.update({surface.name: surface for surface in update.surfaces})
        return self.flush()

    def flush(self) -> tuple[Entry, ...] | None:
        """
        Write what waits.

        Returns
        -------
        tuple of Entry or None
            What this call brought to the disk; None when it could not be written: then nothing may
            be published, and the next call tries again.

        """
        written = self._entries
        if written or self._surfaces:
            try:
                self.journal.append(written, tuple(self._surfaces.values()))
            except BooksError as exc:
                self.fault = str(exc)
                # A file found to be replaced after the write has them, wherever it went.
                self._entries = tuple(e for e in written if e.seq > self.journal.last_seq)
                return None
        self.fault = ''
        self._entries, self._surfaces = (), {}
        return written

    def close(self) -> str:
        """
        Write what waits, if it can be written now, and close the file.

        Returns
        -------
        str
            What is lost as it could not be written, and what comes of that; empty for nothing.

        """
        try:
            self.flush()
            return lost_text(self.fault, self._entries) if self._entries else ''
        finally:
            self.journal.close()


def lost_text(fault: str, entries: Sequence[Entry]) -> str:
    """
    Return what it means that entries could never be written.

    Examples
    --------
    >>> lost_text('disk full', [Entry(1, 0, 'hold'), Entry(2, 0, 'dump')])
    'disk full; entries lost: 2, dumps among them: 1, whose soil will be unbooked_fill'

    """
    dumps = sum(entry.kind == 'dump' for entry in entries)
    soil = f', dumps among them: {dumps}, whose soil will be unbooked_fill' if dumps else ''
    return f'{fault}; entries lost: {len(entries)}{soil}'
