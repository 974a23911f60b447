# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
How the level of the crest changed between two books with natural grounds of their own.

Books whose survey took a standing berm for natural ground have no crest: what they call so is
the highest noise above that ground, anywhere in the cross-section. There the crest is taken to be
where the other books found it, and where neither found one, at the design line.
"""

from __future__ import annotations

from dataclasses import dataclass
import math

import numpy as np
from numpy.typing import NDArray

from .opened import OpenedBooks
from ..books.acceptance import crest_lines, CrestLine
from ..books.layers import DATUM, HEIGHT
from ..design import Berm
from ..survey.snapshot import NamedSurface

# What stands less high above the natural ground may be noise [m].
LEAST_CREST_M = 0.02
# So does what stands less high than this share of what the other books found there.
LEAST_SHARE = 0.5

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class CrestPoints:
    """
    The crest of one berm in the site frame, section by section; NaN is unknown.

    Parameters
    ----------
    points_xy : array
        Where it lies, shape (m, 2) [m].
    height_m, level_m : array
        Height above the natural ground of these books, and elevation, shape (m,) [m].

    """

    points_xy: Floats
    height_m: Floats
    level_m: Floats


def layer_of(opened: OpenedBooks, name: str) -> NamedSurface | None:
    """Return a kept layer, None without it."""
    return next((layer for layer in opened.surfaces if layer.name == name), None)


def values_at(opened: OpenedBooks, name: str, points_xy: Floats) -> Floats:
    """Return a kept layer in the cells that points (n, 2) [m] lie in; NaN where it is unknown."""
    layer = layer_of(opened, name)
    if layer is None:
        return np.full(len(points_xy), np.nan)
    index = layer.lattice.index_from_xy(points_xy)
    inside = layer.lattice.contains(index)
    row, col = np.where(inside[:, None], np.rint(index), 0).astype(int).T
    return np.where(inside, layer.values[row, col].astype(float), np.nan)


def crest_points(opened: OpenedBooks, berm: Berm, crest: CrestLine) -> CrestPoints:
    """
    Return a crest line as points with their elevation.

    Parameters
    ----------
    opened : OpenedBooks
        Books.
    berm : Berm
        One of their berms.
    crest : CrestLine
        Its crest.

    Returns
    -------
    CrestPoints
        One point for each section.

    """
    known = np.isfinite(crest.height_m) & np.isfinite(crest.offset_m)
    points = berm.centreline.point_at(
        crest.station_m, np.where(known, crest.offset_m, 0.0))
    height_m = np.where(known, crest.height_m, np.nan)
    return CrestPoints(points, height_m, values_at(opened, DATUM, points) + height_m)


def level_changes_m(before: OpenedBooks, after: OpenedBooks) -> list[float]:
    """
    Return the mean change of the level of the crest of each segment.

    Parameters
    ----------
    before, after : OpenedBooks
        Books of one plan.

    Returns
    -------
    list of float
        Later less earlier, over the sections that both have seen [m]; NaN is unknown.

    """
    old, new = (crest_lines(opened.site, opened.surfaces) for opened in (before, after))
    out = []
    for berm in before.site.berms:
        rows = before.books.rows_of(berm.name)
        if berm.name not in old or berm.name not in new:
            out += [math.nan] * len(rows)
            continue
        first, second = old[berm.name], new[berm.name]
        same = np.abs(second.station_m[None, :] - first.station_m[:, None]).argmin(axis=1)
        later = crest_points(after, berm, second)
        change_m = _section_changes(
            (before, after), crest_points(before, berm, first),
            CrestPoints(later.points_xy[same], later.height_m[same], later.level_m[same]),
            berm.centreline.point_at(first.station_m))
        for row in rows:
            own = change_m[(first.station_m >= row.station_from_m)
                           & (first.station_m < row.station_to_m) & np.isfinite(change_m)]
            out.append(float(own.mean()) if own.size else math.nan)
    return out


def _section_changes(
    books: tuple[OpenedBooks, OpenedBooks], old: CrestPoints, new: CrestPoints, line_xy: Floats
) -> Floats:
    """Return the change of the level of the crest in every section [m]."""
    before, after = books
    change = _levels_m(after, new, before, old) - _levels_m(before, old, after, new)
    bare = np.fmax(old.height_m, new.height_m) < LEAST_CREST_M
    on_line = values_at(after, HEIGHT, line_xy) - values_at(before, HEIGHT, line_xy)
    unknown = np.isnan(old.height_m) | np.isnan(new.height_m)
    out: Floats = np.where(unknown, np.nan, np.where(bare, on_line, change))
    return out


def _levels_m(
    opened: OpenedBooks, own: CrestPoints, others: OpenedBooks, other: CrestPoints
) -> Floats:
    """Return the level of the crest [m], there where it or the other one is; the higher counts."""
    surface = values_at(opened, HEIGHT, other.points_xy)
    # A cell rounds off a sharp crest, but no bare ground.
    rounded = np.maximum(0.0, other.level_m - values_at(others, HEIGHT, other.points_xy))
    standing = (surface - (other.level_m - other.height_m)) / np.maximum(
        other.height_m, LEAST_CREST_M)
    found = own.height_m >= LEAST_SHARE * other.height_m
    out: Floats = np.fmax(own.level_m, surface + np.where(
        found, 0.0, rounded * np.clip(standing, 0.0, 1.0)))
    return out
