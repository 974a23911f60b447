# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Shapes that the top of a heap can have, as templates to fit to a cross-section.

The highest of noisy cells is too high by about sigma * sqrt(2 ln n), and interpolating between
cells rounds a sharp crest off. Both are avoided by fitting a whole roof: two straight flanks that
meet in a ridge, in a flat top or in a rounded one, or that end at a toe close by. What sampling
does to the ridge is put into the templates: interpolation between cells of edge c smooths like a
triangular kernel of half width c, and the absolute value smoothed so is known in closed form.
Given the place of the ridge and the shape, the height is a linear least-squares estimate, free
of bias; the place and shape that explain most are found by trying them all.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
import math

import numpy as np
from numpy.typing import NDArray

from .blur import Blur

LEAST_WINDOW_CELLS = 4
# A flank that is seen by fewer cells of the grid cannot be told from the blur of sampling.
LEAST_WINDOW_GRID_CELLS = 1.4
# Places of the ridge that are tried around the rough peak [cells].
PLACES_CELLS = np.arange(-3.0, 3.01, 0.25)
FLAT_TOPS_CELLS = (2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 10.0, 12.0, 14.0)
ROUND_TOPS_CELLS = (2.0, 4.0, 7.0)
TOES_CELLS = (3.0, 5.0)
# A more complicated shape must explain this much more than a plain ridge, in noise variances.
SHAPE_PENALTY = 1.0
# Products of matrices of up to so many multiplications stay in one thread: more are not worth a
# second one, which some libraries start all the same.
ONE_THREAD = 2**18
# Of few details and blurs at a time; 0.1 MB and 4 ms each.
MOST_TEMPLATES = 64
# What the blur of a single grid differs from the average over all its places, as a noise [m].
PHASE_M = 0.002


@dataclass(frozen=True)
class Detail:
    """
    How closely a roof follows the surface: the less noise, the more detail.

    Parameters
    ----------
    most_noise_m : float
        Noise of a sample, as far as neighbours do not share it, up to which this detail is
        used [m].
    window_m : float
        Half width of the window that a roof is fitted to [m].
    pooled : int
        Sections on either side that are averaged with each before.
    voters : int
        Sections on either side that choose a shape together: one alone is too noisy to tell a
        ridge from a narrow flat top.
    sharpened : float
        Share of the blur of sampling that is taken out of the surface before, 0 to 1.

    """

    most_noise_m: float
    window_m: float
    pooled: int
    voters: int
    sharpened: float

    @property
    def reach(self) -> int:
        """How many sections on either side have a say in the crest of one."""
        return self.pooled + self.voters


# Chosen by the bias and scatter they have on heaped soil and on straight roofs alike: a short
# window follows the lumps of real soil, a long one does not take noise for a shape.
DETAILS = (
    Detail(0.0010, 0.060, 0, 1, 1.0),
    Detail(0.0022, 0.060, 1, 2, 1.0),
    Detail(0.0045, 0.075, 1, 2, 1.0),
    Detail(0.0070, 0.075, 1, 4, 1.0),
    Detail(math.inf, 0.120, 3, 12, 0.0),
)


def detail_for(noise_m: float, grid_cell_m: float) -> Detail:
    """Return the detail that a noise and the cell of the grids [m] allow; the last is for all."""
    window_m = LEAST_WINDOW_GRID_CELLS * grid_cell_m
    for detail in DETAILS:
        if noise_m <= detail.most_noise_m and window_m <= detail.window_m:
            return detail
    return DETAILS[-1]


@dataclass(frozen=True, eq=False)
class RoofTemplates:
    """
    All roofs of one window, ready to be fitted to many sections at once.

    Parameters
    ----------
    detail : Detail
        What they were made for.
    window : int
        Samples on either side of the rough peak; a section has w = 2 window + 1.
    bases : array
        Orthonormal columns of every place p and shape q, shape (w, 3 * p * q).
    crest : array
        Weights that give the height of the crest, shape (p, q, w).

    """

    detail: Detail
    window: int
    bases: NDArray[np.float32]
    crest: NDArray[np.float64]

    def fit(
        self, profile_m: NDArray[np.float64], noise_m: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """
        Fit the best roof to each of consecutive profiles.

        Parameters
        ----------
        profile_m : array
            Heights, shape (s, w), no NaN [m]; a level one has no say in the others.
        noise_m : array
            Standard deviation of a sample of each profile, shape (s,) [m].

        Returns
        -------
        tuple of array
            Crest height [m], place relative to the rough peak [cells], and the standard error of
            the height per unit of noise, each (s,).

        """
        level = _added_up(profile_m) / profile_m.shape[1]
        left = profile_m - level[:, None]
        explained = self._explained(self.along(left.astype(np.float32)))
        votes = _votes(explained.max(axis=1), self.detail.voters)
        votes[:, 1:] -= SHAPE_PENALTY * (noise_m[:, None]**2 + PHASE_M**2)
        shape = np.argmax(votes, axis=1)
        place = np.argmax(explained[np.arange(len(left)), :, shape], axis=1)
        height = level + _added_up(left * self.crest[place, shape])
        return height, PLACES_CELLS[place], self.spread[place, shape]

    @cached_property
    def spread(self) -> NDArray[np.float64]:
        """Return the standard error of the height per unit of noise of every roof, (p, q)."""
        return np.asarray(np.sqrt((self.crest**2).sum(axis=2)), dtype=np.float64)

    def along(self, left_m: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return the parts of profiles (s, w) along all columns (s, 3 * p * q) [m]."""
        # The same to the bit, in whatever parts and with whatever other columns.
        out = np.empty((len(left_m), self.bases.shape[1]), dtype=np.float32)
        step = max(1, ONE_THREAD // self.bases.size)
        for first in range(0, len(left_m), step):
            part = slice(first, first + step)
            np.matmul(left_m[part], self.bases, out=out[part])
        return out

    def _explained(self, along_m: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return the sum of squares that each place and shape explains, (s, p, q) [m2]."""
        places, shapes, _ = self.crest.shape
        square = (along_m * along_m).reshape(-1, 3, places, shapes)
        out: NDArray[np.float32] = square[:, 0] + square[:, 1]
        out += square[:, 2]
        return out


def _added_up(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the sums of rows (s, w), column after column as the compiled loop adds them."""
    total = np.zeros(len(values))
    for column in values.T:
        total += column
    return total


def _votes(best: NDArray[np.float32], voters: int) -> NDArray[np.float64]:
    """Return means of rows (s, q) over so many on either side; beyond the ends they repeat."""
    count = len(best)
    total = np.zeros(best.shape)
    for step in range(-voters, voters + 1):
        total += best[np.clip(np.arange(count) + step, 0, count - 1)]
    total /= 2 * voters + 1
    return total


def smoothed_abs(values: NDArray[np.float64], width: float) -> NDArray[np.float64]:
    """
    Return the absolute value smoothed by a triangular kernel of given half width.

    By integration: within the half width a it is a / 3 + u^2 / a - |u|^3 / (3 a^2).

    Examples
    --------
    >>> smoothed_abs(np.array([0.0, 2.0]), 1.5).tolist()
    [0.5, 2.0]

    """
    size = np.abs(values)
    if width == 0.0:
        return np.asarray(size)
    near = width / 3.0 + size**2 / width - size**3 / (3.0 * width**2)
    return np.where(size >= width, size, near)


def blur_variance_m2(cell_m: float, grid_cell_m: float) -> float:
    """
    Return the variance along any direction of the blur of two interpolations [m2].

    Bilinear interpolation between cells of edge c is a triangular kernel along either axis, of
    variance c^2 / 6; those of grid and lattice add up.
    """
    return (cell_m**2 + grid_cell_m**2) / 6.0


@lru_cache(maxsize=MOST_TEMPLATES)
def roof_templates(
    cell_m: float, grid_cell_m: float, detail: Detail, blur: Blur
) -> RoofTemplates:
    """
    Make the templates for sections sampled every ``cell_m`` from grids of another cell.

    Parameters
    ----------
    cell_m : float
        Cell of the site lattice and spacing of the samples [m].
    grid_cell_m : float
        Cell of the measured grids [m].
    detail : Detail
        How closely they shall follow the surface.
    blur : Blur
        What the samples are means of.

    Returns
    -------
    RoofTemplates
        The templates.

    """
    window_m = max(detail.window_m, LEAST_WINDOW_GRID_CELLS * grid_cell_m)
    window = max(LEAST_WINDOW_CELLS, round(window_m / cell_m))
    lift = detail.sharpened * blur_variance_m2(cell_m, grid_cell_m) / 2.0 / cell_m**2
    # One sample more on either side: sharpening needs the neighbours.
    u = np.arange(-window - 1, window + 2) - PLACES_CELLS[:, None]
    parts, lowered = [], []
    for right, left, rounding in _shapes(u, blur):
        right, left = (v[:, 1:-1] - lift * np.diff(v, 2) for v in (right, left))
        parts.append(np.stack([np.ones(right.shape), -right, -left], axis=-1))
        lowered.append([rounding])
    # Of every place and shape, shape (p, q, w, 3).
    design = np.stack(parts, axis=1)
    inverse = np.linalg.pinv(design)
    crest = inverse[:, :, 0] - np.array(lowered) * (inverse[:, :, 1] + inverse[:, :, 2])
    # Of every sample, column and place and shape.
    bases = _orthonormal(design.reshape(-1, *design.shape[2:])).transpose(1, 2, 0)
    bases = bases.reshape(len(bases), -1)
    return RoofTemplates(detail, window, np.ascontiguousarray(bases, dtype=np.float32),
                         np.ascontiguousarray(crest))


def _orthonormal(matrices: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return orthonormal columns for each of many matrices (m, w, 3)."""
    try:
        return np.asarray(np.linalg.qr(matrices)[0])
    except np.linalg.LinAlgError:
        # Numpy before 1.22 takes one at a time.
        return np.stack([np.linalg.qr(one)[0] for one in matrices])


_Shape = tuple[NDArray[np.float64], NDArray[np.float64], float]


def _shapes(u: NDArray[np.float64], blur: Blur) -> list[_Shape]:
    """Return drop to the right, drop to the left and true rounding of each shape; plain first."""
    out = [(*_drops(u, blur), 0.0)]
    out.extend((*_drops(u, blur, start=top / 2), 0.0) for top in FLAT_TOPS_CELLS)
    # A kernel of half width a lowers a ridge of slopes s and t by (s + t) a / 6.
    out.extend((*_drops(u, blur, rounding=rounding), rounding / 6.0)
               for rounding in ROUND_TOPS_CELLS)
    for toe in TOES_CELLS:
        near, far = _drops(u, blur), _drops(u, blur, start=toe)
        out.append((near[0] - far[0], near[1] - far[1], 0.0))
    return out


def _drops(
    u: NDArray[np.float64], blur: Blur, *, start: float = 0.0, rounding: float = 0.0
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how far samples lie past a start to the right and to the left, as they show it."""
    right, left = np.zeros(u.shape), np.zeros(u.shape)
    for place, width, weight in blur.parts:
        wide = math.hypot(width, rounding)
        right += weight * _ramp(u + place - start, wide)
        left += weight * _ramp(-u - place - start, wide)
    return right, left


def _ramp(u: NDArray[np.float64], width: float) -> NDArray[np.float64]:
    """Return the positive part of u smoothed by a triangular kernel of given half width."""
    out: NDArray[np.float64] = 0.5 * (smoothed_abs(u, width) + u)
    return out
