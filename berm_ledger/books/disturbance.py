# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Changes that no dump explains: soil lost, soil slid, soil added.

Every look is compared, cell by cell, with the surface as it was accepted. The mean difference of
3 x 3 cells goes into a two-sided tabular CUSUM per cell, in units of its noise, after an allowance
for what does not change from look to look: the error of the accepted surface and of the map's
shift (level of detection, 95 %). With k = 0.5 and h = 5 one chart alarms for nothing once in 465
looks (J. M. Lucas, R. B. Crosier 1982) when the allowance is used up, far more rarely otherwise;
the charts only point, and a coherent group of alarming cells is a change when its looks say so
(``suspects``, ``verdicts``).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .accepted import AcceptedSurface
from .change_charts import ALLOWANCE, ChangeCharts, Compared, LIMIT, ShiftError
from .changes import Change, FRINGE, LEAST_SURE
from .charts import Canvas, pieces_among, shown_among
from .chords import beyond_chord, ChordErrors
from .recent import RecentLooks
from .shared_shift import LevelLook, SharedShift
from .standing_since import StandingSince
from .suspects import EDGE, Scene, STAYING_SHARE
from .verdicts import is_proven, lasts, LEAST_RISE_M, SLIDE_REACH_M
from ..kernels import compiled
from ..survey.noise import GridNoise

__all__ = ['ALLOWANCE', 'Change', 'DisturbanceWatch', 'LIMIT']

# Looks that a cell must have before it is accepted as first seen.
OPENING_LOOKS = 3.0
# Its slopes are worked out again after so many looks, and wherever it is set anew.
SLOPE_LOOKS = 16
# What the kept layers of the last looks are called, oldest first, that of when rises began, and
# that of the cells that wait for looks.
RECENT, RISEN, ANEW = 'recent_', 'risen_since', 'learned_anew'


class DisturbanceWatch:
    """
    Compares every look with the accepted surface.

    Parameters
    ----------
    canvas : Canvas
        The n surveyed cells.
    watched : array, optional
        Cells where anything may ever be judged, shape (n,); left out, all of them.

    """

    def __init__(self, canvas: Canvas, watched: NDArray[np.bool_] | None = None) -> None:
        """Start with nothing accepted."""
        count = len(canvas.flat_index)
        # The cells watched among all n, and the place of each of the n among them, -1 for none.
        self._at = np.arange(count) if watched is None else np.flatnonzero(watched)
        self._place = np.full(count, -1, dtype=np.int32)
        self._place[self._at] = np.arange(len(self._at))
        self._pieces = pieces_among(self._at)
        #: What looks are compared with.
        self.accepted = AcceptedSurface(count)
        self.whole = canvas
        self._canvas = Canvas(canvas.lattice, canvas.flat_index[self._at])
        self._charts = ChangeCharts(len(self._at))
        self._recent = RecentLooks(len(self._at))
        self._risen = StandingSince(len(self._at))
        # Slopes of the accepted surface, how steep it is, and looks since they were worked out.
        self._slope = np.zeros((2, count), dtype=np.float32)
        self._steep = np.zeros(count, dtype=np.float32)
        self._slope_looks = 0
        # Soil of no dump when they were, None for none; what changes it asks for new slopes.
        self._known_fill_m: NDArray[np.float32] | None = None
        self._chords = ChordErrors(self._canvas)
        # Which of the n cells are accepted by looks to come alone, whatever the surface says.
        self._anew = np.zeros(count, dtype=bool)
        # What the last look has shown.
        self._scene: Scene | None = None

    @property
    def falling(self) -> NDArray[np.bool_]:
        """Whether looks have begun to tell of a loss, shape (n,)."""
        return self._on_all(self._charts.low > EDGE)

    def accept(
        self, cells: NDArray[np.intp] | NDArray[np.bool_], height_m: NDArray[np.floating],
        looks: NDArray[np.floating], stamp_ns: int,
    ) -> None:
        """
        Accept the surface at some cells as it stands, and start their charts anew.

        Parameters
        ----------
        cells, height_m, looks, stamp_ns
            As for ``AcceptedSurface.accept``.

        """
        self.accepted.accept(cells, height_m, looks, stamp_ns)
        self._anew[cells] = False
        self._restart(cells)

    def raise_by(self, step_m: NDArray[np.float32]) -> None:
        """Raise the cells (n,) [m]: the frame itself was found to lie lower there."""
        self.accepted.height_m += step_m
        self._recent.raise_by(step_m[self._at])

    # ---- kept over a restart -----------------------------------------------------------------

    def evidence(self) -> dict[str, tuple[int, NDArray[Any]]]:
        """
        Return what the looks since the last change have gathered, to be kept beside the books.

        Returns
        -------
        dict
            Stamp [ns], 0 where it has none, and array (n,) by name: sums of the charts, the last
            looks near cells that have come to something, since when some have risen, and which
            are to be learned anew.

        """
        out = {name: (stamp_ns, self._on_all(values))
               for name, (stamp_ns, values) in self._charts.kept().items()}
        reach = round(SLIDE_REACH_M / self._canvas.lattice.cell_m) + FRINGE
        active = self._canvas.near(
            np.maximum(self._charts.high, self._charts.low) > EDGE, reach)
        for place, (stamp_ns, height_m) in enumerate(self._recent.kept()):
            # A NaN of a grid may bear any sign; what is kept is the same for all.
            kept = np.where(active & ~np.isnan(height_m), height_m, np.float32(np.nan))
            out[f'{RECENT}{place}'] = (stamp_ns, self._on_all(kept))
        if self._risen.first_seen_ns.any():
            out[RISEN] = (0, self._on_all(self._risen.first_seen_ns))
        if self._anew.any():
            out[ANEW] = (0, self._anew.astype(np.uint8))
        return out

    def _on_all(self, values: NDArray[Any]) -> NDArray[Any]:
        """Return values of the cells watched at all cells; NaN or zero at the others."""
        blank = np.nan if np.issubdtype(values.dtype, np.floating) else 0
        out = np.full(len(self._place), blank, dtype=values.dtype)
        out[self._at] = values
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
        own = {name: (stamp_ns, values[self._at]) for name, (stamp_ns, values) in kept.items()}
        self._charts.put_back(own)
        for name in sorted(name for name in own if name.startswith(RECENT)):
            stamp_ns, height_m = own[name]
            self._recent.add(height_m, stamp_ns)
        if RISEN in own:
            self._risen.put_back(own[RISEN][1])
        if ANEW in kept:
            self._anew[:] = kept[ANEW][1] > 0

    def doubt(self, cells: NDArray[np.intp]) -> None:
        """Take cells for not seen yet: what they will show is accepted as it is."""
        self.accepted.doubt(cells)
        self._anew[cells] = False
        self._restart(cells)

    def learn_anew(self, cells: NDArray[np.intp]) -> None:
        """Accept cells as the next looks show them: the surface may still hold to earlier ones."""
        self.doubt(cells)
        self._anew[cells] = True

    def _restart(self, cells: NDArray[np.intp] | NDArray[np.bool_]) -> None:
        """Start the charts of some of the n cells anew."""
        own = self._place[cells].astype(np.intp)
        self._forget(own[own >= 0])

    def _forget(self, own: NDArray[np.intp]) -> None:
        """Start the charts of some of the cells watched anew."""
        self._charts.restart(own)
        self._recent.forget(own)
        self._risen.forget(own)
        self._slope_looks = 0

    def level(
        self, measured_m: NDArray[np.floating], open_cells: NDArray[np.bool_],
        shown: NDArray[np.int32] | None = None,
    ) -> tuple[LevelLook, float]:
        """
        Free a look of the shift that all its cells share against the accepted surface.

        Parameters
        ----------
        measured_m : array
            Heights of the look, shape (n,) [m]; NaN is not seen.
        open_cells : array
            Cells where a dump is still to be measured, shape (n,).
        shown : array, optional
            Pieces that hold all cells seen, as ``shown_pieces`` gives them, shape (k, 3).

        Returns
        -------
        LevelLook
            Heights without it.
        float
            Standard error of the planar shift taken off [m].

        """
        if self._slope_looks == 0:
            self._slope = self.whole.slopes(self.accepted.reference_m())
            self._steep = np.hypot(*self._slope.take(self._at, axis=1))
            self._shared = SharedShift(self._slope)
            self._known_fill_m = self.accepted.fill_m if self.accepted.has_fill else None
            self._chords.forget()
        self._slope_looks = (self._slope_looks + 1) % SLOPE_LOOKS
        apart_m = self._shared.apart(
            measured_m, self.accepted.height_m, self._known_fill_m, open_cells)
        shift, planar_m = self._shared.of(apart_m)
        return LevelLook(np.ascontiguousarray(measured_m), self._slope, shift, shown), planar_m

    def look(
        self, level: LevelLook, planar_m: float, height_m: NDArray[np.floating],
        looks: NDArray[np.floating], open_cells: NDArray[np.bool_], *,
        ground_m: NDArray[np.floating], noise: GridNoise, shift_error_m: float, stamp_ns: int,
    ) -> list[Change]:
        """
        Take one look into account.

        Parameters
        ----------
        level, planar_m : LevelLook and float
            Heights of the look, and its error, as ``level`` gives them [m].
        height_m, looks : array
            Surface and of how many looks it is the mean, shape (n,).
        open_cells : array
            Cells where a dump is still to be measured, shape (n,): nothing is judged there.
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
        rows = shown_among(self._pieces, level.shown)
        pieces = self._pieces if rows is None else rows
        left = self._differences(level, pieces, open_cells, height_m, looks, stamp_ns)
        smooth = self._canvas.box_mean(left, of_unknown=False, rows=rows)
        chord_m = self._chords.of(noise.cell_m, self.accepted.height_m, self._at)
        beyond = smooth if chord_m is None else beyond_chord(smooth, chord_m)
        if noise.staying_m:
            beyond = beyond_chord(beyond, np.float32(noise.staying_m))
        shift = ShiftError(self._steep, planar_m, shift_error_m, chord_m)
        alarms = self._charts.take(
            Compared(left, beyond, shift, noise, stamp_ns), self.accepted, self._at,
            self._pieces, pieces)
        scene = Scene(
            self._canvas, self._charts, self._recent, self.accepted, smooth, open_cells, noise,
            shift, ground_m, self._at, stamp_ns)
        self._scene = scene
        return self._confirmed(scene, alarms)

    def _differences(
        self, level: LevelLook, pieces: NDArray[np.int32], open_cells: NDArray[np.bool_],
        height_m: NDArray[np.floating], looks: NDArray[np.floating], stamp_ns: int,
    ) -> NDArray[np.float32]:
        """Keep a look; return what it shows above the reference, (m,)."""
        room = self._recent.room(pieces)
        if compiled.watch is not None and level.measured_m.dtype == np.float32:
            left = np.empty(len(self._at), dtype=np.float32)
            for _ in range(2):
                fresh = compiled.watch.differences(
                    level.measured_m, level.slope, *level.shift, open_cells,
                    self.accepted.height_m, self._known_fill_m, pieces, room, left)
                if not fresh or not self._begin(
                        level[self._at], ~open_cells[self._at], height_m, looks, stamp_ns):
                    break
        else:
            level_m, closed = level[self._at], ~open_cells[self._at]
            self._begin(level_m, closed, height_m, looks, stamp_ns)
            level_m[np.flatnonzero(~closed)] = np.nan
            left = level_m - self.accepted.reference_m(self._at)
            room[:] = level_m
        self._recent.added(stamp_ns)
        return left

    def plain_losses(self, cells: NDArray[np.intp]) -> list[Change]:
        """
        Confirm losses at some cells that have not been seen often enough yet, but are plain.

        Parameters
        ----------
        cells : array
            Cells that a load is about to bury.

        Returns
        -------
        list of Change
            Losses, accepted with it.

        """
        if self._scene is None:
            return []
        buried = np.zeros(len(self._place), dtype=bool)
        buried[cells] = True
        return [booked for change in self._scene.plain_losses(buried)
                for booked in self.settled(change, self._scene.stamp_ns)]

    def _begin(
        self, level_m: NDArray[np.float32], closed: NDArray[np.bool_],
        height_m: NDArray[np.floating], looks: NDArray[np.floating], stamp_ns: int,
    ) -> int:
        """Accept what has been looked at often enough and shows first; return how many cells."""
        new = np.flatnonzero(np.isnan(self.accepted.height_m[self._at]))
        new = new[closed[new] & np.isfinite(level_m[new])]
        cells = self._at[new]
        anew = self._anew[cells]
        if anew.any():
            # Looks of before are forgotten.
            mean_m, count = self._recent.with_one_more(new[anew], level_m[new[anew]])
            height_m, looks = height_m.copy(), looks.copy()
            height_m[cells[anew]], looks[cells[anew]] = mean_m, count
        cells = cells[looks[cells] >= OPENING_LOOKS]
        if len(cells):
            self.accept(cells, height_m, looks, stamp_ns)
        return len(cells)

    def _confirmed(self, scene: Scene, alarms: tuple[int, int]) -> list[Change]:
        """Return the groups of alarming cells that are a change; book-keep each."""
        out: list[Change] = []
        for gain in (False, True):
            # What is told of losses may start charts of gains anew, never raise one.
            groups = scene.groups(gain=gain) if alarms[gain] >= LEAST_SURE else []
            if gain:
                self._risen.keep_only(groups)
            for group in groups:
                if scene.in_view(group):
                    out += self._judged(scene, group, gain=gain)
        return out

    def _judged(self, scene: Scene, group: NDArray[np.intp], *, gain: bool) -> list[Change]:
        """Return what a group of alarming cells is confirmed to be; forget what has passed."""
        out: list[Change] = []
        began = scene.began(group, gain=gain)
        passed = scene.passed(group, began.since_ns) if began else group[:0]
        if len(passed):
            self._forget(passed)
            if len(passed) > (1.0 - STAYING_SHARE) * len(group):
                return out
            began = scene.began(group, gain=gain)
        if began is None or not began.steady:
            return out
        first_ns = began.since_ns if not gain else self._risen.first_ns(
            group, began.since_ns, all_along=began.all_along)
        # Many a group of noise comes and goes: what cannot be booked yet is let be.
        if gain and not lasts(first_ns, scene.stamp_ns):
            return out
        for change in scene.assessed(group, began.since_ns, gain=gain):
            change = replace(change, first_seen_ns=first_ns)
            if is_proven(change, scene.stamp_ns, scene.noise):
                out += self.settled(change, scene.stamp_ns)
        return out

    def settled(self, change: Change, stamp_ns: int) -> list[Change]:
        """Accept what is to be booked, keep soil of no dump, and return what is worth an entry."""
        self.accepted.follow(change, stamp_ns)
        self._restart(change.cells)
        if change.kind == 'removed_fill':
            # What is no more than noise, of it or in a seam around it, has gone, too.
            fill_m = self.accepted.fill_m
            gone = np.zeros(len(fill_m), dtype=bool)
            gone[change.cells] = True
            noise = self.whole.box_mean(fill_m) < LEAST_RISE_M
            fill_m[self.whole.near(gone, FRINGE) & noise] = 0.0
            return []
        return [change]
