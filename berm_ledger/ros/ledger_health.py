# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What the ledger node reports of its inputs, refusals, journal and books; knows no ROS itself."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence

from .health import (
    books_status,
    input_statuses,
    InputMonitor,
    journal_status,
    masked_status,
    RefusalMonitor,
    registration_status,
)
from .live import LiveBooks
from .messages.diagnostics import Status
from ..books.landings import loads_text
from ..findings import Finding, Severity
from ..inputs import DUMP, ELEVATION, POSE
from ..survey.gaps import SPARSE_GRID


class LedgerHealth:
    """
    Counts messages and refusals; ``refusals`` has how many there were of each code.

    Parameters
    ----------
    name_of : callable
        Gives the full name of a topic; left out, it is the short one.

    """

    def __init__(self, name_of: Callable[[str], str] = str) -> None:
        """Begin with nothing received."""
        self._name_of = name_of
        self.refusals: Counter[str] = Counter()
        # That the last grid was too sparse; empty where it was not.
        self._sparse = ''
        self._refusal_monitor = RefusalMonitor()
        self._monitors = {
            POSE: self._monitor(POSE), DUMP: self._monitor(DUMP, steady=False),
            ELEVATION: self._monitor(ELEVATION)}

    def _monitor(self, role: str, *, steady: bool = True) -> InputMonitor:
        """Return a monitor that has seen nothing."""
        return InputMonitor(role, self._name_of(role), steady=steady)

    def note(self, role: str, stamp_ns: int, findings: Sequence[Finding]) -> None:
        """
        Note one message.

        Parameters
        ----------
        role : str
            What it is, one of ``inputs``; what need not come is reported from its first message
            on.
        stamp_ns : int
            Time of the books after it [ns].
        findings : sequence of Finding
            What was found in it.

        """
        self.refusals.update(f.code for f in findings if f.severity > Severity.NOTE)
        if role == ELEVATION:
            self._sparse = next((f.text for f in findings if f.code == SPARSE_GRID), '')
        refusals = (f.text for f in findings if f.severity == Severity.REFUSAL)
        if role not in self._monitors:
            self._monitors[role] = self._monitor(role, steady=False)
        self._monitors[role].note(stamp_ns, next(refusals, ''))

    def statuses(
        self, live: LiveBooks, mistaken: Callable[[str], str], silence: str, several: str = ''
    ) -> list[Status]:
        """
        Return the statuses since the last report.

        Parameters
        ----------
        live : LiveBooks
            Pipeline and journal.
        mistaken : callable
            Says what a topic is published as, where that is not what is subscribed; empty else.
        silence : str
            That no look could be used for long, and why; empty when that is not so.
        several : str
            That other ledgers publish under the names of this one; empty when none does.

        Returns
        -------
        list of Status
            Inputs first.

        """
        health, books = live.pipeline.health, live.pipeline.books
        return [
            *input_statuses(self._monitors, mistaken, silence or self._sparse, live.pipeline,
                            loads_text(books.dumps)),
            self._refusal_monitor.report(self.refusals),
            registration_status(health),
            masked_status(health.counters),
            journal_status(str(live.journal.path), live.fault, live.journal.last_seq,
                           live.waiting),
            books_status(books.on_hold, books.hold_text, len(books.flags),
                         books.datum_seq is not None, several),
        ]
