# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Sites with borrow areas, built by hand."""

from __future__ import annotations

from collections.abc import Sequence
import math

from berm_ledger.design import Berm, BorrowArea, Material, Rover, Site, Yard
from berm_ledger.geometry import Polygon, Polyline

PIT = ((-3.0, -1.0), (-1.56, -1.0), (-1.56, 1.0), (-3.0, 1.0))


def a_site(
    corners: Sequence[Sequence[float]] = PIT, *, max_cut_m: float | None = 0.10,
    clearance_m: float = 0.05, **changes: object,
) -> Site:
    """Return a site with a straight berm in the east and one borrow area."""
    berm = Berm(
        name='east', centreline=Polyline([[1.5, -0.8], [1.5, 0.8]]), crest_height_m=0.16,
        crest_level_m=None, crest_width_m=0.0, side_slope_rad=math.radians(32.0),
        segment_length_m=0.4, height_tolerance_m=0.025, line_tolerance_m=0.06)
    rover = Rover(
        footprint=Polygon([[-0.45, -0.3], [0.35, -0.3], [0.35, 0.3], [-0.45, 0.3]]),
        drop_point_xy=(0.75, 0.0), drum_width_m=0.36, payload_kg=6.0, turning_radius_m=0.8,
        run_up_m=0.5, clearance_m=clearance_m)
    yard = Yard(Polygon([[-4.5, -4.5], [4.5, -4.5], [4.5, 4.5], [-4.5, 4.5]]),
                borrow_areas=(BorrowArea('pit', Polygon(corners), max_cut_m),))
    values: dict[str, object] = {
        'frame': 'map', 'berms': (berm,), 'datum_plane': None,
        'material': Material(1500.0, math.radians(33.0)), 'rover': rover, 'yard': yard, **changes}
    return Site(**values)  # type: ignore[arg-type]
