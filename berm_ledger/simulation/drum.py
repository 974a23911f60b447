# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The drum of a rover that digs in lanes: what it holds, what sticks to it, the current it draws.

What the drum takes is what it dumps later, less what sticks to it: the cut, times the swell, is
what fell plus what is in the drum.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .options import BorrowOptions
from ..design import Rover

# Time between two readings of the current [ns].
CURRENT_NS = 1_000_000_000
# Sand, where the site file says nothing; common practice, no source.
USUAL_A_PER_KG = 3.5 / 8.0


@dataclass(frozen=True, eq=False)
class Load:
    """
    What is in the drum.

    Parameters
    ----------
    draw : array
        Chance of this load, shape (5,): mass, density, drop point (2), scale; standard normal.
    mass_kg : float
        Mass in the drum [kg].
    density_kg_m3 : float
        Its loose density [kg/m3].

    """

    draw: NDArray[np.float64]
    mass_kg: float
    density_kg_m3: float

    @property
    def volume_m3(self) -> float:
        """Loose volume [m3]."""
        return self.mass_kg / self.density_kg_m3


class Drum:
    """
    The drum, empty to begin with.

    Parameters
    ----------
    options : BorrowOptions
        How the rover digs, and what it tells of its drum.
    rover : Rover
        The rover of the site.
    stuck_share : float
        Share of a load that stays in the drum.
    rng : numpy.random.Generator
        Chance of the current.

    """

    def __init__(
        self, options: BorrowOptions, rover: Rover, stuck_share: float, rng: np.random.Generator
    ) -> None:
        """Start with nothing dug."""
        self.options = options
        empty_a, full_a = rover.drum_current_a or (0.0, USUAL_A_PER_KG * rover.payload_kg)
        self._empty_a = empty_a if options.empty_a is None else options.empty_a
        self._a_per_kg = ((full_a - empty_a) / rover.payload_kg if options.a_per_kg is None
                          else options.a_per_kg)
        self.load: Load | None = None
        self.digs: list[dict[str, Any]] = []
        self._share, self._rng = stuck_share, rng
        self._stuck_kg = self._stuck_m3 = 0.0
        self._due_ns = 0

    def current_a(self, elapsed_ns: int) -> float | None:
        """Return the current [A] where a load is carried and a reading is due, else None."""
        if self.load is None or elapsed_ns < self._due_ns:
            return None
        self._due_ns = elapsed_ns + CURRENT_NS
        return float(self._empty_a + self._a_per_kg * self.load.mass_kg
                     + self.options.noise_a * self._rng.standard_normal())

    def fill(self, load: Load) -> tuple[float, float]:
        """Take a load; return the mass [kg] and loose volume [m3] that are new in the drum."""
        self.load = load
        return (max(0.0, load.mass_kg - self._stuck_kg),
                max(0.0, load.volume_m3 - self._stuck_m3))

    def empty(self) -> Load | None:
        """Return the load that is dumped, None where there is none; what sticks stays."""
        load, self.load = self.load, None
        if load is not None:
            self._stuck_kg = self._share * load.mass_kg
            self._stuck_m3 = self._share * load.volume_m3
        return load

    @property
    def carried_m3(self) -> float:
        """Loose volume in the drum [m3]."""
        return self._stuck_m3 if self.load is None else self.load.volume_m3
