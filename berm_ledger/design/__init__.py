# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The design: a site file as values, the design surface, segments and quantities."""

from .corridor import corridor_of_site, design_height_in_cells_m
from .quantities import (
    design_quantities,
    quantity_of_volume,
    total_quantity,
)
from .segments import (
    Segment,
    segment_of_station,
    segments_of_berm,
    segments_of_site,
)
from .site import Berm, BorrowArea, Material, NamedArea, Plane, Rover, Site, Yard
from .surface import design_height_m, design_height_of_site_m, half_width_m, height_at_distance_m

__all__ = [
    'Berm',
    'BorrowArea',
    'Material',
    'NamedArea',
    'Plane',
    'Rover',
    'Segment',
    'Site',
    'Yard',
    'corridor_of_site',
    'design_height_in_cells_m',
    'design_height_m',
    'design_height_of_site_m',
    'design_quantities',
    'half_width_m',
    'height_at_distance_m',
    'quantity_of_volume',
    'segment_of_station',
    'segments_of_berm',
    'segments_of_site',
    'total_quantity',
]
