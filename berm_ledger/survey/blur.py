# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
What the samples of a cross-section are means of.

A height between two cells is the mean of both, weighted by how near each is. Over all places that
smooths like a triangle as wide as a cell to either side. But all samples of a straight berm along
the lattice lie alike between its cells, and so may the cells between those of the grids, where a
mapper holds on to its own lattice: what each sample is the mean of is known then.
"""

from __future__ import annotations

import cmath
from dataclasses import dataclass
from functools import lru_cache
import math

import numpy as np
from numpy.typing import NDArray

from .area import SurveyArea
from .sections import Sections
from .surface import MOST_LOOKS
from ..geometry import GridAxes, Lattice

# Samples as far from the line tell how a crest lies between the cells [cells].
NEAR_CELLS = 2.0
# A line runs along the lattice where its normal leaves an axis by no more than this (cosine), and
# the samples of a segment lie alike where they agree so well on their place.
LEAST_ALONG, LEAST_AGREED = 0.999, 0.9
# Grids lie like the lattice where their cells move by less against its own over all its length
# [cells].
SAME_CELLS = 0.1
# Places are told apart by an eighth of a cell, by quarters how well they agree, and normals by 15
# degrees.
PLACES, SHARES, NORMALS = 8, 4, 24


@dataclass(frozen=True)
class Blur:
    """
    What a sample is the mean of, across the line.

    Parameters
    ----------
    parts : tuple
        Place relative to the sample, half width of the triangle around it, and weight of each
        part; places and widths in cells of the lattice, along growing offset.

    """

    parts: tuple[tuple[float, float, float], ...]


@lru_cache(maxsize=64)
def usual_blur(cell_m: float, grid_cell_m: float) -> Blur:
    """Return the blur by the cells of lattice and grid [m], over all places on average."""
    # Two interpolations one after the other: the squares of the widths add up.
    return Blur(((0.0, float(np.hypot(1.0, grid_cell_m / cell_m)), 1.0),))


@dataclass(frozen=True)
class Alike:
    """
    How the samples of a segment lie, all alike, between the cells.

    Parameters
    ----------
    axis : int
        The line runs across x (0) or y (1).
    forward : bool
        Whether offsets grow with that.
    place : int
        Beyond the cell before, along the axis [eighths of a cell].

    """

    axis: int
    forward: bool
    place: int


@dataclass(frozen=True)
class Across:
    """
    How a segment lies whose samples are anywhere between the cells.

    Parameters
    ----------
    normal : int
        Direction of growing offset, from x counter-clockwise [twenty-fourths of a turn].

    """

    normal: int


@lru_cache(maxsize=256)
def blur_at(alike: Alike, place: int, share: int, grid_cells: float) -> Blur:
    """
    Return the blur of samples that lie alike.

    Parameters
    ----------
    alike : Alike
        How they lie between the cells of the lattice.
    place : int
        How these lie between those of the grids, along the axis [eighths of a cell of theirs].
    share : int
        Quarters of the looks that had them there; in the others they lay anywhere.
    grid_cells : float
        Cell of the grids, in cells of the lattice.

    Returns
    -------
    Blur
        The blur.

    """
    sign = 1.0 if alike.forward else -1.0
    return Blur(tuple(
        (sign * (own + grid_cells * other), grid_cells * width, weight * more)
        for own, weight in _between(alike.place)
        for other, width, more in _of_grids(place, share)))


@lru_cache(maxsize=256)
def blur_across(
    across: Across, x: tuple[int, int], y: tuple[int, int], grid_cells: float
) -> Blur:
    """
    Return the blur of samples that lie anywhere between cells that lie alike in the grids.

    Parameters
    ----------
    across : Across
        How the segment lies.
    x, y : tuple of int
        Place and share along x and y, as for ``blur_at``.
    grid_cells : float
        Cell of the grids, in cells of the lattice.

    Returns
    -------
    Blur
        The blur.

    """
    turn = 2.0 * math.pi * across.normal / NORMALS
    by_x, by_y = grid_cells * math.cos(turn), grid_cells * math.sin(turn)
    return Blur(tuple(
        (by_x * place_x + by_y * place_y,
         # The samples themselves are a cell of the lattice wide.
         math.hypot(1.0, by_x * width_x, by_y * width_y), weight_x * weight_y)
        for place_x, width_x, weight_x in _of_grids(*x)
        for place_y, width_y, weight_y in _of_grids(*y)))


def _of_grids(place: int, share: int) -> list[tuple[float, float, float]]:
    """Return parts as of a ``Blur``, along an axis, in cells of the grids; see ``blur_at``."""
    fixed = share / SHARES
    out = [(0.0, 1.0, 1.0 - fixed)] if share < SHARES else []
    if share:
        out += [(other, 0.0, fixed * weight) for other, weight in _between(place)]
    return out


def _between(place: int) -> tuple[tuple[float, float], ...]:
    """Return where the cells before and after a place lie from it [cells], and their weights."""
    part = place / PLACES
    return ((-part, 1.0 - part), (1.0 - part, part)) if place else ((0.0, 1.0),)


class PlaceOfGrids:
    """
    Where the cells of the lattice have lain between those of the grids.

    Parameters
    ----------
    lattice : Lattice
        The lattice.

    """

    def __init__(self, lattice: Lattice) -> None:
        """Know nothing of it."""
        self._lattice = lattice
        self.forget()

    def forget(self) -> None:
        """Know nothing of it any more."""
        self.resume(0, (0.0, 0.0))

    def resume(self, looks: float, toward: tuple[complex, complex]) -> None:
        """Go on from what an earlier run has learned."""
        self.looks, self.toward = looks, toward

    def take(self, axes: GridAxes, moved_xy: tuple[float, float]) -> None:
        """
        Take in where one more grid lies.

        Parameters
        ----------
        axes : GridAxes
            Its geometry.
        moved_xy : tuple of float
            By how much further on the cells of the lattice are looked for in it [m].

        """
        # The surface is the mean of as many looks.
        self.looks = min(self.looks + 1, MOST_LOOKS)
        now = _places(axes, self._lattice, moved_xy)
        # The mean direction of places on a circle tells where they are, its length how well they
        # agree.
        x, y = (
            was + ((0.0 if place is None else cmath.exp(2j * math.pi * place)) - was) / self.looks
            for was, place in zip(self.toward, now or (None, None)))
        self.toward = (x, y)

    def blur(self, lie: Alike | Across, cell_m: float, grid_cell_m: float) -> Blur:
        """Return what the samples of a segment are means of, cells of lattice and grid in [m]."""
        cells = grid_cell_m / cell_m
        if isinstance(lie, Alike):
            return blur_at(lie, *self.along(lie.axis), cells)
        x, y = self.along(0), self.along(1)
        return blur_across(lie, x, y, cells) if x[1] or y[1] else usual_blur(cell_m, grid_cell_m)

    def along(self, axis: int) -> tuple[int, int]:
        """Return the place along x (0) or y (1), and how many quarters of the looks agree."""
        agreed = SHARES * abs(self.toward[axis])
        # Less than a quarter is chance.
        return _place_of(self.toward[axis]), round(agreed) if agreed >= 1.0 else 0


def _place_of(toward: complex) -> int:
    """Return the place that a direction stands for [eighths of a cell]."""
    return round(PLACES * cmath.phase(toward) / (2.0 * math.pi)) % PLACES


def _places(
    axes: GridAxes, lattice: Lattice, moved_xy: tuple[float, float]
) -> tuple[float, float] | None:
    """Return where the cells of a lattice lie in a grid, along x and y, if all lie alike."""
    if not _lies_alike(axes.row_step_xy, axes.col_step_xy, lattice.cell_m, max(lattice.shape)):
        return None
    x_m, y_m = axes.origin_xy
    return ((lattice.x0_m + moved_xy[0] - x_m) / lattice.cell_m,
            (lattice.y0_m + moved_xy[1] - y_m) / lattice.cell_m)


@lru_cache(maxsize=64)
def _lies_alike(
    row_xy: tuple[float, float], col_xy: tuple[float, float], cell_m: float, cells: int
) -> bool:
    """Tell whether so many cells of a lattice keep their place in a grid of such steps [m]."""
    steps = np.abs([row_xy, col_xy]) / cell_m
    square = steps if steps[0, 0] < 0.5 else steps[::-1]
    return bool(np.abs(square - [[0.0, 1.0], [1.0, 0.0]]).max() <= SAME_CELLS / cells)


def lie_of_rows(area: SurveyArea, sections: Sections) -> list[Alike | Across]:
    """
    Return how each row of a berm lies between the cells.

    Parameters
    ----------
    area : SurveyArea
        The surveyed cells.
    sections : Sections
        Of the berm.

    Returns
    -------
    list of Alike or Across
        One for each row of ``sections.rows``.

    """
    line = area.site.berms[sections.berm_index].centreline
    across = line.point_at(sections.station_m, 1.0) - line.point_at(sections.station_m)
    near = np.abs(sections.offset_m) <= NEAR_CELLS * area.lattice.cell_m
    weights = sections.weights[:, near].astype(np.float64)
    parts = np.stack([weights[..., 1] + weights[..., 3], weights[..., 2] + weights[..., 3]])
    toward = np.exp(2j * math.pi * parts).mean(axis=2).T
    return [_lie(across[own], toward[own]) for own in map(sections.of_row, sections.rows)]


def _lie(across: NDArray[np.float64], toward: NDArray[np.complex128]) -> Alike | Across:
    """Return how sections lie, by their normals and the places of their samples, (s, 2) each."""
    for axis in (0, 1):
        normal, place = across[:, axis], complex(toward[:, axis].mean())
        forward = bool(normal[0] > 0.0)
        if (normal if forward else -normal).min() >= LEAST_ALONG and abs(place) >= LEAST_AGREED:
            return Alike(axis, forward, _place_of(place))
    x, y = across.mean(axis=0).tolist()
    return Across(round(NORMALS * math.atan2(y, x) / (2.0 * math.pi)) % NORMALS)
