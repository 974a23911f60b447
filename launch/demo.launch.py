# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Start ledger and target with a simulated yard; ends by itself.

    ros2 launch berm_ledger demo.launch.py seed:=1
"""

from pathlib import Path
import tempfile

from ament_index_python.packages import get_package_share_directory
from launch import LaunchDescription
from launch.actions import (
    DeclareLaunchArgument,
    IncludeLaunchDescription,
    LogInfo,
    OpaqueFunction,
    Shutdown,
)
from launch.launch_description_sources import PythonLaunchDescriptionSource
from launch.substitutions import LaunchConfiguration
from launch_ros.actions import Node
from launch_ros.parameter_descriptions import ParameterValue

# The robot digs and drives for longer than the usual limit without a look, in simulated time.
BOOKS_TIMEOUT_S = '300.0'


def demo_nodes(context, share):
    """Return the nodes, with new books: those of an earlier demo are not gone on with."""
    site_file = LaunchConfiguration('site_file').perform(context)
    namespace = LaunchConfiguration('namespace').perform(context)
    out = LaunchConfiguration('out').perform(context) or tempfile.mkdtemp(prefix='berm_demo_')
    Path(out).mkdir(parents=True, exist_ok=True)
    books_file = str(Path(out) / 'books.sqlite')
    return [
        LogInfo(msg=f'books of the demo: {books_file}'),
        IncludeLaunchDescription(
            PythonLaunchDescriptionSource(str(share / 'launch' / 'ledger.launch.py')),
            launch_arguments={
                'site_file': site_file, 'books_file': books_file, 'namespace': namespace,
                'books_timeout_s': BOOKS_TIMEOUT_S}.items()),
        Node(
            package='berm_ledger', executable='yard_node', name='yard', namespace=namespace,
            output='screen',
            parameters=[{
                'site_file': ParameterValue(site_file, value_type=str),
                'seed': ParameterValue(LaunchConfiguration('seed'), value_type=int)}],
            on_exit=Shutdown(reason='the work in the yard has ended')),
    ]


def generate_launch_description():
    """Return the description that ``ros2 launch`` runs."""
    share = Path(get_package_share_directory('berm_ledger'))
    return LaunchDescription([
        DeclareLaunchArgument(
            'site_file', default_value=str(share / 'config' / 'demo_site.yaml'),
            description='Path of the site file (YAML).'),
        DeclareLaunchArgument(
            'seed', default_value='1',
            description='Seed of the simulated yard; the same seed gives the same books.'),
        DeclareLaunchArgument(
            'out', default_value='',
            description='New folder for the books. Empty: a temporary one, named in the log.'),
        DeclareLaunchArgument(
            'namespace', default_value='', description='Namespace of all nodes.'),
        OpaqueFunction(function=demo_nodes, args=[share]),
    ])
