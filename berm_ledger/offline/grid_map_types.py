# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The field lists of grid_map_msgs (ROS 2), for bags that carry no type definitions.

Written from the published field list; field order and types are what the wire format fixes.
"""

GRID_MAP_TYPES = {
    'grid_map_msgs/msg/GridMapInfo': """
float64 resolution
float64 length_x
float64 length_y
geometry_msgs/Pose pose
""",
    'grid_map_msgs/msg/GridMap': """
std_msgs/Header header
grid_map_msgs/GridMapInfo info
string[] layers
string[] basic_layers
std_msgs/Float32MultiArray[] data
uint16 outer_start_index
uint16 inner_start_index
""",
}
