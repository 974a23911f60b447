# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Messages to values and back, duck-typed: the same code for live nodes and for replay.

``*_from_*`` reads a message and raises ``MessageError`` when it is not what it claims to be;
``fill_*`` writes into a message that is handed in. Nothing here needs rclpy or a message package.
"""

from .common import fill_header, message_types, MessageTypes, stamp_ns_from, SUB_MESSAGES
from .grid_maps import fill_grid_map, grid_from_grid_map
from .grids import fill_point_cloud, grid_from_point_cloud
from .poses import fill_path, fill_pose, mass_from_msg, pose_from_msg, poses_from_path

__all__ = [
    'MessageTypes',
    'SUB_MESSAGES',
    'fill_grid_map',
    'fill_header',
    'fill_path',
    'fill_point_cloud',
    'fill_pose',
    'grid_from_grid_map',
    'grid_from_point_cloud',
    'mass_from_msg',
    'message_types',
    'pose_from_msg',
    'poses_from_path',
    'stamp_ns_from',
]
