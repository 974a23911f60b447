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
from .surface import footprint_half_width_m
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
        corridor = corridor_of_site(part, design_lattice(part), site.cell_m)
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


def design_lattice(site: Site, margin_m: float = 0.0) -> Lattice:
    """
    Return a lattice of the site's cells around the design footprints of all berms.

    Parameters
    ----------
    site : Site
        The site. A level crest on a surveyed datum, whose toe is not known, reaches no further
        than its crest.
    margin_m : float
        Kept free around the footprints [m].

    Returns
    -------
    Lattice
        Cells of ``site.cell_m``.

    """
    corners = []
    for berm in site.berms:
        reach = footprint_half_width_m(berm, site.datum_plane)
        reach = berm.crest_width_m / 2 if math.isnan(reach) else reach
        points = berm.centreline.points_xy
        corners += [points.min(axis=0) - reach, points.max(axis=0) + reach]
    return Lattice.covering(corners, site.cell_m, margin_m + 2 * site.cell_m)


def closed_form_volume_m3(
    length_m: float, height_m: float, side_slope_rad: float, crest_width_m: float = 0.0,
    *, closed: bool = False,
) -> float:
    """
    Return the volume of a berm on level ground along a straight line or an arc.

    With section area A = H w + H^2 / t, t = tan(s), and round ends, two halves of a truncated
    cone: a cylinder of radius w / 2 and a skirt h(u) = H - t u around it, which is the integral
    of 2 pi (w / 2 + u) h(u) from 0 to H / t::

        V = L A + pi w^2 H / 4 + pi w H^2 / (2 t) + pi H^3 / (3 t^2)

    For an arc L is radius times sweep (Pappus: the centroid of the section lies over the
    centreline), as long as the toe stays outside the centre of the arc. A ring has no ends.

    Parameters
    ----------
    length_m : float
        Length of the centreline [m].
    height_m : float
        Height of the crest above the ground [m].
    side_slope_rad : float
        Slope of both sides [rad].
    crest_width_m : float
        Width of the flat top [m].
    closed : bool
        Whether the line is a ring.

    Returns
    -------
    float
        Volume [m3].

    Examples
    --------
    A berm of 75 cm length and 15 cm height at 34 degrees and 1500 kg/m3:

    >>> round(closed_form_volume_m3(0.75, 0.15, math.radians(34)) * 1500, 1)
    49.2

    """
    t, w, h = math.tan(side_slope_rad), crest_width_m, height_m
    body = length_m * (h * w + h * h / t)
    if closed:
        return body
    return body + math.pi * (w * w * h / 4 + w * h * h / (2 * t) + h ** 3 / (3 * t * t))
