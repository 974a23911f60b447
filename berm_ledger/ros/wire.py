# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What the nodes need of ROS besides a node: message classes and qualities of service."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
import importlib
from typing import Any

from geometry_msgs.msg import PoseStamped, PoseWithCovarianceStamped
from nav_msgs.msg import Odometry
from rclpy.qos import QoSDurabilityPolicy, QoSHistoryPolicy, QoSProfile, QoSReliabilityPolicy
from sensor_msgs.msg import PointCloud2

from .messages import message_types, MessageTypes
from ..errors import UsageError

try:
    from rclpy import event_handler
except ImportError:  # before ROS 2 Iron
    from rclpy import qos_event as event_handler

#: Where rclpy keeps the callbacks for events of publishers and subscriptions.
EVENTS: Any = event_handler

POSE_TYPES = {
    'pose_stamped': PoseStamped,
    'pose_with_covariance': PoseWithCovarianceStamped,
    'odometry': Odometry,
}
# Grids are large (12 MB for a million points) and only the newest count. Poses are small and come
# often; a dump takes its place from the last, so none should fall out while a grid is worked on.
ELEVATION_DEPTH = 2
POSE_DEPTH = 100
DUMP_DEPTH = 100
DRUM_CURRENT_DEPTH = 100


def message_class(name: str) -> Any:
    """Return the class of a message type such as ``nav_msgs/msg/Path``."""
    package, _, kind = name.split('/')
    return getattr(importlib.import_module(f'{package}.msg'), kind)


def wire_types() -> MessageTypes:
    """Return the makers of sub-messages for rclpy."""
    return message_types(message_class)


def elevation_class(elevation_type: str) -> Any:
    """
    Return the message class of the topic ``elevation``.

    Parameters
    ----------
    elevation_type : str
        ``point_cloud`` or ``grid_map``.

    Returns
    -------
    type
        Message class.

    Raises
    ------
    UsageError
        Grid maps asked for where their package is not installed.

    """
    if elevation_type == 'point_cloud':
        return PointCloud2
    try:
        return message_class('grid_map_msgs/msg/GridMap')
    except ImportError as exc:
        msg = (f'elevation_type is grid_map, but grid_map_msgs cannot be imported ({exc}): '
               f'install ros-DISTRO-grid-map-msgs, or publish point clouds and set '
               f'elevation_type to point_cloud')
        raise UsageError(msg) from exc


def sensor_qos(depth: int) -> QoSProfile:
    """Return the quality of sensor data: best effort, so that any publisher matches."""
    return QoSProfile(
        depth=depth, history=QoSHistoryPolicy.KEEP_LAST,
        reliability=QoSReliabilityPolicy.BEST_EFFORT, durability=QoSDurabilityPolicy.VOLATILE)


def event_qos(depth: int) -> QoSProfile:
    """Return the quality of single events: reliable, nothing from before."""
    return QoSProfile(
        depth=depth, history=QoSHistoryPolicy.KEEP_LAST,
        reliability=QoSReliabilityPolicy.RELIABLE, durability=QoSDurabilityPolicy.VOLATILE)


def latched_qos() -> QoSProfile:
    """Return the quality of states: reliable, the last one kept for whoever comes later."""
    return QoSProfile(
        depth=1, history=QoSHistoryPolicy.KEEP_LAST,
        reliability=QoSReliabilityPolicy.RELIABLE,
        durability=QoSDurabilityPolicy.TRANSIENT_LOCAL)


def latched_publishers(node: Any) -> Callable[[type, str], Any]:
    """
    Return what offers a topic of a node, given class and name, with the quality of states.

    None of a publisher's events is waited for: each costs every turn of an executor, and what they
    tell by themselves, a subscription that does not fit, its own side says too. Those of
    subscriptions are: of a robot whose topics do not fit nothing else is heard.
    """
    return partial(node.create_publisher, qos_profile=latched_qos(),
                   event_callbacks=EVENTS.PublisherEventCallbacks(use_default_callbacks=False))


def count_publishers(node: Any, topic: str, kind: str) -> int:
    """
    Return how many publish what a node calls by this name; rclpy asks for no remapped name.

    Of several only those of this type, such as ``nav_msgs/msg/Path``, as others are not heard.
    """
    name = node.resolve_topic_name(topic)
    count = int(node.count_publishers(name))
    if count > 1:
        # Slow to tell, and seldom asked for.
        count = sum(info.topic_type == kind for info in node.get_publishers_info_by_topic(name))
    return count
