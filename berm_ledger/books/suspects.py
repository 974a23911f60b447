# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
What the charts suspect: groups of cells, when their change began, what the looks since say.

The charts only point. When a change began is the split of the last looks that tells most: the sum
of what a group has moved since, over the root of their number, is greatest there (the likelihood
ratio for a step of a normal mean). All that is reckoned then is reckoned in a rectangle around the
group.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .accepted import AcceptedSurface
from .change_charts import ChangeCharts, LIMIT, ShiftError
from .changes import (
    Cells,
    Change,
    clusters,
    Evidence,
    FRINGE,
    JOINED,
    LEAST_AREA_M2,
    LEAST_SURE,
    NEWEST_LOOKS,
    smoothed_noise_m,
)
from .charts import Canvas
from .recent import RecentLooks
from .verdicts import assessed_gain, assessed_losses, is_plain, looks_more, SLIDE_REACH_M
from ..kernels import compiled
from ..survey.middle import median, median_ns
from ..survey.noise import GridNoise

Singles = NDArray[np.float32]

# Sum from which cells around alarming ones belong to them [sigma].
EDGE = 2.0
# A group of cells is judged when this share of it is in view, and is there still when the newest
# look shows this share of the mean change, or is not further from it than noise; what has passed
# is forgotten.
SEEN_SHARE = 0.5
PASSED_SHARE = 0.5
PASSED_SIGMAS = 2.5
PLAIN_SIGMAS = 6.0
STAYING_SHARE = 0.8
# Looks show one and the same change when its mean is so many times its standard error by how they
# differ: what two of four show, wrong at the same cells, is none.
STEADY_SIGMAS = 3.5
# Where a load is about to bury it, a loss seen so often is booked if it is plain.
BURIED_LOOKS = 2


class Began(NamedTuple):
    """
    When a change began by the looks kept [ns].

    And whether all that show its place show it, and whether those since show it one like another.
    """

    since_ns: int
    all_along: bool
    steady: bool


@dataclass(frozen=True, eq=False)
class Scene:
    """
    All that is to be known of a look against what was accepted.

    Parameters
    ----------
    canvas : Canvas
        The m cells watched on their lattice.
    charts : ChangeCharts
        Their charts, the look taken in.
    recent : RecentLooks
        The last looks, this one too.
    accepted : AcceptedSurface
        What was accepted.
    smooth_m : array
        Mean difference of 3 x 3 cells of this look, shape (m,) [m]; NaN is not seen.
    open_cells : array
        Cells where a dump is still to be measured, shape (n,): nothing is judged there.
    noise : GridNoise
        Noise of one look.
    shift : ShiftError
        What is unknown of its shift.
    ground_m : array
        Natural ground, shape (n,) [m].
    at : array
        The cells watched among the n, shape (m,).
    stamp_ns : int
        Time of the look [ns].

    """

    canvas: Canvas
    charts: ChangeCharts
    recent: RecentLooks
    accepted: AcceptedSurface
    smooth_m: Singles
    open_cells: Cells
    noise: GridNoise
    shift: ShiftError
    ground_m: NDArray[np.floating]
    at: NDArray[np.intp]
    stamp_ns: int

    def reference_m(self, own: NDArray[np.intp]) -> Singles:
        """Return what looks at some of the m cells are held against [m]."""
        return self.accepted.reference_m(self.at[own])

    def judged(self, own: NDArray[np.intp]) -> Cells:
        """Tell which of some of the m cells may be judged at all."""
        out: Cells = ~self.open_cells[self.at[own]] & np.isfinite(self.reference_m(own))
        return out

    def groups(self, *, gain: bool) -> list[NDArray[np.intp]]:
        """Return groups of cells around charts above their limit."""
        sums = self.charts.high if gain else self.charts.low
        reach = round(SLIDE_REACH_M / self.cell_m)
        # Where nothing was accepted yet the sums are zero.
        if compiled.groups is not None:
            found = compiled.groups.groups(
                sums, self.open_cells, self.at, *self.canvas.places, LIMIT, EDGE, reach, JOINED,
                LEAST_AREA_M2 / self.canvas.lattice.cell_area_m2, LEAST_SURE)
            return [np.array(group, dtype=np.intp) for group in found]
        sums = np.where(self.open_cells[self.at], np.float32(0.0), sums)
        above = np.flatnonzero(sums > LIMIT)
        if len(above) < LEAST_SURE:
            return []
        around = sums > EDGE
        if np.count_nonzero(self.canvas.in_core(above, around)) < LEAST_SURE:
            return []
        sure = np.zeros(len(sums), dtype=bool)
        sure[above] = True
        # Far from any of them nothing can belong to a group that holds some.
        index, canvas = self.canvas.around(above, reach)
        return [index[group] for group in clusters(canvas, around[index], sure[index])]

    @property
    def cell_m(self) -> float:
        """Edge of a cell [m]."""
        return self.canvas.lattice.cell_m

    def in_view(self, group: NDArray[np.intp]) -> bool:
        """Tell whether the look shows enough of a group."""
        return bool(np.mean(np.isfinite(self.smooth_m[group])) >= SEEN_SHARE)

    def began(self, group: NDArray[np.intp], *, gain: bool) -> Began | None:
        """Return which look was the first to show a change, None where none shows its place."""
        stamps, course = self.recent.course(group, self.reference_m(group), SEEN_SHARE)
        if not len(course):
            return None
        toward = course if gain else -course
        since = np.cumsum(toward[::-1]) / np.sqrt(np.arange(1, len(course) + 1))
        first = len(course) - 1 - int(np.argmax(since))
        return Began(int(stamps[first]), all_along=first == 0, steady=_is_steady(toward[first:]))

    def evidence(
        self, group: NDArray[np.intp], since_ns: int
    ) -> tuple[NDArray[np.intp], Evidence]:
        """Return the cells around a group, and the looks since a time at them."""
        reach = round(SLIDE_REACH_M / self.cell_m) + 2 * FRINGE
        index, canvas = self.canvas.around(group, reach)
        mean_m, looks = self.recent.mean_since(since_ns, index)
        cells = self.at[index]
        accepted_m, worth, fill_m = (
            values[cells].astype(float) for values in (
                self.accepted.height_m, self.accepted.looks, self.accepted.fill_m))
        standing_m = accepted_m - self.ground_m[cells]
        return index, Evidence(
            canvas, accepted_m, worth, fill_m, mean_m, looks,
            self.recent.mean_of_last(NEWEST_LOOKS, index), self.judged(index), self.noise,
            self.shift.at(index).astype(float),
            np.fmax(standing_m, 0.0))

    def assessed(
        self, group: NDArray[np.intp], since_ns: int, *, gain: bool
    ) -> list[Change]:
        """Return what a group has come to since it began, be that enough to book or not."""
        index, evidence = self.evidence(group, since_ns)
        core = np.searchsorted(index, group)
        window_ns = median_ns(self.accepted.same.at(self.at[group]))
        changes = [assessed_gain(evidence, core)] if gain else assessed_losses(evidence, core)
        return [change.placed(self.at[index], since_ns, window_ns) for change in changes if change]

    def passed(self, group: NDArray[np.intp], since_ns: int) -> NDArray[np.intp]:
        """Return the cells of a group where the newest look shows that the change has gone."""
        since = self.recent.mean_since(since_ns, group)[0] - self.reference_m(group)
        now = self.smooth_m[group]
        one = smoothed_noise_m(self.noise)
        known = np.isfinite(since) & np.isfinite(now)
        was, here = (median(v[known]) if known.any() else 0.0 for v in (since, now))
        if was * here <= 0.0 or abs(here) < PASSED_SHARE * abs(was):
            if abs(was - here) > PASSED_SIGMAS * one:
                return group
        # What is far beyond the noise of one look is judged cell by cell.
        with np.errstate(invalid='ignore'):
            gone = (np.abs(since) > PLAIN_SIGMAS * one) & (
                np.sign(since) * now < PASSED_SHARE * np.abs(since))
        return group[gone]

    def plain_losses(self, buried: Cells) -> Iterator[Change]:
        """
        Yield losses at some cells that have not been seen often enough yet, but are plain.

        Parameters
        ----------
        buried : array
            Cells that a load is about to bury, shape (n,).

        Yields
        ------
        Change
            One after the other: what is accepted of one may change the next.

        """
        least = BURIED_LOOKS + looks_more(self.noise)
        for group in self.groups(gain=False):
            if not buried[self.at[group]].any():
                continue
            began = self.began(group, gain=False)
            if began is None or not began.steady:
                continue
            for change in self.assessed(group, began.since_ns, gain=False):
                if (change.kind == 'disturbed' and change.seen >= least
                        and is_plain(change)):
                    yield change


def _is_steady(course_m: NDArray[np.float64]) -> bool:
    """Tell whether some looks, one by one (l,) [m], show one change; of two it is not asked."""
    count = len(course_m)
    if count <= 2:
        return True
    error_m = course_m.std(ddof=1) / math.sqrt(count)
    return bool(course_m.mean() >= STEADY_SIGMAS * error_m)
