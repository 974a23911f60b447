# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Changes that no dump explains: soil lost, soil slid, soil added.

The surface is compared, cell by cell, with the surface as it was accepted. A difference counts
when it is beyond the level of detection (95 %), when neighbours agree, when the whole is big
enough and when it has lasted several looks. Soil added is never accepted by itself, so what came
without a dump and leaves again is no loss.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

# Looks in a row that a cell must differ; the surface itself has needed agreeing looks before.
LOSS_LOOKS = 2
FILL_LOOKS = 6
# Smallest difference and smallest coherent change that count [m, m2, m3].
LEAST_CHANGE_M = 0.006
LEAST_AREA_M2 = 0.0030
LEAST_VOLUME_M3 = 0.00007
# Cells around a change that belong to it although each alone is below detection.
FRINGE = 3
# A loss of which this part lies close by again has slid, not gone.
SLID_SHARE = 0.6


@dataclass(frozen=True, eq=False)
class Change:
    """
    One coherent change.

    Parameters
    ----------
    kind : str
        ``disturbed``, ``slump`` or ``unbooked_fill``.
    cells : array
        Surveyed cells that belong to it.
    lost_m3, gained_m3 : float
        Sums of what went and what came, both positive [m3].
    first_seen_ns : int
        When it was first seen [ns].
    window_from_ns : int
        When the place was last seen unchanged [ns].

    """

    kind: str
    cells: NDArray[np.intp]
    lost_m3: float
    gained_m3: float
    first_seen_ns: int
    window_from_ns: int

    @property
    def volume_m3(self) -> float:
        """Volume that the kind is about: net loss, soil that slid, or net gain [m3]."""
        if self.kind == 'slump':
            return self.lost_m3
        return abs(self.lost_m3 - self.gained_m3)


class DisturbanceWatch:
    """
    Compares the surface with the accepted one, look by look.

    Parameters
    ----------
    count : int
        Number of surveyed cells.
    cell_m : float
        Their edge [m].
    on_lattice : callable
        Spreads a boolean array (n,) over the lattice, False elsewhere.
    flat_index : array
        Place of each cell in the flattened lattice, shape (n,).

    """

    def __init__(
        self, count: int, cell_m: float,
        on_lattice: Callable[[NDArray[np.bool_]], NDArray[np.bool_]],
        flat_index: NDArray[np.intp],
    ) -> None:
        """Start with nothing accepted."""
        self.accepted_m = np.full(count, np.nan, dtype=np.float32)
        self.accepted_looks = np.ones(count, dtype=np.float32)
        self.same_ns = np.zeros(count, dtype=np.int64)
        self.since_ns = np.zeros(count, dtype=np.int64)
        self._run = np.zeros(count, dtype=np.uint8)
        self._booked_fill = np.zeros(count, dtype=bool)
        self._area_m2 = cell_m * cell_m
        self._on_lattice = on_lattice
        self._flat_index = flat_index

    def accept(
        self, cells: NDArray[np.intp] | NDArray[np.bool_], height_m: NDArray[np.float32],
        looks: NDArray[np.float32], stamp_ns: int,
    ) -> None:
        """Accept the surface at some cells as it stands: explained, or booked."""
        self.accepted_m[cells] = height_m[cells]
        self.accepted_looks[cells] = np.maximum(looks[cells], 1.0)
        self.same_ns[cells] = stamp_ns
        self._run[cells] = 0
        self._booked_fill[cells] = False

    def look(
        self, height_m: NDArray[np.float32], looks: NDArray[np.float32],
        seen: NDArray[np.bool_], open_cells: NDArray[np.bool_], noise_m: float,
        shift_error_m: float, stamp_ns: int,
    ) -> list[Change]:
        """
        Take one look into account.

        Parameters
        ----------
        height_m, looks : array
            Surface and what it is worth, shape (n,).
        seen : array
            Cells just seen, shape (n,).
        open_cells : array
            Cells where a dump is still to be measured, shape (n,): nothing is judged there.
        noise_m : float
            Noise of one look at one cell [m].
        shift_error_m : float
            What is unknown of the map's shift, as a height [m].
        stamp_ns : int
            Time of the look [ns].

        Returns
        -------
        list of Change
            Changes that have just been confirmed; soil that went or slid is accepted with it.

        """
        new = seen & ~np.isfinite(self.accepted_m) & (looks >= LOSS_LOOKS)
        self.accept(new & ~open_cells, height_m, looks, stamp_ns)
        difference = height_m - self.accepted_m
        # Level of detection, Brasington et al. 2003, Lane et al. 2003: 1.96 times the propagated
        # error of both surfaces.
        with np.errstate(divide='ignore', invalid='ignore'):
            variance = noise_m**2 * (1.0 / looks + 1.0 / self.accepted_looks) + shift_error_m**2
            beyond = np.abs(difference) > np.maximum(LEAST_CHANGE_M, 1.96 * np.sqrt(variance))
        beyond &= ~open_cells
        fresh = seen & beyond & (self._run == 0)
        self.since_ns[fresh] = stamp_ns
        self._run[seen & beyond] = np.minimum(self._run[seen & beyond], 254) + 1
        gone = seen & ~beyond
        self._run[gone] = 0
        self.same_ns[gone] = stamp_ns
        self._booked_fill[gone] = False
        if np.count_nonzero(self._run >= LOSS_LOOKS) * self._area_m2 < LEAST_AREA_M2:
            return []
        return self._confirmed(difference, open_cells, height_m, looks, stamp_ns)

    def _confirmed(
        self, difference_m: NDArray[np.float32], open_cells: NDArray[np.bool_],
        height_m: NDArray[np.float32], looks: NDArray[np.float32], stamp_ns: int,
    ) -> list[Change]:
        """Return the clusters that are coherent, big and old enough."""
        lasting = (self._run >= LOSS_LOOKS) & ~self._booked_fill
        core = ndimage.binary_opening(self._on_lattice(lasting))
        grown = ndimage.binary_dilation(core, iterations=FRINGE)
        labels, count = ndimage.label(grown)
        of_cell = labels.ravel()[self._flat_index]
        core_cell = core.ravel()[self._flat_index]
        out = []
        for label in range(1, count + 1):
            cells = np.flatnonzero((of_cell == label) & np.isfinite(difference_m) & ~open_cells)
            change = self._judged(cells, difference_m[cells].astype(float), core_cell[cells])
            if change is None:
                continue
            if change.kind == 'unbooked_fill':
                self._booked_fill[cells] = True
            else:
                self.accept(cells, height_m, looks, stamp_ns)
            out.append(change)
        return out

    def _judged(
        self, cells: NDArray[np.intp], difference_m: NDArray[np.float64],
        core: NDArray[np.bool_],
    ) -> Change | None:
        """Say what a cluster is, or None while it is too small or too young."""
        if np.count_nonzero(core) * self._area_m2 < LEAST_AREA_M2:
            return None
        lost = -float(difference_m[difference_m < 0.0].sum()) * self._area_m2
        gained = float(difference_m[difference_m > 0.0].sum()) * self._area_m2
        if max(lost, gained) < LEAST_VOLUME_M3:
            return None
        kind = 'disturbed' if lost > gained else 'unbooked_fill'
        if lost >= LEAST_VOLUME_M3 and SLID_SHARE * lost <= gained <= lost / SLID_SHARE:
            kind = 'slump'
        if kind == 'unbooked_fill' and np.median(self._run[cells[core]]) < FILL_LOOKS:
            return None
        return Change(kind, cells, lost, gained, int(self.since_ns[cells[core]].max()),
                      int(self.same_ns[cells[core]].min()))
