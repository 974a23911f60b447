# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
What a dump added: the rise of the surface around its drop point between before and after.

A dump stays open until its surroundings have been looked at often enough since. Dumps that land on
each other before they were measured are measured together; every cell's rise is shared out by what
the loads are expected to leave there.
"""

from __future__ import annotations

from dataclasses import dataclass, field
import math

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, sparse

from .changes import smoothed_noise_m
from .charts import Canvas
from .patches import ASSUMED, Landing, OpenPatch, Rise, SETTLED_SHARE, WHOLE_SHARE
from .shared_shift import LevelLook
from .still_coming import coming_share
from .whole_loads import weights_of_seen
from ..survey.error_budget import between_points, volume_error
from ..survey.nearby import grow
from ..survey.noise import GridNoise
from ..survey.robust import Floats

# A rise of less than this part of the expected load is a dump that missed.
STRAY_SHARE = 0.25
# Spread of the soil of a load around its drop point, beyond the drum's width [m].
HEAP_M = 0.16
# A dump of which less than this part is known before and after is not measured.
LEAST_SEEN = 0.1
# Soil has come where 3 x 3 cells rose by this much [m] and so many sigmas, and this many cells
# around.
LEAST_RISE_M = 0.004
RISE_SIGMAS = 2.0
# Away from where the load fell it must be so many times as much.
PLAIN_RISES = 2.0
FRINGE = 4
# Part of a rise that its thin edges and the grid's cells leave open (measured, simulated builds).
EDGE_SHARE = 0.025
# Part of a load that sharing out between dumps measured together leaves open.
SHARING_SHARE = 0.2
# White noise is shared by cells that are interpolated from the same grid cells.
INTERPOLATION_GAIN = 1.5


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
    canvas : Canvas
        The cells on their lattice.
    radius_m : float
        How far around a drop point soil may come to lie [m].
    full_m3 : float
        Volume of a full load [m3].
    patches : list of OpenPatch
        Dumps still to be measured.
    touched : array
        Cells that any dump has come near to, shape (n,).
    are_news : bool
        Whether a dump was opened or looked at since they were last kept.

    """

    points_xy: NDArray[np.float64]
    shares: sparse.csr_matrix
    canvas: Canvas
    radius_m: float
    full_m3: float
    patches: list[OpenPatch] = field(default_factory=list)
    touched: NDArray[np.bool_] = field(init=False)
    are_news: bool = field(init=False, default=False)
    _mask: NDArray[np.bool_] | None = field(init=False, default=None)

    def __post_init__(self) -> None:
        """Start with no dump, near or open."""
        self.touched = np.zeros(len(self.points_xy), dtype=bool)

    def touch(self, x_m: float, y_m: float) -> None:
        """Note that a load has come down at a point: the ground around is natural no more."""
        self.touched[self.cells_under(x_m, y_m)] = True

    def cells_around(self, x_m: float, y_m: float, radius_m: float) -> NDArray[np.intp]:
        """Return the cells within a radius of a point."""
        near = self.canvas.square(x_m, y_m, radius_m)
        gap = self.points_xy[near] - (x_m, y_m)
        return near[gap[:, 0]**2 + gap[:, 1]**2 <= radius_m**2]

    def cells_under(self, x_m: float, y_m: float) -> NDArray[np.intp]:
        """Return the surveyed cells that a load at a point [m] may reach."""
        return self.cells_around(x_m, y_m, self.radius_m)

    def announce(
        self, landing: Landing, height_m: NDArray[np.floating], looks: NDArray[np.floating]
    ) -> None:
        """
        Open a dump on the surface as it stands; join it to open ones that it touches.

        Parameters
        ----------
        landing : Landing
            The dump.
        height_m, looks : array
            Surface and what it is worth, shape (n,).

        """
        cells = self.cells_under(landing.x_m, landing.y_m)
        self.touched[cells] = True
        patch = OpenPatch(
            [landing], cells, height_m[cells].astype(float),
            np.maximum(looks[cells], 1.0).astype(float), self._parts([landing], cells),
            np.empty((0, len(cells)), dtype=np.float32))
        for other in self.touched_by(landing.x_m, landing.y_m):
            patch = self._joined(other, patch)
            self.patches.remove(other)
        self.patches.append(patch)
        self._mask, self.are_news = None, True

    def cells_of(self, landings: list[Landing]) -> NDArray[np.intp]:
        """Return the cells of a patch of these dumps, in the order that joining gives."""
        cells = np.concatenate([self.cells_under(load.x_m, load.y_m) for load in landings])
        _, first = np.unique(cells, return_index=True)
        return cells[np.sort(first)]

    def put_back(
        self, landings: list[Landing], before: NDArray[np.floating],
        kept_m: NDArray[np.float32], looks: int, stamps_ns: tuple[int, ...],
    ) -> None:
        """
        Open dumps again as they were; the figures are those of ``OpenPatch``.

        Parameters
        ----------
        landings : list of Landing
            The dumps of one patch.
        before : array
            Surface before them [m] and what it was worth, shape (2, k).
        kept_m, looks, stamps_ns : array, int and tuple of int
            Looks since.

        """
        cells = self.cells_of(landings)
        self.touched[cells] = True
        self.patches.append(OpenPatch(
            landings, cells, before[0].astype(float), before[1].astype(float),
            self._parts(landings, cells), kept_m, looks, stamps_ns))
        self._mask = None

    def _parts(self, landings: list[Landing], cells: NDArray[np.intp]) -> Floats:
        """Return the share of every load that is expected at each cell, shape (l, k)."""
        part = np.exp(-0.5 * (self._gaps_m(landings, cells) / HEAP_M) ** 2)
        out: Floats = part / np.maximum(part.sum(axis=1, keepdims=True), 1e-12)
        return out

    def _gaps_m(self, landings: list[Landing], cells: NDArray[np.intp]) -> Floats:
        """Return how far each cell lies from every drop point, shape (l, k) [m]."""
        at = np.array([(landing.x_m, landing.y_m) for landing in landings])
        out: Floats = np.linalg.norm(self.points_xy[cells][None, :, :] - at[:, None, :], axis=2)
        return out

    def _joined(self, old: OpenPatch, new: OpenPatch) -> OpenPatch:
        """Join two patches; cells of both keep the earlier height and forget their looks."""
        fresh = ~np.isin(new.cells, old.cells)
        kept = old.kept_m.copy()
        kept[:, np.isin(old.cells, new.cells)] = np.nan
        blank = np.full((len(kept), np.count_nonzero(fresh)), np.nan, dtype=np.float32)
        landings = old.landings + new.landings
        cells = np.concatenate([old.cells, new.cells[fresh]])
        return OpenPatch(
            landings, cells,
            np.concatenate([old.before_m, new.before_m[fresh]]),
            np.concatenate([old.before_looks, new.before_looks[fresh]]),
            self._parts(landings, cells), np.concatenate([kept, blank], axis=1),
            stamps_ns=old.stamps_ns)

    def touched_by(self, x_m: float, y_m: float) -> list[OpenPatch]:
        """Return the open patches that a load at a point would fall into."""
        cells = self.cells_under(x_m, y_m)
        return [p for p in self.patches if np.intersect1d(p.cells, cells).size]

    def mask(self) -> NDArray[np.bool_]:
        """Tell which cells belong to open dumps, shape (n,), read-only; made when that changes."""
        if self._mask is None:
            self._mask = self.mask_of(np.concatenate(
                [np.empty(0, dtype=np.intp), *(patch.cells for patch in self.patches)]))
            self._mask.flags.writeable = False
        return self._mask

    def mask_of(self, cells: NDArray[np.intp]) -> NDArray[np.bool_]:
        """Return some cells as a mask, shape (n,)."""
        out = np.zeros(len(self.points_xy), dtype=bool)
        out[cells] = True
        return out

    def look(
        self, level: LevelLook | NDArray[np.floating], stamp_ns: int, noise: GridNoise = ASSUMED
    ) -> None:
        """Show the open dumps a look: heights freed of shared errors, shape (n,) [m]."""
        for patch in self.patches:
            if patch.add(level, stamp_ns, noise):
                self.are_news = True
                patch.leave_out_coming(self.canvas.lattice.cell_area_m2)

    def settled(self, noise: GridNoise, now_ns: int) -> list[OpenPatch]:
        """
        Return the open patches that can be measured at a time [ns], with looks of a noise.

        Soil that may still be coming is waited for; after a while the newest looks must do.
        """
        out = []
        for patch in self.patches:
            if not patch.ready:
                continue
            coming = self._may_be_coming(patch, noise)
            waits = coming and patch.may_rest(now_ns)
            grows = (coming or patch.newest_tell) and patch.still_grows(
                now_ns, self.canvas.lattice.cell_area_m2)
            if coming and (grows or not waits):
                patch.let_newest_tell()
            # What was short and came up meanwhile is whole when it does so no longer.
            if not (waits or grows or patch.may_come(now_ns)):
                out.append(patch)
        return out

    def heed_newest(self, patch: OpenPatch, noise: GridNoise) -> None:
        """Let the newest looks tell where soil may still be coming, and cannot be waited for."""
        if self._may_be_coming(patch, noise):
            patch.let_newest_tell()

    def _may_be_coming(self, patch: OpenPatch, noise: GridNoise) -> bool:
        """
        Tell whether looks may show a drum still emptying: less than a whole load rose of any.

        One that was not weighed is held against a full load, where usual ones are smaller: if some
        were measured too early, all later ones would be, too.
        """
        if patch.is_rested:
            return False
        fell = patch.after_m() < patch.before_m
        return any(
            rise.volume_m3 < WHOLE_SHARE * max(
                rise.landing.expected_m3, 0.0 if rise.landing.weighed else self.full_m3)
            for rise in self.measured(patch, noise, 0.0, fell))

    def close(
        self, patch: OpenPatch, noise: GridNoise, shared_m: float,
        lost: NDArray[np.bool_] | None = None, moved: NDArray[np.bool_] | None = None,
    ) -> list[Rise]:
        """Measure a patch and forget it."""
        self.patches.remove(patch)
        self._mask = None
        return self.measured(patch, noise, shared_m, lost, moved)

    def measured(
        self, patch: OpenPatch, noise: GridNoise, shared_m: float,
        lost: NDArray[np.bool_] | None = None, moved: NDArray[np.bool_] | None = None,
    ) -> list[Rise]:
        """
        Measure a patch.

        Parameters
        ----------
        patch : OpenPatch
            The patch.
        noise : GridNoise
            Noise of one look.
        shared_m : float
            Standard error of the height that the looks share [m].
        lost : array, optional
            Cells where somebody took soil, shape (k,): they are no part of a rise.
        moved : array, optional
            What ``moved`` gives of the patch, where it is known already.

        Returns
        -------
        list of Rise
            One per dump.

        """
        rise = patch.after_m() - patch.before_m
        known = np.isfinite(rise)
        seen = np.clip(patch.parts @ known, 0.0, 1.0)
        moved = self.moved(patch, noise) if moved is None else moved
        rise = np.where(known & (moved if lost is None else moved & ~lost), rise, 0.0)
        load = np.array([landing.expected_m3 for landing in patch.landings])
        hope = patch.parts * load[:, None]
        own = rise * hope / np.maximum(hope.sum(axis=0), 1e-12) * self.canvas.lattice.cell_area_m2
        gaps_m = self._gaps_m(patch.landings, patch.cells)
        own *= [weights_of_seen(*each, known) for each in zip(gaps_m, patch.parts)]
        volume = own.sum(axis=1)
        error = self._errors_m3(patch, known & (rise != 0.0), noise, shared_m)
        error = np.sqrt(
            error**2 + (EDGE_SHARE * volume) ** 2 + ((1.0 - seen) * load) ** 2
            + (coming_share(noise, len(patch.told_m)) * volume) ** 2)
        if len(load) > 1:
            error = np.hypot(error, SHARING_SHARE * load)
        by_row = (self.shares[:, patch.cells] @ own.T).T
        # Without a surface before it, nothing is known of a dump.
        volume[seen < LEAST_SEEN] = np.nan
        missed = volume < STRAY_SHARE * load
        middle_xy_m = (math.nan, math.nan)
        if len(load) == 1 and seen[0] >= SETTLED_SHARE and not missed[0]:
            x_m, y_m = (rise @ self.points_xy[patch.cells] / rise.sum()).tolist()
            middle_xy_m = x_m, y_m
        return [Rise(*figures, middle_xy_m) for figures in zip(
            patch.landings, volume.tolist(), error.tolist(), by_row, missed.tolist())]

    def moved(self, patch: OpenPatch, noise: GridNoise) -> NDArray[np.bool_]:
        """
        Tell where soil came or slid; elsewhere is only noise.

        Parameters
        ----------
        patch : OpenPatch
            A patch that can be measured.
        noise : GridNoise
            Noise of one look.

        Returns
        -------
        array
            Cells that rose or fell, and a fringe around them, shape (k,).

        """
        # Nothing further away than the fringe can belong to it.
        index, canvas = self.canvas.around(patch.cells, 2 * FRINGE)
        own = np.searchsorted(index, patch.cells)
        whole = np.full(len(index), np.nan)
        whole[own] = patch.after_m() - patch.before_m
        looks = max(1.0, float(np.median(patch.count())))
        least = max(LEAST_RISE_M, RISE_SIGMAS * smoothed_noise_m(noise) / math.sqrt(looks))
        smooth = np.nan_to_num(canvas.box_mean(whole))
        core = ndimage.binary_opening(canvas.mask(np.abs(smooth) > least))
        labels, _ = ndimage.label(grow(core, 2))
        # Soil lies where the load fell; elsewhere only what is plain is no noise.
        heap = np.zeros(len(self.points_xy), dtype=bool)
        for landing in patch.landings:
            heap[self.cells_around(landing.x_m, landing.y_m, HEAP_M)] = True
        plain = core & canvas.mask(heap[index] | (np.abs(smooth) > PLAIN_RISES * least))
        core &= np.isin(labels, np.unique(labels[plain]))
        return np.asarray(grow(core, FRINGE).ravel()[canvas.flat_index[own]], dtype=np.bool_)

    def _errors_m3(
        self, patch: OpenPatch, known: NDArray[np.bool_], noise: GridNoise, shared_m: float
    ) -> Floats:
        """Return the standard error of the rise of each load from the looks alone [m3]."""
        if not known.any():
            return np.zeros(len(patch.landings))
        looks = np.maximum(patch.count()[known], 1)
        inverse = 1.0 / looks + 1.0 / patch.before_looks[known]
        area_m2 = len(inverse) * self.canvas.lattice.cell_area_m2
        common = between_points(area_m2, noise.range_m) * noise.correlated_m
        total = volume_error(
            self.canvas.lattice.cell_m,
            INTERPOLATION_GAIN * noise.white_m * np.sqrt(inverse),
            correlated_m=common * math.sqrt(float(np.mean(inverse))),
            range_m=noise.range_m, systematic_m=shared_m).total_m3
        return np.full(len(patch.landings), total / math.sqrt(len(patch.landings)))
