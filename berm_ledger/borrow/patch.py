# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The surface of one borrow area: cells of its own, coarser than the berm's, and their datum.

A grid comes with the shift that was found for it over the berm. Level and tilt of what is left are
found here anew (`apron.py`), because a millimetre of level over a whole area is more than a load.
Where the drum has passed since the last look nothing of the old surface is believed.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from .apron import Apron
from .tracks import Passes, SPREAD, Tracks
from ..design import BorrowArea, Site
from ..design.surface import footprint_half_width_m
from ..geometry import Lattice, Pose2
from ..survey import ElevationGrid
from ..survey.area import CORRIDOR_MARGIN_M
from ..survey.carried import CarriedOver
from ..survey.noise import GridNoise
from ..survey.readings import Budget
from ..survey.registration import Shift
from ..survey.resample import bilinear, part_around, under_footprint
from ..survey.sampling import and_around, cleaned
from ..survey.site_survey import FOOTPRINT_PAD_M, OBJECT_M
from ..survey.surface import SiteSurface

# Cells are twice as wide as the berm's, and no more than so many.
COARSER = 2.0
MOST_CELLS = 40_000
# Ground around the area that is looked at [m], and how near to it soil may slide into a cut.
MARGIN_M = 0.45
SLIDE_M = 0.10
# Looks that the old height counts where the drum has passed.
WORKED_LOOKS = 0.001
# Looks that a cell counts after a restart: what happened meanwhile must show soon.
RESUMED_LOOKS = 4.0
# From here on a fall outside the area is soil that slid in, not noise [m].
SLID_M = 0.02
# The surface counts as surveyed when this share of the area has this many looks.
COMPLETE_SHARE = 0.98
COMPLETE_LOOKS = 10.0
# Least share of the area known when a datum is taken of it.
LEAST_KNOWN = 0.5
FILLED_LOOKS = 0.1
# As long as there is no datum, passes over one place that lie closer together than this belong to
# one stay: the ground is the surface before the last stay [ns].
STAY_NS = 60_000_000_000


class Ground(NamedTuple):
    """Heights (n,) [m] that a fall is reckoned from, their looks, and the passes before."""

    height_m: NDArray[np.float32]
    looks: NDArray[np.float32]
    passes: Passes


class BorrowPatch:
    """
    Cells of one borrow area; the part of the borrow room that keeps heights.

    Parameters
    ----------
    site : Site
        The site.
    area : BorrowArea
        The area.

    """

    def __init__(self, site: Site, area: BorrowArea) -> None:
        """Lay out the cells; nothing is known yet."""
        self.area = area
        self._rover = site.rover
        corners = area.polygon.corners_xy
        span = np.ptp(corners, axis=0) + 2.0 * MARGIN_M
        cell_m = max(COARSER * site.cell_m, math.sqrt(float(span.prod()) / MOST_CELLS))
        self.lattice = Lattice.covering(corners, cell_m, MARGIN_M)
        self.points_xy = self.lattice.centres_xy().reshape(-1, 2)
        inside = area.polygon.contains(self.points_xy)
        gap = np.where(inside, 0.0, area.polygon.distance_m(self.points_xy))
        self.inside: NDArray[np.bool_] = inside
        #: Cells whose fall is cut: the area and what may slide into it.
        self.near: NDArray[np.bool_] = gap <= SLIDE_M
        self._around = gap <= MARGIN_M
        apron = self._around & ~self.near & ~_built_on(site, self.points_xy)
        self._bare = np.flatnonzero(apron)
        self._apron = Apron(self.points_xy, self._bare, cell_m, inside)
        self.tracks = Tracks(self.lattice, site.rover.footprint)
        #: Whether wheels press the ground down here.
        self.sinks = False
        count = len(self.points_xy)
        self.surface = SiteSurface(count)
        self.datum_m: NDArray[np.float32] | None = None
        self.datum_looks = np.zeros(count, dtype=np.float32)
        #: Where the drum has ever passed, and since the last look.
        self.touched = np.zeros(count, dtype=bool)
        self._passed = np.zeros(count, dtype=bool)
        #: Where a look is still to show what the drum has left.
        self._fresh = np.zeros(count, dtype=bool)
        #: Where the drum has passed since ``begin_visit``, and what has slid there.
        self.visited = np.zeros(count, dtype=bool)
        self._ground_m = np.full(count, np.nan, dtype=np.float32)
        self._ground_looks = np.zeros(count, dtype=np.float32)
        self._ground_passes = self.tracks.shown.copy()
        self._passed_ns = np.full(count, -STAY_NS, dtype=np.int64)
        self._level_se_m = 0.0
        self._grid_cell_m = site.cell_m
        self._carried = CarriedOver()

    @property
    def awaited(self) -> NDArray[np.bool_]:
        """Cells where a look is still to show what the drum has left, shape (n,)."""
        return self._fresh | self._passed

    # ---- looks -------------------------------------------------------------------------------

    def shown_by(self, grid: ElevationGrid) -> bool:
        """Tell whether a grid shows some of the area."""
        rows, cols = grid.height_m.shape
        index = grid.axes.index_from_world(self._corners_xy)
        low, high = index.min(axis=0), index.max(axis=0)
        return bool((high >= 0.0).all() and low[0] <= rows - 1 and low[1] <= cols - 1)

    @property
    def _corners_xy(self) -> NDArray[np.float64]:
        """Corners of the area, shape (n, 2) [m]."""
        return self.area.polygon.corners_xy

    def work(self, site_from_base: Pose2, stamp_ns: int) -> None:
        """Note where the drum may have dug: between base_link and the drop point."""
        rover = self._rover
        along, across = rover.drop_point_xy
        own = site_from_base.inverse().apply(self.points_xy)
        half = rover.drum_width_m / 2.0 + self.lattice.cell_m
        passed = (own[:, 0] >= 0.0) & (own[:, 0] <= along + half)
        passed &= np.abs(own[:, 1] - across) <= half
        passed &= self.near
        if self.datum_m is not None:
            self._passed |= passed
            return
        # Before there is a datum the rover may well only look round.
        first = passed & (stamp_ns - self._passed_ns > STAY_NS)
        self._ground_m[first] = self.surface.height_m[first]
        self._ground_looks[first] = self.surface.effective_looks()[first]
        self._ground_passes[first] = self.tracks.shown[first]
        self._passed_ns[passed] = stamp_ns

    def take_grid(
        self, grid: ElevationGrid, site_from_base: Pose2, slack_m: float, shift: Shift,
        noise: GridNoise,
    ) -> bool:
        """
        Take in one grid; tell whether it showed anything that could be used.

        Parameters
        ----------
        grid : ElevationGrid
            Grid in the site frame, not yet corrected for the shift of the map.
        site_from_base : Pose2
            Where the rover stands, with the same shift.
        slack_m : float
            How far off that it may have been [m].
        shift : Shift
            Where the grid lies, as found over the berm.
        noise : GridNoise
            Noise of one look.

        Returns
        -------
        bool
            Whether the surface was changed by it.

        """
        self._grid_cell_m = grid.axes.cell_m
        points = shift.moved_xy(self.points_xy)
        part = part_around(grid, points.min(axis=0), points.max(axis=0))
        measured = bilinear(cleaned(part, self._carried, noise.kept).grid, points)
        measured -= shift.up_m(self.points_xy)
        measured[~self._around] = np.nan
        measured[under_footprint(
            points, self._rover.footprint, site_from_base, FOOTPRINT_PAD_M + slack_m)] = np.nan
        measured[self._objects(measured)] = np.nan
        # What has sunk since the last look does not tell where this one lies.
        sunk = self.tracks.gone & self.sinks
        placed = self._apron.placed(
            np.where(sunk, np.float32(np.nan), measured), self.surface, noise)
        if placed is None:
            return False
        self.settle()
        seen = np.isfinite(measured)
        measured -= placed.left.up_m(self.points_xy)
        # What was dug is taken as it is seen: no gate stands between it and the old height.
        worked = (self._fresh | sunk) & seen & self.surface.known
        self.surface.put(worked, measured[worked], WORKED_LOOKS)
        self.surface.fuse(measured, grid.stamp_ns, noise.total_m)
        self.datum_looks[sunk & seen & self._untouched] = WORKED_LOOKS
        self._fresh &= ~seen
        self.tracks.look(seen)
        self._level_se_m = placed.error_m
        return True

    def settle(self) -> None:
        """Let soil slide from beside where the drum has passed; a look is to show it."""
        if self._passed.any():
            reach = max(1, round(SLIDE_M / self.lattice.cell_m))
            spread = ndimage.binary_dilation(
                self._passed.reshape(self.lattice.shape), iterations=reach).ravel() & self.near
            self._passed[:] = False
            self._fresh |= spread
            self.visited |= spread
            self.touched |= spread

    def _objects(self, measured_m: NDArray[np.float32]) -> NDArray[np.bool_]:
        """Tell which cells show something that stands on the ground, and those beside."""
        with np.errstate(invalid='ignore'):
            high = measured_m - self.surface.height_m > OBJECT_M
        if not high.any():
            return high
        return and_around(high.reshape(self.lattice.shape), self.lattice.cell_m).ravel()

    def learn_ruts(self) -> None:
        """Learn how far the ground around has sunk under the wheels."""
        if self.sinks:
            # Not where soil has slid into the cut.
            bare = self._bare[~self.counted[self._bare]]
            self.tracks.learn(bare, self.surface.height_m)

    @property
    def _untouched(self) -> NDArray[np.bool_]:
        """Cells where the drum has not passed yet, shape (n,)."""
        return ~(self.touched | self._passed)

    def ground(self) -> Ground:
        """Return the surface as it stands; what nobody has seen yet is not known."""
        looks = np.where(self.awaited, np.float32(0.0), self.surface.effective_looks())
        return Ground(self.surface.height_m.copy(), looks, self.tracks.shown.copy())

    # ---- datum -------------------------------------------------------------------------------

    @property
    def survey_complete(self) -> bool:
        """Whether the area has been looked at often enough to call it surveyed."""
        return bool(np.mean(self.surface.looks[self.near] >= COMPLETE_LOOKS) >= COMPLETE_SHARE)

    def take_datum(self, *, after_a_load: bool = False) -> float | None:
        """
        Take the present surface for the natural ground.

        Parameters
        ----------
        after_a_load : bool
            Whether a load was dug already: where the drum has passed, the ground is the surface
            before that.

        Returns
        -------
        float or None
            Share of the area that was seen; None when that is too little and nothing was taken.

        """
        height, worth, passes = (
            self.surface.height_m, self.surface.effective_looks(), self.tracks.shown.copy())
        if after_a_load:
            passed = self._passed_ns >= 0
            height = np.where(passed, self._ground_m, height)
            worth = np.where(passed, self._ground_looks, worth)
            passes[passed] = self._ground_passes[passed]
            self.surface.looks[passed & self.surface.known] = WORKED_LOOKS
            self.touched |= passed
        known = np.isfinite(height) & (worth > 0.0)
        share = float(known[self.near].mean())
        if share < LEAST_KNOWN:
            return None
        # Cells that nobody has seen stand like the nearest that somebody has.
        nearest = ndimage.distance_transform_edt(
            ~known.reshape(self.lattice.shape), return_distances=False, return_indices=True)
        flat = (nearest[0] * self.lattice.cols + nearest[1]).ravel()
        self.datum_m = height[flat].copy()
        self.datum_looks = np.where(known, worth, FILLED_LOOKS).astype(np.float32)
        self.tracks.before = passes
        return share

    def survey_late(self) -> None:
        """Go on surveying where the drum has not passed yet: that is natural ground still."""
        if self.datum_m is None:
            return
        looks = self.surface.effective_looks()
        late = self._untouched & (looks > self.datum_looks)
        self.datum_m[late] = self.surface.height_m[late]
        self.datum_looks[late] = looks[late]
        self.tracks.before[late] = self.tracks.shown[late]

    # ---- figures -----------------------------------------------------------------------------

    def depth_m(self) -> NDArray[np.float64]:
        """Return how deep was dug below the datum, shape (n,) [m]; NaN unknown."""
        if self.datum_m is None:
            return np.full(len(self.points_xy), np.nan)
        fall_m = (self.datum_m - self.surface.height_m).astype(float)
        fall_m -= self.tracks.sunk_m(self.tracks.before)
        return fall_m

    @property
    def counted(self) -> NDArray[np.bool_]:
        """Which cells count as cut: where the drum has passed, and what slid in from outside."""
        with np.errstate(invalid='ignore'):
            slid = self._around & ~self.near & (self.depth_m() > SLID_M)
        out: NDArray[np.bool_] = (self.touched & self.near) | (slid & self._beside_touched())
        return out

    def _beside_touched(self) -> NDArray[np.bool_]:
        """Return the cells no further from where the drum has passed than the margin."""
        reach = max(1, round(MARGIN_M / self.lattice.cell_m))
        out: NDArray[np.bool_] = ndimage.binary_dilation(
            self.touched.reshape(self.lattice.shape), iterations=reach).ravel()
        return out

    def volume_m3(
        self, cells: NDArray[np.bool_], noise: GridNoise,
        before: Ground | None = None,
    ) -> tuple[float, float]:
        """
        Return what was taken from some cells and its standard error [m3]; bank state.

        Parameters
        ----------
        cells : array
            Which cells, shape (n,).
        noise : GridNoise
            Noise of one look.
        before : Ground, optional
            What to compare with; left out, the datum.

        Returns
        -------
        volume_m3, volume_se_m3 : float
            NaN where less than half of the cells are known.

        """
        if before is None:
            if self.datum_m is None:
                return math.nan, math.nan
            before = Ground(self.datum_m, self.datum_looks, self.tracks.before)
        fall = (before.height_m - self.surface.height_m).astype(float)
        sunk = self.tracks.sunk_m(before.passes)
        looks = self.surface.effective_looks()
        known = cells & np.isfinite(fall) & (looks > 0.0) & (before.looks > 0.0)
        total, seen = int(cells.sum()), int((known & ~self._fresh).sum())
        if not total:
            return 0.0, 0.0
        if seen < 0.5 * total:
            return math.nan, math.nan
        cell_m2 = self.lattice.cell_area_m2
        used = known & ~self._fresh
        pressed = float(sunk[used].sum()) * cell_m2 * total / seen
        volume = float(fall[used].sum()) * cell_m2 * total / seen - pressed
        inverse = float(np.mean(1.0 / looks[used] + 1.0 / before.looks[used]))
        budget = Budget(noise, 1.0 / inverse, self._level_se_m, 0.0, self.lattice.cell_m,
                        self._grid_cell_m)
        unseen = (total - seen) / total * abs(volume)
        return volume, math.hypot(
            budget.mean_error_m(total * cell_m2) * total * cell_m2, unseen, SPREAD * pressed)

    def smooth_depth_m(
        self, size: int, least_looks: float = 0.0, *, filled: bool = True
    ) -> NDArray[np.float64]:
        """Return the depth as the mean of a square of cells, shape of the lattice [m]."""
        depth = self.depth_m().reshape(self.lattice.shape)
        seen = self.surface.looks >= least_looks
        # Ground that was filled in may be off by more than a cut.
        seen &= filled | (self.datum_looks > FILLED_LOOKS)
        known = np.isfinite(depth) & seen.reshape(self.lattice.shape)
        weight = ndimage.uniform_filter(known.astype(float), size, mode='constant')
        total = ndimage.uniform_filter(np.where(known, depth, 0.0), size, mode='constant')
        with np.errstate(invalid='ignore', divide='ignore'):
            out: NDArray[np.float64] = np.where(weight >= 0.5, total / weight, np.nan)
        return out


def _built_on(site: Site, points_xy: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return which points lie where a berm's soil may come."""
    out = np.zeros(len(points_xy), dtype=bool)
    for berm in site.berms:
        half = footprint_half_width_m(berm, site.datum_plane)
        reach = (half if math.isfinite(half) else 1.0) + CORRIDOR_MARGIN_M
        _, offset = berm.centreline.station_offset(points_xy)
        out |= np.abs(offset) <= reach
    return out
