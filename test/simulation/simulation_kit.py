# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Small sites built by hand for the tests of the simulated yard."""

from __future__ import annotations

import math

from berm_ledger.design import Berm, BorrowArea, Material, Plane, Rover, Site, Yard
from berm_ledger.geometry import Polygon, Polyline


def a_berm(centreline: Polyline, **changes: object) -> Berm:
    """Return a berm of sand on a line."""
    values: dict[str, object] = {
        'name': 'b1', 'centreline': centreline, 'crest_height_m': 0.16, 'crest_level_m': None,
        'crest_width_m': 0.0, 'side_slope_rad': math.radians(33.0), 'segment_length_m': 0.4,
        'height_tolerance_m': 0.02, 'line_tolerance_m': 0.06, **changes}
    return Berm(**values)  # type: ignore[arg-type]


def a_site(*berms: Berm, plane: Plane | None = None, half_m: float = 3.0) -> Site:
    """Return a square site with a borrow area in its lower left corner."""
    low, high = -half_m, half_m
    rover = Rover(
        footprint=Polygon([[-0.35, -0.3], [0.45, -0.3], [0.45, 0.3], [-0.35, 0.3]]),
        drop_point_xy=(0.75, 0.0), drum_width_m=0.36, payload_kg=7.5, turning_radius_m=1.0,
        run_up_m=0.5, clearance_m=0.05)
    borrow = Polygon([[low + 0.4, low + 0.4], [low + 1.6, low + 0.4], [low + 1.6, low + 1.4],
                      [low + 0.4, low + 1.4]])
    yard = Yard(
        Polygon([[low, low], [high, low], [high, high], [low, high]]),
        borrow_areas=(BorrowArea('pit', borrow, None),))
    return Site('map', berms, plane, Material(1500.0, math.radians(33.0)), rover, yard)


def straight(length_m: float = 2.4, height_m: float = 0.16, **changes: object) -> Site:
    """Return a site with one straight berm a little off the axes."""
    line = Polyline([[-length_m / 2.0, 0.31], [length_m / 2.0, 0.47]])
    return a_site(a_berm(line, crest_height_m=height_m, **changes))
