# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
A dump announced before the first pose, as after a restart, or while no pose can be used.

It has no place yet: it waits for the first pose, which is taken for its own when it comes soon
enough and the drop point is at a berm then. There is no clock here: what passes meanwhile is
counted by the stamps of the messages that came in between, used or not.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from ..geometry import StampedPose

# A robot that dumps stands still for a few seconds; so long may the first pose be late [ns].
MOST_WAIT_NS = 10_000_000_000
WAITS = '{}: the dump is booked at the first usable one, if that comes soon and at a berm'
NOT_BOOKED = ('the dump announced without a usable pose is not booked: {}; announce it again '
              'from where it was dumped')


@dataclass(frozen=True)
class EarlyDump:
    """
    A dump that waits for the first pose.

    Parameters
    ----------
    mass_kg : float
        Announced mass [kg]; NaN is not weighed.
    since_ns : int or None
        Stamp of the first message after it [ns]; None while there was none.

    """

    mass_kg: float
    since_ns: int | None = None

    def after(self, stamp_ns: int) -> EarlyDump:
        """Return the dump after a message of a stamp came in; no stamp tells nothing."""
        if self.since_ns is not None or stamp_ns <= 0:
            return self
        return replace(self, since_ns=stamp_ns)

    def objection(self, pose: StampedPose, at_a_berm: bool) -> str:
        """Return why it cannot be booked from the first pose; empty where it can."""
        if self.since_ns is not None and abs(pose.stamp_ns - self.since_ns) > MOST_WAIT_NS:
            return (f'the first pose came {(pose.stamp_ns - self.since_ns) / 1e9:.0f} s after it, '
                    f'more than {MOST_WAIT_NS / 1e9:.0f} s')
        return '' if at_a_berm else 'the drop point lies off every berm at the first pose after it'
