# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Surveyed cells on their lattice: means of those near by, slopes, parts cut out."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..geometry import Lattice
from ..kernels import compiled
from ..survey.nearby import grow
from ..survey.surface import without_nan

Floats = NDArray[np.float64]

# Reach of the slope estimate on either side, in cells.
REACH = 2
# Cells of a 3 x 3 window that must be seen for a mean.
LEAST_OF_NINE = 4


@dataclass(frozen=True, eq=False)
class Canvas:
    """
    Surveyed cells spread over their lattice and back.

    Parameters
    ----------
    lattice : Lattice
        The lattice.
    flat_index : array
        Place of each cell in the flattened lattice, shape (n,).

    """

    lattice: Lattice
    flat_index: NDArray[np.intp]

    def spread(self, values: NDArray[np.floating]) -> Floats:
        """Return cells (n,) on the lattice, zero elsewhere."""
        out = np.zeros(self.lattice.rows * self.lattice.cols)
        out[self.flat_index] = values
        return out.reshape(self.lattice.shape)

    def mask(self, cells: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Spread a mask of the cells, shape (n,), over the lattice; False elsewhere."""
        out = np.zeros(self.lattice.rows * self.lattice.cols, dtype=bool)
        out[self.flat_index] = cells
        return out.reshape(self.lattice.shape)

    def near(self, cells: NDArray[np.bool_], steps: int) -> NDArray[np.bool_]:
        """Return cells within so many steps of a mask, both of shape (n,)."""
        near: NDArray[np.bool_] = grow(self.mask(cells), steps).ravel()[self.flat_index]
        return near

    @cached_property
    def _place(self) -> NDArray[np.intp]:
        """Return the cell at each place of the lattice and of a rim; n where there is none."""
        rows, cols = self.lattice.shape
        out = np.full((rows + 2 * REACH, cols + 2 * REACH), len(self.flat_index), dtype=np.intp)
        inner = np.full(rows * cols, len(self.flat_index), dtype=np.intp)
        inner[self.flat_index] = np.arange(len(self.flat_index))
        out[REACH:REACH + rows, REACH:REACH + cols] = inner.reshape(rows, cols)
        return out

    @property
    def places(self) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Place of each cell in the lattice (n,), and cell at each place with a rim of two."""
        return self.flat_index, self._place

    def stepped(
        self, cells: NDArray[np.intp], row_step: int, col_step: int
    ) -> NDArray[np.intp]:
        """Return the cells up to ``REACH`` steps from given ones, n where there is none."""
        row, col = np.divmod(self.flat_index[cells], self.lattice.cols)
        out: NDArray[np.intp] = self._place[row + row_step + REACH, col + col_step + REACH]
        return out

    def square(self, x_m: float, y_m: float, reach_m: float) -> NDArray[np.intp]:
        """Return, in order, the cells of a square that reaches so far around a point [m]."""
        middle = self.lattice.index_from_xy([[x_m, y_m]])[0]
        steps = reach_m / self.lattice.cell_m
        # The next whole step, for whatever the rounding of the indices may do to the border.
        shape = np.add(self.lattice.shape, REACH)
        (top, left), (bottom, right) = (
            np.clip(np.floor(middle + side * steps) + more + REACH, REACH, shape).astype(int)
            for side, more in ((-1.0, 0), (1.0, 2)))
        near = self._place[top:bottom, left:right].ravel()
        return np.sort(near[near < len(self.flat_index)])

    @cached_property
    def _beside(self) -> tuple[NDArray[np.floating], NDArray[np.intp], NDArray[np.intp]]:
        """Return whether each cell has the next one to its east, and those north and south."""
        every = np.arange(len(self.flat_index))
        east = (self.stepped(every[:-1], 0, 1) == every[1:]).astype(np.float32)
        return east, self.stepped(every, 1, 0), self.stepped(every, -1, 0)

    @cached_property
    def _pieces(self) -> tuple[NDArray[np.int32], ...]:
        """Return which cells lie in a row, and beside which the next rows to north and south."""
        east, north, south = self._beside
        del self.__dict__['_beside']  # The pieces say it in less.
        every = np.arange(len(self.flat_index))
        whole = np.append(east, np.float32(0.0)) > 0.0
        row = np.cumsum(np.append(False, ~whole[:-1]))
        return (_in_pieces(every, row), _in_pieces(north, row), _in_pieces(south, row))

    def box_mean(
        self, values: NDArray[np.floating], *, of_unknown: bool = True,
        rows: NDArray[np.int32] | None = None,
    ) -> NDArray[Any]:
        """
        Return the mean over 3 x 3 cells.

        Parameters
        ----------
        values : array
            Values, shape (n,); NaN is unknown.
        of_unknown : bool
            Whether unknown cells have one, too.
        rows : array, optional
            Where not all are wanted: pieces of rows that hold all known cells and one more on
            either side, shape (k, 3).

        Returns
        -------
        array
            Shape (n,), NaN where too few are known.

        """
        if compiled.cells is not None and values.dtype == np.float32:
            mean_m = np.empty(len(values), dtype=np.float32)
            every, *beside = self._pieces
            compiled.cells.box_mean(
                np.ascontiguousarray(values), every if rows is None else rows, *beside,
                LEAST_OF_NINE, of_unknown, mean_m)
            return mean_m
        if compiled.watch is not None and values.dtype == np.float64:
            # Few cells around a group, on a lattice of their own that is soon done with.
            mean_of_few_m = np.empty(len(values))
            compiled.watch.box_mean(
                np.ascontiguousarray(values), *self.places, LEAST_OF_NINE, of_unknown,
                mean_of_few_m)
            return mean_of_few_m
        # Sum and number of what is known as the two parts of complex numbers: one pass for both.
        east, north, south = self._beside
        pair = np.zeros(len(values) + 1, np.result_type(values.dtype, np.complex64))
        known = np.isfinite(values)
        pair.real[:-1] = without_nan(values)
        pair.imag[:-1] = known
        own = pair[:-1]
        # Cells are in the order of the lattice, so the next in a row is the next of all.
        along = own.copy()
        along[:-1] += own[1:] * east
        along[1:] += own[:-1] * east
        pair[:-1] = along
        along += pair.take(north)
        along += pair.take(south)
        count = along.imag
        out: NDArray[Any] = along.real / np.maximum(count, np.float32(1.0))
        out[np.flatnonzero(count < LEAST_OF_NINE)] = np.nan
        if not of_unknown:
            out[np.flatnonzero(~known)] = np.nan
        return out

    def slopes(self, height_m: NDArray[np.floating]) -> NDArray[Any]:
        """Return slopes along x and y, shape (2, n) [m/m]; zero where not known."""
        if compiled.watch is not None and height_m.dtype == np.float32:
            slope = np.empty((2, len(height_m)), dtype=np.float32)
            compiled.watch.slopes(
                np.ascontiguousarray(height_m), *self.places, 2.0 * REACH * self.lattice.cell_m,
                slope)
            return slope
        rows, cols = self.lattice.shape
        laid = np.full((rows + 2 * REACH, cols + 2 * REACH), np.nan, dtype=height_m.dtype)
        inner, far = slice(REACH, -REACH), slice(2 * REACH, None)
        flat = np.full(rows * cols, np.nan, dtype=height_m.dtype)
        flat[self.flat_index] = height_m
        laid[inner, inner] = flat.reshape(rows, cols)
        near = slice(None, -2 * REACH)
        out = np.empty((2, len(self.flat_index)), dtype=height_m.dtype)
        for row, (ahead, behind) in enumerate((
                (laid[inner, far], laid[inner, near]), (laid[far, inner], laid[near, inner]))):
            out[row] = (ahead - behind).ravel()[self.flat_index]
        out /= 2.0 * REACH * self.lattice.cell_m
        out[:, np.flatnonzero(~np.isfinite(out[0] + out[1]))] = 0.0
        return out

    def around(
        self, cells: NDArray[np.intp], steps: int
    ) -> tuple[NDArray[np.intp], Canvas]:
        """
        Cut out a rectangle around some cells.

        Parameters
        ----------
        cells : array
            The cells, shape (k,).
        steps : int
            How far it reaches beyond them.

        Returns
        -------
        array
            All cells in the rectangle, shape (m,).
        Canvas
            The same cells on a lattice of their own.

        """
        row, col = np.divmod(self.flat_index[cells], self.lattice.cols)
        low = max(0, int(row.min()) - steps), max(0, int(col.min()) - steps)
        high = (min(self.lattice.rows, int(row.max()) + steps + 1),
                min(self.lattice.cols, int(col.max()) + steps + 1))
        cut = self._place[REACH + low[0]:REACH + high[0], REACH + low[1]:REACH + high[1]].ravel()
        flat = np.flatnonzero(cut < len(self.flat_index))
        cell_m = self.lattice.cell_m
        lattice = Lattice(
            self.lattice.x0_m + low[1] * cell_m, self.lattice.y0_m + low[0] * cell_m, cell_m,
            high[0] - low[0], high[1] - low[1])
        return cut[flat], Canvas(lattice, flat)

    def in_core(
        self, cells: NDArray[np.intp], mask: NDArray[np.bool_]
    ) -> NDArray[np.bool_]:
        """
        Tell of a few cells whether an opening of a mask keeps them.

        Parameters
        ----------
        cells : array
            The cells, shape (k,).
        mask : array
            Mask of all cells, shape (n,).

        Returns
        -------
        array
            Shape (k,): whether a cross of five cells of the mask covers the cell.

        """
        padded, width = np.append(mask, False), self._place.shape[1]
        place = self._place.ravel()
        row, col = np.divmod(self.flat_index[cells], self.lattice.cols)
        middle = (row + REACH) * width + col + REACH
        cross = ((0, 0), (0, 1), (0, -1), (1, 0), (-1, 0))
        # Two steps of a cross lead to the same thirteen places, each looked up once.
        steps = {(a[0] + b[0], a[1] + b[1]) for a in cross for b in cross}
        there = {step: padded.take(place.take(middle + step[0] * width + step[1]))
                 for step in steps}
        out = np.zeros(len(cells), dtype=bool)
        for down, right in cross:
            whole = there[down, right].copy()
            for step in cross[1:]:
                whole &= there[down + step[0], right + step[1]]
            out |= whole
        return out


def pieces_among(cells: NDArray[np.intp]) -> NDArray[np.int32]:
    """Return cells of many in pieces without gaps: first of all, first, how many, (k, 3)."""
    start = np.flatnonzero(np.append(True, np.diff(cells) != 1)[:len(cells)])
    count = np.diff(np.append(start, len(cells)))
    return np.ascontiguousarray(np.column_stack([cells[start], start, count]), dtype=np.int32)


def shown_among(
    pieces: NDArray[np.int32], shown: NDArray[np.int32] | None
) -> NDArray[np.int32] | None:
    """
    Return the pieces of rows that a look may show among some, as they are.

    Parameters
    ----------
    pieces : array
        As ``pieces_among`` gives them, shape (k, 3).
    shown : array or None
        As ``shown_pieces`` gives them, shape (j, 3).

    Returns
    -------
    array or None
        Shape (i, 3); None where it is not known what is shown.

    """
    if compiled.watch is None or shown is None:
        return None
    common = compiled.watch.common(pieces, shown)
    return np.frombuffer(common, dtype=np.int32).reshape(-1, 3)


def _in_pieces(beside: NDArray[np.intp], row: NDArray[np.intp]) -> NDArray[np.int32]:
    """
    Return cells of a row that lie beside cells of another: first of either, how many, (k, 3).

    Parameters
    ----------
    beside : array
        The cell beside each of n, n where there is none, shape (n,).
    row : array
        Which row each is in, shape (n,).

    """
    # None is no cell beside the last one.
    breaks = (np.diff(beside) != 1) | (np.diff(row) != 0) | (beside[1:] == len(beside))
    start = np.flatnonzero(np.append(True, breaks)[:len(beside)])
    count = np.diff(np.append(start, len(beside)))
    out = np.column_stack([start, beside[start], count])
    return np.ascontiguousarray(out[beside[start] < len(beside)], dtype=np.int32)
