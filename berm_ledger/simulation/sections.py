# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A berm on the simulated ground: its true cross-sections and the cells that belong to it."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from .soil import Soil, Window
from ..design import Berm, segments_of_berm
from ..geometry import Lattice

# Spacing of the sections, and of the points in them [m].
STATION_STEP_M = 0.01
OFFSET_STEP_M = 0.005
# What lies no further than this below the highest point is the top, whose middle is the crest [m].
TOP_M = 0.004
# A crest lies no further than this past the valley to another stretch of the line [m].
PAST_VALLEY_M = 0.02
# Parts along each edge into which a cell is cut that a border runs through.
REFINE = 5


class BermGround:
    """
    One berm on the natural ground, prepared for measuring the truth.

    Parameters
    ----------
    berm : Berm
        The berm.
    soil : Soil
        The yard's soil; only its lattice and natural ground are used here.

    """

    def __init__(self, berm: Berm, soil: Soil) -> None:
        """Lay out the sections."""
        self.berm = berm
        self.segments = segments_of_berm(berm)
        line = berm.centreline
        count = max(1, round(line.length_m / STATION_STEP_M))
        self.station_m = (np.arange(count) + 0.5) * line.length_m / count
        on_line = soil.at(line.point_at(self.station_m), soil.ground_m)
        self.target_m = (
            np.full(count, berm.crest_height_m) if berm.crest_height_m is not None
            else np.maximum(0.0, float(berm.crest_level_m or 0.0) - on_line))
        self.half_width_m = berm.crest_width_m / 2.0 + (
            float(self.target_m.max()) / berm.side_slope)
        half = math.ceil(self.half_width_m / OFFSET_STEP_M)
        self.offset_m = OFFSET_STEP_M * np.arange(-half, half + 1)
        self.points_xy = line.point_at(self.station_m[:, None], self.offset_m[None, :])
        self._bare_m = soil.at(self.points_xy, soil.ground_m)
        self._own = self._on_own_ground()

    def window(self, lattice: Lattice, margin_m: float) -> tuple[Window, Lattice]:
        """Return the part of a lattice around the footprint, and that part as a lattice."""
        corners = self.berm.centreline.points_xy
        reach = self.half_width_m + margin_m
        low = np.floor(lattice.index_from_xy(corners.min(axis=0) - reach)).astype(int)
        high = np.ceil(lattice.index_from_xy(corners.max(axis=0) + reach)).astype(int) + 1
        row, col = np.clip(low, 0, lattice.shape)
        rows, cols = np.maximum(np.clip(high, 0, lattice.shape) - (row, col), 0)
        part = Lattice(lattice.x0_m + col * lattice.cell_m, lattice.y0_m + row * lattice.cell_m,
                       lattice.cell_m, int(rows), int(cols))
        return (slice(row, row + rows), slice(col, col + cols)), part

    def sections_m(self, soil: Soil) -> NDArray[np.float64]:
        """Return the rise over the natural ground, one row per section [m]."""
        out: NDArray[np.float64] = soil.at(self.points_xy) - self._bare_m
        return out

    def _on_own_ground(self) -> NDArray[np.bool_]:
        """Tell which points of the sections are not nearer to another stretch of the line."""
        _, offset = self.berm.centreline.station_offset(self.points_xy.reshape(-1, 2))
        nearest = np.abs(offset).reshape(self.points_xy.shape[:2])
        return np.asarray(np.abs(self.offset_m) <= nearest + PAST_VALLEY_M)

    def crest(self, soil: Soil) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the crest's height over the ground and its offset, per section [m]."""
        rise = np.where(self._own, self.sections_m(soil), -math.inf)
        top = rise.max(axis=1)
        near = rise >= top[:, None] - TOP_M
        first = near.argmax(axis=1)
        last = near.shape[1] - 1 - near[:, ::-1].argmax(axis=1)
        return top, (self.offset_m[first] + self.offset_m[last]) / 2.0

    def number_of(self, station_m: NDArray[np.float64]) -> NDArray[np.intp]:
        """Return the segment number (from 1) of each station."""
        count = len(self.segments)
        index = np.floor(station_m / self.berm.centreline.length_m * count).astype(np.intp)
        return np.clip(index, 0, count - 1) + 1

    def design_m(
        self, offset_m: NDArray[np.float64], ground_m: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return the design's rise over the ground at offsets and ground heights [m]."""
        beyond = np.maximum(0.0, np.abs(offset_m) - self.berm.crest_width_m / 2.0)
        top = (self.berm.crest_height_m if self.berm.crest_height_m is not None
               else float(self.berm.crest_level_m or 0.0) - ground_m)
        out: NDArray[np.float64] = np.maximum(0.0, top - self.berm.side_slope * beyond)
        return out


def design_surface_m(soil: Soil, berms: tuple[BermGround, ...]) -> NDArray[np.float64]:
    """Return the surface with every berm as designed, on the soil's lattice [m]."""
    out = soil.ground_m.copy()
    for ground in berms:
        window, part = ground.window(soil.lattice, soil.lattice.cell_m)
        _, offset = ground.berm.centreline.station_offset(part.centres_xy())
        bare = soil.ground_m[window]
        rise = ground.design_m(offset.reshape(part.shape), bare)
        out[window] = np.maximum(out[window], bare + rise)
    return out


def fine_cells(
    lattice: Lattice, touched: NDArray[np.bool_], cut: NDArray[np.bool_]
) -> tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]:
    """
    Return touched cells, those that a border cuts split into small ones.

    Parameters
    ----------
    lattice : Lattice
        The cells.
    touched, cut : array
        Which cells are wanted, and which of them are split; shape of the lattice.

    Returns
    -------
    tuple of array
        Flat index of the cell, place (n, 2) [m] and area [m2] of each piece.

    """
    places = lattice.centres_xy().reshape(-1, 2)
    whole = np.flatnonzero(touched & ~cut)
    split = np.flatnonzero(touched & cut)
    step = ((np.arange(REFINE) + 0.5) / REFINE - 0.5) * lattice.cell_m
    grid = np.stack(np.meshgrid(step, step), axis=-1).reshape(-1, 2)
    small = (places[split][:, None, :] + grid).reshape(-1, 2)
    index = np.concatenate([whole, np.repeat(split, REFINE * REFINE)])
    area = np.full(len(index), lattice.cell_area_m2 / REFINE ** 2)
    area[:len(whole)] = lattice.cell_area_m2
    return index, np.concatenate([places[whole], small]), area
