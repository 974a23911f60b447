# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The charts of the watch over changes: a two-sided tabular CUSUM for every cell, kept in place.

The sums are those of J. M. Lucas, R. B. Crosier (Technometrics 24, 1982, 199-205), capped. Over a
hundred thousand cells a choice cell by cell costs many times an addition, so everything here is
arithmetic on whole arrays: a cell that a look does not show has deviation and allowance zero.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .accepted import AcceptedSurface, MEMORY_LOOKS, MOST_WORTH
from .changes import smoothed_noise_m
from .detection import level_of_detection
from .shared_shift import robust_spread
from ..kernels import compiled
from ..survey.noise import GridNoise
from ..survey.surface import without_nan

# Allowance of the charts, their limit, and where their sums stop [sigma].
ALLOWANCE = 0.5
LIMIT = 5.0
MOST_SUM = 12.0
# The most that one look adds to a chart [sigma].
MOST_PER_LOOK = 4.0
# A cell is averaged into the accepted surface where both sums were small before the look and the
# look itself is near [sigma]. The sums after the look must not decide: of a reference that is too
# high they would let in only the looks that are too high as well, and so drive it further up.
QUIET_SUM = 1.0
QUIET_LOOK = 2.0
# The level of detection for each unit of standard error.
PER_ERROR = float(level_of_detection(1.0, 0.0))


@dataclass(frozen=True, eq=False)
class ShiftError:
    """
    What is unknown of the shift of a look, as a height.

    Parameters
    ----------
    steep : array
        How steep the accepted surface is, shape (m,) [m/m].
    planar_m, most_m : float
        What is unknown of the planar shift, and of the height that it makes at most [m].
    chord_m : array or None
        How far a coarse grid may be off beside that, shape (m,) [m]; None for a fine one.

    """

    steep: NDArray[np.float32]
    planar_m: float
    most_m: float
    chord_m: NDArray[np.float32] | None = None

    def of_shift(self, cells: slice | NDArray[np.intp] = slice(None)) -> NDArray[np.float32]:
        """Return what the shift alone makes of it at some of the m cells, all by default [m]."""
        out: NDArray[np.float32] = np.minimum(
            self.steep[cells] * np.float32(self.planar_m), np.float32(self.most_m))
        return out

    def at(self, cells: NDArray[np.intp]) -> NDArray[np.float32]:
        """Return it at some of the m cells [m]."""
        out = self.of_shift(cells)
        if self.chord_m is not None:
            out += self.chord_m[cells]
        return out


@dataclass(frozen=True, eq=False)
class Compared:
    """
    What a look shows against what was accepted, at m cells.

    Parameters
    ----------
    left_m, smooth_m : array
        Differences, and their means over 3 x 3 cells, shape (m,) [m]; NaN is not seen.
    shift : ShiftError
        What is unknown of its shift; the means are freed of what a chord may do.
    noise : GridNoise
        Noise of the look.
    stamp_ns : int
        Time of the look [ns].

    """

    left_m: NDArray[np.float32]
    smooth_m: NDArray[np.float32]
    shift: ShiftError
    noise: GridNoise
    stamp_ns: int

    def figures(self) -> NDArray[np.float32]:
        """Return all single figures that charts take, in the order of native/watch.c."""
        one = smoothed_noise_m(self.noise)
        per_spread = 1.0 / max(one, robust_spread(self.smooth_m))
        return np.array([
            self.shift.planar_m, self.shift.most_m, one, PER_ERROR, per_spread, MOST_PER_LOOK,
            ALLOWANCE, MOST_SUM, LIMIT, QUIET_SUM, QUIET_LOOK, MEMORY_LOOKS], dtype=np.float32)


class ChangeCharts:
    """
    Sums of deviations downwards and upwards at n cells.

    Parameters
    ----------
    count : int
        Number of cells.

    """

    def __init__(self, count: int) -> None:
        """Start all at zero."""
        self.low = np.zeros(count, dtype=np.float32)
        self.high = np.zeros(count, dtype=np.float32)
        # Sums above the limit, downwards and upwards; None where they must be counted.
        self._alarms: tuple[int, int] | None = (0, 0)

    def restart(self, cells: NDArray[np.intp] | NDArray[np.bool_]) -> None:
        """Start some cells anew, none of which is named twice."""
        if self._alarms is not None:
            down, up = (int(np.count_nonzero(sums[cells] > LIMIT))
                        for sums in (self.low, self.high))
            self._alarms = self._alarms[0] - down, self._alarms[1] - up
        self.low[cells] = 0.0
        self.high[cells] = 0.0

    def take(
        self, look: Compared, accepted: AcceptedSurface, at: NDArray[np.intp],
        pieces: NDArray[np.int32], shown: NDArray[np.int32],
    ) -> tuple[int, int]:
        """
        Add one look, and average it into the accepted surface where cells are calm.

        Parameters
        ----------
        look : Compared
            What it shows.
        accepted : AcceptedSurface
            What is accepted; takes the time of the look where both sums are zero.
        at, pieces : array
            Its cells among those accepted, one by one (m,), and in pieces without gaps (k, 3).
        shown : array
            Pieces that hold all of them that it shows, shape (j, 3).

        Returns
        -------
        tuple of int
            Sums above the limit, downwards and upwards.

        """
        figures = look.figures()
        if compiled.watch is not None and look.left_m.dtype == look.smooth_m.dtype == np.float32:
            more = compiled.watch.chart(
                look.left_m, look.smooth_m, look.shift.steep, self.low, self.high,
                accepted.height_m, accepted.looks, accepted.same.looks,
                accepted.same.earlier_ns, pieces, shown, accepted.same.begin(look.stamp_ns),
                figures)
            return self._counted(*more)
        known = np.isfinite(look.left_m)
        worth = accepted.looks[at]
        beyond = beyond_allowed(look.smooth_m, look.shift.of_shift(), worth, figures[2:6])
        calm = known & (np.maximum(self.low, self.high) < QUIET_SUM)
        calm &= np.abs(beyond) < np.float32(QUIET_LOOK)
        accepted.same.take(at, self.add(beyond, known), look.stamp_ns)
        _follow(look.left_m, calm, accepted, at)
        self._alarms = None
        return self._counted()

    def _counted(self, downwards: int = 0, upwards: int = 0) -> tuple[int, int]:
        """Return the sums above the limit, so many more than before, downwards and upwards."""
        if self._alarms is None:
            down, up = (int(np.count_nonzero(sums > LIMIT)) for sums in (self.low, self.high))
        else:
            down, up = self._alarms[0] + downwards, self._alarms[1] + upwards
        self._alarms = down, up
        return down, up

    def add(
        self, deviation: NDArray[np.float32], known: NDArray[np.bool_]
    ) -> NDArray[np.bool_]:
        """
        Add one look.

        Parameters
        ----------
        deviation : array
            Deviations, shape (n,) [sigma]; zero where not known.
        known : array
            Which cells the look shows, shape (n,).

        Returns
        -------
        array
            Cells shown of which both sums are zero, shape (n,).

        """
        toll = known.astype(np.float32)
        toll *= np.float32(ALLOWANCE)
        for sums, step in ((self.low, -deviation), (self.high, deviation)):
            sums += step - toll
            np.clip(sums, 0.0, MOST_SUM, out=sums)
        quiet: NDArray[np.bool_] = np.maximum(self.low, self.high) == 0.0
        quiet &= known
        return quiet

    def kept(self) -> dict[str, tuple[int, NDArray[Any]]]:
        """Return what a restart needs: no stamp of its own (0) and array (n,), by name."""
        return {'chart_high': (0, self.high.copy()), 'chart_low': (0, self.low.copy())}

    def put_back(self, kept: Mapping[str, tuple[int, NDArray[Any]]]) -> None:
        """Go on from what ``kept`` gave."""
        self.high, self.low = (
            np.nan_to_num(kept[name][1].astype(np.float32))
            for name in ('chart_high', 'chart_low'))
        self._alarms = None


def _follow(
    left_m: NDArray[np.float32], calm: NDArray[np.bool_], accepted: AcceptedSurface,
    at: NDArray[np.intp],
) -> None:
    """Average calm cells into the accepted surface."""
    worth = accepted.looks[at]
    counts = calm.astype(np.float32)
    step = without_nan(left_m)
    step *= counts
    step /= np.minimum(worth + np.float32(1.0), np.float32(MEMORY_LOOKS))
    accepted.height_m[at] += step
    counts += worth
    accepted.looks[at] = np.minimum(counts, np.float32(MOST_WORTH))


def beyond_allowed(
    smooth_m: NDArray[np.float32], shared_m: NDArray[np.float32], worth: NDArray[np.float32],
    figures: NDArray[np.float32],
) -> NDArray[np.float32]:
    """
    Return by how much cells deviate beyond what is allowed, zero where not known [sigma].

    Parameters
    ----------
    smooth_m, shared_m : array
        What the cells show above the reference, NaN unknown, and what is unknown of the shift of
        the look, as a height, shape (n,) [m].
    worth : array
        Looks that the reference is worth, shape (n,).
    figures : array
        Noise of one look [m], factor of the level of detection, 1 / spread of the look [1/m], and
        the most that one look may deviate [sigma].

    Returns
    -------
    array
        Shape (n,).

    """
    one_m, factor, per_spread, most = figures
    # The level of detection: its factor times what it is made of.
    allowed = one_m / np.sqrt(worth)
    allowed += shared_m
    allowed *= factor
    # fmax and fmin make zero of NaN.
    beyond = np.fmax(smooth_m - allowed, np.float32(0.0))
    beyond += np.fmin(smooth_m + allowed, np.float32(0.0))
    # A product: a quotient takes several times as long.
    beyond *= per_spread
    out: NDArray[np.float32] = np.clip(beyond, -most, most, out=beyond)
    return out
