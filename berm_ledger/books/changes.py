# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Coherent changes, and the looks that tell of them.

A group of cells is coherent when it is neither a speck nor a thin line; what stands steeper than
soil can is a thing.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
import math

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from .charts import Canvas
from .detection import level_of_detection
from ..kernels import compiled
from ..survey.error_budget import between_points, volume_error
from ..survey.nearby import grow
from ..survey.noise import GridNoise
from ..survey.surface import without_nan

Cells = NDArray[np.bool_]
Floats = NDArray[np.float64]

# Smallest group of cells that counts [m2], and of how many that are sure.
LEAST_AREA_M2 = 0.0030
LEAST_SURE = 4
# By so many steps a group may be broken and still be one, on either side of the break.
JOINED = 2
# Steps around the core of a change that belong to it although each cell is below detection.
FRINGE = 4
# Loose soil does not stand as steep as this (tangent, 65 degrees; common practice, no source); a
# rise of which this part of the edge does, or so much of a wall [m], is a thing. The newest looks
# tell: a machine that has moved must not blur its own walls.
STEEP = 2.1
STEEP_SHARE = 0.3
WALL_M = 0.18
NEWEST_LOOKS = 3
# With less than this part of the edge in view nobody can tell.
LEAST_SHOWN = 0.3


@dataclass(frozen=True, eq=False)
class Change:
    """
    One coherent change.

    Parameters
    ----------
    kind : str
        ``disturbed``, ``slump`` or ``unbooked_fill``; ``removed_fill`` is a thing or soil that
        had come without a dump and has left again, which is nothing; ``undecided`` is a loss of
        which some may lie close by.
    cells : array
        Surveyed cells that belong to it.
    lost_m3, gained_m3 : float
        Sums of what went and what came, both positive [m3].
    first_seen_ns : int
        When it was first seen [ns].
    window_from_ns : int
        When the place was last seen unchanged [ns].
    volume_se_m3 : float
        Standard error of the volume [m3].
    height_m, looks : array
        Surface since the change at those cells, and the looks that it is the mean of.
    rise_m : array
        What of it is lost (negative) or gained, as far as it makes up the volume [m].
    seen : float
        Looks that it was seen in.

    """

    kind: str
    cells: NDArray[np.intp]
    lost_m3: float
    gained_m3: float
    first_seen_ns: int
    window_from_ns: int
    volume_se_m3: float = math.nan
    height_m: Floats = field(default_factory=lambda: np.empty(0))
    looks: Floats = field(default_factory=lambda: np.empty(0))
    rise_m: Floats = field(default_factory=lambda: np.empty(0))
    seen: float = 0.0

    def placed(
        self, index: NDArray[np.intp], first_seen_ns: int, window_from_ns: int
    ) -> Change:
        """Return it with cells counted as in an array that holds these, and its times [ns]."""
        return replace(self, cells=index[self.cells], first_seen_ns=first_seen_ns,
                       window_from_ns=window_from_ns)

    @property
    def volume_m3(self) -> float:
        """Volume that the kind is about: net loss, soil that slid, or net gain [m3]."""
        if self.kind == 'slump':
            return self.lost_m3
        return abs(self.lost_m3 - self.gained_m3)


@dataclass(frozen=True, eq=False)
class Evidence:
    """
    The looks since a change began against the accepted surface; arrays of shape (n,).

    Parameters
    ----------
    canvas : Canvas
        The cells on their lattice.
    accepted_m, accepted_looks : array
        Accepted surface and what it is worth.
    fill_m : array
        Soil booked as unaccounted for above it, zero elsewhere [m].
    mean_m, looks : array
        Mean of the looks since, NaN where unseen, and their number.
    newest_m : array
        Mean of the newest looks, NaN where unseen.
    judged : array
        Cells that may be judged at all.
    noise : GridNoise
        Noise of one look.
    shared_m : array
        What is unknown of the shift of the looks, as a height [m].
    standing_m : array
        How high the accepted surface stands above the natural ground [m].

    """

    canvas: Canvas
    accepted_m: Floats
    accepted_looks: Floats
    fill_m: Floats
    mean_m: Floats
    looks: Floats
    newest_m: Floats
    judged: Cells
    noise: GridNoise
    shared_m: NDArray[np.floating]
    standing_m: Floats

    @property
    def area_m2(self) -> float:
        """Area of a cell [m2]."""
        return self.canvas.lattice.cell_area_m2

    @property
    def fringe(self) -> int:
        """Return steps around the core of a change; a coarse grid blurs its edge further."""
        return max(FRINGE, math.ceil(self.noise.cell_m / self.canvas.lattice.cell_m))

    @cached_property
    def difference_m(self) -> Floats:
        """Return what was lost (negative) or gained, read-only; unseen cells follow others."""
        rise = np.where(self.judged, self.mean_m - self.accepted_m, np.nan)
        near = self.canvas.box_mean(rise)
        filled = np.where(np.isfinite(rise), rise, np.where(self.judged, near, np.nan))
        out = without_nan(filled)
        out.flags.writeable = False
        return out

    @cached_property
    def detection_m(self) -> Floats:
        """Return the level of detection of the 3 x 3 mean, 95 %; read-only [m]."""
        one = smoothed_noise_m(self.noise)
        looks = np.maximum(self.looks, 1.0)
        out = np.array(level_of_detection(
            one / np.sqrt(self.accepted_looks), one / np.sqrt(looks),
            shared_m=self.shared_m + self.noise.staying_m))
        out.flags.writeable = False
        return out

    def volume_se_m3(self, cells: Cells) -> float:
        """Return the standard error of the sum over some cells [m3]."""
        inverse = (1.0 / np.maximum(self.looks[cells], 1.0)
                   + 1.0 / self.accepted_looks[cells]).astype(float)
        # A bilinear value of a coarser grid shares cells with its neighbours.
        own = 1.5 * self.noise.white_m * np.sqrt(inverse)
        common = math.hypot(self.noise.correlated_m * math.sqrt(float(np.mean(inverse))),
                            self.noise.staying_m)
        common *= between_points(len(own) * self.area_m2, self.noise.range_m)
        return volume_error(
            self.canvas.lattice.cell_m, own, correlated_m=common, range_m=self.noise.range_m,
            systematic_m=float(np.mean(self.shared_m[cells])) / 2.0).total_m3


def smoothed_noise_m(noise: GridNoise) -> float:
    """Return the noise of one look at the mean of 3 x 3 cells [m]."""
    # Nine cells of 15 mm hold about four cells of a grid of 20 mm.
    return math.hypot(noise.white_m / 2.0, noise.correlated_m)


def clusters(
    canvas: Canvas, cells: Cells, sure: Cells | None = None
) -> list[NDArray[np.intp]]:
    """
    Return coherent groups of cells: no thin lines, no specks.

    Parameters
    ----------
    canvas : Canvas
        The cells on their lattice.
    cells : array
        Mask of the cells, shape (n,).
    sure : array, optional
        Mask of cells of which every group must hold some, shape (n,).

    Returns
    -------
    list of array
        Cells of each group, shape (k,).

    """
    least = LEAST_AREA_M2 / canvas.lattice.cell_area_m2
    if compiled.groups is not None and sure is None:
        reach = sum(canvas.lattice.shape)
        found = compiled.groups.groups(
            cells.astype(np.float32), None, None, *canvas.places, 0.5, 0.5, reach, JOINED, least,
            0)
        return [np.array(group, dtype=np.intp) for group in found]
    # Only where a cell of the mask is, and then only around what is left of them.
    some = np.flatnonzero(cells)
    core = some[canvas.in_core(some, cells)]
    if not len(core):
        return []
    place = np.stack(np.divmod(canvas.flat_index[core], canvas.lattice.cols))
    first = np.maximum(place.min(axis=1) - JOINED, 0)
    stop = np.minimum(place.max(axis=1) + JOINED + 1, canvas.lattice.shape)
    part = np.zeros(stop - first, dtype=bool)
    row, col = place - first[:, None]
    part[row, col] = True
    labels, count = ndimage.label(grow(part, JOINED))
    of_core = labels[row, col]
    groups = (core[of_core == label] for label in range(1, count + 1))
    return [group for group in groups if len(group) >= least and (
        sure is None or np.count_nonzero(sure[group]) >= LEAST_SURE)]


def grown(evidence: Evidence, core: NDArray[np.intp], steps: int) -> Cells:
    """Return the cells around a core that may be judged, shape (n,)."""
    mask = np.zeros(len(evidence.judged), dtype=bool)
    mask[core] = True
    return evidence.canvas.near(mask, steps) & evidence.judged


def stands_like_a_thing(evidence: Evidence, core: NDArray[np.intp]) -> bool:
    """Tell whether the edge of what has risen stands steeper than soil can."""
    canvas = evidence.canvas
    mask = np.zeros(len(evidence.judged), dtype=bool)
    mask[core] = True
    on = canvas.mask(mask)
    ring = grow(on, 2) & ~ndimage.binary_erosion(on, iterations=2)
    known = canvas.mask(evidence.judged & np.isfinite(evidence.newest_m))
    surface = np.where(known, canvas.spread(evidence.newest_m), np.nan)
    # Where the edge lies at the end of what is seen it shows nothing.
    shown = ring & ndimage.binary_erosion(known)
    if np.count_nonzero(shown) < LEAST_SHOWN * np.count_nonzero(ring):
        return True
    steep = steps_m(surface) > STEEP * canvas.lattice.cell_m
    # Interpolation spreads a wall over two or three cells.
    share = float(np.mean(ndimage.maximum_filter(steep, 3)[shown]))
    wall_m = np.count_nonzero(steep & ring) * canvas.lattice.cell_m
    return bool(share >= STEEP_SHARE or wall_m >= WALL_M)


def steps_m(surface_m: Floats) -> Floats:
    """Return the greater step to the cells before, by row and column [m]; 0 where unknown."""
    step = np.zeros(surface_m.shape)
    step[1:] = np.nan_to_num(np.abs(np.diff(surface_m, axis=0)))
    step[:, 1:] = np.maximum(step[:, 1:], np.nan_to_num(np.abs(np.diff(surface_m, axis=1))))
    return step
