# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""For how long no grid could be used, by the clock on the wall, and why; knows no ROS."""

from __future__ import annotations

from collections.abc import Callable

from .table_text import age_text

# After so long without a look the table says so, and is sent again as long as that lasts.
SILENT_S = 10.0


class Silence:
    """
    Tells when no look has come in for long.

    Parameters
    ----------
    steady_s : callable
        Steady clock [s].

    """

    def __init__(self, steady_s: Callable[[], float]) -> None:
        """Begin as if a look had just come in."""
        self._steady_s = steady_s
        self.note('')

    def note(self, refusal: str) -> None:
        """Note a grid: why it was refused, empty when it was used."""
        self._refusal = refusal
        if not refusal:
            self._look_s = self._told_s = self._steady_s()

    @property
    def text(self) -> str:
        """Say for how long no look has come in, and what to do; empty before that is long."""
        silent_s = self._steady_s() - self._look_s
        if silent_s < SILENT_S:
            return ''
        age = age_text(round(silent_s * 1e9), 0)
        if self._refusal:
            return f'NO LOOK COULD BE USED for {age}: {self._refusal}'
        return (f'NO LOOK HAS COME IN for {age}: all below is as of then; does anything publish '
                f'elevation?')

    def is_due(self) -> bool:
        """Tell whether it is to be told again, and take it as told if so."""
        now_s = self._steady_s()
        due = now_s - self._told_s >= SILENT_S
        if due:
            self._told_s = now_s
        return due
