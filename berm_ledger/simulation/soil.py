# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Loose soil that never stands steeper than its angle of repose, on a fine lattice.

Soil poured at a point of ground that stands no steeper than the angle of repose stays as
``max(ground, level - tan(repose) * distance)``: the growing sandpile with a point source
(L. Prigozhin, "Variational model of sandpile growth", European Journal of Applied Mathematics 7,
1996, 225-235). The level is what makes the volume right; it is found by sorting, without
iteration. A pit is the same upside down. Both keep every pair of cells within the angle of repose,
so that nothing has to be relaxed afterwards.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from .skim import skimmed
from ..errors import GeometryError
from ..geometry import Lattice, Pose2

# Parts that a load falls in, and how far they scatter along the robot's heading [m].
PARCELS = 48
LENGTH_SPREAD_M = 0.03
# How much a fresh surface is rounded, where nobody says.
ROUNDING = 0.06
# Ground around a skimmed strip that its sides may take along, to begin with [m].
SKIM_REACH_M = 0.15
Window = tuple[slice, slice]


@dataclass(frozen=True)
class Patch:
    """
    Where soil is poured or dug: a rectangle, or a point when it has no size.

    Parameters
    ----------
    x_m, y_m : float
        Centre [m].
    yaw_rad : float
        Direction of its length [rad].
    length_m, width_m : float
        Size along and across that direction [m].

    """

    x_m: float
    y_m: float
    yaw_rad: float = 0.0
    length_m: float = 0.0
    width_m: float = 0.0

    def distance_m(self, x_m: NDArray[Any], y_m: NDArray[Any]) -> NDArray[np.float64]:
        """Return the plan distance [m] of columns x and rows y to the rectangle."""
        dx, dy = x_m[None, :] - self.x_m, y_m[:, None] - self.y_m
        cos, sin = math.cos(self.yaw_rad), math.sin(self.yaw_rad)
        along = np.maximum(np.abs(cos * dx + sin * dy) - self.length_m / 2.0, 0.0)
        across = np.maximum(np.abs(cos * dy - sin * dx) - self.width_m / 2.0, 0.0)
        out: NDArray[np.float64] = np.hypot(along, across)
        return out

    def corners_xy(self) -> NDArray[np.float64]:
        """Return the corners, shape (4, 2) [m]."""
        half = np.array([self.length_m, self.width_m]) / 2.0
        signs = np.array([[1.0, 1.0], [-1.0, 1.0], [-1.0, -1.0], [1.0, -1.0]])
        return Pose2(self.x_m, self.y_m, self.yaw_rad).apply(signs * half)

    @property
    def reach_m(self) -> float:
        """Distance of the corners from the centre [m]."""
        return math.hypot(self.length_m, self.width_m) / 2.0


def filled(threshold: NDArray[np.float64], amount: float) -> NDArray[np.float64]:
    """
    Pour an amount onto thresholds as water into a vessel; return what each cell takes.

    Parameters
    ----------
    threshold : array
        Level at which each cell begins to take up.
    amount : float
        Sum of what the cells take, positive.

    Returns
    -------
    array
        ``max(0, level - threshold)`` with the level that makes the sum right.

    Examples
    --------
    >>> filled(np.array([0.0, 1.0, 9.0]), 3.0).tolist()
    [2.0, 1.0, 0.0]

    """
    ordered = np.sort(threshold, axis=None)
    total = np.cumsum(ordered)
    needed = np.arange(1, ordered.size + 1) * ordered - total
    count = max(1, int(np.searchsorted(needed, amount, side='right')))
    taken = np.maximum(0.0, (amount + total[count - 1]) / count - threshold)
    out: NDArray[np.float64] = taken * (amount / taken.sum())
    return out


class Soil:
    """
    The yard's surface: natural ground plus everything done to it since.

    Parameters
    ----------
    lattice : Lattice
        Fine lattice of the yard, in the site frame.
    ground_m : array
        Natural ground, shape of the lattice, nowhere steeper than the angle of repose [m].
    repose_rad : float
        Angle of repose [rad].

    Raises
    ------
    GeometryError
        Ground of another shape, or an angle that no heap has.

    """

    def __init__(self, lattice: Lattice, ground_m: ArrayLike, repose_rad: float) -> None:
        """Keep a read-only copy of the ground and start the surface on it."""
        ground = np.array(ground_m, dtype=float)
        if ground.shape != lattice.shape:
            msg = f'ground of shape {ground.shape} does not fit the lattice {lattice.shape}'
            raise GeometryError(msg)
        if not 0.0 < repose_rad < math.pi / 2.0:
            msg = f'an angle of repose of {repose_rad} rad is none; give one in (0, pi/2)'
            raise GeometryError(msg)
        ground.flags.writeable = False
        self.lattice = lattice
        self.ground_m = ground
        self.height_m = ground.copy()
        self.repose_rad = repose_rad

    @property
    def slope(self) -> float:
        """Tangent of the angle of repose [m/m]."""
        return math.tan(self.repose_rad)

    @property
    def rise_m(self) -> NDArray[np.float64]:
        """Surface above the natural ground, shape of the lattice [m]."""
        out: NDArray[np.float64] = self.height_m - self.ground_m
        return out

    def at(self, points_xy: ArrayLike, layer_m: NDArray[np.float64] | None = None) -> (
            NDArray[np.float64]):
        """
        Return the surface (or another layer) at points, linear between cell centres.

        Parameters
        ----------
        points_xy : array
            Shape (..., 2) [m].
        layer_m : array, optional
            A layer on the lattice; the surface when left out.

        Returns
        -------
        array
            Shape (...) [m], NaN outside the lattice.

        """
        index = self.lattice.index_from_xy(points_xy)
        layer = self.height_m if layer_m is None else layer_m
        flat: NDArray[np.float64] = ndimage.map_coordinates(
            layer, index.reshape(-1, 2).T, order=1, mode='constant', cval=math.nan)
        return flat.reshape(index.shape[:-1])

    def pour(self, patch: Patch, volume_m3: float, *, slope: float | None = None) -> Window:
        """
        Heap up loose soil; it stands at the angle of repose around the patch.

        Parameters
        ----------
        patch : Patch
            Where it lands.
        volume_m3 : float
            How much [m3]; none or less does nothing.
        slope : float, optional
            A flatter slope for soil that runs out [m/m].

        Returns
        -------
        tuple of slice
            Rows and columns within which the surface changed.

        """
        return self._change(1.0, patch, volume_m3, min(slope or self.slope, self.slope))

    def dig(self, patch: Patch, volume_m3: float, *, slope: float | None = None) -> Window:
        """Take soil away; the pit's sides slide to the angle of repose. As ``pour``."""
        return self._change(-1.0, patch, volume_m3, min(slope or self.slope, self.slope))

    def skim(self, patch: Patch, volume_m3: float) -> float:
        """
        Take soil away in a layer of even thickness, as a drum does that follows the ground.

        Parameters
        ----------
        patch : Patch
            Where the drum passes.
        volume_m3 : float
            How much [m3]; none or less does nothing.

        Returns
        -------
        float
            Thickness of the layer [m].

        """
        if not volume_m3 > 0.0:
            return 0.0
        for window, apart_m in self._windows(patch, patch.reach_m + SKIM_REACH_M):
            taken, thickness_m = skimmed(
                self.height_m[window], apart_m <= 0.0,
                volume_m3 / self.lattice.cell_area_m2, self.slope, self.lattice.cell_m)
            if not self._spills(window, taken > 0.0):
                break
        self.height_m[window] -= taken
        return thickness_m

    def pour_load(
        self, patch: Patch, volume_m3: float, rng: np.random.Generator, *,
        rounding: float = ROUNDING,
    ) -> Window:
        """
        Pour one drum load: parcels one after the other, unevenly spread over the drum's width.

        Parameters
        ----------
        patch : Patch
            Drop point; its yaw is the robot's heading, its width the drum's.
        volume_m3 : float
            Volume of the load [m3].
        rng : numpy.random.Generator
            Source of chance.
        rounding : float
            How much the fresh surface is rounded, 0 (not at all) to 0.2 per load.

        Returns
        -------
        tuple of slice
            Rows and columns within which the surface changed.

        """
        before = self.height_m.copy()
        place = rng.permutation(PARCELS) + rng.uniform(0.0, 1.0, PARCELS)
        across = (place / PARCELS - 0.5) * patch.width_m
        along = np.clip(rng.normal(0.0, LENGTH_SPREAD_M, PARCELS), -0.1, 0.1)
        part = rng.uniform(0.5, 1.5, PARCELS)
        cos, sin = math.cos(patch.yaw_rad), math.sin(patch.yaw_rad)
        windows = [
            self.pour(Patch(patch.x_m + cos * u - sin * v, patch.y_m + sin * u + cos * v), w)
            for u, v, w in zip(along, across, volume_m3 * part / part.sum())]
        window = _union(windows)
        self._round(window, before[window], rounding)
        return window

    def slump(self, x_m: float, y_m: float, to_xy: tuple[float, float], volume_m3: float) -> None:
        """Let soil slide from a place to another and run out flat; the volume is kept."""
        self.dig(Patch(x_m, y_m), volume_m3, slope=0.6 * self.slope)
        self.pour(Patch(*to_xy), volume_m3, slope=0.7 * self.slope)

    def settle(self, share: float) -> None:
        """Let all heaped soil settle by a share of its height above the ground."""
        self.height_m -= share * np.maximum(self.rise_m, 0.0)

    def raise_to(self, surface_m: ArrayLike) -> float:
        """Raise the surface to another one wherever that is higher; return the volume [m3]."""
        before = self.height_m.sum()
        self.height_m = np.fmax(self.height_m, np.asarray(surface_m, dtype=float))
        return float(self.height_m.sum() - before) * self.lattice.cell_area_m2

    def _change(self, sign: float, patch: Patch, volume_m3: float, slope: float) -> Window:
        """Pour (sign 1) or dig (sign -1) within the smallest window that holds the change."""
        if not volume_m3 > 0.0:
            return slice(0, 0), slice(0, 0)
        amount = volume_m3 / self.lattice.cell_area_m2
        size = (3.0 * volume_m3 / (math.pi * slope)) ** (1.0 / 3.0)
        for window, apart_m in self._windows(patch, patch.reach_m + 1.5 * size):
            threshold: NDArray[np.float64] = sign * self.height_m[window] + slope * apart_m
            taken = filled(threshold, amount)
            if not self._spills(window, taken > 0.0):
                break
        self.height_m[window] += sign * taken
        return window

    def around(self, patch: Patch, half_m: float) -> tuple[Window, NDArray[np.float64]]:
        """
        Return a window around a patch, and how far its cells lie from the patch.

        Parameters
        ----------
        patch : Patch
            The patch, also off the lattice.
        half_m : float
            How far from its centre the window reaches at least, as far as the lattice does [m].

        Returns
        -------
        tuple of slice
            Rows and columns.
        array
            Plan distances of these cells to the patch, shape (rows, cols) [m].

        """
        return next(self._windows(patch, half_m))

    def _windows(
        self, patch: Patch, half_m: float
    ) -> Iterator[tuple[Window, NDArray[np.float64]]]:
        """Yield growing windows around a patch, as ``around``; the last is the whole lattice."""
        row, col = self.lattice.index_from_xy([patch.x_m, patch.y_m])
        while True:
            half = half_m / self.lattice.cell_m + 2.0
            rows = _clipped(row, half, self.lattice.rows)
            cols = _clipped(col, half, self.lattice.cols)
            x = self.lattice.x0_m + self.lattice.cell_m * np.arange(cols.start, cols.stop)
            y = self.lattice.y0_m + self.lattice.cell_m * np.arange(rows.start, rows.stop)
            yield (rows, cols), patch.distance_m(x, y)
            half_m *= 1.7

    def _spills(self, window: Window, changed: NDArray[np.bool_]) -> bool:
        """Tell whether a change reaches an edge of its window that is not the lattice's."""
        rows, cols = window
        return bool(
            (rows.start > 0 and changed[0].any())
            or (rows.stop < self.lattice.rows and changed[-1].any())
            or (cols.start > 0 and changed[:, 0].any())
            or (cols.stop < self.lattice.cols and changed[:, -1].any()))

    def _round(self, window: Window, before: NDArray[np.float64], rounding: float) -> None:
        """Round the fresh soil by exchange between neighbours, which keeps the volume."""
        height = self.height_m[window]
        fresh = height > before + 1e-5
        for part in (height, height.T):
            both = fresh if part is height else fresh.T
            flow = rounding * np.diff(part, axis=0) * (both[1:] & both[:-1])
            part[:-1] += flow
            part[1:] -= flow


def _clipped(centre: float, half: float, count: int) -> slice:
    """Return the index range centre +- half inside 0 to count, never empty."""
    low = min(max(0, math.floor(centre - half)), count - 1)
    return slice(low, max(low + 1, min(count, math.ceil(centre + half) + 1)))


def _union(windows: list[Window]) -> Window:
    """Return the smallest window around windows; those without a cell do not count."""
    real = [w for w in windows if w[0].stop > w[0].start]
    if not real:
        return slice(0, 0), slice(0, 0)
    rows = slice(min(w[0].start for w in real), max(w[0].stop for w in real))
    return rows, slice(min(w[1].start for w in real), max(w[1].stop for w in real))
