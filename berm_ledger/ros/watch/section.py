# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The long section of a berm in characters; knows no ROS and no terminal.

Each column is one stretch of the berm: the mean of the crest heights in it is drawn in eighths of
a character, the design height as a line above it. What was not seen is drawn as not seen.
"""

from __future__ import annotations

from dataclasses import dataclass
import math

import numpy as np
from numpy.typing import NDArray

from ...books.profile import CrestProfile

HEADROOM = 1.15
# Seen even where nothing stands yet and the design is not known.
LEAST_TOP_M = 0.05


@dataclass(frozen=True)
class Glyphs:
    """
    Characters to draw with.

    Parameters
    ----------
    blocks : str
        Nine: nothing, and one to eight eighths of soil.
    design, unseen, here, tick, line : str
        The design height, a stretch not seen, the target, an end of a segment, the ground.

    """

    blocks: str
    design: str
    unseen: str
    here: str
    tick: str
    line: str


UNICODE = Glyphs(' \u2581\u2582\u2583\u2584\u2585\u2586\u2587\u2588', '\u2500', '\u00b7',
                 '\u25b2', '\u2534', '\u2500')
ASCII = Glyphs('  ..::###', '-', '?', '^', '+', '-')


@dataclass(frozen=True, eq=False)
class Columns:
    """
    Crest by column.

    Parameters
    ----------
    station_m, height_m, target_m : array
        Middle, mean height and design height of each column, shape (n,) [m]; NaN is unknown.

    """

    station_m: NDArray[np.float64]
    height_m: NDArray[np.float64]
    target_m: NDArray[np.float64]


def columns_of(profile: CrestProfile, width: int) -> Columns:
    """
    Return a profile as a number of columns.

    Parameters
    ----------
    profile : CrestProfile
        The crest of one berm.
    width : int
        Number of columns, at least 1.

    Returns
    -------
    Columns
        Means of what is known in each; a column without any section of its own takes the nearest.

    """
    stations = profile.station_m
    if not stations.size:
        nothing = np.full(width, math.nan)
        return Columns(nothing, nothing, nothing)
    # Sections stand in the middle of equal parts of the line.
    half = 0.5 * (stations[-1] - stations[0]) / max(1, len(stations) - 1)
    edges = np.linspace(stations[0] - half, stations[-1] + half, width + 1)
    middle = 0.5 * (edges[1:] + edges[:-1])
    first = np.searchsorted(stations, edges[:-1])
    last = np.searchsorted(stations, edges[1:])
    nearest = np.abs(stations[None, :] - middle[:, None]).argmin(axis=1)
    heights, targets = np.empty(width), np.empty(width)
    for k in range(width):
        ends = (first[k], last[k]) if last[k] > first[k] else (nearest[k], nearest[k] + 1)
        part = slice(*ends)
        heights[k], targets[k] = _mean(profile.height_m[part]), _mean(profile.target_m[part])
    return Columns(middle, heights, targets)


def _mean(values: NDArray[np.float64]) -> float:
    """Return the mean of what is known; NaN where nothing is."""
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size else math.nan


def top_m(columns: Columns) -> float:
    """Return the height of the upper edge of the drawing [m]."""
    known = np.concatenate([columns.height_m, columns.target_m])
    known = known[np.isfinite(known)]
    return max(LEAST_TOP_M, HEADROOM * float(known.max(initial=0.0)))


def section_rows(columns: Columns, height: int, glyphs: Glyphs = UNICODE) -> tuple[str, ...]:
    """
    Draw the crest.

    Parameters
    ----------
    columns : Columns
        The crest by column.
    height : int
        Number of rows, at least 1.
    glyphs : Glyphs
        What to draw with.

    Returns
    -------
    tuple of str
        Rows from the top, each as wide as there are columns.

    """
    step_m = top_m(columns) / height
    return tuple(
        ''.join(_character(float(now), float(design), row, step_m, glyphs)
                for now, design in zip(columns.height_m, columns.target_m))
        for row in range(height - 1, -1, -1))


def _character(now_m: float, design_m: float, row: int, step_m: float, glyphs: Glyphs) -> str:
    """Return one character of the drawing."""
    filled = 0
    if math.isfinite(now_m):
        filled = min(8, max(0, round(8.0 * (now_m / step_m - row))))
    if glyphs.blocks[filled] != ' ':
        return glyphs.blocks[filled]
    if math.isfinite(design_m) and row == math.floor(design_m / step_m):
        return glyphs.design
    return glyphs.unseen if row == 0 and not math.isfinite(now_m) else ' '
