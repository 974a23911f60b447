# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The truth of a simulated yard in figures, to score the books against."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .sections import BermGround, fine_cells
from .soil import Soil

Figures = dict[str, Any]
TOUCHED_M = 1e-9


def segment_truth(soil: Soil, berms: tuple[BermGround, ...]) -> list[Figures]:
    """
    Return what every segment truly is, in the order of the site.

    Parameters
    ----------
    soil : Soil
        The yard's soil.
    berms : tuple of BermGround
        Its berms.

    Returns
    -------
    list of dict
        Heights above the natural ground [m] at sections every 10 mm; volumes [m3]: ``placed_m3``
        all soil nearest to the segment, of it ``footprint_m3`` inside the design footprint and
        ``spilled_m3`` outside; ``over_m3`` above the design shape and ``missing_m3`` below it.

    """
    volumes = _volumes(soil, berms)
    rows = []
    for b, ground in enumerate(berms):
        top, offset = ground.crest(soil)
        number = ground.number_of(ground.station_m)
        for segment in ground.segments:
            own = number == segment.number
            gap = np.abs(top[own] - ground.target_m[own])
            figures: Figures = {
                'berm': segment.berm,
                'segment': segment.number,
                'station_from_m': segment.station_from_m,
                'station_to_m': segment.station_to_m,
                'target_height_m': float(ground.target_m[own].mean()),
                'height_m': float(top[own].mean()),
                'low_m': float(top[own].min()),
                'high_m': float(top[own].max()),
                'line_offset_m': float(offset[own].mean()),
                'at_grade': float((gap <= ground.berm.height_tolerance_m).mean()),
            }
            figures.update(volumes[b, segment.number])
            rows.append(figures)
    return rows


def berm_truth(rows: list[Figures], berms: tuple[BermGround, ...], soil: Soil) -> list[Figures]:
    """Return the sums of every berm, from its segments' figures."""
    out = []
    for ground in berms:
        own = [row for row in rows if row['berm'] == ground.berm.name]
        top, offset = ground.crest(soil)
        good = np.abs(top - ground.target_m) <= ground.berm.height_tolerance_m
        figures: Figures = {
            'berm': ground.berm.name,
            'height_m': float(top.mean()),
            'low_m': float(top.min()),
            'high_m': float(top.max()),
            'line_offset_m': float(offset.mean()),
            'crest_length_m': float(good.mean() * ground.berm.centreline.length_m),
        }
        for name in ('design_m3', 'placed_m3', 'footprint_m3', 'spilled_m3', 'over_m3',
                     'missing_m3'):
            figures[name] = sum(row[name] for row in own)
        out.append(figures)
    return out


def _nearest(
    points_xy: NDArray[np.float64], berms: tuple[BermGround, ...]
) -> tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]:
    """Return index of the nearest berm, station and offset on it, for points (n, 2)."""
    places = [g.berm.centreline.station_offset(points_xy) for g in berms]
    gaps = np.stack([np.abs(o) - g.half_width_m for (_, o), g in zip(places, berms)])
    berm = gaps.argmin(axis=0)
    pick = np.arange(len(berm))
    return (berm, np.stack([s for s, _ in places])[berm, pick],
            np.stack([o for _, o in places])[berm, pick])


def _cut(
    berm: NDArray[np.intp], station_m: NDArray[np.float64], offset_m: NDArray[np.float64],
    berms: tuple[BermGround, ...], cell_m: float,
) -> NDArray[np.bool_]:
    """Tell which cells a segment border or the edge of the footprint may cut."""
    cut = np.zeros(len(berm), bool)
    for b, ground in enumerate(berms):
        own = berm == b
        length = ground.segments[0].length_m
        # on the inside of a bend stations run faster than plan distance
        border = np.abs((station_m + length / 2.0) % length - length / 2.0) < 3.0 * cell_m
        edge = np.abs(np.abs(offset_m) - ground.half_width_m) < cell_m
        cut |= own & (border | edge)
    return cut


def _volumes(
    soil: Soil, berms: tuple[BermGround, ...]
) -> dict[tuple[int, int], Figures]:
    """Return the volumes of every segment, by index of the berm and number of the segment."""
    lattice = soil.lattice
    berm, station, offset = _nearest(lattice.centres_xy().reshape(-1, 2), berms)
    half = np.array([g.half_width_m for g in berms])
    rise = soil.rise_m
    near = np.abs(offset) < half[berm] + lattice.cell_m
    wanted = (rise > TOUCHED_M) | near.reshape(rise.shape)
    cut = _cut(berm, station, offset, berms, lattice.cell_m).reshape(rise.shape)
    index, places, area = fine_cells(lattice, wanted, cut)
    berm, station, offset = _nearest(places, berms)
    height, ground_m = rise.ravel()[index], soil.ground_m.ravel()[index]
    out = {}
    for b, ground in enumerate(berms):
        number = ground.number_of(station)
        design = ground.design_m(station, offset, ground_m)
        for segment in ground.segments:
            own = (berm == b) & (number == segment.number)
            out[b, segment.number] = _sums(height[own], design[own], area[own])
    return out


def _sums(
    height_m: NDArray[np.float64], design_m: NDArray[np.float64], area_m2: NDArray[np.float64]
) -> Figures:
    """Return the volumes of one segment's cells."""
    inside = design_m > 0.0
    gap = height_m - design_m
    return {
        'design_m3': float(design_m @ area_m2),
        'placed_m3': float(height_m @ area_m2),
        'footprint_m3': float(height_m[inside] @ area_m2[inside]),
        'spilled_m3': float(height_m[~inside] @ area_m2[~inside]),
        'over_m3': float(np.maximum(gap, 0.0)[inside] @ area_m2[inside]),
        'missing_m3': float(np.maximum(-gap, 0.0)[inside] @ area_m2[inside]),
    }
