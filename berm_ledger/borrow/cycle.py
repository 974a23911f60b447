# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Where the time of a cycle goes: digging, hauling, dumping, told from poses alone.

A cycle runs from one dump to the next. The rover dumps while it stands where a dump was announced,
just before and just after it; it digs while it is in a borrow area else, and hauls the rest of
the time, which includes the way back empty and any looking about. A cycle with a break in it, such
as a night, tells nothing of how the work goes: its times are unknown.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
import math

from ..geometry import Pose2

# Standing: no further than this from where the dump was announced [m].
STANDING_M = 0.06
# Poses further apart than this leave it open what the rover did in between [ns].
MOST_GAP_NS = 30_000_000_000
# Work rests when the rover stands, or no pose comes, for longer than this [ns]; common practice,
# no source.
BREAK_NS = 600_000_000_000
KEPT_POSES = 2000


@dataclass(frozen=True)
class CycleTimes:
    """
    Times of one cycle [s]; NaN is unknown.

    Parameters
    ----------
    cycle_s : float
        From the last dump to this one.
    dig_s, haul_s, dump_s : float
        Its parts.

    """

    cycle_s: float = math.nan
    dig_s: float = math.nan
    haul_s: float = math.nan
    dump_s: float = math.nan


UNKNOWN_TIMES = CycleTimes()


class CycleClock:
    """Adds up the time between poses; message time only."""

    def __init__(self, last_dump_ns: int | None = None) -> None:
        """Begin with the stamp of the last dump of an earlier run, if there was one."""
        self._last_dump_ns = last_dump_ns
        self._last: tuple[int, Pose2] | None = None
        self._dumped_at: Pose2 | None = None
        self._recent: deque[tuple[int, Pose2]] = deque(maxlen=KEPT_POSES)
        self._dig_ns = self._after_ns = 0
        #: Whether every moment since the last dump is accounted for.
        self._whole = False
        self._stands_since: tuple[int, Pose2] | None = None
        self._had_break = False

    def pose(self, stamp_ns: int, pose: Pose2, digging: bool) -> None:
        """Take a pose; the time since the last one is digging where this one is."""
        last = self._last
        self._look_for_break(stamp_ns, pose)
        self._last = (stamp_ns, pose)
        self._recent.append((stamp_ns, pose))
        if last is None:
            return
        step_ns = stamp_ns - last[0]
        if step_ns > MOST_GAP_NS:
            self._whole = False
        if self._dumped_at is not None and _apart_m(pose, self._dumped_at) <= STANDING_M:
            self._after_ns += step_ns
            return
        self._dumped_at = None
        if digging:
            self._dig_ns += step_ns

    def _look_for_break(self, stamp_ns: int, pose: Pose2) -> None:
        """Note whether the work rested up to a pose."""
        if self._stands_since is None or _apart_m(pose, self._stands_since[1]) > STANDING_M:
            self._stands_since = (stamp_ns, pose)
        before_ns = self._last_dump_ns if self._last is None else self._last[0]
        quiet_ns = 0 if before_ns is None else stamp_ns - before_ns
        self._had_break |= max(quiet_ns, stamp_ns - self._stands_since[0]) > BREAK_NS

    def dump(self) -> CycleTimes:
        """Close a cycle at the last pose and begin the next; return the times of the one done."""
        if self._last is None:
            return CycleTimes()
        now_ns, here = self._last
        times = self._times(now_ns, self._before_ns(now_ns, here))
        self._last_dump_ns, self._dumped_at = now_ns, here
        self._stands_since, self._had_break = self._last, False
        self._dig_ns = self._after_ns = 0
        self._whole = True
        self._recent.clear()
        return times

    def _before_ns(self, now_ns: int, here: Pose2) -> int:
        """Return how long the rover has stood where it dumps [ns]."""
        since_ns = now_ns
        for stamp_ns, pose in reversed(self._recent):
            if _apart_m(pose, here) > STANDING_M:
                break
            since_ns = stamp_ns
        return now_ns - since_ns

    def _times(self, now_ns: int, before_ns: int) -> CycleTimes:
        """Return the times of a cycle that ends now."""
        if self._last_dump_ns is None or self._had_break:
            return CycleTimes()
        cycle_ns = now_ns - self._last_dump_ns
        if not self._whole:
            return CycleTimes(cycle_s=cycle_ns / 1e9)
        dump_ns = min(cycle_ns, self._after_ns + before_ns)
        dig_ns = min(cycle_ns - dump_ns, self._dig_ns)
        haul_ns = cycle_ns - dump_ns - dig_ns
        return CycleTimes(cycle_ns / 1e9, dig_ns / 1e9, haul_ns / 1e9, dump_ns / 1e9)


def _apart_m(a: Pose2, b: Pose2) -> float:
    """Return the plan distance of two poses [m]."""
    return math.hypot(a.x_m - b.x_m, a.y_m - b.y_m)
