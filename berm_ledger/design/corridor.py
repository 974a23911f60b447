# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Which cells of a lattice belong to which segment, and by what share.

The corridor of a berm is its design footprint and a margin around it, round ends included. A cell
within reach of several berms belongs to the nearest centreline. A cell that a border between
segments cuts is shared among them by sub-sampling, each part as a short stretch of stations, so
that the figures of the segments add up to those of the berm. Outside a bend at which a border
lies, where all stations are the same, both segments get half of each cell.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage, sparse

from .segments import Segment, segment_count, segment_of_station, segments_of_site
from .site import Berm, Site
from .surface import design_height_of_site_m, half_width_m
from ..geometry import Lattice, Polyline

# Points along each edge of a cell at which it is looked at.
SUB_SAMPLES = 4
# Edge of the blocks of cells that are left out together where they are too far away.
BLOCK_CELLS = 16
# Cells whose points are looked at together, which bounds the memory it takes.
CHUNK_CELLS = 20000


@dataclass(frozen=True, eq=False)
class Corridor:
    """
    The cells that the books look at, in ascending order of their place in the lattice.

    Parameters
    ----------
    lattice : Lattice
        The whole lattice.
    segments : tuple of Segment
        Rows of ``shares``: all segments of the site, in the order of the site file.
    flat_index : array
        Place of each cell in the lattice's flattened arrays (n,).
    berm_index : array
        Place in the site of the berm that the cell belongs to (n,); as few bytes as hold it.
    segment_index : array
        Row of ``segments`` that the centre of the cell falls in (n,); as few bytes as hold it.
    station_m, offset_m : array
        Station and signed offset of the centre of the cell on its berm (n,) [m].
    shares : scipy.sparse.csr_matrix
        Shape (len(segments), n): share of the cell that a segment holds; columns add up to 1.

    """

    lattice: Lattice
    segments: tuple[Segment, ...]
    flat_index: NDArray[np.intp]
    berm_index: NDArray[np.signedinteger]
    segment_index: NDArray[np.signedinteger]
    station_m: NDArray[np.float64]
    offset_m: NDArray[np.float64]
    shares: sparse.csr_matrix

    def __post_init__(self) -> None:
        """Make the arrays read-only."""
        for array in (self.flat_index, self.berm_index, self.segment_index, self.station_m,
                      self.offset_m, self.shares.data):
            array.flags.writeable = False

    def __len__(self) -> int:
        """Return the number of cells."""
        return len(self.flat_index)

    @property
    def centres_xy(self) -> NDArray[np.float64]:
        """Centres of the cells, shape (n, 2) [m]."""
        return cell_centres_xy(self.lattice, self.flat_index)

    def pick(self, values: ArrayLike) -> NDArray[np.generic]:
        """Return the values of an array of the lattice's shape in the corridor's cells (n,)."""
        return np.asarray(values).reshape(-1)[self.flat_index]

    def total(self, values: ArrayLike) -> NDArray[np.float64]:
        """Return the sum over each segment of values per cell (n,), shared cells by share."""
        out: NDArray[np.float64] = self.shares @ np.asarray(values, dtype=float)
        return out


def cell_centres_xy(lattice: Lattice, flat_index: NDArray[np.intp]) -> NDArray[np.float64]:
    """Return the centres (n, 2) [m] of cells given by their place in the flattened lattice."""
    row, col = np.divmod(flat_index, lattice.cols)
    return np.stack(
        [lattice.x0_m + lattice.cell_m * col, lattice.y0_m + lattice.cell_m * row], axis=-1)


def corridor_of_site(
    site: Site, lattice: Lattice, margin_m: float, *, datum_m: ArrayLike | None = None
) -> Corridor:
    """
    Return the corridor of all berms of a site.

    Parameters
    ----------
    site : Site
        The site.
    lattice : Lattice
        Cells to choose from; what lies outside it is not in the corridor.
    margin_m : float
        How far the corridor reaches beyond the design toe [m].
    datum_m : array or None
        Elevation of the natural ground on the lattice (rows, cols) [m]; needed for level crests
        where the site gives no plane. Unknown cells count as the lowest known one.

    Returns
    -------
    Corridor
        Cells whose centres lie in reach.

    Raises
    ------
    GeometryError
        A level crest without a datum.

    """
    segments = segments_of_site(site)
    parts = [_part_of_berm(site, berm, lattice, margin_m, datum_m) for berm in site.berms]
    flat, berm_index, station, offset = _nearest_parts(parts)
    first_row = np.cumsum([0] + [segment_count(berm) for berm in site.berms])
    segment = np.zeros(len(flat), dtype=np.intp)
    for index, berm in enumerate(site.berms):
        own = berm_index == index
        segment[own] = first_row[index] + segment_of_station(berm, station[own]) - 1
    shares = _shares(site.berms, lattice, first_row, flat, berm_index, segment, station)
    return Corridor(lattice, segments, flat, in_few_bytes(berm_index), in_few_bytes(segment),
                    station, offset, shares)


_Part = tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]


def _part_of_berm(
    site: Site, berm: Berm, lattice: Lattice, margin_m: float, datum_m: ArrayLike | None
) -> _Part:
    """Return flat index, station and offset of the cells in reach of one berm."""
    datum = None
    if berm.crest_level_m is not None:
        datum = _filled_datum(site, lattice, datum_m)
    half = half_width_m(berm, datum) + margin_m
    flat = cells_near(berm.centreline, lattice, float(half.max()))
    station, offset = berm.centreline.station_offset(cell_centres_xy(lattice, flat))
    reach = half if half.ndim == 0 else half.reshape(-1)[flat]
    keep = np.abs(offset) <= reach
    return flat[keep], station[keep], offset[keep]


def _filled_datum(
    site: Site, lattice: Lattice, datum_m: ArrayLike | None
) -> NDArray[np.float64] | None:
    """Return the datum on the lattice without gaps, None when nothing is known of it."""
    if datum_m is None:
        if site.datum_plane is None:
            return None
        return site.datum_plane.height_m(lattice.centres_xy())
    datum = np.asarray(datum_m, dtype=float)
    known = np.isfinite(datum)
    return np.where(known, datum, datum[known].min()) if known.any() else None


def cells_near(line: Polyline, lattice: Lattice, reach_m: float) -> NDArray[np.intp]:
    """
    Return the cells that may lie within reach of a line, in ascending order.

    Whole blocks of cells that are too far away are left out; the rest is not looked at one by
    one, so that cells a little beyond the reach are among them.

    Parameters
    ----------
    line : Polyline
        The line [m].
    lattice : Lattice
        Cells to choose from.
    reach_m : float
        Plan distance to the line [m].

    Returns
    -------
    array
        Places in the flattened lattice (n,).

    """
    low = lattice.index_from_xy(line.points_xy.min(axis=0) - reach_m)
    high = lattice.index_from_xy(line.points_xy.max(axis=0) + reach_m)
    first = np.maximum(0, np.floor(low)).astype(int)
    stop = np.minimum(lattice.shape, np.ceil(high) + 1).astype(int)
    if (stop <= first).any():
        return np.zeros(0, dtype=np.intp)
    rows, cols = (np.arange(first[i], stop[i], BLOCK_CELLS) for i in (0, 1))
    centre = 0.5 * (BLOCK_CELLS - 1)
    blocks = np.stack(np.meshgrid(
        lattice.x0_m + lattice.cell_m * (cols + centre),
        lattice.y0_m + lattice.cell_m * (rows + centre)), axis=-1)
    _, offset = line.station_offset(blocks.reshape(-1, 2))
    near = np.abs(offset) <= reach_m + 0.75 * BLOCK_CELLS * lattice.cell_m
    mask = np.kron(near.reshape(len(rows), len(cols)), np.ones((BLOCK_CELLS, BLOCK_CELLS), bool))
    size = stop - first
    row, col = np.nonzero(mask[: size[0], : size[1]])
    out: NDArray[np.intp] = (row + first[0]) * lattice.cols + col + first[1]
    return out


def design_height_in_cells_m(
    site: Site, corridor: Corridor, datum_m: ArrayLike | None = None
) -> NDArray[np.float64]:
    """
    Return the mean design height over each cell of a corridor.

    At its centre a sharp crest is higher than that by up to a quarter of the cell times the slope.

    Parameters
    ----------
    site : Site
        The site; where several berms reach a cell the higher one holds.
    corridor : Corridor
        Its corridor.
    datum_m : array or None
        Elevation of the natural ground in the cells (n,) [m]; needed for level crests where the
        site gives no plane.

    Returns
    -------
    array
        Height above the datum (n,) [m].

    """
    centres = corridor.centres_xy
    sub = sub_points_xy(corridor.lattice.cell_m, SUB_SAMPLES)
    datum = None if datum_m is None else np.asarray(datum_m, dtype=float)[:, None]
    out = np.empty(len(centres))
    for first in range(0, len(centres), CHUNK_CELLS):
        part = slice(first, first + CHUNK_CELLS)
        ground = None if datum is None else np.repeat(datum[part], len(sub), axis=1)
        points = centres[part, None, :] + sub
        out[part] = design_height_of_site_m(site, points, ground).mean(axis=1)
    return out


def _nearest_parts(
    parts: Sequence[_Part]
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]:
    """Join the cells of all berms; a cell of several goes to the nearest, then the first."""
    flat = np.concatenate([part[0] for part in parts])
    berm_index = np.repeat(np.arange(len(parts)), [len(part[0]) for part in parts])
    station = np.concatenate([part[1] for part in parts])
    offset = np.concatenate([part[2] for part in parts])
    order = np.lexsort((berm_index, np.abs(offset), flat))
    keep = order[np.concatenate([[True], np.diff(flat[order]) != 0])] if len(order) else order
    return flat[keep], berm_index[keep], station[keep], offset[keep]


def in_few_bytes(index: NDArray[np.intp]) -> NDArray[np.signedinteger]:
    """Return indices from 0 in as few bytes as hold them, signed as all indices are."""
    most = int(index.max(initial=0))
    return index.astype(np.int16 if most <= np.iinfo(np.int16).max else np.int32)


def _shares(
    berms: Sequence[Berm], lattice: Lattice, first_row: NDArray[np.intp],
    flat: NDArray[np.intp], berm_index: NDArray[np.intp], segment: NDArray[np.intp],
    station: NDArray[np.float64],
) -> sparse.csr_matrix:
    """Return the share of every segment in every cell; whole cells except near borders."""
    cut = _near_border(lattice, flat, segment)
    for index, berm in enumerate(berms):
        own = berm_index == index
        cut[own] |= _splits(berm, station[own], lattice.cell_m)[2] < 1.0
    whole = np.flatnonzero(~cut)
    row, col = [segment[whole]], [whole]
    weight = [np.ones(len(whole))]
    sub = sub_points_xy(lattice.cell_m, SUB_SAMPLES)
    for index, berm in enumerate(berms):
        own = np.flatnonzero(cut & (berm_index == index))
        points = cell_centres_xy(lattice, flat[own])[:, None, :] + sub
        at, _ = berm.centreline.station_offset(points.reshape(-1, 2))
        low, high, share = _splits(berm, at, lattice.cell_m / SUB_SAMPLES / 2)
        row += [first_row[index] + low - 1, first_row[index] + high - 1]
        col += [np.repeat(own, len(sub))] * 2
        weight += [share / len(sub), (1.0 - share) / len(sub)]
    shape = (int(first_row[-1]), len(flat))
    joined = (np.concatenate(row), np.concatenate(col))
    # Entries of one cell and segment are added up.
    return sparse.csr_matrix((np.concatenate(weight), joined), shape=shape)


def _splits(
    berm: Berm, station_m: NDArray[np.float64], reach_m: float
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float64]]:
    """
    Return the segments at both ends of stretches of stations, and the share of the first.

    A stretch reaches so far to either side of its station, and is shorter than a segment. What
    lies beyond an open end belongs to the segment at that end.
    """
    length = berm.centreline.length_m
    low, high = station_m - reach_m, station_m + reach_m
    if berm.centreline.closed:
        low, high = np.mod(low, length), np.mod(high, length)
    first, last = segment_of_station(berm, low), segment_of_station(berm, high)
    border = (last - 1) * (length / segment_count(berm))
    share = np.where(first == last, 1.0, 1.0 - (high - border) / (2.0 * reach_m))
    return first, last, np.clip(share, 0.0, 1.0)


def _near_border(
    lattice: Lattice, flat: NDArray[np.intp], segment: NDArray[np.intp]
) -> NDArray[np.bool_]:
    """Tell which cells have a neighbour of another segment (n,)."""
    if not len(flat):
        return np.zeros(0, dtype=bool)
    row, col = np.divmod(flat, lattice.cols)
    row, col = row - row.min(), col - col.min()
    shape = (int(row.max()) + 1, int(col.max()) + 1)
    high = np.full(shape, -1, dtype=np.intp)
    low = np.full(shape, np.iinfo(np.intp).max, dtype=np.intp)
    high[row, col] = low[row, col] = segment
    high = ndimage.maximum_filter(high, size=3, mode='nearest')
    low = ndimage.minimum_filter(low, size=3, mode='nearest')
    out: NDArray[np.bool_] = high[row, col] != low[row, col]
    return out


def sub_points_xy(cell_m: float, count: int) -> NDArray[np.float64]:
    """Return the centres (count * count, 2) [m] of equal parts of a cell around its centre."""
    step = ((np.arange(count) + 0.5) / count - 0.5) * cell_m
    return np.stack(np.meshgrid(step, step), axis=-1).reshape(-1, 2)
