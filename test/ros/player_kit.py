# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A robot that plays recorded events to the nodes under test, in step with the ledger."""

from berm_ledger.ros.messages import fill_point_cloud, fill_pose, stamp_ns_from


class Player:
    """Plays a build to the nodes under test, each message after the last one was booked."""

    def __init__(self, world, site, *, namespace='', dump_topic='dump', pose_listeners=1):
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
        self.heard, self.answers = {}, 0
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
            if event.kind != 'pose':
                self.world.until(lambda before=before, event=event: self.answers > before and (
                    stamp_ns_from(self.heard['segments'].header) >= event.stamp_ns))

    def message(self, event):
        if event.kind == 'dump':
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
