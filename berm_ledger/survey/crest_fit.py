# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
From the surface to the crest of some sections that follow each other.

Three steps: the blur of sampling is taken out of the surface, sections are sampled from it and the
part of each around its top is found, and a roof is fitted to that. Two compiled passes and a
product of matrices do what numpy does in a hundred short ones.
"""

from __future__ import annotations

from dataclasses import dataclass
import math

import numpy as np
from numpy.typing import NDArray

from . import crest, roof
from .crest import Crest, crest_of_sections
from .roof import RoofTemplates
from .sections import Sections
from ..kernels import compiled


@dataclass(frozen=True, eq=False)
class Blurred:
    """
    A surface whose blur is partly taken out where some sections lean on it.

    Parameters
    ----------
    height_m : array
        Heights, shape (n,) [m]; NaN is unknown.
    level_m : array, optional
        What they are above of, shape (n,) [m].
    room_m : array
        Where what comes out of it is put, shape (n,) [m].
    runs : array
        The cells that the sections lean on, as ``runs_of``.
    blur_m2 : float
        How much of its curvature is taken off the surface [m2].
    cell_area_m2 : float
        Area of a cell [m2].

    """

    height_m: NDArray[np.float32]
    level_m: NDArray[np.float32] | None
    room_m: NDArray[np.float32]
    runs: NDArray[np.int32]
    blur_m2: float
    cell_area_m2: float


def runs_of(cells: NDArray[np.intp], sides: NDArray[np.intp]) -> NDArray[np.int32]:
    """
    Return cells in runs: what lies side by side is worked on side by side.

    Parameters
    ----------
    cells : array
        Cells in order, shape (k,).
    sides : array
        Their neighbours, shape (4, k), as ``SurveyArea.sides_of``.

    Returns
    -------
    array
        First cell, how many, and how far from each its neighbours are, shape (r, 6).

    Examples
    --------
    >>> cells = np.array([3, 4, 5, 9])
    >>> runs_of(cells, cells + np.array([[1], [-1], [10], [-10]])).tolist()
    [[3, 3, 1, -1, 10, -10], [9, 1, 1, -1, 10, -10]]

    """
    away = (sides - cells).T
    breaks = (np.diff(cells) != 1) | (np.diff(away, axis=0) != 0).any(axis=1)
    first = np.append(0, np.flatnonzero(breaks) + 1) if len(cells) else np.empty(0, np.intp)
    count = np.diff(np.append(first, len(cells)))
    return np.column_stack([cells[first], count, away[first]]).astype(np.int32)


def fit_crest(
    kept: Crest, rows: range, surface: Blurred, noise_m: NDArray[np.float64], sections: Sections,
    roofs: RoofTemplates,
) -> None:
    """
    Fit the crest of some rows of the books.

    Parameters
    ----------
    kept : Crest
        Crest of all sections of the berm; that of the rows is put there.
    rows : range
        Which, one after the other, r of them.
    surface : Blurred
        The surface.
    noise_m : array
        Standard deviation of a sample of each row, as far as neighbours do not share it,
        shape (r,) [m].
    sections : Sections
        All sections of the berm.
    roofs : RoofTemplates
        What is fitted.

    """
    first, last = sections.of_row(rows[0]).start, sections.of_row(rows[-1]).stop
    low, count, beside = span_with_beside(sections, first, last, roofs.detail.reach)
    if compiled.crest is not None and surface.height_m.dtype == np.float32:
        _fit_compiled(kept, rows, surface, noise_m, sections, roofs, (low, count, beside))
        return
    # Those beside have no noise of their own: their choice counts for nothing.
    noise = np.zeros(count)
    noise[beside:beside + last - first] = np.repeat(
        noise_m, np.diff(sections.ends[rows[0]:rows[-1] + 2]))
    near = with_beside(sections, first, last, roofs.detail.reach)
    profile = sections.sample(sharpened(surface), near)
    found = crest_of_sections(profile, noise, sections, sections.own[near], roofs)
    for name in ('height_m', 'offset_m', 'spread'):
        getattr(kept, name)[first:last] = getattr(found, name)[beside:beside + last - first]


def _fit_compiled(
    kept: Crest, rows: range, surface: Blurred, noise_m: NDArray[np.float64],
    sections: Sections, roofs: RoofTemplates, span: tuple[int, int, int],
) -> None:
    """Do so in two compiled passes over a span of sections."""
    assert compiled.crest is not None
    low, count, beside = span
    width, detail = 2 * roofs.window + 1, roofs.detail
    start, seen = np.empty(count, dtype=np.intp), np.empty(count, dtype=bool)
    part, level = np.empty((count, width)), np.empty(count)
    left = np.empty((count, width), dtype=np.float32)
    compiled.crest.tops(
        surface.height_m, surface.level_m, surface.room_m, surface.runs, surface.blur_m2,
        surface.cell_area_m2, sections.pairs, sections.weights, sections.own, low, detail.pooled,
        crest.ROUGH, crest.TOP_BAND_M, roofs.window, crest.LEAST_SEEN, start, part, seen, level,
        left)
    compiled.crest.choose(
        roofs.along(left), part, level, start, seen, roofs.crest, roofs.spread,
        roof.PLACES_CELLS, sections.offset_m, detail.voters, roof.SHAPE_PENALTY, roof.PHASE_M**2,
        noise_m, crest.POOLED_NOISE, math.sqrt(2 * detail.pooled + 1), sections.ends, rows[0],
        beside, kept.height_m, kept.offset_m, kept.spread)


def sharpened(surface: Blurred) -> NDArray[np.float32]:
    """Return heights above the level, the blur partly taken out at the cells of the runs, (n,)."""
    above_m = surface.height_m
    if surface.level_m is not None:
        above_m = above_m - surface.level_m
    blur = np.float32(surface.blur_m2)
    if not blur:
        return above_m
    first, count, away = surface.runs[:, 0], surface.runs[:, 1], surface.runs[:, 2:]
    starts = np.cumsum(count) - count
    cells = np.repeat(first - starts, count) + np.arange(count.sum())
    steps = above_m[cells + np.repeat(away, count, axis=0).T] - above_m[cells]
    # An unknown neighbour counts as level with the cell.
    steps[np.isnan(steps)] = 0.0
    sharp_m = above_m.copy()
    sharp_m[cells] -= blur * (steps.sum(axis=0) / np.float32(surface.cell_area_m2))
    return sharp_m


def span_with_beside(
    sections: Sections, first: int, last: int, reach: int
) -> tuple[int, int, int]:
    """Return where sections with so many on either side begin, how many, how many come before."""
    count = len(sections.station_m)
    reach = min(reach, count // 2)
    low, high = first - reach, last + reach
    if not sections.closed:
        low, high = max(0, low), min(count, high)
    return low % count, high - low, first - low


def with_beside(sections: Sections, first: int, last: int, reach: int) -> NDArray[np.intp]:
    """Return sections with so many on either side."""
    low, count, _ = span_with_beside(sections, first, last, reach)
    return np.arange(low, low + count, dtype=np.intp) % len(sections.station_m)
