# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The design: a site file as values, the design surface, segments and quantities."""

from .segments import Segment, segment_of_station, segments_of_berm, segments_of_site
from .site import Berm, BorrowArea, Material, NamedArea, Plane, Rover, Site, Yard

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
    'segment_of_station',
    'segments_of_berm',
    'segments_of_site',
]
