# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Play a recorded bag to ledger and target on the time of the bag; ends with it.

    ros2 launch berm_ledger replay.launch.py bag:=day_1 site_file:=site.yaml books_file:=b.sqlite

Of the bag only the inputs are played: what a ledger published when it was recorded would be mixed
up with what this one says. ``berm-ledger replay`` gives the same books, faster and without ROS;
this is to look on.
"""

from pathlib import Path

from ament_index_python.packages import get_package_share_directory
from launch import LaunchDescription
from launch.actions import (
    DeclareLaunchArgument,
    ExecuteProcess,
    IncludeLaunchDescription,
    OpaqueFunction,
    Shutdown,
)
from launch.launch_description_sources import PythonLaunchDescriptionSource
from launch.substitutions import LaunchConfiguration
from rclpy.expand_topic_name import expand_topic_name

PASSED_ON = (
    ('site_file', None, 'Path of the site file (YAML).'),
    ('books_file', None, 'Path of the books (SQLite) to write.'),
    ('namespace', '', 'Namespace of both nodes.'),
    ('elevation_topic', 'elevation', 'Topic of the elevation grids in the bag.'),
    ('elevation_type', 'point_cloud', 'point_cloud or grid_map.'),
    ('layer', 'elevation', 'Layer of a grid map that holds the heights.'),
    ('pose_topic', 'pose', 'Topic of the pose in the bag.'),
    ('pose_type', 'pose_stamped', 'pose_stamped, pose_with_covariance or odometry.'),
    ('dump_topic', 'dump', 'Topic of the announced dumps in the bag.'),
    ('drum_current_topic', 'drum_current', 'Topic of the drum current in the bag.'),
)
INPUTS = ('elevation_topic', 'pose_topic', 'dump_topic', 'drum_current_topic')


def player(context):
    """Return the player of the bag, as the arguments say."""
    given = context.launch_configurations
    namespace = f'/{given["namespace"].strip("/")}'
    topics = [expand_topic_name(given[name], 'ledger', namespace) for name in INPUTS]
    return [ExecuteProcess(
        cmd=['ros2', 'bag', 'play', given['bag'], '--clock', '--rate', given['rate'],
             '--delay', given['delay'], '--topics', *topics],
        output='screen', on_exit=Shutdown(reason='the bag has ended'))]


def generate_launch_description():
    """Return the description that ``ros2 launch`` runs."""
    share = Path(get_package_share_directory('berm_ledger'))
    return LaunchDescription([
        DeclareLaunchArgument('bag', description='Path of the bag (rosbag2).'),
        DeclareLaunchArgument(
            'rate', default_value='1.0', description='How many times faster than recorded.'),
        DeclareLaunchArgument(
            'delay', default_value='3.0',
            description='Time for the nodes to come up before the bag is played [s].'),
        *(DeclareLaunchArgument(name, default_value=default, description=description)
          for name, default, description in PASSED_ON),
        IncludeLaunchDescription(
            PythonLaunchDescriptionSource(str(share / 'launch' / 'ledger.launch.py')),
            launch_arguments={
                'use_sim_time': 'true',
                **{name: LaunchConfiguration(name) for name, _, _ in PASSED_ON}}.items()),
        OpaqueFunction(function=player),
    ])
