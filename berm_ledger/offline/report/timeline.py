# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Timeline of one berm: the height of each segment, and what happened to it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
import math
from typing import Any

from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
import numpy as np
from numpy.typing import NDArray

from .canvas import new_figure, Picture, png_of, ruled, span_of
from .facts import Facts, Z95
from .palette import BLACK, BLUE, DESIGN_DASHES, GREEN, PALE, PURPLE, VERMILLION, WHITE
from ...books import Entry, Row
from ...books.statement import NS_PER_S, stamp_text
from ...design import Berm

MOST_PANELS = 8
PANEL_IN = 0.92
# Units of the time axis: name, seconds, and up to how many seconds it is used.
UNITS = (('s', 1.0, 180.0), ('min', 60.0, 3.0 * 3600.0), ('h', 3600.0, 4.0 * 86400.0),
         ('days', 86400.0, math.inf))
# Events with a marker: shape, label, fill, size.
MARKS = {
    'dump': ('v', 'dump', WHITE, 5.0), 'at_grade': ('o', 'reached grade', GREEN, 4.0),
    'reworked': ('s', 'rework done', 'none', 8.0)}
# Signs of changes closer than this part of the whole time are joined: one takes as much room.
CLOSE_SHARE = 0.035


@dataclass(frozen=True)
class Clock:
    """
    The time axis.

    Parameters
    ----------
    first_ns, last_ns : int
        Stamps of its ends [ns].

    """

    first_ns: int
    last_ns: int

    @property
    def unit(self) -> tuple[str, float]:
        """Name and length [s] of the unit that suits the whole time."""
        whole_s = (self.last_ns - self.first_ns) / NS_PER_S
        return next((name, size) for name, size, most in UNITS if whole_s <= most)

    def at(self, stamp_ns: int) -> float:
        """Return the place of a stamp, in the unit."""
        return (stamp_ns - self.first_ns) / NS_PER_S / self.unit[1]


@dataclass(frozen=True, eq=False)
class Course:
    """
    Readings of one segment over time.

    Parameters
    ----------
    time : array
        When, shape (n,), in the unit of the clock.
    height_m, height_se_m : array
        Mean crest height and its standard error, shape (n,) [m]; NaN is unknown.

    """

    time: NDArray[np.float64]
    height_m: NDArray[np.float64]
    height_se_m: NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class History:
    """
    What was booked on one berm.

    Parameters
    ----------
    clock : Clock
        The time axis.
    courses : dict
        Readings by number of the segment.
    marks : dict
        Entries that have a marker, by number of the segment.
    changes : dict
        Stamp [ns] and sign of changes without a dump, by number of the segment.
    holds : list of tuple
        From when to when targets were held back [ns].

    """

    clock: Clock
    courses: dict[int, Course]
    marks: dict[int, list[Entry]]
    changes: dict[int, list[tuple[int, str]]]
    holds: list[tuple[int, int]]


def history_of(facts: Facts, berm: Berm) -> History:
    """Return what was booked on a berm, sorted out by segment."""
    clock = Clock(facts.first_ns, facts.last_ns)
    readings: dict[int, list[tuple[float, float, float]]] = {}
    marks: dict[int, list[Entry]] = {}
    changes: dict[int, list[tuple[int, str]]] = {}
    for entry in facts.entries:
        if entry.berm != berm.name or entry.segment is None:
            continue
        if entry.kind == 'reading':
            height, error = (entry.data.get(name) for name in ('height_m', 'height_se_m'))
            readings.setdefault(entry.segment, []).append((
                clock.at(entry.stamp_ns), math.nan if height is None else float(height),
                math.nan if error is None else float(error)))
        elif entry.kind in MARKS:
            marks.setdefault(entry.segment, []).append(entry)
    for event in facts.events_of(berm):
        if event.entry.segment is not None:
            changes.setdefault(event.entry.segment, []).append(
                (event.entry.stamp_ns, event.sign))
    courses = {number: Course(*np.array(sorted(lines, key=lambda line: line[0])).T)
               for number, lines in readings.items()}
    return History(clock, courses, marks, changes, holds_of(facts.entries, facts.last_ns))


def holds_of(entries: Sequence[Entry], end_ns: int) -> list[tuple[int, int]]:
    """Return from when to when targets were held back [ns]; an open hold lasts to the end."""
    spans: list[tuple[int, int]] = []
    since: int | None = None
    for entry in entries:
        if entry.kind == 'hold' and since is None:
            since = entry.stamp_ns
        elif entry.kind == 'resume' and since is not None:
            spans.append((since, entry.stamp_ns))
            since = None
    return spans if since is None else [*spans, (since, end_ns)]


def timelines(facts: Facts, berm_index: int) -> list[Picture]:
    """
    Draw the heights of all segments of one berm over time.

    Parameters
    ----------
    facts : Facts
        What is known.
    berm_index : int
        Which berm.

    Returns
    -------
    list of Picture
        As many as the segments take.

    """
    berm = facts.site.berms[berm_index]
    rows = facts.rows_of(berm)
    history = history_of(facts, berm)
    parts = [rows[first:first + MOST_PANELS] for first in range(0, len(rows), MOST_PANELS)]
    return [_sheet(history, berm, f'timeline-{berm_index + 1}-{number}', part,
                   '' if len(parts) == 1 else f' {number} of {len(parts)}')
            for number, part in enumerate(parts, 1)]


def _sheet(
    history: History, berm: Berm, name: str, rows: Sequence[Row], sheets: str
) -> Picture:
    """Draw some segments on one picture."""
    clock = history.clock
    figure = new_figure(PANEL_IN * len(rows) + 0.5)
    panels = figure.subplots(len(rows), 1, sharex=True, squeeze=False).ravel()
    span = _height_span(berm, rows, history.courses)
    for axes, row in zip(panels, rows):
        _panel(axes, history, berm, row)
        axes.set_ylim(span)
        axes.annotate(f'seg. {row.segment}', (1.01, 0.5), xycoords='axes fraction', va='center',
                      fontweight='bold', fontsize=7.5, annotation_clip=False)
        ruled(axes)
    panels[-1].set(
        xlim=(0.0, max(clock.at(clock.last_ns), 1e-3)),
        xlabel=f'time since the first entry, {stamp_text(clock.first_ns)} [{clock.unit[0]}]')
    figure.supylabel('crest height above natural ground [m]', fontsize=8.0)
    figure.legend(handles=_legend(history), loc='upper center', ncol=4,
                  bbox_to_anchor=(0.53, 0.0))
    return Picture(
        name, png_of(figure), f'Timeline{sheets}',
        'Mean crest height of each segment with its 95 % confidence band, and what was booked on '
        'it. Dumps stand on the segment where they were announced; they feed its neighbours too.',
        f'Height of segments {rows[0].segment} to {rows[-1].segment} over time, with dumps and '
        'disturbances.')


def _height_span(
    berm: Berm, rows: Sequence[Row], courses: dict[int, Course]
) -> tuple[float, float]:
    """Return limits of height that suit all panels [m]."""
    parts = [courses[row.segment].height_m for row in rows if row.segment in courses]
    parts.append(np.array([row.target_height_m + berm.height_tolerance_m for row in rows]))
    low, high = span_of(np.concatenate([*parts, [0.0]]), 0.05)
    return low - 0.14 * (high - low), high


def _panel(axes: Axes, history: History, berm: Berm, row: Row) -> None:
    """Draw one segment."""
    clock = history.clock
    if math.isfinite(row.target_height_m):
        axes.axhspan(row.target_height_m - berm.height_tolerance_m,
                     row.target_height_m + berm.height_tolerance_m, color=PALE, linewidth=0)
        axes.axhline(row.target_height_m, color=BLACK, linestyle=DESIGN_DASHES, linewidth=0.9)
    for start_ns, end_ns in history.holds:
        axes.axvspan(clock.at(start_ns), clock.at(end_ns), facecolor='none', edgecolor=PURPLE,
                     hatch='...', alpha=0.6, linewidth=0)
    course = history.courses.get(row.segment)
    if course is not None:
        _course(axes, course, clock)
    for entry in history.marks.get(row.segment, []):
        _mark(axes, clock, entry)
    _changes(axes, clock, history.changes.get(row.segment, []))


def _course(axes: Axes, course: Course, clock: Clock) -> None:
    """Draw the height of a segment; a reading holds until the next."""
    time = np.append(course.time, clock.at(clock.last_ns))
    height = np.append(course.height_m, course.height_m[-1])
    error = Z95 * np.append(course.height_se_m, course.height_se_m[-1])
    axes.fill_between(time, height - error, height + error, step='post', color=BLUE, alpha=0.25,
                      linewidth=0)
    axes.plot(time, height, drawstyle='steps-post', color=BLUE, linewidth=1.1)


def _mark(axes: Axes, clock: Clock, entry: Entry) -> None:
    """Draw one event that has a marker: at its height, or along the bottom."""
    marker, _, colour, size = MARKS[entry.kind]
    height = entry.data.get('height_m')
    style: dict[str, Any] = {
        'marker': marker, 'markersize': size, 'markerfacecolor': colour, 'linestyle': '',
        'markeredgecolor': BLACK, 'markeredgewidth': 0.7, 'zorder': 5, 'clip_on': False}
    if height is None:
        style['transform'] = axes.get_xaxis_transform()
    axes.plot([clock.at(entry.stamp_ns)], [0.07 if height is None else float(height)], **style)


def _changes(axes: Axes, clock: Clock, changes: Sequence[tuple[int, str]]) -> None:
    """Draw changes of one segment; signs of those close together are joined."""
    close_ns = CLOSE_SHARE * (clock.last_ns - clock.first_ns)
    groups: list[list[tuple[int, str]]] = []
    for stamp_ns, sign in sorted(changes):
        axes.axvline(clock.at(stamp_ns), color=VERMILLION, linestyle='--', linewidth=1.1)
        if groups and stamp_ns - groups[-1][-1][0] <= close_ns:
            groups[-1].append((stamp_ns, sign))
        else:
            groups.append([(stamp_ns, sign)])
    for group in groups:
        signs = [sign for _, sign in group]
        text = ', '.join(signs) if len(signs) <= 3 else f'{signs[0]} to {signs[-1]}'
        axes.annotate(text, (clock.at(group[0][0]), 0.4), xycoords=axes.get_xaxis_transform(),
                      xytext=(-3, 0), textcoords='offset points', ha='right', va='center',
                      fontsize=7.0, fontweight='bold',
                      bbox={'facecolor': WHITE, 'edgecolor': 'none', 'pad': 0.6})


def _legend(history: History) -> list[Any]:
    """Return the entries of the legend: of what was booked only."""
    handles: list[Any] = [
        Line2D([], [], color=BLUE, linewidth=1.1, label='crest height, 95 % band'),
        Line2D([], [], color=BLACK, linestyle=DESIGN_DASHES, linewidth=0.9, label='design'),
        Patch(facecolor=PALE, label='tolerance')]
    kinds = {entry.kind for entries in history.marks.values() for entry in entries}
    for kind, (marker, label, colour, size) in MARKS.items():
        if kind in kinds:
            handles.append(Line2D([], [], linestyle='', marker=marker, markersize=size,
                                  markerfacecolor=colour, markeredgecolor=BLACK, label=label))
    if history.changes:
        handles.append(Line2D([], [], color=VERMILLION, linestyle='--', linewidth=1.1,
                              label='change without a dump'))
    if history.holds:
        handles.append(Patch(facecolor='none', edgecolor=PURPLE, hatch='...', alpha=0.6,
                             linewidth=0, label='on hold'))
    return handles
