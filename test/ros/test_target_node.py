# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The node `target` with real topics; the ledger is played by the test."""

from dataclasses import replace
import json
import math
from threading import Event

from berm_ledger.books import Flag, fold, State
from berm_ledger.books.profile import CrestProfile
from berm_ledger.geometry import Pose2, StampedPose
from berm_ledger.ros.messages import (
    fill_crest_cloud,
    fill_diagnostics,
    fill_occupancy_grid,
    fill_pose,
    fill_rework,
    fill_segments_cloud,
    status_from,
)
from berm_ledger.ros.messages.diagnostics import OK, STALE, Status, WARN
from berm_ledger.site_source import load_site
from ledger_kit import a_pose, LATTICE, NS, SITE_TEXT
import numpy as np
import pytest
from ros_kit import GIVE_UP_S, World

KEYS = ['segment', 'berm', 'x', 'y', 'yaw', 'run_up', 'loads_remaining', 'reason', 'code',
        'crest_offset', 'crest_turn', 'unserved', 'look']


@pytest.fixture
def world(ros_context):
    with World(ros_context) as made:
        yield made


@pytest.fixture
def bench(world, tmp_path):
    return Bench(world, tmp_path)


class Bench:
    """A target node, and a test that plays the ledger and the robot."""

    def __init__(self, world, folder, remapped=(), **parameters):
        from berm_ledger.ros.target import TargetNode
        from berm_ledger.ros.wire import latched_qos, message_class, wire_types
        from rclpy.parameter import Parameter
        site_file = folder / 'site.yaml'
        site_file.write_text(SITE_TEXT)
        self.world, self.site, self.types = world, load_site(site_file).site, wire_types()
        self.rows = tuple(
            replace(row, dumps_remaining=2) for row in fold(self.site, ()).rows)
        self.now_s = 1000.0
        self.names = dict(remapped)
        rules = [word for rule in self.names.items() for word in ('-r', '{}:={}'.format(*rule))]
        values = {'site_file': str(site_file), **parameters}
        self.target = world.add(TargetNode(
            context=world.context, steady_s=lambda: self.now_s,
            cli_args=['--ros-args', *rules] if rules else None, parameter_overrides=[
                Parameter(n, value=v) for n, v in values.items()]))
        self.robot = world.node('robot')
        self.start_ledger()
        from berm_ledger.ros.wire import POSE_TYPES
        self.pose_class = POSE_TYPES[parameters.get('pose_type', 'pose_stamped')]
        self.pose_out = self.robot.create_publisher(self.pose_class, 'pose', 10)
        self.dump_out = self.robot.create_publisher(
            message_class('std_msgs/msg/Float32'), 'dump', 10)
        self.heard = {}
        for name, kind in (('target_pose', 'geometry_msgs/msg/PoseStamped'),
                           ('target_path', 'nav_msgs/msg/Path'),
                           ('target', 'diagnostic_msgs/msg/DiagnosticStatus'),
                           ('/diagnostics', 'diagnostic_msgs/msg/DiagnosticArray')):
            self.robot.create_subscription(
                message_class(kind), name,
                lambda msg, name=name: self.heard.__setitem__(name, msg), latched_qos())
        assert self.target.start_by_itself()
        world.until(lambda: self.pose_out.get_subscription_count() and (
            self.dump_out.get_subscription_count()) and all(
            out.get_subscription_count() for out in self.out.values()))
        world.until(lambda: 'target' in self.heard)

    def start_ledger(self):
        """Have a ledger that has published nothing yet."""
        from berm_ledger.ros.wire import latched_qos, message_class
        self.ledger = self.world.node('ledger')
        self.out = {
            name: self.ledger.create_publisher(
                message_class(kind), self.names.get(name, name), latched_qos())
            for name, kind in (('segments', 'sensor_msgs/msg/PointCloud2'),
                               ('crest', 'sensor_msgs/msg/PointCloud2'),
                               ('rework', 'diagnostic_msgs/msg/DiagnosticArray'),
                               ('borrow', 'diagnostic_msgs/msg/DiagnosticArray'),
                               ('no_go', 'nav_msgs/msg/OccupancyGrid'))}

    def pose(self, stamp_s, x_m=1.0, y_m=3.5, yaw_rad=0.3, frame_id='map', **spread):
        msg = self.pose_class()
        pose = Pose2(x_m, y_m, yaw_rad)
        fill_pose(msg, StampedPose(int(stamp_s * NS), frame_id, pose, **spread))
        self.pose_out.publish(msg)

    def ground(self, blocked=None, frame_id='map'):
        from nav_msgs.msg import OccupancyGrid
        msg = OccupancyGrid()
        if blocked is None:
            blocked = np.zeros(LATTICE.shape, dtype=bool)
        fill_occupancy_grid(msg, LATTICE, blocked, frame_id=frame_id, stamp_ns=0)
        self.out['no_go'].publish(msg)

    def rework(self, hold_text=None, blind_text=''):
        from diagnostic_msgs.msg import DiagnosticArray
        flag = Flag('west', 2, 0, 0.002, 0.6, 0.8, 1)
        msg = DiagnosticArray()
        fill_rework(msg, (flag,), on_hold=hold_text is not None, hold_text=hold_text or '',
                    blind_text=blind_text, stamp_ns=0, types=self.types)
        self.out['rework'].publish(msg)

    def crest(self, heights_m):
        from sensor_msgs.msg import PointCloud2
        station = (np.arange(len(heights_m)) + 0.5) / len(heights_m)
        height = np.array(heights_m)
        line = np.column_stack([2.0 + station, np.full(len(station), 2.0), height])
        msg = PointCloud2()
        fill_crest_cloud(
            msg, self.site, [CrestProfile(
                0, station, height, np.zeros(len(station)), np.full(len(station), 0.2))],
            [line], 0, self.types)
        self.out['crest'].publish(msg)
        self.world.until(lambda: 'crest' in self.target.known.receipts)

    def other_segments(self):
        """Publish the table of another site: one segment fewer."""
        from sensor_msgs.msg import PointCloud2
        msg = PointCloud2()
        fill_segments_cloud(msg, self.site, self.rows[:1], 11 * NS, self.types)
        self.out['segments'].publish(msg)

    def segments(self, stamp_s, rows=None):
        from sensor_msgs.msg import PointCloud2
        msg = PointCloud2()
        fill_segments_cloud(msg, self.site, rows or self.rows, int(stamp_s * NS), self.types)
        self.out['segments'].publish(msg)
        self.world.until(lambda: self.status().values.get('segments_stamp_s', '').startswith(
            f'{int(stamp_s)}.'))

    def feed(self, stamp_s=10.0, hold_text=None):
        """Tell the target all that it needs."""
        self.pose(stamp_s)
        self.ground()
        self.rework(hold_text)
        self.world.until(lambda: {'pose', 'no_go', 'rework'} <= set(self.target.known.receipts))
        self.segments(stamp_s)

    def status(self):
        return status_from(self.heard['target'])

    def settled(self):
        """Wait until the plan is made, which takes longer on a busy machine."""
        self.world.until(lambda: self.status().values.get('code') != 'planning')

    def next_target(self, *, at_once=False):
        from std_srvs.srv import Trigger
        if not at_once:
            self.settled()
        answer = self.world.call(self.robot, Trigger, 'target/next_target')
        return answer.success, json.loads(answer.message)

    def plan(self, start=None, *, at_once=False):
        from nav_msgs.srv import GetPlan
        if not at_once:
            self.settled()
        request = GetPlan.Request()
        if start is not None:
            fill_pose(request.start, start)
        return self.world.call(self.robot, GetPlan, 'target/plan_approach', request).plan


def test_where_no_lane_is_open_only_a_load_aboard_gets_a_target(bench):
    from diagnostic_msgs.msg import DiagnosticArray
    bench.feed()
    assert bench.next_target()[0]

    def tell(drum):
        msg = DiagnosticArray()
        fill_diagnostics(msg, [
            Status('borrow', 'no lane', WARN, {'next_lane': '', 'drum': drum}),
            Status('borrow pit lane 1', 'closed', WARN)], stamp_ns=0, types=bench.types)
        bench.out['borrow'].publish(msg)

    tell('loaded')
    bench.world.until(lambda: 'this is for the load that is aboard' in bench.status().message)
    assert bench.next_target()[0]
    tell('empty')
    bench.world.until(lambda: 'there is no soil left to dig' in bench.status().message)
    success, content = bench.next_target()
    assert (success, content['code']) == (False, 'blocked')


def test_service_and_topics_say_the_same(bench):
    bench.feed()

    success, content = bench.next_target()

    assert success
    assert list(content) == KEYS
    assert (content['berm'], content['loads_remaining']) == ('west', 4)
    pose, path = bench.heard['target_pose'], bench.heard['target_path'].poses
    assert (pose.header.frame_id, pose.header.stamp.sec) == ('map', 10)
    assert (content['x'], content['y']) == pytest.approx(
        (pose.pose.position.x, pose.pose.position.y), abs=1e-6)
    assert path[-1].pose == pose.pose
    assert content['run_up'] == pytest.approx(math.hypot(
        path[-1].pose.position.x - path[0].pose.position.x,
        path[-1].pose.position.y - path[0].pose.position.y), abs=1e-6)
    status = bench.status()
    assert (status.level, status.values['segment']) == (OK, str(content['segment']))
    assert status.values['pose_stamp_s'] == '10.000000000'


def test_a_question_with_the_answer_of_before_publishes_nothing(bench):
    from berm_ledger.ros.wire import latched_qos
    from diagnostic_msgs.msg import DiagnosticStatus
    told = []
    bench.robot.create_subscription(DiagnosticStatus, 'target', told.append, latched_qos())
    bench.feed()
    first = bench.next_target()
    bench.world.until(lambda: told and status_from(told[-1]).values['code'] == 'target')
    before = len(told)
    assert [bench.next_target() for _ in range(3)] == 3 * [first]
    bench.segments(11.0)
    bench.world.until(
        lambda: status_from(told[-1]).values['segments_stamp_s'].startswith('11.'))
    # What was sent before that has come before it.
    assert len(told) == before + 1

    bench.rework('somebody is in the yard')
    bench.world.until(lambda: bench.target.known.hold_text)
    assert bench.next_target()[1]['code'] == 'hold'
    bench.world.until(lambda: bench.status().values['code'] == 'hold')


def test_the_load_would_land_on_the_centreline(bench):
    bench.feed()

    _, content = bench.next_target()

    # Drop point 0.75 m ahead of base_link; the berm runs along y = 2.
    landing_y = content['y'] + 0.75 * math.sin(content['yaw'])
    assert landing_y == pytest.approx(2.0, abs=1e-5)


def test_the_load_goes_to_the_lowest_stretch_of_the_crest(bench):
    # A berm of 1 m along x from x = 2; both segments stand, the second with a dip early on.
    heights = np.full(40, 0.19)
    heights[22:30] = 0.10
    rows = tuple(replace(
        row, height_m=0.19, low_m=0.1, high_m=0.19, coverage=1.0, at_grade=0.5, line_offset_m=0.0,
        deficit_height_m=0.01, deficit_volume_m3=0.002, dumps_made=3, state=State.SHORT,
        dumps_remaining=int(row.segment == 2)) for row in bench.rows)
    bench.pose(10.0)
    bench.ground()
    bench.rework()
    bench.crest(heights)
    bench.world.until(lambda: {'pose', 'no_go', 'rework'} <= set(bench.target.known.receipts))

    bench.segments(10.0, rows)
    bench.settled()

    dip_m = float(np.mean((np.arange(22, 30) + 0.5) / 40))
    assert float(bench.status().values['station_m']) == pytest.approx(dip_m, abs=0.06)


def test_before_anything_came_there_is_no_target_and_the_reason_is_said(bench):
    success, content = bench.next_target()

    assert not success
    assert content['segment'] is None
    assert 'no segments have come in yet' in content['reason']
    assert math.isnan(bench.heard['target_pose'].pose.position.x)
    assert bench.status().level == STALE


def test_hold_takes_the_target_back_until_it_ends(bench):
    bench.feed()
    assert bench.next_target()[0]

    bench.rework('somebody is in the yard')
    bench.segments(11.0)

    success, content = bench.next_target()
    assert not success
    assert 'somebody is in the yard' in content['reason']
    bench.world.until(lambda: math.isnan(bench.heard['target_pose'].pose.position.x))
    assert len(bench.heard['target_path'].poses) == 0
    assert (bench.status().level, bench.status().values['hold']) == (WARN, 'true')
    assert list(bench.plan().poses) == []

    bench.rework()
    bench.segments(12.0)
    assert bench.next_target()[0]
    bench.world.until(lambda: math.isfinite(bench.heard['target_pose'].pose.position.x))


def test_hold_takes_the_target_back_before_the_next_segments_come(bench):
    bench.feed()
    bench.settled()

    bench.rework('somebody is in the yard')

    bench.world.until(lambda: bench.status().values['code'] == 'hold')
    bench.world.until(lambda: math.isnan(bench.heard['target_pose'].pose.position.x))
    bench.rework()
    bench.world.until(lambda: bench.status().values['code'] == 'target')
    bench.world.until(lambda: math.isfinite(bench.heard['target_pose'].pose.position.x))


def test_when_all_is_done_there_is_no_target_and_no_warning(bench):
    bench.feed()
    bench.segments(11.0, tuple(replace(row, dumps_remaining=0) for row in bench.rows))

    success, content = bench.next_target()

    assert not success
    assert content['loads_remaining'] == 0
    assert 'no segment calls for another load' in content['reason']
    assert bench.status().level == OK
    assert bench.status().values['code'] == 'done'


@pytest.mark.parametrize(('late_s', 'text'), [(2.5, 'last pose'), (10.5, 'last segments')])
def test_what_goes_stale_takes_the_target_back_by_itself(bench, late_s, text):
    bench.feed()
    bench.settled()
    assert bench.status().level == OK

    bench.now_s += late_s
    if text == 'last segments':
        bench.pose(10.5)
        bench.world.until(lambda: bench.target.known.receipts['pose'].stamp_ns > 10 * NS)
    bench.world.until(lambda: bench.status().level == STALE)

    assert text in bench.status().message
    assert not bench.next_target()[0]


def test_the_reason_on_show_is_the_one_that_holds(bench):
    """The segments may come before what else is needed; nobody is to look for that then."""
    bench.segments(10.0)
    bench.world.until(lambda: 'nothing is known of holds' in bench.status().message)

    bench.rework()
    bench.ground()

    bench.world.until(lambda: 'no pose has come in yet' in bench.status().message)


def test_a_plan_asked_for_does_not_keep_a_stale_target_on_show(bench):
    bench.feed()
    bench.settled()
    bench.target._watch.cancel()  # the question comes before the clock is looked at

    bench.now_s += 2.5
    assert list(bench.plan().poses) == []
    bench.target._watch.reset()

    bench.world.until(lambda: bench.status().level == STALE)
    bench.world.until(lambda: math.isnan(bench.heard['target_pose'].pose.position.x))


def test_a_ledger_that_is_gone_is_noticed(bench):
    bench.feed()
    bench.world.drop(bench.ledger)

    bench.world.until(lambda: bench.status().level == STALE)

    assert 'nothing publishes /segments' in bench.status().message


def test_a_ledger_whose_topics_have_other_names_is_found(world, tmp_path):
    from berm_ledger.ros.wire import latched_qos, message_class
    names = {name: f'/books/{name}_1' for name in (
        'segments', 'rework', 'no_go', 'crest', 'borrow', 'site_file')}
    bench = Bench(world, tmp_path, remapped=names)
    text = message_class('std_msgs/msg/String')
    site_file = bench.ledger.create_publisher(text, names['site_file'], latched_qos())
    world.until(site_file.get_subscription_count)

    bench.feed()

    assert bench.next_target()[1]['reason'].startswith('the site file of the ledger has not come')
    site_file.publish(text(data=SITE_TEXT))
    world.until(lambda: 'site_file' in bench.target.known.receipts)
    assert bench.next_target()[0]


def test_a_ledger_that_comes_back_is_waited_for(bench):
    """It may have read another site file, and what the one before it told may hold no more."""
    bench.feed()
    assert bench.next_target()[0]
    bench.world.drop(bench.ledger)
    bench.world.until(lambda: 'nothing publishes /segments' in bench.status().message)

    bench.start_ledger()
    bench.world.until(lambda: bench.target.count_publishers('segments'))

    success, content = bench.next_target()
    assert (success, content['code']) == (False, 'stale')
    assert content['reason'].startswith('the ledger is there again')
    bench.world.until(lambda: all(out.get_subscription_count() for out in bench.out.values()))
    bench.segments(11.0)
    assert bench.next_target()[0]


def test_of_several_ledgers_none_is_believed_until_the_last_one_has_told_all(bench):
    """Holds and ground would be now those of the one, now those of the other."""
    bench.feed()
    assert bench.next_target()[0]
    first_out, first = bench.out, bench.ledger
    bench.start_ledger()
    bench.world.until(lambda: bench.status().message.startswith('2 nodes publish /segments'))
    assert bench.status().level == STALE
    bench.world.until(lambda: all(out.get_subscription_count() for out in bench.out.values()))
    bench.ground(np.ones(LATTICE.shape, dtype=bool))
    bench.rework('the other one is on hold')
    bench.world.until(lambda: bench.target.known.hold_text is not None)

    bench.world.drop(bench.ledger)
    bench.ledger, bench.out = first, first_out

    def is_given():
        bench.pose(11.0)
        return bench.status().values['code'] == 'target'

    bench.world.until(is_given)

    # What the one that is left told once came in anew, and the hold of the other is gone.
    success, content = bench.next_target()
    assert success, content


def test_a_topic_of_another_type_under_the_same_name_is_no_ledger(bench, ros_domain_id):
    """What a robot's vision calls segments is not heard, and does not stop the work."""
    import rclpy
    from std_msgs.msg import String
    # One process cannot have a topic with two types.
    context = rclpy.Context()
    rclpy.init(args=[], context=context, domain_id=ros_domain_id)
    try:
        vision = rclpy.create_node('vision', context=context)
        vision.create_publisher(String, 'segments', 10)
        bench.world.until(lambda: bench.target.count_publishers('segments') == 2)
        bench.feed()

        success, content = bench.next_target()
        assert success, content
        vision.destroy_node()
    finally:
        context.try_shutdown()


@pytest.mark.parametrize('comes', [True, False])
def test_the_site_file_of_a_ledger_that_tells_it_is_waited_for_a_moment(bench, comes):
    """Topics come in any order; one that got lost must not keep the work back for good."""
    from berm_ledger.ros.wire import latched_qos, message_class
    kind = message_class('std_msgs/msg/String')
    out = bench.ledger.create_publisher(kind, 'site_file', latched_qos())
    bench.world.until(lambda: bench.target.count_publishers('site_file'))
    bench.feed()
    success, content = bench.next_target()
    assert (success, content['code']) == (False, 'stale')
    assert content['reason'].startswith('the site file of the ledger has not come in yet')

    if comes:
        out.publish(kind(data=SITE_TEXT))
    else:
        bench.now_s += 1.1

    bench.world.until(lambda: bench.status().level != STALE)
    assert bench.next_target()[0]


@pytest.mark.parametrize(('spoil', 'text'), [
    (lambda bench: bench.other_segments(), 'segments table has 1 point; the site file makes 2'),
    (lambda bench: bench.ground(frame_id='odom'), 'the no_go is in frame odom')])
def test_no_target_by_books_of_another_site_or_frame(bench, spoil, text):
    bench.feed()
    bench.settled()

    spoil(bench)

    bench.world.until(lambda: bench.status().level == STALE)
    assert text in bench.next_target()[1]['reason']
    bench.world.until(lambda: math.isnan(bench.heard['target_pose'].pose.position.x))
    bench.ground()
    bench.segments(12.0)
    bench.world.until(lambda: bench.status().level == OK)
    assert bench.next_target()[0]


def test_no_target_while_the_ledger_can_use_no_grid(bench):
    bench.feed()
    bench.settled()
    blind = 'no look could be used for 12s: the grid lies +1.0, +0.0, +0.0 m off'

    bench.rework(blind_text=blind)
    bench.segments(11.0)

    success, content = bench.next_target()
    assert not success
    assert (content['code'], content['reason']) == ('stale', blind)
    assert bench.status().level == STALE
    bench.rework()
    bench.segments(12.0)
    assert bench.next_target()[0]


def test_poses_that_cannot_be_used_are_named_once_no_other_has_come_for_long(bench):
    bench.feed()
    bench.pose(10.5, frame_id='odom')
    bench.world.until(lambda: 'pose' in bench.target.known.unread)
    assert bench.next_target()[0]

    bench.now_s += 2.5

    bench.world.until(lambda: bench.status().level == STALE)
    assert 'the pose is in frame odom, the site file says map' in bench.status().message
    bench.pose(11.0)
    bench.world.until(lambda: bench.status().level == OK)


def test_a_leading_slash_makes_no_other_frame(bench):
    bench.feed()
    bench.now_s += 2.5
    bench.world.until(lambda: bench.status().level == STALE)

    bench.pose(11.0, frame_id='/map')

    bench.world.until(lambda: bench.status().level == OK)


def test_the_limits_can_be_changed_while_it_runs_but_not_to_nonsense(bench):
    from rclpy.parameter import Parameter
    bench.feed()
    refused = bench.target.set_parameters([Parameter('pose_timeout_s', value=-1.0)])[0]
    assert not refused.successful
    assert bench.target.parameters.pose_timeout_s == 2.0

    assert bench.target.set_parameters([Parameter('pose_timeout_s', value=60.0)])[0].successful
    bench.now_s += 5.0

    assert bench.next_target()[0]


def test_the_approach_is_the_target_s_also_as_a_plan(bench):
    bench.feed()
    for plan in (bench.plan(), bench.plan(a_pose(0.0, x_m=2.25, y_m=4.5))):
        assert plan.header.frame_id == 'map'
        assert plan.poses[-1].pose == bench.heard['target_pose'].pose
        assert plan.poses[0].pose == bench.heard['target_path'].poses[0].pose


def test_a_pose_in_another_frame_is_not_planned_for(bench):
    bench.feed()

    assert list(bench.plan(replace(a_pose(0.0), frame_id='odom')).poses) == []


def dump_at(bench, x_m, y_m, yaw_rad, stamp_s=11.0):
    """Let the robot stand somewhere and dump there; return how that fell."""
    from std_msgs.msg import Float32
    bench.pose(stamp_s, x_m=x_m, y_m=y_m, yaw_rad=yaw_rad)
    bench.dump_out.publish(Float32(data=math.nan))
    bench.world.until(lambda: bench.status().values.get(
        'last_dump_stamp_s', '').startswith(f'{int(stamp_s)}.'))
    return bench.status()


def test_a_dump_far_from_the_target_handed_out_is_a_finding(bench):
    bench.feed()
    _, content = bench.next_target()

    # Half a metre to the robot's left, the drum being 0.36 m wide.
    left = content['yaw'] + 0.5 * math.pi
    status = dump_at(bench, content['x'] + 0.5 * math.cos(left),
                     content['y'] + 0.5 * math.sin(left), content['yaw'])

    assert (status.level, status.values['last_dump']) == (WARN, 'off_target')
    assert 'landed 0.50 m from the target handed out, west segment' in status.message
    bench.world.until(lambda: any(
        item.name == 'target: last dump' and 'landed 0.50 m' in item.message
        for item in getattr(bench.heard.get('/diagnostics'), 'status', ())))
    # Health is of now, by the clock of the node, as that of the ledger is: messages say 10 s.
    assert bench.heard['/diagnostics'].header.stamp.sec > 1_000_000_000
    # The next one on the spot ends it.
    _, content = bench.next_target()
    status = dump_at(bench, content['x'], content['y'], content['yaw'], 17.0)
    assert (status.level, status.values['last_dump']) == (OK, 'on_target')


def test_the_target_asked_for_counts_even_when_another_is_offered_since(bench):
    bench.feed()
    _, content = bench.next_target()
    rows = tuple(replace(row, dumps_remaining=2 * int(row.segment != content['segment']))
                 for row in bench.rows)
    bench.segments(11.0, rows)
    assert bench.status().values['segment'] != str(content['segment'])

    status = dump_at(bench, content['x'], content['y'], content['yaw'], 12.0)

    assert status.values['last_dump'] == 'on_target'


def test_a_dump_told_again_where_the_robot_stands_is_no_load_off_the_next_target(bench):
    from berm_ledger.ros.wire import latched_qos
    from diagnostic_msgs.msg import DiagnosticStatus
    from std_msgs.msg import Float32
    told = []
    bench.robot.create_subscription(DiagnosticStatus, 'target', told.append, latched_qos())
    bench.feed()
    _, content = bench.next_target()
    dump_at(bench, content['x'], content['y'], content['yaw'])
    bench.segments(12.0, tuple(
        replace(row, dumps_remaining=2 * int(row.segment != content['segment']))
        for row in bench.rows))
    bench.settled()
    assert bench.status().values['segment'] != str(content['segment'])

    for stamp_s in (12, 15, 18):
        bench.pose(stamp_s, content['x'], content['y'], content['yaw'])
        bench.world.until(
            lambda at_ns=stamp_s * NS: bench.target.known.receipts['pose'].stamp_ns == at_ns)
        bench.dump_out.publish(Float32(data=math.nan))
    _, content = bench.next_target()
    dump_at(bench, content['x'], content['y'], content['yaw'], 24.0)

    fell = {status_from(msg).values.get('last_dump') for msg in told}
    assert fell == {None, 'on_target'}


def test_no_target_by_a_pose_that_is_uncertain(world, tmp_path):
    bench = Bench(world, tmp_path, pose_type='pose_with_covariance')
    bench.feed()
    assert bench.next_target()[0]

    bench.pose(11.0, std_xy_m=0.5, std_yaw_rad=0.1)
    bench.world.until(lambda: bench.status().level == STALE)

    assert 'uncertain by 0.50 m' in bench.next_target()[1]['reason']
    bench.pose(12.0, std_xy_m=0.02, std_yaw_rad=0.01)
    bench.world.until(lambda: bench.status().level == OK)


def test_a_pose_published_as_another_type_is_named(world, tmp_path, ros_domain_id):
    from geometry_msgs.msg import PoseStamped
    import rclpy
    from rclpy.node import Node
    # Within one participant the middleware refuses a topic of two types.
    other = rclpy.Context()
    rclpy.init(args=[], context=other, domain_id=ros_domain_id)
    stack = Node('stack', context=other)
    stack.create_publisher(PoseStamped, 'pose', 10)
    bench = Bench(world, tmp_path, pose_type='odometry')
    bench.robot.destroy_publisher(bench.pose_out)
    bench.ground()
    bench.rework()
    bench.segments(10.0)

    try:
        bench.world.until(lambda: bench.status().message == (
            'no pose can come in: it is published as geometry_msgs/msg/PoseStamped, not as '
            'nav_msgs/msg/Odometry; set pose_type'))
        assert bench.next_target()[1]['code'] == 'stale'
    finally:
        stack.destroy_node()
        other.try_shutdown()


def test_a_crest_that_is_not_where_the_books_say_is_to_be_looked_at(bench):
    bench.feed()
    lost = tuple(replace(row, dumps_made=2, height_m=0.12, coverage=0.1, line_offset_m=0.0,
                         dumps_remaining=int(row.segment == 1)) for row in bench.rows)
    bench.segments(11.0, lost)

    success, content = bench.next_target()

    assert not success
    assert (content['code'], content['look']['segment']) == ('look', 1)
    assert abs(content['look']['y'] - 2.0) > 0.75
    assert bench.status().level == WARN
    assert float(bench.status().values['look_y_m']) == pytest.approx(content['look']['y'], 1e-4)
    assert math.isnan(bench.heard['target_pose'].pose.position.x)


def test_what_cannot_be_served_is_said_before_the_first_dump(bench):
    # Blocked ground on both sides of the second segment, from x = 2.5 to 3.0 along y = 2.
    blocked = np.zeros(LATTICE.shape, dtype=bool)
    centres = LATTICE.centres_xy()
    near = np.abs(centres - [2.75, 2.0])
    blocked[(near[..., 0] < 0.12) & (near[..., 1] > 0.4) & (near[..., 1] < 1.2)] = True
    bench.pose(10.0)
    bench.ground(blocked)
    bench.rework()
    bench.world.until(lambda: {'pose', 'no_go', 'rework'} <= set(bench.target.known.receipts))
    bench.segments(10.0)

    success, content = bench.next_target()

    assert success
    assert content['segment'] == 1
    assert len(content['unserved']) == 1
    assert content['unserved'][0].startswith('west segment 2: blocked from the')
    assert 'No complete order of work exists' in content['reason']
    assert bench.status().level == WARN


def test_segments_of_another_site_are_not_used(bench):
    bench.other_segments()
    bench.pose(10.0)
    bench.world.until(lambda: 'pose' in bench.target.known.receipts)

    assert bench.next_target()[1]['reason'].startswith(
        'segments cannot be used: segments table has 1 point; the site file makes 2 segments')
    assert 'segments' not in bench.target.known.receipts


class SlowPlans:
    """Holds every plan back until the test lets it go on."""

    def __init__(self, monkeypatch):
        from berm_ledger.targeting import replan
        self.go, self.begun = Event(), 0
        self._plan_work = replan.plan_work
        monkeypatch.setattr(replan, 'plan_work', self)

    def __call__(self, *arguments, **options):
        self.begun += 1
        assert self.go.wait(GIVE_UP_S)
        return self._plan_work(*arguments, **options)


@pytest.fixture
def slow_plans(monkeypatch):
    slow = SlowPlans(monkeypatch)
    yield slow
    slow.go.set()


def test_while_the_first_plan_is_made_it_says_so_and_then_shows_the_target(bench, slow_plans):
    bench.feed()

    success, content = bench.next_target(at_once=True)

    assert (success, content['code'], content['segment']) == (False, 'planning', None)
    assert 'being made anew' in content['reason']
    assert math.isnan(bench.heard['target_pose'].pose.position.x)
    assert list(bench.plan(at_once=True).poses) == []
    slow_plans.go.set()
    bench.world.until(lambda: bench.status().values['code'] == 'target')
    bench.world.until(lambda: math.isfinite(bench.heard['target_pose'].pose.position.x))
    assert slow_plans.begun == 1


def standing(row, loads, **change):
    figures = {
        'dumps_made': 2, 'height_m': 0.1, 'low_m': 0.09, 'high_m': 0.11, 'coverage': 1.0,
        'line_offset_m': 0.0, 'deficit_height_m': 0.1, 'deficit_volume_m3': 0.004,
        'state': State.SHORT, 'dumps_remaining': loads}
    return replace(row, **{**figures, **change})


def block(bench, low_xy, high_xy):
    """Have ground turn out to be blocked between two corners."""
    blocked = np.zeros(LATTICE.shape, dtype=bool)
    centres = LATTICE.centres_xy()
    blocked[((centres >= low_xy) & (centres <= high_xy)).all(axis=-1)] = True
    before = bench.target.known.ground
    bench.ground(blocked)
    bench.world.until(lambda: bench.target.known.ground is not before)


def test_a_target_on_standing_soil_is_kept_while_the_plan_is_made_anew(bench, slow_plans):
    slow_plans.go.set()
    first, second = bench.rows
    bench.rows = (standing(first, 2), replace(second, dumps_remaining=0))
    bench.feed()
    assert bench.next_target()[1]['segment'] == 1
    slow_plans.go.clear()

    # A row that does not stand calls for loads, of which the plan at hand knows nothing.
    rows = [standing(first, 1, dumps_made=3), second]
    bench.segments(12.0, rows)

    assert slow_plans.begun == 2
    answer = bench.next_target(at_once=True)[1]
    assert [answer[key] for key in ('code', 'segment')] == ['target', 1]
    # Now it calls for no more: what is next is not known yet.
    rows[0] = standing(first, 0, dumps_made=4)
    bench.segments(13.0, rows)
    assert bench.next_target(at_once=True)[1]['code'] == 'planning'
    slow_plans.go.set()
    bench.world.until(lambda: bench.status().values['segment'] == '2')


def test_a_target_whose_place_is_blocked_is_not_kept_while_the_plan_is_made(bench, slow_plans):
    slow_plans.go.set()
    first, second = bench.rows
    bench.rows = (standing(first, 2), replace(second, dumps_remaining=0))
    bench.feed()
    _, content = bench.next_target()
    slow_plans.go.clear()

    place = np.array([content['x'], content['y']])
    block(bench, place - 0.1, place + 0.1)
    bench.segments(12.0, [standing(first, 2, height_m=0.101), bench.rows[1]])

    assert bench.next_target(at_once=True)[1]['code'] == 'planning'
    assert math.isnan(bench.heard['target_pose'].pose.position.x)
    slow_plans.go.set()
    bench.world.until(lambda: bench.status().values['code'] == 'target')
    assert bench.next_target()[1]['y'] - 2.0 == pytest.approx(2.0 - content['y'], abs=0.1)


def test_hold_and_stale_input_come_before_a_plan_that_is_made(bench, slow_plans):
    bench.feed(hold_text='somebody is in the yard')
    assert bench.next_target()[1]['code'] == 'hold'
    bench.rework()
    bench.segments(11.0)
    assert bench.next_target(at_once=True)[1]['code'] == 'planning'
    bench.now_s += 2.5
    assert bench.next_target(at_once=True)[1]['code'] == 'stale'


def test_a_node_that_is_closed_does_not_wait_for_a_plan(bench, slow_plans):
    bench.feed()
    assert bench.next_target(at_once=True)[1]['code'] == 'planning'
    bench.target.stop()
    slow_plans.go.set()
    bench.world.until(lambda: 'not active' in bench.status().message)
