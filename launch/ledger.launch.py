# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Start the nodes ledger and target for one rover.

    ros2 launch berm_ledger ledger.launch.py site_file:=site.yaml pose_topic:=/odometry/filtered
"""

import os

from berm_ledger.ros.memory import large_pages
from launch import LaunchDescription
from launch.actions import DeclareLaunchArgument
from launch.substitutions import LaunchConfiguration
from launch_ros.actions import Node
from launch_ros.parameter_descriptions import ParameterValue

ARGUMENTS = (
    ('site_file', None, 'Path of the site file (YAML).'),
    ('books_file', '', 'Path of the books (SQLite); empty: in a folder of ~/.ros/berm_ledger.'),
    ('namespace', '', 'Namespace of both nodes; one for each rover.'),
    ('elevation_topic', 'elevation', 'Topic of the elevation grids.'),
    ('elevation_type', 'point_cloud', 'point_cloud or grid_map.'),
    ('layer', 'elevation', 'Layer of a grid map that holds the heights.'),
    ('pose_topic', 'pose', 'Topic of the pose of base_link in the frame of the site.'),
    ('pose_type', 'pose_stamped', 'pose_stamped, pose_with_covariance or odometry.'),
    ('dump_topic', 'dump', 'Topic on which a dump is announced (std_msgs/Float32, kg).'),
    ('drum_current_topic', 'drum_current', 'Topic of the drum current (std_msgs/Float32, A).'),
    ('pose_timeout_s', '2.0', 'No target is given when the last pose is older than this [s].'),
    ('books_timeout_s', '10.0', 'No target is given when the books are older than this [s].'),
    ('autostart', 'true', 'Whether the nodes start by themselves; if not, a manager does.'),
    ('use_sim_time', 'false', 'Whether the clock is that of a simulation or a bag.'),
    ('log_level', 'info', 'Logging level of both nodes.'),
)


def typed(name, kind=str):
    """Return a launch argument as a parameter of a type; a path may look like a number."""
    return ParameterValue(LaunchConfiguration(name), value_type=kind)


def generate_launch_description():
    """Return the description that ``ros2 launch`` runs."""
    shared = {
        'site_file': typed('site_file'), 'pose_type': typed('pose_type'),
        'autostart': typed('autostart', bool), 'use_sim_time': typed('use_sim_time', bool)}
    common = {
        'package': 'berm_ledger', 'namespace': LaunchConfiguration('namespace'),
        'output': 'screen',
        'arguments': ['--ros-args', '--log-level', LaunchConfiguration('log_level')]}
    pose = ('pose', LaunchConfiguration('pose_topic'))
    dump = ('dump', LaunchConfiguration('dump_topic'))
    return LaunchDescription([
        *(DeclareLaunchArgument(name, default_value=default, description=description)
          for name, default, description in ARGUMENTS),
        Node(
            executable='ledger_node', name='ledger',
            parameters=[{
                **shared, 'books_file': typed('books_file'),
                'elevation_type': typed('elevation_type'), 'layer': typed('layer')}],
            remappings=[
                pose, dump, ('elevation', LaunchConfiguration('elevation_topic')),
                ('drum_current', LaunchConfiguration('drum_current_topic'))],
            # It is sent grids of many megabytes.
            additional_env=large_pages(os.environ), **common),
        Node(
            executable='target_node', name='target',
            parameters=[{
                **shared, 'pose_timeout_s': typed('pose_timeout_s', float),
                'books_timeout_s': typed('books_timeout_s', float)}],
            remappings=[pose, dump], **common),
    ])
