# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A drum that lets its load go by and by."""

from __future__ import annotations

from dataclasses import dataclass

from .soil import Patch


@dataclass
class SlowDrum:
    """
    One load that comes down evenly.

    Parameters
    ----------
    patch : Patch
        Where it falls.
    volume_m3 : float
        All of it [m3].
    since_ns, over_ns : int
        When it began to come, and how long it takes [ns].
    fallen_m3 : float
        What has come down [m3].

    """

    patch: Patch
    volume_m3: float
    since_ns: int
    over_ns: int
    fallen_m3: float = 0.0

    def due_m3(self, now_ns: int) -> float:
        """Let go what comes down until a time [ns]; return it [m3]."""
        share = min(1.0, (now_ns - self.since_ns) / self.over_ns)
        due_m3 = share * self.volume_m3 - self.fallen_m3
        self.fallen_m3 += due_m3
        return due_m3
