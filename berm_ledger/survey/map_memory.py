# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
What of a grid a mapper keeps from the one before, and grids without that.

Mappers average: each cell takes a part of every new height and keeps the rest (a mean that
forgets, a Kalman filter in its steady state). New soil then comes up by and by, and errors stay
from grid to grid: ``y[t] = k y[t-1] + (1 - k) x[t]``, a first-order autoregression. ``x`` is had
back from two grids (D. Cochrane, G. H. Orcutt, J. Am. Stat. Assoc. 44, 1949, 32-61), its errors
those of one scan.

How much is kept is told by the steps from grid to grid on ground at rest. Of cells measured often
those that follow each other have a correlation of ``-(1 - k) / 2``, as heights so many grids apart
have one of ``k`` to that power (G. E. P. Box, G. M. Jenkins, Time Series Analysis, 1970, 3.2).
Until there are enough of these, whatever the first heights were, ``k`` is such that nothing is
shared by ``x`` and the one before. A mapper of another kind, as one that takes the median of the
last few, leaves more in common, and its grids are left as they are.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .area import SurveyArea
from .middle import median_size, SD_FROM_MAD
from .noise import GridNoise
from .robust import Floats, lane_sums
from ..geometry import GridAxes

Singles = NDArray[np.float32]

# Grids are held against each other at about so many cells. So often these are measured before the
# first height of a cell, that of one scan, is forgotten.
CELLS, MATURE = 6000, 16
# Steps that follow each other and are held against each other, of any cells and of those, and how
# many figures a run leaves of them to the next.
STEPS = (4, 2)
FIGURES = sum(1 + count**2 for count in STEPS)
# Fewer cells tell nothing; what steps further is soil that came or went [times the spread].
LEAST_CELLS, MOST_SIGMAS = 100, 4.0
# So many cells of grids tell what is kept, so many that it is nothing; of so many the newest count
# most. From then on, or after so many grids, the first so many of each so many are looked at.
LEAST_TOLD, NOTHING_TOLD, MOST_TOLD = 8_000, 200_000, 800_000
BLOCK, EVERY = 32, 1024
# Where grids follow each other on one lattice but by chance, no more than two do mostly.
LEAST_RUNNING = 2
# So many at most count in the next run: the mapper may have been set otherwise.
RESUMED_TOLD = 20_000
# One height takes part in about so many of these; what steps from scan to scan have in common, and
# half their squares, spreads by so much of a square; no error is stated greater.
TOLD_TWICE, SPREAD_OF_LEFT, MOST_ERROR = 3.0, 0.6, 0.25
# Less is not told from nothing, more not from all; and how much of a square steps between scans
# that have one between them may have in common.
LEAST_KEPT, MOST_KEPT, MOST_SHARED = 0.2, 0.9, 0.05


@dataclass
class Steps:
    """
    Mean products of steps from grid to grid that follow each other.

    Parameters
    ----------
    products_m2 : array
        Shape (l, l) [m2].
    count : float
        Of how many cells and grids.

    """

    products_m2: Floats
    count: float = 0.0

    def add(self, steps_m: Floats) -> None:
        """Take in the steps of some cells, shape (l, k) [m]; too few tell nothing."""
        count = steps_m.shape[1]
        if count < LEAST_CELLS:
            return
        one, other = np.triu_indices(len(steps_m))
        total = np.empty_like(self.products_m2)
        total[one, other] = total[other, one] = lane_sums(steps_m[one] * steps_m[other])
        self.count = min(self.count + count, MOST_TOLD)
        self.products_m2 += (total - count * self.products_m2) / self.count

    @property
    def enough(self) -> bool:
        """Whether they tell anything."""
        return self.count >= LEAST_TOLD

    def of_mature(self) -> tuple[float, float]:
        """Return how much is kept, by cells that were long measured, and its standard error."""
        own, beside = (float(np.mean(np.diagonal(self.products_m2, apart))) for apart in (0, 1))
        return 1.0 + 2.0 * beside / own, 2.0 * self._chance

    def of_any(self) -> tuple[float, float]:
        """Return how much is kept, whatever the cells began with, and its standard error."""
        # What neighbouring steps between scans have in common and half their squares are nothing
        # together: a square in what is kept, told by three of its values.
        at_none, at_one, at_two = (self._left_m2(kept) for kept in (0.0, 1.0, 2.0))
        bend = 0.5 * (at_two - 2.0 * at_one + at_none)
        slope = at_one - at_none - bend
        square = slope * slope - 4.0 * bend * at_none
        root = math.sqrt(max(square, 0.0))
        # The lesser solution; the least there is where there is none.
        kept = 2.0 * at_none / (root - slope) if square >= 0.0 else -0.5 * slope / bend
        spread_m2 = SPREAD_OF_LEFT * float(np.mean(np.diagonal(self._between_scans_m2(kept))))
        error_m2 = self._chance * spread_m2
        return kept, error_m2 / max(root, error_m2 / MOST_ERROR)

    @property
    def _chance(self) -> float:
        """Return the standard error of a mean per standard deviation of what it is the mean of."""
        return math.sqrt(TOLD_TWICE / self.count)

    def _between_scans_m2(self, kept: float) -> Floats:
        """Return the mean products of steps from scan to scan, times the part taken, squared."""
        of = self.products_m2
        out: Floats = of[1:, 1:] - kept * (of[1:, :-1] + of[:-1, 1:]) + kept * kept * of[:-1, :-1]
        return out

    def _left_m2(self, kept: float) -> float:
        """Return what scans share with the one before, if so much is kept."""
        found = self._between_scans_m2(kept)
        squares = np.diagonal(found)
        return float(np.mean(np.diagonal(found, 1) + 0.25 * (squares[1:] + squares[:-1])))

    def shared(self, kept: float) -> float:
        """Return what steps between scans that are two grids apart share, if so much is kept."""
        found = self._between_scans_m2(kept)
        return float(found[0, 2] / np.mean(np.diagonal(found)))


class GridBefore(NamedTuple):
    """
    The grid before, on the same lattice.

    Parameters
    ----------
    moved : tuple of int
        By how many rows and columns the new one begins after it.
    own, other : tuple of slice
        Rows and columns that both share, of the new one and of the one before.
    height_m : array
        Its heights as they came, shape (rows, cols) [m].

    """

    moved: tuple[int, int]
    own: tuple[slice, slice]
    other: tuple[slice, slice]
    height_m: Singles


def without_memory(height_m: Singles, before: GridBefore | None, kept: float) -> Singles:
    """
    Return the heights of a grid without what is kept of the one before.

    Parameters
    ----------
    height_m : array
        Heights, shape (rows, cols) [m]; NaN is unknown.
    before : GridBefore or None
        The grid before; None where it lies on another lattice.
    kept : float
        Share of a height that is that of the grid before, 0 to 1.

    Returns
    -------
    array
        Shape (rows, cols) [m]; cells that were unknown before are as they are.

    Examples
    --------
    Half of a rise by 40 mm, and of a step down by 20 mm; one cell is new.

    >>> both = np.s_[:, :]
    >>> before = GridBefore((0, 0), both, both, np.array([[0.1, 0.1, np.nan]], np.float32))
    >>> without_memory(np.array([[0.12, 0.09, 0.1]], np.float32), before, 0.5).round(3).tolist()
    [[0.14000000059604645, 0.07999999821186066, 0.10000000149011612]]

    """
    if before is None or not kept:
        return height_m
    step_m = height_m[before.own] - before.height_m[before.other]
    out = height_m.copy()
    out[before.own] += np.float32(kept / (1.0 - kept)) * np.nan_to_num(step_m)
    return out


class MapMemory:
    """
    Follows how much of a height a mapper keeps, on ground beside the berms.

    Parameters
    ----------
    area : SurveyArea
        The surveyed cells.

    """

    def __init__(self, area: SurveyArea) -> None:
        """Pick the cells to look at; nothing is known to be kept."""
        aside = np.flatnonzero(~area.in_corridor & ~area.is_dug)
        self._points_xy = area.centres_xy[aside[::max(1, len(aside) // CELLS)]]
        # Where they lie in the last grid, how often they were measured, how high they and two
        # cells beside them stood, (3, k) [m], and how much more they stepped up, (2 k,) [m].
        self._place = np.empty((2, 0), dtype=np.intp)
        self._measured = np.zeros(0, dtype=np.intp)
        self._last_m: Singles | None = None
        self._beside_m: deque[Singles] = deque(maxlen=max(STEPS))
        self._looks = self._running = 0
        # Of any cells, and of those measured often before.
        self._steps = tuple(Steps(np.zeros((count, count))) for count in STEPS)
        # Share of a height that is that of the grid before, 0 to 1, and its standard error.
        self._kept = self._kept_se = 0.0

    def figures(self) -> tuple[float, ...]:
        """Return what was told of any cells, and of those measured often before."""
        return tuple(figure for steps in self._steps
                     for figure in (steps.count, *steps.products_m2.ravel().tolist()))

    def resume(self, figures: Sequence[float]) -> None:
        """
        Go on from what ``figures`` has told in an earlier run.

        It counts little: the mapper may have been set otherwise since.
        """
        left = iter(figures)
        for steps in self._steps:
            steps.count = min(next(left), RESUMED_TOLD)
            steps.products_m2 = np.array(
                [next(left) for _ in range(steps.products_m2.size)]).reshape(
                    steps.products_m2.shape)
        self._fit()

    def of(self, noise: GridNoise) -> GridNoise:
        """Return a noise with what is known to be kept."""
        if (self._kept, self._kept_se) == (noise.kept, noise.kept_se):
            return noise
        return replace(noise, kept=self._kept, kept_se=self._kept_se)

    def learned(
        self, noise: GridNoise, axes: GridAxes, height_m: Singles, before: GridBefore | None
    ) -> GridNoise:
        """
        Take a grid into account as it came.

        Parameters
        ----------
        noise : GridNoise
            Noise of one look.
        axes : GridAxes
            Where its cells lie.
        height_m : array
            Heights, shape (rows, cols) [m]; NaN is unknown.
        before : GridBefore or None
            The grid before; None where it lies on another lattice.

        Returns
        -------
        GridNoise
            With what is known to be kept.

        """
        self._looks += 1
        self._running = 0 if before is None else self._running + 1
        if (before is None or self._running < LEAST_RUNNING
                or (self._has_looked_enough and self._looks % EVERY >= BLOCK)):
            self._last_m = None
        elif self._last_m is None:
            self._place = np.rint(axes.index_from_world(self._points_xy)).astype(np.intp).T
            self._last_m = _with_beside_m(height_m, self._place)
            self._measured = np.zeros(2 * len(self._points_xy), dtype=np.intp)
            self._beside_m.clear()
        else:
            self._place -= np.array(before.moved)[:, None]
            last_m, self._last_m = self._last_m, _with_beside_m(height_m, self._place)
            self._note_step(last_m, self._last_m)
            for steps, least in zip(self._steps, (0, MATURE)):
                self._take(steps, least + len(steps.products_m2))
            self._fit()
        return self.of(noise)

    def _note_step(self, last_m: Singles, now_m: Singles) -> None:
        """Note by how much more than those beside them the cells have stepped up."""
        # What neighbours share, as a tilt that wanders, is no memory; what was not measured anew
        # is as before, to the last bit.
        own_m, *beside_m = now_m - last_m
        step_m = np.concatenate([
            np.where((own_m != 0.0) & (other_m != 0.0), own_m - other_m, np.float32('nan'))
            for other_m in beside_m])
        self._beside_m.append(step_m)
        self._measured += np.isfinite(step_m)
        self._measured[np.isnan((now_m[0] + now_m[1:]).ravel())] = 0

    @property
    def _has_looked_enough(self) -> bool:
        """Whether it is enough to learn from a grid now and then."""
        any_cell, mature = self._steps
        return self._looks >= EVERY or mature.count >= MOST_TOLD or (
            not self._kept and any_cell.count >= NOTHING_TOLD)

    def _take(self, steps: Steps, least: int) -> None:
        """Take in the last steps of cells that were measured so often at least."""
        count = len(steps.products_m2)
        if len(self._beside_m) < count:
            return
        last_m = np.array(self._beside_m)[-count:]
        own = np.flatnonzero(np.isfinite(last_m.sum(axis=0)) & (self._measured >= least))
        if len(own) < LEAST_CELLS:
            return
        own_m = last_m[:, own].astype(float)
        most_m = MOST_SIGMAS * SD_FROM_MAD * median_size(own_m[-1])
        steps.add(own_m[:, (np.abs(own_m) <= most_m).all(axis=0)])

    def _fit(self) -> None:
        """Find how much is kept by what was learned; nothing where that is told by nothing."""
        any_cell, mature = self._steps
        self._kept = self._kept_se = 0.0
        if not any_cell.enough:
            return
        kept, error = mature.of_mature() if mature.enough else any_cell.of_any()
        if kept > MOST_KEPT or abs(any_cell.shared(kept)) > MOST_SHARED:
            return
        if not mature.enough:
            # What is not undone comes up later and is waited for; too much undone comes and goes.
            kept -= error
        if kept >= LEAST_KEPT:
            self._kept, self._kept_se = kept, error


def _with_beside_m(height_m: Singles, place: NDArray[np.intp]) -> Singles:
    """Return the heights at some cells (2, k) and at the next of their row and column, (3, k)."""
    rows, cols = height_m.shape
    row, col = place
    inside = (row >= 0) & (row < rows - 1) & (col >= 0) & (col < cols - 1)
    at = np.where(inside, row * cols + col, 0)
    flat = height_m.ravel()
    return np.where(inside, (flat[at], flat[at + 1], flat[at + cols]), np.float32('nan'))
