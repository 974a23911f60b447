# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Health of the ledger, by the conventions of ROS diagnostics; knows no ROS itself.

OK: works as it should. WARN: works, but somebody should look. ERROR: does not work. STALE:
nothing has come in, so nothing can be said. Rates come from the stamps of the messages; silence
is counted in reports, not in seconds, so that nothing here reads a clock.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
import math
from typing import Any

from .messages.diagnostics import ERROR, OK, STALE, Status, WARN
from .table_text import age_text
from ..inputs import DUMP, ELEVATION, POSE
from ..wording import counted

# What the ledger is to be told where a topic is published as another type than it takes.
WHAT_TO_SET = {POSE: '; set pose_type, or publish that',
               ELEVATION: '; set elevation_type, or publish that'}
RATE_WINDOW = 20
SILENT_REPORTS = 5
# After so long out of sight of the berm it is said that nothing new of it was seen [ns].
UNSEEN_NS = 10_000_000_000


class InputMonitor:
    """
    Counts what comes in on one topic.

    Parameters
    ----------
    role : str
        What comes in on it, which is how its status is named.
    topic : str
        Full name of the topic.
    steady : bool
        Whether messages should keep coming; a dump is announced when there is one.

    """

    def __init__(self, role: str, topic: str, *, steady: bool = True) -> None:
        """Begin with nothing received."""
        self.role, self.topic = role, topic
        self._steady = steady
        self._stamps: deque[int] = deque(maxlen=RATE_WINDOW)
        self._total = self._refused = 0
        self._fresh = self._fresh_refused = self._silent = 0
        self._last_refusal = ''

    def note(self, stamp_ns: int, refusal: str = '') -> None:
        """Note one message: its stamp [ns] and why it was refused, empty when it was used."""
        self._total += 1
        self._fresh += 1
        if refusal:
            self._refused += 1
            self._fresh_refused += 1
            self._last_refusal = refusal
        if not self._stamps or stamp_ns > self._stamps[-1]:
            self._stamps.append(stamp_ns)

    @property
    def rate_hz(self) -> float | None:
        """Rate over the last stamps [Hz]; None where there are too few."""
        if len(self._stamps) < 2:
            return None
        return (len(self._stamps) - 1) * 1e9 / (self._stamps[-1] - self._stamps[0])

    def report(self, mistaken: Callable[[], str] = str) -> Status:
        """
        Return the status since the last report.

        Parameters
        ----------
        mistaken : callable
            Says what the topic is published as, where that is not what is subscribed; empty else.
            Only asked while nothing has come in: the graph is slow to tell.

        """
        level, message = self._judge()
        if not self._total and (text := mistaken()):
            level, message = ERROR, f'nothing can come in: {text}{WHAT_TO_SET.get(self.role, "")}'
        values: dict[str, object] = {
            'topic': self.topic, 'messages': self._total, 'refused': self._refused}
        if self._steady:
            rate = self.rate_hz
            values['rate_hz'] = 'unknown' if rate is None else f'{rate:.2f}'
        if self._last_refusal:
            values['last_refusal'] = self._last_refusal
        self._fresh = self._fresh_refused = 0
        return Status(self.role, message, level, values)

    def _judge(self) -> tuple[int, str]:
        """Return level and message."""
        self._silent = 0 if self._fresh else self._silent + 1
        if self._fresh_refused:
            level = ERROR if self._fresh_refused == self._fresh else WARN
            return level, (f'{self._fresh_refused} of the last {self._fresh} refused: '
                           f'{self._last_refusal}')
        if not self._steady:
            return OK, f'{self._total} announced'
        if not self._total:
            return STALE, f'nothing has come in: does anything publish {self.topic}?'
        if self._silent >= SILENT_REPORTS:
            return STALE, f'nothing has come in on {self.topic} for a while'
        rate = self.rate_hz
        return OK, 'coming in' if rate is None else f'{rate:.1f} Hz'


def input_statuses(
    monitors: Mapping[str, InputMonitor], mistaken: Callable[[str], str], silence: str,
    pipeline: Any, loads: str,
) -> list[Status]:
    """
    Return the status of every topic since the last report.

    Parameters
    ----------
    monitors : mapping
        The monitor of each topic.
    mistaken : callable
        Says what a topic is published as, where that is not what is subscribed; empty else.
    silence : str
        That no look could be used for long, and why, or that grids are too sparse; empty when that
        is not so.
    pipeline : Pipeline
        When it has seen each segment last.
    loads : str
        That loads come to lie off the drop point, or are not measured; empty when that is not so.

    Returns
    -------
    list of Status
        That of elevation is a warning where grids come in and tell nothing, that of dumps where
        loads come to lie elsewhere or are not measured.

    """
    statuses = {kind: monitor.report(partial(mistaken, kind))
                for kind, monitor in monitors.items()}
    status = statuses[ELEVATION]
    last_ns = max(pipeline.looked_ns.values(), default=pipeline.stamp_ns)
    if status.level == OK and silence:
        statuses[ELEVATION] = replace(status, level=WARN, message=silence)
    elif status.level == OK and pipeline.stamp_ns - last_ns >= UNSEEN_NS:
        unseen = age_text(pipeline.stamp_ns, last_ns)
        statuses[ELEVATION] = replace(
            status, message=f'{status.message}, nothing new of the berm for {unseen}')
    if loads and DUMP in statuses and statuses[DUMP].level == OK:
        statuses[DUMP] = replace(statuses[DUMP], level=WARN, message=loads)
    return list(statuses.values())


class RefusalMonitor:
    """Tells which refusals came since the last report."""

    def __init__(self) -> None:
        """Begin with none."""
        self._before: dict[str, int] = {}

    def report(self, counters: Mapping[str, int]) -> Status:
        """Return the status of the counters by code; a code that grew is a warning."""
        grown = [code for code, count in sorted(counters.items())
                 if count > self._before.get(code, 0)]
        self._before = dict(counters)
        values = dict(sorted(counters.items()))
        if grown:
            return Status('refusals', f'more of {", ".join(grown)}', WARN, values)
        total = sum(counters.values())
        return Status('refusals', f'{total} so far, none new', OK, values)


def journal_status(path: str, fault: str, last_seq: int, waiting: int) -> Status:
    """Return the status of the books file."""
    values = {'file': path, 'entries': last_seq, 'waiting': waiting}
    if fault:
        return Status('journal', f'{fault}; nothing is published', ERROR, values)
    return Status('journal', f'{counted(last_seq, "entry", "entries")} written', OK, values)


def books_status(
    on_hold: bool, hold_text: str, flags: int, has_datum: bool, several: str
) -> Status:
    """Return what an operator should know of the books, and of others told beside them."""
    values = {'on_hold': str(on_hold).lower(), 'flagged_segments': flags,
              'datum': 'taken' if has_datum else 'none'}
    if several:
        return Status('books', several, ERROR, values)
    if on_hold:
        return Status('books', f'on hold: {hold_text}', WARN, values)
    if flags:
        return Status('books', f'{counted(flags, "segment")} to be reworked', WARN, values)
    if not has_datum:
        return Status('books', 'the natural ground has not been surveyed', WARN, values)
    return Status('books', 'in order', OK, values)


def masked_status(counters: Mapping[str, int]) -> Status:
    """Return how many cells of used grids were left out, by reason, from the counters."""
    values: dict[str, object] = {
        code: count for code, count in sorted(counters.items()) if code.startswith('cells_')}
    total = sum(counters[code] for code in values)
    were = f'{counted(total, "cell")} of the grids used {"was" if total == 1 else "were"}'
    return Status('masked', f'{were} left out', OK, values)


def registration_status(health: Any) -> Status:
    """Return where the last grid lay against the site surface, from the pipeline's health."""
    shift, (tilt, yaw) = health.shift, health.shift.attitude
    values = {
        'dx_m': shift.dx_m, 'dy_m': shift.dy_m, 'dz_m': shift.dz_m, 'se_xy_m': shift.se_xy_m,
        'se_z_m': shift.se_z_m, 'tilt_x': tilt.slope_xy[0], 'tilt_y': tilt.slope_xy[1],
        'yaw_rad': yaw.yaw_rad,
        'residual_m': shift.residual_m, 'cells_compared': shift.cells,
        'planar_observed': str(shift.planar_observed).lower(), 'noise_m': health.noise_m,
        'judged_within_m': health.judged_within_m}
    if health.grid_ns is None:
        # The shift is that of the last run, if there was one; how sure it is now is not known.
        values.update(se_xy_m=math.nan, se_z_m=math.nan)
        return Status('registration', 'no grid used yet', STALE, values)
    shifts = (round(1e3 * value_m) for value_m in (shift.dx_m, shift.dy_m, shift.dz_m))
    text = f'map shift {", ".join(map(str, shifts))} mm removed'
    if tilt:
        degrees = math.degrees(math.atan(math.hypot(*tilt.slope_xy)))
        text += f'; tilted by {degrees:.2f} degrees'
    if yaw:
        text += f'; turned by {math.degrees(yaw.yaw_rad):.2f} degrees'
    if math.isfinite(health.judged_within_m):
        text += (f'; further than {health.judged_within_m:.2f} m off the grids are too noisy to '
                 f'tell what came or went')
    if shift.cells and not shift.planar_observed:
        text += '; too little relief to see the planar part'
    return Status('registration', text, OK, values)
