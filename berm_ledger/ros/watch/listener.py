# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The ears of the screen: a node that listens to the topics and publishes nothing."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
import os
import time
from typing import Any

from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
from rcl_interfaces.msg import Log
import rclpy
from rclpy.executors import SingleThreadedExecutor
from rclpy.node import Node
from rclpy.signals import SignalHandlerOptions
from sensor_msgs.msg import PointCloud2
from std_msgs.msg import String

from .advice import Surroundings
from .heard import Heard, take
from .news import BAD, Event, event_from_log, GOOD, news
from ..wire import count_publishers, event_qos, latched_qos
from ...errors import MessageError, UsageError

# In the order in which the ledger publishes them.
TOPICS = {
    'crest': PointCloud2, 'rework': DiagnosticArray, 'table': String, 'segments': PointCloud2,
    'target': DiagnosticStatus}
SEGMENTS_TYPE = 'sensor_msgs/msg/PointCloud2'
TABLE_TYPE = 'std_msgs/msg/String'
KEPT_EVENTS = 200
LOG_DEPTH = 100


class Listener(Node):
    """
    Hears one ledger and its target node.

    Parameters
    ----------
    namespace : str
        Namespace of the ledger.
    steady_s : callable
        Steady clock [s].
    settings : mapping
        Environment that decides who hears whom.
    **options
        Passed on to ``rclpy.node.Node``.

    """

    def __init__(
        self, namespace: str = '', *, steady_s: Callable[[], float] = time.monotonic,
        settings: Mapping[str, str] = os.environ, **options: Any,
    ) -> None:
        """Subscribe to everything the screen shows."""
        # Several people may look on; what is named by the process does not clash.
        super().__init__(f'watch_{os.getpid()}', namespace=namespace, enable_rosout=False,
                         start_parameter_services=False, **options)
        self.heard = Heard()
        self.events: deque[Event] = deque(maxlen=KEPT_EVENTS)
        self._steady_s, self._settings = steady_s, settings
        self._last_s = steady_s()
        self._there = False
        space = self.get_namespace().strip('/')
        self._prefix = f'{space}/ledger: ' if space else 'ledger: '
        self._logger_name = f'{space.replace("/", ".")}.ledger' if space else 'ledger'
        for name, kind in TOPICS.items():
            self.create_subscription(kind, name, partial(self._on_message, name), latched_qos())
        self.create_subscription(
            DiagnosticArray, '/diagnostics', partial(self._on_message, 'diagnostics'),
            event_qos(LOG_DEPTH))
        self.create_subscription(Log, '/rosout', self._on_log, event_qos(LOG_DEPTH))

    def around(self) -> Surroundings:
        """Return who is there at this moment."""
        publishers = count_publishers(self, 'segments', SEGMENTS_TYPE)
        elsewhere: tuple[str, ...] = ()
        if not publishers:
            # What is only listened to, as by ourselves, is listed too.
            elsewhere = namespaces_of_ledgers({
                name: kinds for name, kinds in self.get_topic_names_and_types()
                if self.count_publishers(name)})
        self._note_presence(publishers > 0)
        return Surroundings(
            self.resolve_topic_name('segments'), publishers, elsewhere,
            self._steady_s() - self._last_s, self._settings)

    def _note_presence(self, there: bool) -> None:
        """Tell when the ledger comes back or goes."""
        if there != self._there and self.heard.stamp_ns is not None:
            self._tell('the ledger is there' if there else 'the ledger is gone',
                       GOOD if there else BAD)
        self._there = there

    def _on_message(self, kind: str, msg: Any) -> None:
        """Take one message and tell what it changes."""
        before = self.heard
        try:
            self.heard = take(before, kind, msg, prefix=self._prefix)
        except MessageError as exc:
            self._tell(f'{kind} cannot be read: {exc}', BAD)
            return
        if kind == 'segments' or self.heard.health is not before.health:
            self._last_s = self._steady_s()
        self.events.extend(news(before, self.heard))

    def _on_log(self, msg: Any) -> None:
        """Take what the ledger books and no topic shows."""
        event = event_from_log(str(msg.msg), self.heard.stamp_ns) if (
            str(msg.name).lstrip('/') == self._logger_name) else None
        if event is not None:
            self.events.append(event)

    def _tell(self, text: str, mood: str) -> None:
        """Tell an event, but not the same one twice in a row."""
        event = Event(self.heard.stamp_ns, text, mood)
        if not self.events or replace(self.events[-1], stamp_ns=event.stamp_ns) != event:
            self.events.append(event)


def namespaces_of_ledgers(types: Mapping[str, list[str]]) -> tuple[str, ...]:
    """
    Return the namespaces in which both ``segments`` and ``table`` are published.

    Examples
    --------
    >>> namespaces_of_ledgers({
    ...     '/a/segments': ['sensor_msgs/msg/PointCloud2'], '/a/table': ['std_msgs/msg/String'],
    ...     '/b/segments': ['sensor_msgs/msg/PointCloud2']})
    ('/a',)

    """
    spaces = []
    for name, kinds in sorted(types.items()):
        space, _, last = name.rpartition('/')
        if last == 'segments' and SEGMENTS_TYPE in kinds and TABLE_TYPE in types.get(
                f'{space}/table', ()):
            spaces.append(space or '/')
    return tuple(spaces)


class Ears:
    """
    A listener with all it needs of ROS, for as long as the block lasts.

    Parameters
    ----------
    namespace : str
        Namespace of the ledger.

    """

    def __init__(self, namespace: str) -> None:
        """Remember what to listen to."""
        self._namespace = namespace

    def __enter__(self) -> Ears:
        """Begin to listen."""
        self._context = rclpy.Context()
        # Ctrl-C is ours: the terminal must be given back as it was.
        rclpy.init(args=[], context=self._context,
                   signal_handler_options=SignalHandlerOptions.NO)
        try:
            self.listener = Listener(self._namespace, context=self._context)
        except Exception as exc:
            self._context.try_shutdown()
            if type(exc).__name__ == 'InvalidNamespaceException':
                msg = (f'--namespace {self._namespace!r} is no ROS namespace; give something '
                       f'like /rover1')
                raise UsageError(msg) from exc
            raise
        self._executor = SingleThreadedExecutor(context=self._context)
        self._executor.add_node(self.listener)
        return self

    def listen(self, timeout_s: float) -> None:
        """Take what comes in for some time."""
        end_s = time.monotonic() + timeout_s
        while (left_s := end_s - time.monotonic()) > 0.0:
            self._executor.spin_once(timeout_sec=left_s)

    def __exit__(self, *_: object) -> None:
        """Leave ROS."""
        self._executor.shutdown()
        self.listener.destroy_node()
        self._context.try_shutdown()
