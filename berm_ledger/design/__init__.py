# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The design: a site file as values, the design surface, segments and quantities."""

from .corridor import Corridor, corridor_of_site, design_height_in_cells_m
from .quantities import (
    closed_form_volume_m3,
    design_lattice,
    design_quantities,
    design_volumes_m3,
    Quantity,
    quantity_of_volume,
    total_quantity,
    whole_loads,
)
from .segments import (
    Segment,
    segment_count,
    segment_of_station,
    segments_of_berm,
    segments_of_site,
)
from .site import Berm, BorrowArea, Material, NamedArea, Plane, Rover, Site, Yard
from .surface import design_height_m, design_height_of_site_m, half_width_m, height_at_distance_m

__all__ = [
    'Berm',
    'BorrowArea',
    'Corridor',
    'Material',
    'NamedArea',
    'Plane',
    'Quantity',
    'Rover',
    'Segment',
    'Site',
    'Yard',
    'closed_form_volume_m3',
    'corridor_of_site',
    'design_height_in_cells_m',
    'design_height_m',
    'design_height_of_site_m',
    'design_lattice',
    'design_quantities',
    'design_volumes_m3',
    'half_width_m',
    'height_at_distance_m',
    'quantity_of_volume',
    'segment_count',
    'segment_of_station',
    'segments_of_berm',
    'segments_of_site',
    'total_quantity',
    'whole_loads',
]
