# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""For how long no grid could be used, by the clock on the wall, and why; knows no ROS."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from .table_text import age_text
from ..findings import Finding, Severity
from ..survey.standstill import NOTHING_NEW, STANDS_STILL

# After so long without a look the table says so, and is sent again as long as that lasts.
SILENT_S = 10.0
# Grids that cannot tell anything new, though the ledger might well see.
IDLE = ('repeated_grid', NOTHING_NEW)


class Silence:
    """
    Tells when no look has come in for long.

    Parameters
    ----------
    steady_s : callable
        Steady clock [s].
    topic : str
        Name of the topic that the grids come on.

    """

    def __init__(self, steady_s: Callable[[], float], topic: str) -> None:
        """Begin as if a look had just come in."""
        self._steady_s, self._topic = steady_s, topic
        self._refused_s: float | None = None
        self.note('')

    def note_grid(self, findings: Iterable[Finding]) -> None:
        """Note a grid by what was found about it."""
        useless = [finding for finding in findings if finding.severity == Severity.REFUSAL
                   or finding.code in (NOTHING_NEW, STANDS_STILL)]
        self.note(useless[0].text if useless else '',
                  repeated=any(finding.code in IDLE for finding in useless))

    def note(self, refusal: str, *, repeated: bool = False) -> None:
        """
        Note a grid.

        Parameters
        ----------
        refusal : str
            Why it was refused, or what was there was of no use; empty when it told something.
        repeated : bool
            Whether it is of no use only because what it shows was used before.

        """
        now_s = self._steady_s()
        self._refusal = refusal
        if not refusal:
            self._look_s = self._told_s = now_s
        if not refusal or repeated:
            self._refused_s = None
        elif self._refused_s is None:
            self._refused_s = now_s
        self._blind = self._refused_s is not None and now_s - self._refused_s >= SILENT_S

    @property
    def text(self) -> str:
        """Say for how long no look has come in, and what to do; empty before that is long."""
        if self._steady_s() - self._look_s < SILENT_S:
            return ''
        if self._refusal:
            return f'NO LOOK COULD BE USED for {self._age_text()}: {self._refusal}'
        return (f'NO LOOK HAS COME IN for {self._age_text()} on {self._topic}: does anything '
                f'publish it? All below is as of then')

    @property
    def blind_text(self) -> str:
        """
        Say that grids come in and none could be used for long; empty when it is not so.

        Where none comes in the robot may just be away from the berm; this tells of a ledger that
        cannot see, as when the map has jumped.
        """
        return (f'no look could be used for {self._age_text()}: {self._refusal}'
                if self._blind else '')

    def _age_text(self) -> str:
        """Return the time since the last look that was used."""
        return age_text(round((self._steady_s() - self._look_s) * 1e9), 0)

    def is_due(self) -> bool:
        """Tell whether it is to be told again, and take it as told if so."""
        now_s = self._steady_s()
        due = now_s - self._told_s >= SILENT_S
        if due:
            self._told_s = now_s
        return due
