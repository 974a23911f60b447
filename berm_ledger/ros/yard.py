# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The node ``yard``: a simulated robot in a simulated yard, in step with the ledger.

After each grid and dump it waits for segments of that stamp, so that the work runs as fast as the
ledger takes it and the same seed gives the same books. It ends by itself.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
import json
import time
from typing import Any

from diagnostic_msgs.msg import DiagnosticStatus
from geometry_msgs.msg import PoseStamped
from rclpy.node import Node
from sensor_msgs.msg import PointCloud2
from std_msgs.msg import Float32
from std_srvs.srv import Trigger

from .closed_loop import Accept, Answer, Ask, ClosedLoop, Resume, Step
from .declare import declare_parameters
from .messages import (
    fill_point_cloud,
    fill_pose,
    rows_from_segments_cloud,
    stamp_ns_from,
    status_from,
)
from .messages.diagnostics import seconds_text
from .parameters import YardParameters
from .wire import event_qos, latched_qos, POSE_DEPTH, wire_types
from ..simulation import SimEvent, Yard
from ..site_source import load_site

# A grid that was lost on the way is sent again after this time.
RETRY_S = 5.0
LISTENERS = {'pose': 2, 'elevation': 1, 'dump': 1}


def nothing() -> None:
    """Return no answer."""


@dataclass(frozen=True)
class Wait:
    """
    Something the yard waits for.

    Parameters
    ----------
    what : str
        In words, for when it does not come.
    fact : callable
        Tells whether it is there.
    result : callable
        What the work is sent then.
    again : callable, optional
        Called now and then while it is not there.

    """

    what: str
    fact: Callable[[], bool]
    result: Callable[[], Any] = nothing
    again: Callable[[], None] | None = None


class YardNode(Node):
    """
    Publishes pose, elevation and dump of a simulated robot that follows the target node.

    Parameters
    ----------
    **options
        Passed on to ``rclpy.node.Node``.

    """

    # Its work goes on by itself.
    turn_s = 0.1

    def __init__(self, **options: Any) -> None:
        """Lay out the yard."""
        super().__init__('yard', **options)
        self.parameters = declare_parameters(self, 'yard', YardParameters)
        self.finished, self.exit_code = False, 0
        # It answers nobody, so nobody waits for an answer.
        self.waits = False
        self.site = load_site(self.parameters.site_file).site
        self.loop = ClosedLoop(Yard(self.site, seed=self.parameters.seed), self._say)
        self._types = wire_types()
        self._out = {
            'pose': self.create_publisher(PoseStamped, 'pose', event_qos(POSE_DEPTH)),
            'elevation': self.create_publisher(PointCloud2, 'elevation', event_qos(5)),
            'dump': self.create_publisher(Float32, 'dump', event_qos(5))}
        self.create_subscription(PointCloud2, 'segments', self._on_segments, latched_qos())
        self.create_subscription(DiagnosticStatus, 'target', self._on_target, latched_qos())
        self._asker = self.create_client(Trigger, 'target/next_target')
        self._orders = {
            Resume: self.create_client(Trigger, 'ledger/resume'),
            Accept: self.create_client(Trigger, 'ledger/clear_rework')}
        self._segments: PointCloud2 | None = None
        self._target: dict[str, str] = {}
        self._pose = PoseStamped()
        self._answered = True
        self._work = self.loop.work()
        self._wait = Wait('ledger and target', self._all_there)
        self._began_s = self._tried_s = time.monotonic()

    def _say(self, text: str) -> None:
        """Tell the log what happens in the yard, with its time."""
        self.get_logger().info(f'{self.loop.yard.elapsed_s:7.1f} s: {text}')

    def _all_there(self) -> bool:
        """Tell whether everybody listens whom the yard needs."""
        return self._segments is not None and bool(self._target) and all(
            self._out[topic].get_subscription_count() >= count
            for topic, count in LISTENERS.items()) and (
            self._asker.service_is_ready()) and all(
            client.service_is_ready() for client in self._orders.values())

    def start_by_itself(self) -> bool:
        """Start; there is nothing to open."""
        return True

    def tick(self) -> None:
        """Go on with the work as far as it goes without an answer."""
        while not self.finished and self._wait.fact():
            self._go_on(self._wait.result())
        now_s = time.monotonic()
        if self.finished:
            return
        if now_s - self._began_s > self.parameters.answer_timeout_s:
            self._end(f'waited {self.parameters.answer_timeout_s:g} s for {self._wait.what}')
        elif self._wait.again and now_s - self._tried_s > RETRY_S:
            self._tried_s = now_s
            self.get_logger().warning(f'still waiting for {self._wait.what}; sending it again')
            self._wait.again()

    def _go_on(self, result: Any) -> None:
        """Send the work an answer and do what it wants next, up to the next thing to wait for."""
        wait: Wait | None = None
        try:
            while wait is None:
                wait = self._do(self._work.send(result))
                result = None
        except StopIteration:
            self._end(self.loop.trouble)
            return
        self._wait = wait
        self._began_s = self._tried_s = time.monotonic()

    def _end(self, trouble: str) -> None:
        """End the work, well or not."""
        self.finished = True
        if trouble:
            self.exit_code = 1
            self.get_logger().fatal(f'the work was not finished: {trouble}')

    # ---- what the work wants -----------------------------------------------------------------

    def _do(self, step: Step) -> Wait | None:
        """Do one step; return what to wait for, None when there is nothing."""
        if isinstance(step, Ask):
            return self._ask()
        if isinstance(step, SimEvent):
            return self._send(step)
        client = self._orders[type(step)]
        future = client.call_async(Trigger.Request())
        return Wait(client.srv_name, future.done, lambda: future.result().message)

    def _send(self, event: SimEvent) -> Wait | None:
        """Publish a message of the robot."""
        value: Any = event.value
        if event.kind == 'pose':
            self._pose = PoseStamped()
            fill_pose(self._pose, value)
            self._out['pose'].publish(self._pose)
            return None
        if event.kind == 'dump':
            topic, msg = 'dump', Float32(data=value)
        else:
            topic, msg = 'elevation', PointCloud2()
            fill_point_cloud(msg, value, self._types)
        self._answered = False
        self._out[topic].publish(msg)

        def again() -> None:
            # A ledger that was started anew takes no grid before a pose.
            self._out['pose'].publish(self._pose)
            self._out[topic].publish(msg)

        return Wait(f'segments after {topic} of {seconds_text(event.stamp_ns)} s',
                    lambda: self._answered and self._stamp_ns >= event.stamp_ns,
                    again=None if topic == 'dump' else again)

    def _ask(self) -> Wait:
        """Ask for the next target once the target node has the books that we have."""
        stamp = seconds_text(self._stamp_ns)
        asked: list[Any] = []

        def answered() -> bool:
            if not asked and self._target.get('segments_stamp_s') == stamp:
                asked.append(self._asker.call_async(Trigger.Request()))
            # The topic says what kind of answer it is, and may come after it.
            return bool(asked) and asked[0].done() and (
                json.loads(asked[0].result().message)['reason'] == self._target.get('reason'))

        return Wait('the next target', answered, lambda: self._answer(asked[0].result()))

    def _answer(self, said: Trigger.Response) -> Answer:
        """Return what the target node said."""
        rows = rows_from_segments_cloud(self._segments, self.site)
        code = 'target' if said.success else self._target.get('code', '')
        return Answer(code, json.loads(said.message), rows)

    # ---- what comes in -----------------------------------------------------------------------

    @property
    def _stamp_ns(self) -> int:
        """Return the stamp of the last segments [ns]."""
        return stamp_ns_from(self._segments.header) if self._segments is not None else 0

    def _on_segments(self, msg: PointCloud2) -> None:
        """Note the books."""
        self._segments, self._answered = msg, True

    def _on_target(self, msg: DiagnosticStatus) -> None:
        """Note what the target node has chosen."""
        self._target = {key: str(value) for key, value in status_from(msg).values.items()}

    def give_up(self) -> None:
        """Leave nobody waiting; nobody does."""

    def close(self) -> None:
        """Destroy the node."""
        self._work.close()
        self.destroy_node()
