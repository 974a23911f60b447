# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
What a dump added: the rise of the surface around its drop point between before and after.

A dump stays open until its surroundings have been looked at often enough. Dumps that land on
each other before that are settled together, each with an equal part.
"""

from __future__ import annotations

from dataclasses import dataclass, field
import math

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

# Settled when this share of the cells around has this many looks and this little time passed.
SETTLED_SHARE = 0.6
SETTLED_LOOKS = 5
HURRIED_LOOKS = 2
# More of the cells than this still waiting for agreement keep a dump open.
MOST_WAITING = 0.005
# A rise of less than this part of the expected load is a dump that missed.
STRAY_SHARE = 0.25


@dataclass(frozen=True)
class Landing:
    """
    One announced dump.

    Parameters
    ----------
    seq : int
        Number of its entry.
    x_m, y_m : float
        Drop point in the site frame [m].
    expected_m3 : float
        Volume that it should add [m3].

    """

    seq: int
    x_m: float
    y_m: float
    expected_m3: float


@dataclass(frozen=True, eq=False)
class Rise:
    """
    What one dump added.

    Parameters
    ----------
    landing : Landing
        The dump.
    volume_m3, volume_se_m3 : float
        Rise and its standard error [m3].
    by_row_m3 : array
        Rise on each segment, shape (segments,) [m3].
    missed : bool
        Whether it left no rise to speak of.

    """

    landing: Landing
    volume_m3: float
    volume_se_m3: float
    by_row_m3: NDArray[np.float64]
    missed: bool


@dataclass(eq=False)
class OpenPatch:
    """Cells around one or several open dumps: which, how high before, looked at how often."""

    landings: list[Landing]
    cells: NDArray[np.intp]
    before_m: NDArray[np.float32]
    looks: NDArray[np.uint8]

    def share_with(self, least: int) -> float:
        """Return the share of the cells with at least so many looks."""
        return float(np.mean(self.looks >= least)) if len(self.looks) else 1.0


@dataclass(eq=False)
class DumpWatch:
    """
    Keeps dumps open until their rise is measured.

    Parameters
    ----------
    points_xy : array
        Centres of the surveyed cells, shape (n, 2) [m].
    shares : scipy.sparse.csr_matrix
        Share of each segment in each cell, shape (segments, n).
    cell_area_m2 : float
        Area of a cell [m2].
    radius_m : float
        How far around a drop point soil may come to lie [m].
    open : list of OpenPatch
        Dumps still to be measured.
    touched : array
        Cells that any dump has come near to, shape (n,).

    """

    points_xy: NDArray[np.float64]
    shares: sparse.csr_matrix
    cell_area_m2: float
    radius_m: float
    open: list[OpenPatch] = field(default_factory=list)
    touched: NDArray[np.bool_] = field(init=False)

    def __post_init__(self) -> None:
        """Start with no dump, near or open."""
        self.touched = np.zeros(len(self.points_xy), dtype=bool)

    def touch(self, x_m: float, y_m: float) -> None:
        """Note that a load has come down at a point: the ground around is natural no more."""
        self.touched[self.cells_around(x_m, y_m, self.radius_m)] = True

    def cells_around(self, x_m: float, y_m: float, radius_m: float) -> NDArray[np.intp]:
        """Return the cells within a radius of a point."""
        gap = self.points_xy - (x_m, y_m)
        return np.flatnonzero(np.einsum('nc,nc->n', gap, gap) <= radius_m**2)

    def announce(self, landing: Landing, height_m: NDArray[np.float32]) -> None:
        """Open a dump on the surface as it stands; join it to open ones that it touches."""
        cells = self.cells_around(landing.x_m, landing.y_m, self.radius_m)
        self.touched[cells] = True
        patch = OpenPatch([landing], cells, height_m[cells].copy(),
                          np.zeros(len(cells), dtype=np.uint8))
        for other in [p for p in self.open if np.intersect1d(p.cells, cells).size]:
            patch = _joined(other, patch)
            self.open.remove(other)
        self.open.append(patch)

    def touched_by(self, x_m: float, y_m: float) -> list[OpenPatch]:
        """Return the open patches that a load at a point would fall into."""
        cells = self.cells_around(x_m, y_m, self.radius_m)
        return [p for p in self.open if np.intersect1d(p.cells, cells).size]

    def mask(self) -> NDArray[np.bool_]:
        """Tell which cells belong to open dumps, shape (n,)."""
        out = np.zeros(len(self.points_xy), dtype=bool)
        for patch in self.open:
            out[patch.cells] = True
        return out

    def look(self, seen: NDArray[np.bool_]) -> None:
        """Count a look at the cells seen, shape (n,)."""
        for patch in self.open:
            patch.looks += (seen[patch.cells] & (patch.looks < 255)).astype(np.uint8)

    def settled(self, waiting: NDArray[np.bool_]) -> list[OpenPatch]:
        """Return the open patches that can be measured; ``waiting`` cells lack agreement."""
        return [p for p in self.open if p.share_with(SETTLED_LOOKS) >= SETTLED_SHARE
                and float(np.mean(waiting[p.cells])) <= MOST_WAITING]

    def close(
        self, patch: OpenPatch, height_m: NDArray[np.float32], error_m: float
    ) -> list[Rise]:
        """
        Measure a patch and forget it.

        Parameters
        ----------
        patch : OpenPatch
            The patch.
        height_m : array
            Surface now, shape (n,) [m].
        error_m : float
            Standard error of the mean height difference over the patch [m].

        Returns
        -------
        list of Rise
            One per dump.

        """
        self.open.remove(patch)
        rise = (height_m[patch.cells] - patch.before_m).astype(float)
        known = np.isfinite(rise)
        rise = np.where(known, rise, 0.0)
        volume = float(rise.sum()) * self.cell_area_m2
        by_row = self.shares[:, patch.cells] @ rise * self.cell_area_m2
        error = error_m * np.count_nonzero(known) * self.cell_area_m2
        count = len(patch.landings)
        expected = sum(landing.expected_m3 for landing in patch.landings) / count
        missed = not known.any() or volume / count < STRAY_SHARE * expected
        return [Rise(landing, volume / count, error / math.sqrt(count), by_row / count, missed)
                for landing in patch.landings]


def _joined(old: OpenPatch, new: OpenPatch) -> OpenPatch:
    """Join two patches; cells of both keep the earlier height and have no looks yet."""
    fresh = ~np.isin(new.cells, old.cells)
    looks = np.where(np.isin(old.cells, new.cells), 0, old.looks).astype(np.uint8)
    return OpenPatch(
        old.landings + new.landings,
        np.concatenate([old.cells, new.cells[fresh]]),
        np.concatenate([old.before_m, new.before_m[fresh]]),
        np.concatenate([looks, new.looks[fresh]]))
