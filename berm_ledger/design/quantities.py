# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
How much soil a design takes: volume, mass and loads, per segment, per berm and in total.

Mass is volume times loose density. Loads are mass over payload; whole loads are the nearest whole
number, since another load is called for only where it brings the berm closer to its design.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
import math

import numpy as np
from numpy.typing import NDArray

from .corridor import Corridor, corridor_of_site, design_height_in_cells_m
from .segments import Segment, segments_of_site
from .site import Site
from .surface import known_half_width_m
from ..geometry import Lattice


@dataclass(frozen=True)
class Quantity:
    """
    An amount of loose soil.

    Parameters
    ----------
    volume_m3 : float
        Volume [m3]; NaN is unknown.
    mass_kg : float
        Mass [kg].
    loads : float
        Mass over payload.

    """

    volume_m3: float
    mass_kg: float
    loads: float

    @property
    def whole_loads(self) -> int | None:
        """Nearest whole number of loads, a half counting as one; None is unknown."""
        return None if math.isnan(self.loads) else whole_loads(self.loads)


def whole_loads(loads: float) -> int:
    """
    Return the nearest whole number of loads; a half is called for, it overshoots no more.

    Examples
    --------
    >>> whole_loads(6.15), whole_loads(6.5), whole_loads(0.4)
    (6, 7, 0)

    """
    return math.floor(loads + 0.5)


def quantity_of_volume(site: Site, volume_m3: float) -> Quantity:
    """Return mass and loads of a volume [m3] of loose soil."""
    mass = volume_m3 * site.material.loose_density_kg_m3
    return Quantity(volume_m3, mass, mass / site.rover.payload_kg)


def total_quantity(site: Site, parts: Iterable[Quantity]) -> Quantity:
    """Return the sum of amounts; unknown when any of them is."""
    return quantity_of_volume(site, math.fsum(part.volume_m3 for part in parts))


def design_quantities(site: Site) -> tuple[tuple[Segment, Quantity], ...]:
    """
    Return what each segment of the design takes, in the order of the site.

    Where berms overlap their soil is counted once, in the segment of the nearest centreline. The
    sum is taken on the site's lattice.

    Parameters
    ----------
    site : Site
        The site. Segments of a level crest are unknown (NaN) unless it gives a datum plane.

    Returns
    -------
    tuple
        Pairs of segment and amount.

    """
    known = [berm for berm in site.berms
             if berm.crest_level_m is None or site.datum_plane is not None]
    volume = {}
    if known:
        part = replace(site, berms=tuple(known))
        corridor = corridor_of_site(part, _lattice_of_design(part), site.cell_m)
        for segment, value in zip(corridor.segments, design_volumes_m3(part, corridor)):
            volume[segment.berm, segment.number] = float(value)
    return tuple(
        (segment, quantity_of_volume(site, volume.get((segment.berm, segment.number), math.nan)))
        for segment in segments_of_site(site))


def design_volumes_m3(
    site: Site, corridor: Corridor, datum_m: NDArray[np.float64] | None = None
) -> NDArray[np.float64]:
    """
    Return the design volume of each segment by summing over the cells of a corridor.

    Parameters
    ----------
    site : Site
        The site.
    corridor : Corridor
        Its corridor, with a margin of at least one cell.
    datum_m : array or None
        Elevation of the natural ground in the cells (n,) [m]; needed for level crests where the
        site gives no plane.

    Returns
    -------
    array
        Volume of each of ``corridor.segments`` [m3].

    """
    height = design_height_in_cells_m(site, corridor, datum_m)
    return corridor.total(height) * corridor.lattice.cell_area_m2


def _lattice_of_design(site: Site) -> Lattice:
    """Return a lattice of the site's cells around the design footprints of all berms."""
    corners = []
    for berm in site.berms:
        reach = known_half_width_m(berm, site.datum_plane)
        points = berm.centreline.points_xy
        corners += [points.min(axis=0) - reach, points.max(axis=0) + reach]
    return Lattice.covering(corners, site.cell_m, 2 * site.cell_m)
