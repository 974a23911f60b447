# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The site surface: best current height per surveyed cell, with spread and age.

Each cell averages its looks with equal weight up to a limit, so it settles and still follows. Two
things pull it over faster: a look far off is kept aside until others agree with it (a spike or a
passing person never gets that far), and a small steady difference shows in an exponentially
weighted mean of the innovations (EWMA, NIST/SEMATECH e-Handbook 6.3.2.4) that is adopted when it
leaves its limits.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from .former import FormerSurface
from ..kernels import compiled

# Looks that count at most: the mean follows change with a time constant of as many looks.
MOST_LOOKS = 64.0
# Smallest difference that is set aside rather than averaged in [m].
LEAST_GATE_M = 0.02
GATE_SIGMAS = 4.5
# Looks that must agree before a far-off height is believed, and the least time they span.
AGREEING_LOOKS = 3
AGREEING_NS = 1_500_000_000
# Looks that the old height counts where something is known to have changed.
LOOSE_LOOKS = 0.1
# EWMA of innovations: weight of the newest, width of the limits, looks that a restart counts.
EWMA_WEIGHT = 0.3
EWMA_SIGMAS = 3.5
RESTART_LOOKS = 4.0
# A cell that was seen since something changed there is worth a whole look at least.
SEEN_LOOKS = 1.0
UNSEEN_NS = np.int64(-1)
# How looks err is learned at about so many cells; on a large site, of which a look shows a part,
# at no fewer than one in so many.
TOLD_CELLS, MOST_APART = 1000, 36


def without_nan(values: NDArray[Any]) -> NDArray[Any]:
    """
    Return values with zero for NaN.

    Examples
    --------
    >>> without_nan(np.array([1.5, np.nan, -2.0])).tolist()
    [1.5, 0.0, -2.0]

    """
    # Of a number and NaN fmax and fmin return the number; quicker than a choice cell by cell.
    out: NDArray[Any] = np.fmax(values, 0)
    out += np.fmin(values, 0)
    return out


def cells_told(count: int) -> slice:
    """
    Return which of so many surveyed cells tell how looks err.

    Examples
    --------
    >>> [cells_told(count).step for count in (500, 20_000, 100_000)]
    [1, 20, 36]

    """
    return slice(0, None, min(max(1, count // TOLD_CELLS), MOST_APART))


def independent_looks(looks: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return how many independent looks means of so many are worth, at most ``MOST_LOOKS``."""
    return np.minimum(looks, np.float32(SiteSurface.most_independent_looks))


@dataclass(frozen=True, eq=False)
class Fused:
    """
    What one grid did to the surface.

    Parameters
    ----------
    seen : array
        Which cells the grid shows, shape (n,).
    moved : array
        The cells that were pulled over to a new height by it, shape (k,).

    """

    seen: NDArray[np.bool_]
    moved: NDArray[np.intp]

    @property
    def adopted(self) -> NDArray[np.bool_]:
        """Which cells were pulled over to a new height, shape (n,)."""
        out = np.zeros(len(self.seen), dtype=bool)
        out[self.moved] = True
        return out


class SiteSurface:
    """
    Heights of n cells in the site frame, brought up to date look by look.

    Parameters
    ----------
    count : int
        Number of cells.

    """

    # A mean with weight 1/m for the newest look is worth 2 m - 1 looks in the long run; the plain
    # mean of n looks is worth n.
    most_independent_looks: ClassVar[float] = 2.0 * MOST_LOOKS - 1.0

    def __init__(self, count: int) -> None:
        """Start with nothing known."""
        #: Another number whenever any height may have changed.
        self.version = 0
        self.height_m = np.full(count, np.nan, dtype=np.float32)
        self.looks = np.zeros(count, dtype=np.float32)
        self.trend_m = np.zeros(count, dtype=np.float32)
        self.aside_m = np.full(count, np.nan, dtype=np.float32)
        self.aside_looks = np.zeros(count, dtype=np.uint8)
        self.aside_ns = np.zeros(count, dtype=np.int64)
        # Cells where something has changed, by number, some of which were seen since.
        self._loosened = np.empty(0, dtype=np.intp)
        # Which cells the last look has seen, and when; of the others when they were seen before.
        # To write the time of every look at every cell would be a third of all that it touches.
        self._last_seen = np.zeros(count, dtype=bool)
        self._last_ns = int(UNSEEN_NS)
        self._earlier_ns = np.full(count, UNSEEN_NS, dtype=np.int64)
        # Where the cells of a look that are far off, and those pulled over, are listed.
        self._lists = np.empty((2, count), dtype=np.intp)
        #: How it stood before; None when nobody will ask for that any more.
        self.former: FormerSurface | None = FormerSurface(count)

    @property
    def known(self) -> NDArray[np.bool_]:
        """Which cells have a height, shape (n,)."""
        out: NDArray[np.bool_] = self.looks > 0.0
        return out

    @property
    def seen_ns(self) -> NDArray[np.int64]:
        """When each cell was last seen, shape (n,) [ns]; -1 for never."""
        last_ns = np.where(self._last_seen, np.int64(self._last_ns), UNSEEN_NS)
        return np.maximum(self._earlier_ns, last_ns)

    @property
    def hidden(self) -> NDArray[np.intp]:
        """Cells, by number, that were not seen since something is known to have changed there."""
        self._loosened = self._loosened[self.looks[self._loosened] < SEEN_LOOKS]
        return self._loosened

    def put_back_hidden(self, cells: NDArray[np.bool_]) -> None:
        """Take over which cells an earlier run has not seen since something changed there."""
        self.version += 1
        self._loosened = np.flatnonzero(cells & (self.looks < SEEN_LOOKS))

    def put_back_seen(self, seen_ns: NDArray[np.int64]) -> None:
        """Take the times that an earlier run has seen the cells, shape (n,) [ns]."""
        self._earlier_ns[:] = seen_ns
        self._last_seen[:] = False

    def effective_looks(
        self, cells: slice | NDArray[np.intp] = slice(None)
    ) -> NDArray[np.float32]:
        """Return how many independent looks the heights of cells, all by default, are worth."""
        return independent_looks(self.looks[cells])

    def raise_by(self, step_m: NDArray[np.float32]) -> None:
        """Raise the cells (n,) [m]: the frame itself was found to lie lower there."""
        self.version += 1
        self.height_m += step_m
        self.aside_m += step_m
        if self.former is not None:
            self.former.raise_by(step_m)

    def loosen(self, cells: NDArray[np.bool_]) -> None:
        """Let the next looks move given cells quickly: something is known to have changed."""
        self.version += 1
        self.looks[cells] = np.minimum(self.looks[cells], LOOSE_LOOKS)
        self.trend_m[cells] = 0.0
        self._loosened = np.union1d(self._loosened, np.flatnonzero(cells))

    def doubt(self, cells: NDArray[np.intp]) -> None:
        """Let the next look at cells (k,) tell how they stand: it may not be as they did."""
        self.looks[cells] = np.minimum(self.looks[cells], LOOSE_LOOKS)
        self.trend_m[cells] = 0.0

    def left_over_m(
        self, measured_m: NDArray[np.float32], at: slice | NDArray[np.intp],
        worked: NDArray[np.bool_], least_looks: float,
    ) -> NDArray[np.float32]:
        """
        Return by how much a look (n,) lies above it at some cells where nothing happens [m].

        NaN where change is expected (``worked``, shape (n,)), or fewer looks are known.
        """
        out: NDArray[np.float32] = measured_m[at] - self.height_m[at]
        out[(self.looks[at] < least_looks) | worked[at]] = np.nan
        return out

    def otherwise_at(
        self, cells: NDArray[np.intp], height_m: NDArray[np.floating],
        looks: NDArray[np.floating],
    ) -> SiteSurface:
        """Return a surface to read, which stands at other heights [m] at given cells; not kept."""
        out = copy(self)
        out.height_m, out.looks = self.height_m.copy(), self.looks.copy()
        out.height_m[cells], out.looks[cells] = height_m, looks
        return out

    def put(
        self, cells: NDArray[np.intp] | NDArray[np.bool_], height_m: NDArray[np.floating],
        looks: NDArray[np.floating] | float,
    ) -> None:
        """Let given cells stand at new heights [m] that are worth so many looks."""
        self.version += 1
        self.height_m[cells], self.looks[cells] = height_m, looks
        self.trend_m[cells], self.aside_looks[cells] = 0.0, 0

    def put_back_risen(self, cells: NDArray[np.intp], stamp_ns: int) -> None:
        """Let given cells stand as they did before any of them rose lately, to a time [ns]."""
        former = None if self.former is None else self.former.before(cells, stamp_ns)
        if former is not None:
            cells = cells[np.isfinite(former.height_m[cells])]
            self.put(cells, former.height_m[cells], former.looks[cells])

    def fuse(
        self, measured_m: NDArray[np.float32], stamp_ns: int, noise_m: float,
        expected: NDArray[np.bool_] | None = None, shown: NDArray[np.int32] | None = None,
    ) -> Fused:
        """
        Take in the heights of one registered grid.

        Parameters
        ----------
        measured_m : array
            Heights at the cells, shape (n,) [m]; NaN is not seen.
        stamp_ns : int
            Time of the grid [ns].
        noise_m : float
            Standard deviation of one look at one cell [m].
        expected : array, optional
            Cells where change is expected, e.g. around a dump: two agreeing looks are enough.
        shown : array, optional
            Pieces that hold all cells seen, as ``shown_pieces`` gives them, shape (k, 3).

        Returns
        -------
        Fused
            What was seen and what was adopted.

        """
        self.version += 1
        measured_m = np.ascontiguousarray(measured_m, dtype=np.float32)
        if self.former is not None:
            self.former.keep(self.height_m, self.looks, stamp_ns)
        gate = max(LEAST_GATE_M, GATE_SIGMAS * noise_m)
        # The trend of cells at rest scatters by so much of the noise.
        limit = EWMA_SIGMAS * noise_m * np.sqrt(EWMA_WEIGHT / (2.0 - EWMA_WEIGHT))
        seen, far, leaning = self._fuse_cells(
            measured_m, np.float32(gate), np.float32(limit), shown)
        self._last_seen, self._last_ns = seen, stamp_ns
        if not len(far):
            return Fused(seen, leaning)
        hurry = np.zeros(len(far), dtype=bool) if expected is None else expected[far]
        agreed = self._set_aside(far, measured_m[far], stamp_ns, gate, hurry)
        return Fused(seen, np.concatenate([leaning, agreed]))

    def _fuse_cells(
        self, measured_m: NDArray[np.float32], gate: np.float32, limit: np.float32,
        shown: NDArray[np.int32] | None,
    ) -> tuple[NDArray[np.bool_], NDArray[np.intp], NDArray[np.intp]]:
        """Take in what is near or first seen; return what is seen, far off, pulled over."""
        if compiled.cells is not None:
            seen = np.empty(len(measured_m), dtype=bool)
            far, moved = self._lists
            if shown is None:
                shown = np.array([[0, 0, len(measured_m)]], dtype=np.int32)
            fars, adopted = compiled.cells.fuse(
                measured_m, self.height_m, self.looks, self.trend_m, self.aside_looks,
                self._last_seen, seen, self._earlier_ns, far, moved, shown, self._last_ns, gate,
                limit, MOST_LOOKS, EWMA_WEIGHT, RESTART_LOOKS)
            return seen, far[:fars].copy(), moved[:adopted].copy()
        seen = np.isfinite(measured_m)
        innovation = measured_m - self.height_m
        size = np.abs(innovation)
        # Comparisons with NaN are False, so neither holds for cells unseen or seen first.
        with np.errstate(invalid='ignore'):
            near, far = size <= gate, np.flatnonzero(size > gate)
        first = np.flatnonzero(np.isnan(self.height_m))
        first = first[seen[first]]
        self._average(innovation, near)
        self._begin(first, measured_m[first])
        moved = self._adopt_trend(near, limit)
        gone = np.flatnonzero(self._last_seen & ~seen)
        self._earlier_ns[gone] = np.maximum(self._earlier_ns[gone], self._last_ns)
        return seen, far, moved

    def _average(
        self, innovation: NDArray[np.float32], near: NDArray[np.bool_]
    ) -> None:
        """Average near heights in and forget what was set aside."""
        # Masked arithmetic costs far less than picking cells: weights of 1 and 0, no NaN.
        one_look = near.astype(np.float32)
        step = without_nan(innovation)
        step *= one_look
        gain = np.minimum(self.looks + np.float32(1.0), np.float32(MOST_LOOKS))
        np.divide(np.float32(1.0), gain, out=gain)
        self.looks += one_look
        # The trend is the innovation to expect; the height has come nearer by the gain.
        trend = step - self.trend_m
        trend *= np.float32(EWMA_WEIGHT)
        trend += self.trend_m
        trend -= gain * trend
        trend -= self.trend_m
        trend *= one_look
        self.trend_m += trend
        step *= gain
        self.height_m += step
        aside = np.flatnonzero(self.aside_looks)
        self.aside_looks[aside[near[aside]]] = 0

    def _begin(self, cells: NDArray[np.intp], new: NDArray[np.float32]) -> None:
        """Take the first look at cells as it is."""
        # A zero of either sign is one: what a look does not show it may add zero to, or leave.
        self.height_m[cells] = new + np.float32(0.0)
        self.looks[cells] = 1.0
        self.trend_m[cells] = 0.0
        self.aside_looks[cells] = 0

    def _adopt_trend(
        self, near: NDArray[np.bool_], limit: np.float32
    ) -> NDArray[np.intp]:
        """Pull cells over whose innovations lean one way; return them."""
        cells = np.flatnonzero(np.abs(self.trend_m) > limit)
        cells = cells[near[cells] & (self.looks[cells] > RESTART_LOOKS + 1.0)]
        self.height_m[cells] += self.trend_m[cells]
        self.trend_m[cells] = 0.0
        self.looks[cells] = RESTART_LOOKS
        return cells

    def _set_aside(
        self, cells: NDArray[np.intp], new: NDArray[np.float32], stamp_ns: int, gate: float,
        hurry: NDArray[np.bool_],
    ) -> NDArray[np.intp]:
        """Keep far-off heights aside; adopt those that enough looks agree on; return them."""
        count = self.aside_looks[cells].astype(np.float32)
        agrees = (count > 0) & (np.abs(new - self.aside_m[cells]) <= gate)
        mean = np.where(agrees, self.aside_m[cells], new)
        count = np.where(agrees, count, 0.0)
        mean = mean + (new - mean) / (count + 1.0)
        since = np.where(agrees, self.aside_ns[cells], stamp_ns)
        count = np.minimum(count + 1.0, 255.0)
        self.aside_m[cells], self.aside_ns[cells] = mean, since
        self.aside_looks[cells] = count.astype(np.uint8)
        believed = (count >= AGREEING_LOOKS) & (stamp_ns - since >= AGREEING_NS)
        believed |= hurry & (count >= 2)
        cells, mean, count = cells[believed], mean[believed], count[believed]
        if self.former is not None:
            risen = mean > self.height_m[cells]
            self.former.note(cells[risen], since[believed][risen])
        self.put(cells, mean, count)
        return cells
