# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The design: a site file as values, the design surface, segments and quantities."""

from .corridor import Corridor, corridor_of_site
from .segments import Segment, segment_of_station, segments_of_berm, segments_of_site
from .site import Berm, BorrowArea, Material, NamedArea, Plane, Rover, Site, Yard
from .surface import design_height_m, design_height_of_site_m, half_width_m, height_at_distance_m

__all__ = [
    'Berm',
    'BorrowArea',
    'Corridor',
    'Material',
    'NamedArea',
    'Plane',
    'Rover',
    'Segment',
    'Site',
    'Yard',
    'corridor_of_site',
    'design_height_m',
    'design_height_of_site_m',
    'half_width_m',
    'height_at_distance_m',
    'segment_of_station',
    'segments_of_berm',
    'segments_of_site',
]
