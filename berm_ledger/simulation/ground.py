# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Natural ground: a gentle slope with relief of decimetre to metre wavelengths."""

from __future__ import annotations

from dataclasses import dataclass
import math

import numpy as np
from numpy.typing import NDArray

from ..geometry import Lattice

# Waves that the relief is made of; their amplitude grows with this power of their length.
MODES = 80
ROUGHNESS_POWER = 0.7
# A slope that began at the origin would lift a yard in national coordinates by kilometres [m].
SQUARE_M = 100.0


@dataclass(frozen=True)
class Relief:
    """
    How uneven the natural ground is.

    Parameters
    ----------
    rms_m : float
        Standard deviation of the relief over the yard [m]; 0 is a plane.
    shortest_m, longest_m : float
        Range of its wavelengths [m].
    slope : float
        Steepness of the mean plane [m/m], in a direction that chance picks.
    level_m : float
        Height of the mean plane [m] at the origin, or for a yard far off at the nearest point
        whose coordinates are whole multiples of 100 m.

    """

    rms_m: float = 0.02
    shortest_m: float = 0.3
    longest_m: float = 3.0
    slope: float = 0.02
    level_m: float = 0.0


def natural_ground(
    lattice: Lattice, relief: Relief, rng: np.random.Generator
) -> NDArray[np.float64]:
    """
    Return natural ground on a lattice: random waves on a tilted plane.

    Parameters
    ----------
    lattice : Lattice
        Where.
    relief : Relief
        How uneven.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    array
        Shape of the lattice [m].

    """
    length = np.exp(rng.uniform(math.log(relief.shortest_m), math.log(relief.longest_m), MODES))
    heading = rng.uniform(0.0, 2.0 * math.pi, MODES)
    phase = rng.uniform(0.0, 2.0 * math.pi, MODES)
    amplitude = length ** ROUGHNESS_POWER
    amplitude *= relief.rms_m / math.sqrt(float(np.sum(amplitude ** 2)) / 2.0)
    x = lattice.x0_m + lattice.cell_m * np.arange(lattice.cols)
    y = lattice.y0_m + lattice.cell_m * np.arange(lattice.rows)
    along_x = np.outer(2.0 * math.pi / length * np.cos(heading), x) + phase[:, None]
    along_y = np.outer(y, 2.0 * math.pi / length * np.sin(heading))
    # cos(a + b) as two matrix products, which is quick
    waves = ((np.cos(along_y) * amplitude) @ np.cos(along_x)
             - (np.sin(along_y) * amplitude) @ np.sin(along_x))
    tilt = rng.uniform(0.0, 2.0 * math.pi)
    east, north = (axis - SQUARE_M * round(float(axis.mean()) / SQUARE_M) for axis in (x, y))
    plane = relief.slope * (math.cos(tilt) * east[None, :] + math.sin(tilt) * north[:, None])
    out: NDArray[np.float64] = waves + plane + relief.level_m
    return out
