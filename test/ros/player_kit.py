# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
A robot that plays recorded events to the nodes under test, in step with the ledger.

Run as a program it plays a bag, with the arguments of ``ros2 bag play`` that our launch file
gives, where no ROS 2 installation brings the real one.
"""

import argparse
from pathlib import Path
import sys
import time

from berm_ledger.ros.messages import fill_point_cloud, fill_pose, stamp_ns_from

GIVE_UP_S = 60.0
# A grid that no answer has come to for so long is sent again, and the pose before it: whoever has
# only just been found may miss what is published, and without a pose no grid is taken.
PATIENCE_S = 5.0


class Player:
    """Plays a build to the nodes under test, each message after the last one was booked."""

    def __init__(self, world, site, *, namespace='', dump_topic='dump', pose_listeners=1,
                 taken_pose_ns=None, taken_currents=None):
        # With the stamp of the last pose taken to ask for, no pose is lost in a full queue; and
        # with the number of drum currents taken, none of these.
        self.taken_pose_ns, self.taken_currents = taken_pose_ns, taken_currents
        self.currents = 0
        from berm_ledger.ros.wire import latched_qos, message_class, wire_types
        self.world, self.site, self.types = world, site, wire_types()
        self.make = message_class
        self.node = world.node('player', namespace=namespace)
        self.out = {
            'pose': self.node.create_publisher(
                message_class('geometry_msgs/msg/PoseStamped'), 'pose', 100),
            'grid': self.node.create_publisher(
                message_class('sensor_msgs/msg/PointCloud2'), 'elevation', 5),
            'dump': self.node.create_publisher(
                message_class('std_msgs/msg/Float32'), dump_topic, 5)}
        if taken_currents:
            self.out['drum_current'] = self.node.create_publisher(
                message_class('std_msgs/msg/Float32'), 'drum_current', 5)
        self.heard, self.answers, self.last_pose = {}, 0, None
        for name, kind in (('segments', 'sensor_msgs/msg/PointCloud2'),
                           ('rework', 'diagnostic_msgs/msg/DiagnosticArray')):
            self.node.create_subscription(
                message_class(kind), name,
                lambda msg, name=name: self.hear(name, msg), latched_qos())
        world.until(lambda: self.out['pose'].get_subscription_count() == pose_listeners and all(
            out.get_subscription_count() for out in self.out.values()))

    def hear(self, name, msg):
        self.heard[name] = msg
        self.answers += name == 'segments'

    def play(self, events):
        for event in events:
            before = self.answers
            self.out[event.kind].publish(self.message(event))
            self.last_pose = event if event.kind == 'pose' else self.last_pose
            if event.kind == 'pose' and self.taken_pose_ns:
                self.world.until(lambda event=event: (
                    self.taken_pose_ns() or 0) >= event.value.stamp_ns)
            if event.kind == 'drum_current':
                self.currents += 1
                self.world.until(lambda: self.taken_currents() >= self.currents)
            elif event.kind != 'pose':
                self.wait_for_answer(event, before)

    def wait_for_answer(self, event, before):
        """Wait until the books have taken an event in; the first messages may get lost."""
        def answered():
            return self.answers > before and (
                stamp_ns_from(self.heard['segments'].header) >= event.stamp_ns)

        if event.kind == 'grid' and not self.world.comes_true(answered, PATIENCE_S):
            if self.last_pose is not None:
                self.out['pose'].publish(self.message(self.last_pose))
            self.out['grid'].publish(self.message(event))
        self.world.until(answered)

    def message(self, event):
        if event.kind in ('dump', 'drum_current'):
            return self.make('std_msgs/msg/Float32')(data=event.value)
        if event.kind == 'pose':
            msg = self.make('geometry_msgs/msg/PoseStamped')()
            fill_pose(msg, event.value)
            return msg
        msg = self.make('sensor_msgs/msg/PointCloud2')()
        fill_point_cloud(msg, event.value, self.types)
        return msg

    def call(self, name):
        from std_srvs.srv import Trigger
        return self.world.call(self.node, Trigger, name)


def player_program(path):
    """Write a program of that path that plays bags."""
    path.parent.mkdir(parents=True)
    path.write_text(f'#!/bin/sh\nexec "{sys.executable}" "{Path(__file__).resolve()}" "$@"\n')
    path.chmod(0o755)


def play_bag(bag, rate, topics):
    """Play some topics of a bag with its clock once everybody listens."""
    from berm_ledger.ros.wire import message_class
    import rclpy
    from rosbags.highlevel import AnyReader
    from rosgraph_msgs.msg import Clock
    rclpy.init()
    node = rclpy.create_node('player')
    clock = node.create_publisher(Clock, '/clock', 10)
    with AnyReader([bag]) as reader:
        played = [c for c in reader.connections if c.topic in topics]
        out = {c.topic: node.create_publisher(message_class(c.msgtype), c.topic, 100)
               for c in played}
        end_s = time.monotonic() + GIVE_UP_S
        while not all(publisher.get_subscription_count() for publisher in out.values()):
            assert time.monotonic() < end_s, 'nobody listens'
            rclpy.spin_once(node, timeout_sec=0.1)
        before_ns = None
        for connection, stamp_ns, raw in reader.messages(played):
            time.sleep((stamp_ns - (before_ns or stamp_ns)) / 1e9 / rate)
            before_ns = stamp_ns
            now = Clock()
            now.clock.sec, now.clock.nanosec = divmod(stamp_ns, 10**9)
            clock.publish(now)
            out[connection.topic].publish(bytes(raw))
        # Whoever is sent something reliable has it when this returns.
        for publisher in out.values():
            publisher.wait_for_all_acked()
    rclpy.shutdown()


if __name__ == '__main__':
    parser = argparse.ArgumentParser()
    parser.add_argument('words', nargs=2)
    parser.add_argument('bag', type=Path)
    parser.add_argument('--clock', action='store_true', required=True)
    parser.add_argument('--rate', type=float)
    parser.add_argument('--delay', type=float)
    parser.add_argument('--topics', nargs='+', required=True)
    given = parser.parse_args()
    assert given.words == ['bag', 'play']
    play_bag(given.bag, given.rate, given.topics)
