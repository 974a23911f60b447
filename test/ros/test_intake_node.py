# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Messages of several topics reach the handler in the order of arrival, none left behind."""

import pytest
from ros_kit import World


@pytest.fixture
def world(ros_context):
    with World(ros_context) as made:
        yield made


def test_queues_that_built_up_are_taken_in_order_of_arrival(world):
    from berm_ledger.ros.intake import Intake
    from std_msgs.msg import Float32, String
    taken = []
    intake = Intake(world.node('taker'), lambda kind, msg: taken.append((kind, msg.data)))
    # The order of the subscriptions is against the order of arrival.
    intake.subscribe('dump', Float32, 'dump', 100)
    intake.subscribe('pose', String, 'pose', 100)
    sender = world.node('sender')
    pose = sender.create_publisher(String, 'pose', 100)
    dump = sender.create_publisher(Float32, 'dump', 100)
    world.until(lambda: pose.get_subscription_count() and dump.get_subscription_count())

    expected = []
    for n in range(20):
        pose.publish(String(data=f'pose {n}'))
        dump.publish(Float32(data=float(n)))
        expected += [('pose', f'pose {n}'), ('dump', float(n))]
    world.until(lambda: len(taken) == 40)

    assert taken == expected


def test_after_close_nothing_is_taken(world):
    from berm_ledger.ros.intake import Intake
    from std_msgs.msg import String
    taken = []
    node = world.node('taker')
    intake = Intake(node, lambda kind, msg: taken.append(msg.data))
    intake.subscribe('pose', String, 'pose', 10)
    sender = world.node('sender').create_publisher(String, 'pose', 10)
    world.until(sender.get_subscription_count)

    intake.close()
    world.until(lambda: sender.get_subscription_count() == 0)
    sender.publish(String(data='late'))

    assert list(node.subscriptions) == []
    assert taken == []


@pytest.mark.parametrize(('info', 'expected'), [
    ({'received_timestamp': 5, 'source_timestamp': 3}, 5), ({}, 0),
    ({'received_timestamp': None}, 0), ({'received_timestamp': -1}, 0)])
def test_a_middleware_that_notes_no_time_is_no_error(info, expected):
    pytest.importorskip('rclpy')
    from berm_ledger.ros.intake import received_ns
    assert received_ns(info) == expected


def test_an_rclpy_that_does_not_tell_the_time_of_arrival_loses_nothing(world, monkeypatch):
    from berm_ledger.ros import intake as intake_module
    from std_msgs.msg import String
    # As rclpy of ROS 2 Humble: callbacks get the message alone.
    monkeypatch.setattr(intake_module, 'Subscription', object)
    taken = []
    intake = intake_module.Intake(world.node('taker'), lambda kind, msg: taken.append(msg.data))
    intake.subscribe('pose', String, 'pose', 100)
    sender = world.node('sender').create_publisher(String, 'pose', 100)
    world.until(sender.get_subscription_count)

    for n in range(5):
        sender.publish(String(data=str(n)))
    world.until(lambda: len(taken) == 5)

    assert taken == ['0', '1', '2', '3', '4']


def test_a_subscription_can_be_made_less_choosy_until_the_intake_is_closed(world):
    from berm_ledger.ros.intake import Intake
    from rclpy.qos import QoSProfile, QoSReliabilityPolicy
    from std_msgs.msg import String
    best_effort = QoSProfile(depth=10, reliability=QoSReliabilityPolicy.BEST_EFFORT)
    taken = []
    node = world.node('taker')
    intake = Intake(node, lambda kind, msg: taken.append(msg.data))
    intake.subscribe('dump', String, 'dump', 10, weaker_qos=best_effort)
    strict, = node.subscriptions
    sender = world.node('sender').create_publisher(String, 'dump', 10)
    world.until(sender.get_subscription_count)
    sender.publish(String(data='before'))
    world.until(lambda: taken == ['before'])

    # As the middleware tells of a publisher that offers less.
    intake._weaken(0, lambda: node.create_subscription(
        String, 'dump', lambda msg: taken.append(msg.data), best_effort))
    meek, = node.subscriptions
    assert meek is not strict
    assert meek.qos_profile.reliability == QoSReliabilityPolicy.BEST_EFFORT

    intake.close()
    intake._weaken(0, lambda: pytest.fail('nothing is subscribed any more'))
    assert list(node.subscriptions) == []
