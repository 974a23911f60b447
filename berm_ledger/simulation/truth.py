# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The truth of a simulated yard in figures, to score the books against."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .drum import Drum
from .sections import BermGround, fine_cells
from .soil import Soil
from ..design import Site
from ..geometry import Lattice

Figures = dict[str, Any]
Places = tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]
# Soil that rises by no more than this was not touched: rounding [m].
TOUCHED_M = 1e-9
# Ground beyond the footprint that is cut finely where a border runs through it [m].
SPILL_M = 0.2
# Soil may have slid this far into a cut from outside the borrow area [m].
SLIDE_M = 0.3
VOLUMES = ('design_m3', 'placed_m3', 'footprint_m3', 'spilled_m3', 'over_m3', 'missing_m3')


class Truth:
    """
    Measures a simulated yard without any error.

    Parameters
    ----------
    soil : Soil
        The yard's soil, measured as it stands at each call.
    berms : tuple of BermGround
        Its berms.
    pressed_m : array, optional
        How far wheels have pressed the soil down as it stands at each call, shape of its lattice
        [m]: outside of the design footprint that is no lack of soil.

    """

    def __init__(
        self, soil: Soil, berms: tuple[BermGround, ...],
        pressed_m: NDArray[np.float64] | None = None,
    ) -> None:
        """Find out which cells belong to which berm and which of them a border cuts."""
        self._soil = soil
        self._berms = berms
        self._pressed_m = np.zeros(soil.lattice.shape) if pressed_m is None else pressed_m
        self._near = np.zeros(soil.lattice.shape, bool)
        self._cut = np.zeros(soil.lattice.shape, bool)
        for ground in berms:
            window, part = ground.window(soil.lattice, SPILL_M)
            half = part.cell_m / 2.0
            corners = Lattice(part.x0_m - half, part.y0_m - half, part.cell_m,
                              part.rows + 1, part.cols + 1)
            label = self._label(corners.centres_xy().reshape(-1, 2)).reshape(corners.shape)
            for other in (label[1:, :-1], label[:-1, 1:], label[1:, 1:]):
                self._near[window] |= (label[:-1, :-1] % 2 + other % 2) > 0
                self._cut[window] |= label[:-1, :-1] != other

    def segments(self) -> list[Figures]:
        """
        Return what every segment truly is, in the order of the site.

        Returns
        -------
        list of dict
            Heights above the natural ground [m] at sections every 10 mm; volumes [m3]:
            ``placed_m3`` all soil nearest to the segment, of it ``footprint_m3`` inside the
            design footprint and ``spilled_m3`` outside; ``over_m3`` above the design shape and
            ``missing_m3`` below it.

        """
        volumes = self._volumes()
        rows = []
        for b, ground in enumerate(self._berms):
            top, offset = ground.crest(self._soil)
            number = ground.number_of(ground.station_m)
            for segment in ground.segments:
                own = number == segment.number
                figures: Figures = {
                    'berm': segment.berm, 'segment': segment.number,
                    'station_from_m': segment.station_from_m,
                    'station_to_m': segment.station_to_m,
                    'target_height_m': float(ground.target_m[own].mean()),
                    'line_offset_m': float(offset[own].mean()),
                }
                figures.update(_heights(top[own], ground.target_m[own], ground))
                figures.update(volumes[b, segment.number])
                rows.append(figures)
        return rows

    def berms(self, segments: list[Figures]) -> list[Figures]:
        """Return the figures of every berm, volumes summed over its ``segments()``."""
        out = []
        for ground in self._berms:
            own = [row for row in segments if row['berm'] == ground.berm.name]
            top, offset = ground.crest(self._soil)
            figures: Figures = {'berm': ground.berm.name, 'line_offset_m': float(offset.mean())}
            figures.update(_heights(top, ground.target_m, ground))
            figures['crest_length_m'] = figures['at_grade'] * ground.berm.centreline.length_m
            figures.update({name: sum(row[name] for row in own) for name in VOLUMES})
            out.append(figures)
        return out

    def _nearest(self, points_xy: NDArray[np.float64]) -> Places:
        """Return index of the nearest berm, station and offset on it, for points (n, 2)."""
        places = [g.berm.centreline.station_offset(points_xy) for g in self._berms]
        gaps = np.stack(
            [np.abs(o) - g.half_width_m for (_, o), g in zip(places, self._berms)])
        berm = gaps.argmin(axis=0)
        pick = np.arange(len(berm))
        return (berm, np.stack([s for s, _ in places])[berm, pick],
                np.stack([o for _, o in places])[berm, pick])

    def _label(self, points_xy: NDArray[np.float64]) -> NDArray[np.intp]:
        """Return a number that differs between segments, inside and outside footprints."""
        berm, station, offset = self._nearest(points_xy)
        label = np.zeros(len(points_xy), np.intp)
        for b, ground in enumerate(self._berms):
            inside = np.abs(offset) < ground.half_width_m
            own = 2 * (1000 * b + ground.number_of(station)) + inside
            label = np.where(berm == b, own, label)
        return label

    def _volumes(self) -> dict[tuple[int, int], Figures]:
        """Return the volumes by index of the berm and number of the segment."""
        soil = self._soil
        rise = soil.rise_m
        wanted = (rise + self._pressed_m > TOUCHED_M) | self._near
        index, places, area = fine_cells(soil.lattice, wanted, self._cut)
        berm, station, offset = self._nearest(places)
        height, ground_m = rise.ravel()[index], soil.ground_m.ravel()[index]
        pressed_m = self._pressed_m.ravel()[index]
        out = {}
        for b, ground in enumerate(self._berms):
            number = ground.number_of(station)
            design = ground.design_m(offset, ground_m)
            for segment in ground.segments:
                own = (berm == b) & (number == segment.number)
                lost_m = np.where(design[own] > 0.0, 0.0, pressed_m[own])
                out[b, segment.number] = _sums(height[own] + lost_m, design[own], area[own])
        return out


def _heights(
    top_m: NDArray[np.float64], target_m: NDArray[np.float64], ground: BermGround
) -> Figures:
    """Return the figures of a stretch of crest."""
    good = np.abs(top_m - target_m) <= ground.berm.height_tolerance_m
    return {
        'height_m': float(top_m.mean()),
        'low_m': float(top_m.min()),
        'high_m': float(top_m.max()),
        'at_grade': float(good.mean()),
    }


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


def borrow_truth(
    site: Site, soil: Soil, drum: Drum, swell: float, pressed_m: NDArray[np.float64] | None = None
) -> Figures:
    """
    Return how the borrow areas truly stand, JSON values only.

    Parameters
    ----------
    site : Site
        The site.
    soil : Soil
        The soil as it stands.
    drum : Drum
        What was dug and what is carried.
    swell : float
        Loose volume for one volume in the ground.
    pressed_m : array, optional
        How far wheels have pressed the soil down, shape of its lattice [m]: that is no cut.

    Returns
    -------
    dict
        ``swell``, ``carried_m3`` (loose), ``areas`` with ``cut_m3`` (bank, soil that slid in from
        beside the area included) and ``deepest_m``, and every dig.

    """
    points, areas = soil.lattice.centres_xy(), []
    depth_m = -soil.rise_m if pressed_m is None else -soil.rise_m - pressed_m
    for area in site.yard.borrow_areas:
        near = area.polygon.reaches(points, SLIDE_M)
        cut = np.where(near, np.maximum(depth_m, 0.0), 0.0)
        areas.append({
            'area': area.name, 'cut_m3': float(cut.sum() * soil.lattice.cell_area_m2),
            'deepest_m': float(cut.max())})
    return {'swell': swell, 'carried_m3': drum.carried_m3, 'areas': areas,
            'digs': [dict(dig) for dig in drum.digs]}
