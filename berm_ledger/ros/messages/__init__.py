# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Messages to values and back, duck-typed: the same code for live nodes and for replay.

``*_from_*`` reads a message and raises ``MessageError`` when it is not what it claims to be;
``fill_*`` writes into a message that is handed in. Nothing here needs rclpy or a message package.
"""

from .common import fill_header, message_types, MessageTypes, stamp_ns_from, SUB_MESSAGES
from .crests import fill_crest_cloud, profiles_from_crest_cloud
from .diagnostics import (
    blind_text_from_rework,
    fill_diagnostics,
    fill_rework,
    fill_status,
    fill_target_status,
    flagged_from_rework,
    hold_from_rework,
    Status,
    status_from,
)
from .grid_maps import fill_grid_map, grid_from_grid_map
from .grids import fill_point_cloud, grid_from_point_cloud
from .markers import fill_markers, fill_no_markers
from .occupancy import blocked_from_occupancy_grid, fill_occupancy_grid
from .poses import (
    current_from_msg,
    fill_no_pose,
    fill_path,
    fill_pose,
    mass_from_msg,
    pose_from_msg,
    poses_from_path,
)
from .tables import fill_segments_cloud, rows_from_segments_cloud

__all__ = [
    'MessageTypes',
    'SUB_MESSAGES',
    'Status',
    'blind_text_from_rework',
    'blocked_from_occupancy_grid',
    'current_from_msg',
    'fill_crest_cloud',
    'fill_diagnostics',
    'fill_grid_map',
    'fill_header',
    'fill_markers',
    'fill_no_markers',
    'fill_no_pose',
    'fill_occupancy_grid',
    'fill_path',
    'fill_point_cloud',
    'fill_pose',
    'fill_rework',
    'fill_segments_cloud',
    'fill_status',
    'fill_target_status',
    'flagged_from_rework',
    'grid_from_grid_map',
    'grid_from_point_cloud',
    'hold_from_rework',
    'mass_from_msg',
    'message_types',
    'pose_from_msg',
    'poses_from_path',
    'profiles_from_crest_cloud',
    'rows_from_segments_cloud',
    'stamp_ns_from',
    'status_from',
]
