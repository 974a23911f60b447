# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Changes that no dump explains: soil lost, soil slid, soil added.

Every look is compared, cell by cell, with the surface as it was accepted. The mean difference of
3 x 3 cells goes into a two-sided tabular CUSUM per cell, in units of its noise, after an allowance
for what does not change from look to look: the error of the accepted surface and of the map's
shift (level of detection, 95 %) and the settling of fresh soil. With k = 0.5 and h = 5 one chart
alarms for nothing once in 465 looks (J. M. Lucas, R. B. Crosier 1982) when the allowance is used
up, far more rarely otherwise; and only a coherent group of alarming cells whose volume is
significant is a change. Soil added is never accepted by itself, so what came without a dump and
leaves again is no loss.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .change_charts import ALLOWANCE, ChangeCharts
from .changes import (
    Change,
    clusters,
    Evidence,
    FRINGE,
    judged_gain,
    judged_loss,
    LEAST_RISE_M,
    LEAST_SURE,
    NEWEST_LOOKS,
    SLIDE_REACH_M,
    smoothed_noise_m,
)
from .charts import Canvas, robust_spread, without_shared_shift
from .detection import level_of_detection
from .recent import RecentLooks
from ..geometry import Lattice
from ..survey.noise import GridNoise
from ..survey.surface import without_nan

__all__ = ['ALLOWANCE', 'Change', 'DisturbanceWatch']

# Limit of the charts, the sum from which cells around alarming ones belong to them, and the most
# that one look adds [sigma].
LIMIT = 5.0
EDGE = 2.0
MOST_PER_LOOK = 4.0
# A group of cells is judged when this share of it is in view, and is there still when the newest
# look shows this share of the mean change; what has passed is forgotten.
SEEN_SHARE = 0.5
PASSED_SHARE = 0.5
PLAIN_SIGMAS = 6.0
STAYING_SHARE = 0.8
# Fresh soil settles by up to this share of its height, which is no loss.
SETTLING_SHARE = 0.04
# Looks that a cell must have before it is accepted as first seen.
OPENING_LOOKS = 3.0
# A quiet cell is averaged into the accepted surface, at most with so much memory.
QUIET_SUM = 1.0
MEMORY_LOOKS = 64.0
# Its slopes are worked out again after so many looks, and wherever it is set anew.
SLOPE_LOOKS = 16
# What the kept layers of the last looks are called, oldest first.
RECENT = 'recent_'


class DisturbanceWatch:
    """
    Compares every look with the accepted surface.

    Parameters
    ----------
    lattice : Lattice
        The lattice.
    flat_index : array
        Place of each surveyed cell in the flattened lattice, shape (n,).

    """

    def __init__(self, lattice: Lattice, flat_index: NDArray[np.intp]) -> None:
        """Start with nothing accepted."""
        count = len(flat_index)
        self.accepted_m = np.full(count, np.nan, dtype=np.float32)
        self.accepted_looks = np.ones(count, dtype=np.float32)
        self.same_ns = np.zeros(count, dtype=np.int64)
        self.fill_m = np.zeros(count, dtype=np.float32)
        self._canvas = Canvas(lattice, flat_index)
        self._charts = ChangeCharts(count)
        self._recent = RecentLooks(count)
        # Slopes of the accepted surface, how steep it is, and looks since they were worked out.
        self._slope = np.zeros((2, count), dtype=np.float32)
        self._steep = np.zeros(count, dtype=np.float32)
        self._slope_looks = 0

    @property
    def has_fill(self) -> bool:
        """Whether soil lies there that came without a dump and that nobody has accepted."""
        return bool((self.fill_m > 0.0).any())

    def accept(
        self, cells: NDArray[np.intp] | NDArray[np.bool_], height_m: NDArray[np.floating],
        looks: NDArray[np.floating], stamp_ns: int,
    ) -> None:
        """
        Accept the surface at some cells as it stands: explained, or booked.

        Parameters
        ----------
        cells : array
            Which cells: indices, or a mask (n,).
        height_m, looks : array
            Surface and what it is worth, shape (n,).
        stamp_ns : int
            Time [ns].

        """
        self.accepted_m[cells] = height_m[cells]
        self.accepted_looks[cells] = np.clip(looks[cells], 1.0, None)
        self.same_ns[cells] = stamp_ns
        self.fill_m[cells] = 0.0
        self._restart(cells)

    # ---- kept over a restart -----------------------------------------------------------------

    def evidence(self) -> dict[str, tuple[int, NDArray[Any]]]:
        """
        Return what the looks since the last change have gathered, to be kept beside the books.

        Returns
        -------
        dict
            Stamp [ns], 0 where it has none, and array (n,) by name: sums of the charts, since
            when they stand, and the last looks near cells that have come to something.

        """
        out = self._charts.kept()
        reach = round(SLIDE_REACH_M / self._canvas.lattice.cell_m) + FRINGE
        active = self._canvas.near(
            np.maximum(self._charts.high, self._charts.low) > EDGE, reach)
        for place, (stamp_ns, height_m) in enumerate(self._recent.kept()):
            out[f'{RECENT}{place}'] = (stamp_ns, np.where(active, height_m, np.float32(np.nan)))
        return out

    def put_back(self, kept: Mapping[str, tuple[int, NDArray[Any]]]) -> None:
        """
        Go on from what ``evidence`` gave; anything else is left alone.

        Parameters
        ----------
        kept : mapping
            Stamp [ns] and array (n,) by name.

        """
        if 'chart_high' not in kept:
            return
        self._charts.put_back(kept)
        for name in sorted(name for name in kept if name.startswith(RECENT)):
            stamp_ns, height_m = kept[name]
            self._recent.add(height_m, stamp_ns)

    def doubt(self, cells: NDArray[np.intp]) -> None:
        """Take cells for not seen yet: what they will show is accepted as it is."""
        self.accepted_m[cells] = np.nan
        self.fill_m[cells] = 0.0
        self._restart(cells)

    def _restart(self, cells: NDArray[np.intp] | NDArray[np.bool_]) -> None:
        """Start the charts of some cells anew."""
        self._charts.restart(cells)
        self._recent.forget(cells)
        self._slope_looks = 0

    def reference_m(self) -> NDArray[np.float32]:
        """Return what looks are held against, (n,) [m]: what was accepted, and soil of no dump."""
        return self.accepted_m + self.fill_m

    def level(
        self, measured_m: NDArray[np.floating], open_cells: NDArray[np.bool_]
    ) -> tuple[NDArray[np.float32], float]:
        """
        Free a look of the shift that all its cells share against the accepted surface.

        Parameters
        ----------
        measured_m : array
            Heights of the look, shape (n,) [m]; NaN is not seen.
        open_cells : array
            Cells where a dump is still to be measured, shape (n,).

        Returns
        -------
        array
            Heights without it, shape (n,) [m].
        float
            Standard error of the planar shift taken off [m].

        """
        reference = self.reference_m()
        if self._slope_looks == 0:
            self._slope = self._canvas.slopes(reference)
            self._steep = np.hypot(*self._slope)
        self._slope_looks = (self._slope_looks + 1) % SLOPE_LOOKS
        base = without_nan(reference)
        measured = measured_m.astype(np.float32)
        measured -= base
        steady = np.isfinite(reference)
        steady &= ~open_cells
        left, planar_m = without_shared_shift(measured, self._slope, steady)
        return base + left, planar_m

    def look(
        self, level_m: NDArray[np.float32], planar_m: float, height_m: NDArray[np.floating],
        looks: NDArray[np.floating], open_cells: NDArray[np.bool_], *,
        ground_m: NDArray[np.floating], noise: GridNoise, shift_error_m: float, stamp_ns: int,
    ) -> list[Change]:
        """
        Take one look into account.

        Parameters
        ----------
        level_m, planar_m : array and float
            Heights of the look, shape (n,), and its error, as ``level`` gives them [m].
        height_m, looks : array
            Surface and what it is worth, shape (n,).
        open_cells : array
            Cells where a dump is still to be measured, or off the berm, shape (n,): nothing is
            judged there.
        ground_m : array
            Natural ground, shape (n,) [m].
        noise : GridNoise
            Noise of one look.
        shift_error_m : float
            Standard error of the height that the shift of the map leaves [m].
        stamp_ns : int
            Time of the look [ns].

        Returns
        -------
        list of Change
            Changes that have just been confirmed; soil that went or slid is accepted with it.

        """
        new = np.flatnonzero(np.isnan(self.accepted_m))
        new = new[(looks[new] >= OPENING_LOOKS) & ~open_cells[new] & np.isfinite(level_m[new])]
        if len(new):
            self.accept(new, height_m, looks, stamp_ns)
        reference = self.reference_m()
        left = level_m - reference
        left[np.flatnonzero(open_cells)] = np.nan
        self._recent.add(reference + left, stamp_ns)
        shared_m = np.minimum(self._steep * np.float32(planar_m), np.float32(shift_error_m))
        smooth = self._canvas.box_mean(left)
        unseen = np.isnan(left)
        smooth[np.flatnonzero(unseen)] = np.nan
        self._chart(smooth, ~unseen, reference - ground_m, noise, shared_m, stamp_ns)
        self._follow(left)
        return self._confirmed(
            smooth, ~open_cells & np.isfinite(reference), noise, shared_m, stamp_ns)

    def _chart(
        self, smooth_m: NDArray[np.float32], known: NDArray[np.bool_],
        standing_m: NDArray[np.floating], noise: GridNoise, shared_m: NDArray[np.float32],
        stamp_ns: int,
    ) -> None:
        """Bring the charts up to date; those of cells not known stay as they are."""
        one = smoothed_noise_m(noise)
        spread = np.float32(max(one, robust_spread(smooth_m)))
        # The level of detection: its factor times what it is made of.
        allowed = np.float32(one) / np.sqrt(self.accepted_looks)
        allowed += shared_m
        allowed *= np.float32(level_of_detection(1.0, 0.0))
        fallen = smooth_m + allowed
        # The settling of fresh soil is no loss; fmax and fmin make zero of NaN.
        standing = standing_m.astype(np.float32)
        standing *= np.float32(SETTLING_SHARE)
        fallen += np.fmax(standing, np.float32(0.0))
        beyond = np.fmax(smooth_m - allowed, np.float32(0.0))
        beyond += np.fmin(fallen, np.float32(0.0))
        beyond /= spread
        np.clip(beyond, -MOST_PER_LOOK, MOST_PER_LOOK, out=beyond)
        quiet = self._charts.add(beyond, known, stamp_ns)
        # Stamps only grow; the greater one is quicker than a choice cell by cell.
        np.maximum(self.same_ns, quiet * np.int64(stamp_ns), out=self.same_ns)

    def _follow(self, left_m: NDArray[np.float32]) -> None:
        """Average quiet cells into the accepted surface."""
        quiet = np.isfinite(left_m) & (self._charts.low < QUIET_SUM)
        quiet &= self._charts.high < QUIET_SUM
        counts = quiet.astype(np.float32)
        step = without_nan(left_m)
        step *= counts
        step /= np.minimum(self.accepted_looks + np.float32(1.0), np.float32(MEMORY_LOOKS))
        self.accepted_m += step
        self.accepted_looks += counts
        np.minimum(self.accepted_looks, np.float32(2.0 * MEMORY_LOOKS - 1.0),
                   out=self.accepted_looks)

    def _confirmed(
        self, smooth_m: NDArray[np.float32], judged: NDArray[np.bool_], noise: GridNoise,
        shared_m: NDArray[np.float32], stamp_ns: int,
    ) -> list[Change]:
        """Return the groups of alarming cells that are a change; book-keep each."""
        out: list[Change] = []
        for gain in (False, True):
            sums = self._charts.high if gain else self._charts.low
            since_ns = self._charts.gained_ns if gain else self._charts.lost_ns
            for group in self._alarming(sums, judged, smooth_m):
                first = self._begin(since_ns[group])
                evidence = self._evidence(first, judged, noise, shared_m)
                core = self._still_there(evidence, group, smooth_m)
                if len(core) < STAYING_SHARE * len(group):
                    continue
                window = self._window(core)
                change = judged_gain(evidence, core, first, window, stamp_ns) if gain else (
                    judged_loss(evidence, core, first, window))
                out += self._settled(change, stamp_ns)
        return out

    def _still_there(
        self, evidence: Evidence, core: NDArray[np.intp], smooth_m: NDArray[np.float32]
    ) -> NDArray[np.intp]:
        """Return the cells where the newest look shows the change too; forget the others."""
        since = evidence.mean_m[core] - evidence.accepted_m[core] - evidence.fill_m[core]
        now = smooth_m[core]
        known = np.isfinite(since) & np.isfinite(now)
        middle = [float(np.median(v[known])) if known.any() else 0.0 for v in (since, now)]
        if middle[0] * middle[1] <= 0.0 or abs(middle[1]) < PASSED_SHARE * abs(middle[0]):
            self._restart(core)
            return core[:0]
        # What is far beyond the noise of one look is judged cell by cell.
        with np.errstate(invalid='ignore'):
            passed = (np.abs(since) > PLAIN_SIGMAS * smoothed_noise_m(evidence.noise)) & (
                np.sign(since) * now < PASSED_SHARE * np.abs(since))
        if passed.any():
            self._restart(core[passed])
        return core[~passed]

    def _alarming(
        self, sums: NDArray[np.float32], judged: NDArray[np.bool_], smooth_m: NDArray[np.float32]
    ) -> list[NDArray[np.intp]]:
        """Return groups of cells around charts above the limit, as far as in view now."""
        above = np.flatnonzero(sums > LIMIT)
        above = above[judged[above]]
        if len(above) < LEAST_SURE:
            return []
        around = (sums > EDGE) & judged
        if np.count_nonzero(self._canvas.in_core(above, around)) < LEAST_SURE:
            return []
        sure = np.zeros(len(sums), dtype=bool)
        sure[above] = True
        seen = np.isfinite(smooth_m)
        groups = clusters(self._canvas, around, sure)
        return [group for group in groups if np.mean(seen[group]) >= SEEN_SHARE]

    @staticmethod
    def _begin(since_ns: NDArray[np.int64]) -> int:
        """Return when a change began that cells have noticed at different looks [ns]."""
        # Up to a third of the charts stand above zero by chance before anything happens.
        return int(np.sort(since_ns)[2 * len(since_ns) // 5])

    def _window(self, core: NDArray[np.intp]) -> int:
        """Return when a group of cells was last seen unchanged [ns]."""
        return int(np.median(self.same_ns[core]))

    def _evidence(
        self, first_ns: int, judged: NDArray[np.bool_], noise: GridNoise,
        shared_m: NDArray[np.float32],
    ) -> Evidence:
        """Return the looks since a time against the accepted surface."""
        mean_m, looks = self._recent.mean_since(first_ns)
        return Evidence(
            self._canvas, self.accepted_m.astype(float), self.accepted_looks.astype(float),
            self.fill_m.astype(float), mean_m, looks, self._recent.mean_of_last(NEWEST_LOOKS),
            judged, noise, shared_m)

    def _settled(self, change: Change | None, stamp_ns: int) -> list[Change]:
        """Accept what is to be booked, keep soil of no dump, and return what is worth an entry."""
        if change is None:
            return []
        cells = change.cells
        if change.kind in ('disturbed', 'slump'):
            self.accepted_m[cells] = change.height_m
            self.accepted_looks[cells] = change.looks
            self.fill_m[cells] = 0.0
        else:
            above = np.maximum(change.height_m - self.accepted_m[cells], 0.0)
            self.fill_m[cells] = above if change.kind == 'unbooked_fill' else 0.0
        self.same_ns[cells] = stamp_ns
        self._restart(cells)
        if change.kind == 'removed_fill':
            # A seam of it that is no more than noise has gone with the rest.
            gone = np.zeros(len(self.fill_m), dtype=bool)
            gone[cells] = True
            self.fill_m[self._canvas.near(gone, FRINGE) & (self.fill_m < LEAST_RISE_M)] = 0.0
            return []
        return [change]
