# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The natural ground under the berm: surveyed before the first dump, or a given plane.

Cells that nobody has seen are filled from a plane through the known ground nearby and marked. A
filled cell that is seen for the first time later, before any load has come near it, is surveyed
after all.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from .area import SurveyArea

# Known cells that a local plane goes through, and how many unseen cells share one [m].
PLANE_CELLS = 400
TILE_M = 0.25
# Further off the plane goes through all known cells within so many times the way to the nearest:
# the slope of a small place, carried on for metres, leads anywhere. Of more than so many cells a
# part will do.
FAR_REACH = 3.0
MOST_CELLS = 2000
# Across a strip of known ground narrower than this share of its length no slope is taken.
LEAST_WIDTH = 0.1
# Of the known cells every so many along rows and columns is looked at.
THINNING = 4
# Looks that a filled level is worth: it is off by three times the noise of a look or so.
FILLED_LOOKS = 0.1


class Source(IntEnum):
    """Where the datum of a cell comes from."""

    SURVEYED = 0
    FILLED = 1
    PLANE = 2


@dataclass(frozen=True, eq=False)
class Datum:
    """
    Level of the natural ground at n cells.

    Parameters
    ----------
    stamp_ns : int
        When it was taken [ns].
    level_m : array
        Level, shape (n,), float32 [m]; no NaN.
    source : array
        ``Source`` of each cell, shape (n,), uint8.
    looks : array
        Looks that a cell is worth, shape (n,), float32; infinite for a plane, little where
        filled.

    """

    stamp_ns: int
    level_m: NDArray[np.float32]
    source: NDArray[np.uint8]
    looks: NDArray[np.float32]

    @property
    def filled(self) -> NDArray[np.bool_]:
        """Which cells were filled in, shape (n,)."""
        out: NDArray[np.bool_] = self.source == Source.FILLED
        return out

    @cached_property
    def lowest_m(self) -> float:
        """Lowest level of any cell [m]."""
        return float(self.level_m.min())

    @cached_property
    def has_filled(self) -> bool:
        """Whether any cell was filled in."""
        return bool(self.filled.any())


def plane_datum(area: SurveyArea, stamp_ns: int) -> Datum | None:
    """Return the datum that the site file gives, None when it is to be surveyed."""
    plane = area.site.datum_plane
    if plane is None:
        return None
    level = plane.height_m(area.centres_xy).astype(np.float32)
    count = len(area)
    return Datum(stamp_ns, level, np.full(count, Source.PLANE, dtype=np.uint8),
                 np.full(count, np.inf, dtype=np.float32))


def surveyed_datum(
    area: SurveyArea, height_m: NDArray[np.float32], looks: NDArray[np.float32], stamp_ns: int
) -> Datum | None:
    """
    Take the surface as it stands for the datum.

    Parameters
    ----------
    area : SurveyArea
        The surveyed cells.
    height_m, looks : array
        Surface and what it is worth, shape (n,); NaN is unseen.
    stamp_ns : int
        Time of the survey [ns].

    Returns
    -------
    Datum or None
        None when too little is known to lay a plane through it.

    """
    known = np.isfinite(height_m)
    if np.count_nonzero(known) < 4 * THINNING**2:
        return None
    level = height_m.copy()
    if not known.all():
        level[~known] = filled_from_planes(area, height_m, known)
    source = np.where(known, Source.SURVEYED, Source.FILLED).astype(np.uint8)
    worth = np.where(known, np.maximum(looks, 1.0), FILLED_LOOKS).astype(np.float32)
    return Datum(stamp_ns, level, source, worth)


def filled_from_planes(
    area: SurveyArea, height_m: NDArray[np.float32], known: NDArray[np.bool_]
) -> NDArray[np.float32]:
    """
    Return levels of the unknown cells from planes through the nearest known ones.

    Parameters
    ----------
    area : SurveyArea
        The surveyed cells.
    height_m : array
        Levels, shape (n,) [m].
    known : array
        Which of them count, shape (n,).

    Returns
    -------
    array
        Levels of the unknown cells in their order [m].

    """
    points = area.centres_xy
    row, col = np.divmod(area.corridor.flat_index, area.lattice.cols)
    base = np.flatnonzero(known & (row % THINNING == 0) & (col % THINNING == 0))
    if len(base) < 3:
        base = np.flatnonzero(known)
    from scipy.spatial import cKDTree  # 8 MB that few sites need
    known_xy = points[base]
    tree = cKDTree(known_xy)
    gaps = points[~known]
    tiles, tile_of, count = np.unique(
        np.floor(gaps / TILE_M), axis=0, return_inverse=True, return_counts=True)
    of_tiles = np.split(np.argsort(np.ravel(tile_of), kind='stable'), np.cumsum(count)[:-1])
    out = np.empty(len(gaps), dtype=np.float32)
    for centre, own in zip((tiles + 0.5) * TILE_M, of_tiles):
        away_m, near = map(np.atleast_1d, tree.query(centre, k=min(PLANE_CELLS, len(base))))
        if FAR_REACH * away_m[0] > away_m[-1]:
            near = np.flatnonzero(np.hypot(*(known_xy - centre).T) <= FAR_REACH * away_m[0])
            near = near[::max(1, len(near) // MOST_CELLS)]
        near = base[near]
        middle, level = points[near].mean(axis=0), float(height_m[near].mean())
        slope, *_ = np.linalg.lstsq(
            points[near] - middle, height_m[near].astype(float) - level, rcond=LEAST_WIDTH)
        out[own] = level + (gaps[own] - middle) @ slope
    return out


def with_late_survey(
    datum: Datum, cells: NDArray[np.bool_], height_m: NDArray[np.float32],
    looks: NDArray[np.float32],
) -> Datum:
    """Return the datum with given filled cells taken from the surface after all."""
    level, source, worth = datum.level_m.copy(), datum.source.copy(), datum.looks.copy()
    level[cells] = height_m[cells]
    source[cells] = Source.SURVEYED
    worth[cells] = np.maximum(looks[cells], 1.0)
    return Datum(datum.stamp_ns, level, source, worth)
