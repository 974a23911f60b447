# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The node `ledger` with real topics: messages in, books out; the pipeline is a stand-in."""

from functools import partial
import math
import time

from berm_ledger.books.journal import Journal
from berm_ledger.books.rows import State
from berm_ledger.errors import UsageError
from berm_ledger.findings import Finding, Severity
from berm_ledger.ros.messages import (
    blind_text_from_rework,
    blocked_from_occupancy_grid,
    fill_point_cloud,
    fill_pose,
    hold_from_rework,
    rows_from_segments_cloud,
    stamp_ns_from,
    status_from,
)
from berm_ledger.site_source import load_site
from berm_ledger.survey.standstill import STANDS_STILL
from ledger_kit import a_grid, a_job_that_waits, a_pose, FakePipeline, NS, SITE_TEXT, Update
import pytest
from ros_kit import World

OUTPUTS = ('segments', 'table', 'rework', 'no_go', 'markers')


@pytest.fixture
def world(ros_context):
    with World(ros_context) as made:
        yield made


@pytest.fixture
def site_file(tmp_path):
    path = tmp_path / 'site.yaml'
    path.write_text(SITE_TEXT)
    return path


class Bench:
    """A ledger, a robot that feeds it, and somebody who listens."""

    def __init__(self, world, site_file, books, namespace='', reliable=True,
                 steady_s=time.monotonic, system_ns=time.time_ns, **parameters):
        from berm_ledger.ros.ledger import LedgerNode
        from rclpy.parameter import Parameter
        values = {'site_file': str(site_file), 'books_file': str(books), **parameters}
        self.world, self.site = world, load_site(site_file).site
        self.ledger = LedgerNode(
            make_pipeline=FakePipeline, steady_s=steady_s, system_ns=system_ns,
            context=world.context, namespace=namespace,
            parameter_overrides=[Parameter(n, value=v) for n, v in values.items()])
        world.add(self.ledger)
        self.robot = world.node('robot', namespace=namespace)
        self.feeds = feeds(self.robot, reliable)
        self.heard = {}
        listen(self.robot, OUTPUTS, self.heard)

    def start(self):
        assert self.ledger.start_by_itself()
        self.world.until(lambda: all(
            feed.get_subscription_count() for feed in self.feeds.values()))
        self.world.until(lambda: set(self.heard) >= set(OUTPUTS))
        return self

    def pose(self, stamp_s):
        from geometry_msgs.msg import PoseStamped
        msg = PoseStamped()
        fill_pose(msg, a_pose(stamp_s))
        self.feeds['pose'].publish(msg)

    def grid(self, stamp_s, height_m, frame='map'):
        from berm_ledger.ros.wire import wire_types
        from sensor_msgs.msg import PointCloud2
        msg = PointCloud2()
        fill_point_cloud(msg, a_grid(stamp_s, height_m, frame), wire_types())
        self.feeds['elevation'].publish(msg)

    def dump(self, mass_kg):
        from std_msgs.msg import Float32
        self.feeds['dump'].publish(Float32(data=mass_kg))

    def call(self, name):
        from std_srvs.srv import Trigger
        return self.world.call(self.robot, Trigger, f'ledger/{name}')

    def until_stamp(self, stamp_s):
        self.world.until(
            lambda: stamp_ns_from(self.heard['segments'].header) >= int(stamp_s * NS))

    @property
    def rows(self):
        return rows_from_segments_cloud(self.heard['segments'], self.site)


def feeds(node, reliable):
    from geometry_msgs.msg import PoseStamped
    from rclpy.qos import QoSProfile, QoSReliabilityPolicy
    from sensor_msgs.msg import PointCloud2
    from std_msgs.msg import Float32
    reliability = (QoSReliabilityPolicy.RELIABLE if reliable
                   else QoSReliabilityPolicy.BEST_EFFORT)
    qos = QoSProfile(depth=10, reliability=reliability)
    return {
        'pose': node.create_publisher(PoseStamped, 'pose', qos),
        'elevation': node.create_publisher(PointCloud2, 'elevation', qos),
        'dump': node.create_publisher(Float32, 'dump', 10),
    }


def listen(node, names, heard):
    from berm_ledger.ros.wire import latched_qos, message_class
    types = {
        'segments': 'sensor_msgs/msg/PointCloud2', 'table': 'std_msgs/msg/String',
        'rework': 'diagnostic_msgs/msg/DiagnosticArray', 'no_go': 'nav_msgs/msg/OccupancyGrid',
        'markers': 'visualization_msgs/msg/MarkerArray',
        '/diagnostics': 'diagnostic_msgs/msg/DiagnosticArray',
        'borrow_pose': 'geometry_msgs/msg/PoseStamped'}
    for name in names:
        node.create_subscription(
            message_class(types[name]), name,
            lambda msg, name=name: heard.__setitem__(name, msg), latched_qos())


@pytest.mark.parametrize('reliable', [True, False], ids=['reliable', 'best_effort'])
def test_grid_and_dump_reach_table_journal_and_segments(world, site_file, tmp_path, reliable):
    bench = Bench(world, site_file, tmp_path / 'b.sqlite', reliable=reliable).start()

    bench.pose(10.0)
    bench.dump(7.5)
    bench.grid(11.0, 0.15)
    bench.until_stamp(11.0)

    row = bench.rows[0]
    assert row.height_m == pytest.approx(0.15)
    assert (row.dumps_made, row.state) == (1, State.SHORT)
    assert 'berm west' in bench.heard['table'].data
    with Journal.read(tmp_path / 'b.sqlite') as journal:
        assert [entry.kind for entry in journal.entries()] == ['dump', 'reading']
    assert bench.ledger.pipeline.inputs == ['pose', 'dump', 'elevation']


def test_every_grid_and_dump_is_answered_whatever_became_of_it(world, site_file, tmp_path):
    bench = Bench(world, site_file, tmp_path / 'b.sqlite').start()
    bench.pose(10.0)
    for send in (
            lambda: bench.dump(float('nan')), lambda: bench.grid(11.0, 0.1, frame='odom'),
            lambda: bench.grid(12.0, 0.1), lambda: bench.grid(13.0, 0.1)):
        bench.heard.clear()
        send()
        world.until(lambda: set(bench.heard) >= {'segments', 'table', 'rework'})

    assert stamp_ns_from(bench.heard['segments'].header) == 13 * NS
    with Journal.read(tmp_path / 'b.sqlite') as journal:
        assert [entry.kind for entry in journal.entries()] == ['dump', 'refused', 'reading']


def test_what_cannot_be_read_is_booked_as_refused(world, site_file, tmp_path):
    from sensor_msgs.msg import PointCloud2
    bench = Bench(world, site_file, tmp_path / 'b.sqlite').start()
    bench.heard.clear()

    bench.feeds['elevation'].publish(PointCloud2())
    world.until(lambda: 'segments' in bench.heard)

    with Journal.read(tmp_path / 'b.sqlite') as journal:
        entry = next(iter(journal.entries()))
    assert (entry.kind, entry.data['code']) == ('refused', 'bad_message')
    assert entry.data['text'].startswith('elevation: ')


def test_a_restart_goes_on_from_the_books(world, site_file, tmp_path):
    first = Bench(world, site_file, tmp_path / 'b.sqlite').start()
    first.pose(10.0)
    first.dump(7.5)
    world.until(lambda: first.rows[0].dumps_made == 1)
    world.drop(first.ledger)
    world.drop(first.robot)

    second = Bench(world, site_file, tmp_path / 'b.sqlite').start()

    assert second.rows[0].dumps_made == 1
    second.pose(12.0)
    second.dump(7.5)
    world.until(lambda: second.rows[0].dumps_made == 2)


def test_a_clock_set_back_is_followed_and_told_in_its_own_time(world, site_file, tmp_path):
    """The books go on in the order of time; what is published has the time of the clock."""
    clock = [1000.0]
    bench = Bench(world, site_file, tmp_path / 'b.sqlite',
                  system_ns=lambda: int(clock[0] * NS)).start()
    bench.pose(1000.0)
    bench.grid(1000.0, 0.10)
    bench.until_stamp(1000.0)

    clock[0] = 400.0
    for stamp_s in (400.0, 400.5, 401.0, 401.5):
        bench.pose(stamp_s)
    bench.grid(401.5, 0.15)
    world.until(lambda: bench.rows[0].height_m == pytest.approx(0.15) and all(
        stamp_ns_from(bench.heard[name].header) == 401.5 * NS for name in ('segments', 'rework')))

    assert bench.rows[0].last_seen_ns == 401.5 * NS
    assert 'last look 0.0s ago' in bench.heard['table'].data
    with Journal.read(tmp_path / 'b.sqlite') as journal:
        kinds = [(entry.kind, entry.data.get('code')) for entry in journal.entries()]
        stamps_ns = [entry.stamp_ns for entry in journal.entries()]
    assert kinds == [('reading', None), *2 * [('refused', 'clock_set')],
                     ('refused', 'clock_followed'), ('reading', None)]
    assert stamps_ns == [1000 * NS] * 4 + [1001.5 * NS]


def test_whoever_comes_late_gets_the_last_state(world, site_file, tmp_path):
    bench = Bench(world, site_file, tmp_path / 'b.sqlite').start()
    bench.pose(10.0)
    bench.grid(11.0, 0.21)
    bench.until_stamp(11.0)
    late = {}
    listen(world.node('late'), OUTPUTS, late)

    world.until(lambda: set(late) == set(OUTPUTS))

    assert stamp_ns_from(late['segments'].header) == 11 * NS
    assert rows_from_segments_cloud(late['segments'], bench.site)[0].state == State.AT_GRADE


def test_markers_are_drawn_for_whoever_comes_and_for_nobody_else(
        world, site_file, tmp_path, monkeypatch):
    from berm_ledger.ros.ledger_topics import LedgerTopics
    drawn, draw = [], LedgerTopics.publish_markers
    monkeypatch.setattr(LedgerTopics, 'publish_markers', lambda self, books, stamp_ns, **rest: (
        drawn.append(stamp_ns), draw(self, books, stamp_ns, **rest)))
    monkeypatch.setitem(globals(), 'OUTPUTS', tuple(n for n in OUTPUTS if n != 'markers'))
    bench = Bench(world, site_file, tmp_path / 'b.sqlite').start()
    bench.pose(10.0)
    bench.grid(11.0, 0.21)
    bench.until_stamp(11.0)
    assert not drawn

    seen = {}
    listen(world.node('rviz'), ('markers',), seen)
    world.until(lambda: 'markers' in seen)
    assert seen['markers'].markers
    assert drawn == [11 * NS]


def test_markers_are_taken_back_when_the_ledger_ends(world, site_file, tmp_path):
    from visualization_msgs.msg import Marker
    bench = Bench(world, site_file, tmp_path / 'b.sqlite').start()
    bench.pose(10.0)
    bench.grid(11.0, 0.21)
    bench.until_stamp(11.0)

    world.drop(bench.ledger)

    world.until(lambda: [m.action for m in bench.heard['markers'].markers] == [Marker.DELETEALL])


def test_markers_follow_target_and_orders_while_time_stands_still(world, site_file, tmp_path):
    from berm_ledger.ros.wire import latched_qos
    from geometry_msgs.msg import PoseStamped
    from visualization_msgs.msg import Marker
    bench = Bench(world, site_file, tmp_path / 'b.sqlite').start()
    target = bench.robot.create_publisher(PoseStamped, 'target_pose', latched_qos())
    world.until(target.get_subscription_count)

    def drawn(namespace):
        return [marker.id for marker in bench.heard['markers'].markers
                if marker.ns == namespace and marker.action == Marker.ADD]

    msg = PoseStamped()
    fill_pose(msg, a_pose(10.0))
    target.publish(msg)
    world.until(lambda: drawn('target') == [0])
    msg.pose.position.x = math.nan
    target.publish(msg)
    world.until(lambda: not drawn('target'))

    bench.ledger.pipeline.stamp_ns += NS
    bench.ledger._book(bench.ledger.pipeline.disturb(), show=True)
    world.until(lambda: drawn('flags') == [0])
    assert bench.call('clear_rework').success
    world.until(lambda: not drawn('flags'))


def test_the_first_table_that_a_late_reader_gets_is_the_newest(
        world, site_file, tmp_path, monkeypatch):
    from berm_ledger.ros.wire import latched_qos, message_class

    def reader(name):
        node, tables = world.node(name), []
        subscription = node.create_subscription(
            message_class('std_msgs/msg/String'), 'table', tables.append, latched_qos())
        return tables, partial(node.destroy_subscription, subscription)

    monkeypatch.setitem(globals(), 'OUTPUTS', tuple(n for n in OUTPUTS if n != 'table'))
    bench = Bench(world, site_file, tmp_path / 'b.sqlite').start()
    bench.pose(10.0)
    early, leave = reader('early')
    bench.grid(11.0, 0.21)
    world.until(lambda: any('0.210' in table.data for table in early))
    leave()
    bench.grid(12.0, 0.11)
    bench.until_stamp(12.0)

    late, _ = reader('late')
    world.until(lambda: late)
    assert '0.110' in late[0].data
    assert '0.210' not in late[0].data


def test_two_rovers_in_two_namespaces_do_not_mix(world, site_file, tmp_path):
    one = Bench(world, site_file, tmp_path / 'one.sqlite', namespace='/rover1').start()
    two = Bench(world, site_file, tmp_path / 'two.sqlite', namespace='/rover2').start()

    one.pose(10.0)
    one.dump(7.5)
    world.until(lambda: one.rows[0].dumps_made == 1)
    two.pose(20.0)
    two.grid(21.0, 0.21)
    two.until_stamp(21.0)

    assert one.ledger.pipeline.inputs == ['pose', 'dump']
    assert two.ledger.pipeline.inputs == ['pose', 'elevation']
    assert two.rows[0].dumps_made == 0
    health = {}
    listen(one.robot, ['/diagnostics'], health)
    for namespace in ('rover1', 'rover2'):
        world.until(lambda namespace=namespace: '/diagnostics' in health and status_from(
            health['/diagnostics'].status[0]).name == f'{namespace}/ledger: pose')


def test_ledgers_of_other_books_under_one_name_say_so(world, site_file, tmp_path):
    first = Bench(world, site_file, tmp_path / 'a.sqlite', namespace='/rover1').start()
    listen(first.robot, ('/diagnostics',), first.heard)
    # Of the robot that listens there, too.
    second = Bench(world, site_file, tmp_path / 'b.sqlite', namespace='/rover1').start()

    def books():
        found = [status_from(s) for s in first.heard['/diagnostics'].status]
        return next(s for s in found if s.name == 'rover1/ledger: books')

    world.until(lambda: '/diagnostics' in first.heard and books().level == 2)
    assert books().message.startswith('2 nodes publish /rover1/segments')
    world.drop(second.ledger)
    world.until(lambda: books().level != 2)


def test_the_ground_is_sent_again_only_when_it_changed(world, site_file, tmp_path):
    bench = Bench(world, site_file, tmp_path / 'b.sqlite').start()
    lattice, blocked = blocked_from_occupancy_grid(bench.heard.pop('no_go'))
    assert not blocked.any()
    assert lattice.cell_m == pytest.approx(0.1)

    bench.pose(10.0)
    bench.grid(20.0, 0.1)
    bench.until_stamp(20.0)
    assert 'no_go' not in bench.heard

    bench.ledger.pipeline.blocked = ~blocked
    bench.grid(20.5, 0.1)
    bench.until_stamp(20.5)
    assert 'no_go' not in bench.heard, 'no more often than once a second of message time'
    bench.grid(30.0, 0.1)
    world.until(lambda: 'no_go' in bench.heard)
    assert blocked_from_occupancy_grid(bench.heard['no_go'])[1].all()


def test_the_pose_to_dig_from_is_taken_back_when_no_lane_is_open(world, site_file, tmp_path):
    bench = Bench(world, site_file, tmp_path / 'b.sqlite').start()
    listen(bench.robot, ('borrow_pose',), bench.heard)
    pipeline = bench.ledger.pipeline
    lane = pipeline.lanes['pit'][0]

    pipeline.next_lane = lambda: (lane, 0.01)
    bench.grid(20.0, 0.1)
    world.until(lambda: 'borrow_pose' in bench.heard)
    position = bench.heard['borrow_pose'].pose.position
    assert (position.x, position.y) == pytest.approx((lane.start.x_m, lane.start.y_m))

    pipeline.next_lane = lambda: None
    bench.grid(30.0, 0.1)
    world.until(lambda: math.isnan(bench.heard['borrow_pose'].pose.position.x))
    assert bench.heard['borrow_pose'].header.frame_id == 'map'
    assert stamp_ns_from(bench.heard['borrow_pose'].header) == 30 * NS


def test_hold_and_flags_are_shown_until_the_operator_acts(world, site_file, tmp_path):
    bench = Bench(world, site_file, tmp_path / 'b.sqlite').start()
    assert not bench.call('resume').success
    assert not bench.call('clear_rework').success
    bench.ledger._book(bench.ledger.pipeline.disturb(), show=True)
    world.until(lambda: hold_from_rework(bench.heard['rework']) == (True, 'soil was disturbed'))
    assert len(bench.heard['rework'].status) == 2
    assert 'ON HOLD' in bench.heard['table'].data

    answer = bench.call('resume')
    assert (answer.success, answer.message) == (True, 'the operator resumed')
    world.until(lambda: not hold_from_rework(bench.heard['rework'])[0])
    assert bench.call('clear_rework').success
    world.until(lambda: not bench.heard['rework'].status)


def ask_for_a_report(bench):
    from std_srvs.srv import Trigger
    client = bench.robot.create_client(Trigger, 'ledger/write_report')
    bench.world.until(client.service_is_ready)
    answer = client.call_async(Trigger.Request())
    bench.world.until(lambda: bench.ledger.waits)
    return answer


def test_messages_are_taken_and_orders_answered_while_a_report_is_written(
        world, site_file, tmp_path, monkeypatch):
    gate = a_job_that_waits(tmp_path, monkeypatch)
    bench = Bench(world, site_file, tmp_path / 'books.sqlite').start()
    bench.pose(1.0)
    answer = ask_for_a_report(bench)

    bench.grid(2.0, 0.10)
    bench.until_stamp(2.0)
    again, resume = bench.call('write_report'), bench.call('resume')

    assert not answer.done()
    assert (again.success, 'already' in again.message) == (False, True)
    assert resume.message == 'the books are not on hold'
    gate.write_text('all is written')
    world.until(answer.done)
    assert (answer.result().success, answer.result().message) == (True, 'all is written')


def test_a_report_in_the_making_ends_with_the_ledger(world, site_file, tmp_path, monkeypatch):
    a_job_that_waits(tmp_path, monkeypatch)
    bench = Bench(world, site_file, tmp_path / 'books.sqlite').start()
    answer = ask_for_a_report(bench)

    bench.ledger.trigger_shutdown()
    world.until(answer.done)

    assert (answer.result().success, answer.result().message) == (False, 'the ledger is closing')


def test_a_table_that_grows_old_says_so_until_the_next_look(world, site_file, tmp_path):
    from berm_ledger.ros.ledger import LedgerNode
    from rclpy.parameter import Parameter
    now_s = [500.0]
    ledger = world.add(LedgerNode(
        make_pipeline=FakePipeline, context=world.context, steady_s=lambda: now_s[0],
        parameter_overrides=[Parameter('site_file', value=str(site_file)),
                             Parameter('books_file', value=str(tmp_path / 'b.sqlite'))]))
    robot, heard, health = world.node('robot'), {}, []
    listen(robot, ['table', 'segments'], heard)
    from diagnostic_msgs.msg import DiagnosticArray
    robot.create_subscription(DiagnosticArray, '/diagnostics', health.append, 10)
    assert ledger.start_by_itself()
    world.until(lambda: 'table' in heard and health)
    assert 'NO LOOK' not in heard['table'].data

    now_s[0] += 35.0
    world.until(lambda: 'NO LOOK HAS COME IN for 35s' in heard['table'].data)
    health.clear()
    now_s[0] += 5.0
    world.until(lambda: len(health) > 1)
    assert 'for 35s' in heard['table'].data, 'told again every ten seconds'
    now_s[0] += 85.0
    world.until(lambda: 'for 2min' in heard['table'].data)

    feed = feeds(robot, reliable=True)['elevation']
    world.until(feed.get_subscription_count)
    from berm_ledger.ros.wire import wire_types
    from sensor_msgs.msg import PointCloud2
    grid = PointCloud2()
    fill_point_cloud(grid, a_grid(11.0, 0.15), wire_types())
    feed.publish(grid)
    world.until(lambda: 'NO LOOK' not in heard['table'].data)


def test_a_table_says_so_while_every_grid_is_refused(world, site_file, tmp_path):
    now_s = [500.0]
    bench = Bench(world, site_file, tmp_path / 'b.sqlite', steady_s=lambda: now_s[0]).start()
    now_s[0] += 35.0

    said = '\nNO LOOK COULD BE USED for 35s: frame odom\n'

    bench.grid(11.0, 0.15, frame='odom')
    world.until(lambda: said in bench.heard['table'].data)
    bench.heard.pop('table')
    bench.dump(7.5)
    world.until(lambda: 'table' in bench.heard)
    assert said in bench.heard['table'].data
    bench.grid(12.0, 0.15)
    world.until(lambda: 'NO LOOK' not in bench.heard['table'].data)


def test_flags_say_while_no_grid_can_be_used_for_long(world, site_file, tmp_path):
    now_s = [500.0]
    bench = Bench(world, site_file, tmp_path / 'b.sqlite', steady_s=lambda: now_s[0]).start()
    for stamp_s in (11.0, 21.0):
        bench.heard.clear()
        bench.grid(stamp_s, 0.15, frame='odom')
        world.until(lambda: {'segments', 'rework'} <= set(bench.heard))
        now_s[0] += 12.0
    # Every table says so, also that of a dump.
    bench.heard.clear()
    bench.dump(7.5)
    world.until(lambda: {'segments', 'rework'} <= set(bench.heard))
    assert blind_text_from_rework(bench.heard['rework']) == (
        'no look could be used for 24s: frame odom')

    bench.heard.clear()
    bench.grid(22.0, 0.15)
    world.until(lambda: {'segments', 'rework'} <= set(bench.heard))
    assert blind_text_from_rework(bench.heard['rework']) == ''


def test_a_mapper_that_stands_still_is_told_to_all(world, site_file, tmp_path):
    from diagnostic_msgs.msg import DiagnosticArray
    now_s, health = [500.0], []
    bench = Bench(world, site_file, tmp_path / 'b.sqlite', steady_s=lambda: now_s[0]).start()
    bench.robot.create_subscription(DiagnosticArray, '/diagnostics', health.append, 10)
    text = 'the same heights on and on'
    bench.ledger.pipeline.add_grid = lambda grid: Update(findings=(
        Finding(STANDS_STILL, text, Severity.WARNING, grid.stamp_ns),))
    for stamp_s in (11.0, 21.0, 31.0):
        now_s[0] += 12.0
        bench.heard.clear()
        bench.grid(stamp_s, 0.15)
        world.until(lambda: {'table', 'rework'} <= set(bench.heard))
    assert f'\nNO LOOK COULD BE USED for 36s: {text}\n' in bench.heard['table'].data
    assert blind_text_from_rework(bench.heard['rework']) == (
        f'no look could be used for 36s: {text}')
    world.until(lambda: any(
        status.message == f'NO LOOK COULD BE USED for 36s: {text}'
        for array in health for status in array.status if status.name.endswith('elevation')))


def test_an_order_that_cannot_be_followed_says_why(world, site_file, tmp_path):
    bench = Bench(world, site_file, tmp_path / 'b.sqlite').start()

    answer = bench.call('take_datum')

    assert (answer.success, answer.message) == (False, 'too little ground is known')


def test_books_that_cannot_be_written_stop_the_topics_and_are_an_error(
        world, site_file, tmp_path):
    path = tmp_path / 'b.sqlite'
    bench = Bench(world, site_file, path).start()
    listen(bench.robot, ['/diagnostics'], bench.heard)
    path.rename(tmp_path / 'moved.sqlite')
    bench.heard.clear()

    bench.pose(10.0)
    bench.dump(7.5)
    world.until(lambda: '/diagnostics' in bench.heard and any(
        s.name == 'ledger: journal' and s.level == 2
        for s in map(status_from, bench.heard['/diagnostics'].status)))

    assert 'segments' not in bench.heard


def test_a_managed_ledger_takes_nothing_until_it_is_active(world, site_file, tmp_path):
    from lifecycle_msgs.srv import ChangeState, GetState
    bench = Bench(world, site_file, tmp_path / 'b.sqlite', autostart=False)
    assert bench.ledger.start_by_itself()

    def change(transition):
        request = ChangeState.Request()
        request.transition.label = transition
        return world.call(bench.robot, ChangeState, 'ledger/change_state', request).success

    def state():
        return world.call(bench.robot, GetState, 'ledger/get_state').current_state.label

    assert state() == 'unconfigured'
    assert change('configure')
    assert not bench.call('resume').success
    assert bench.heard == {}
    assert change('activate')
    world.until(lambda: set(bench.heard) >= set(OUTPUTS))
    assert change('deactivate')
    assert list(bench.ledger.subscriptions) == []
    assert change('cleanup')
    assert state() == 'unconfigured'
    with Journal.open(tmp_path / 'b.sqlite', load_site(site_file).digest, 'site.yaml'):
        pass
    assert change('configure')
    assert change('shutdown')
    assert state() == 'finalized'


@pytest.mark.parametrize(('parameters', 'text'), [
    ({'elevation_type': 'cloud'}, 'one of point_cloud, grid_map'),
    ({'site_fiel': 'x'}, 'site_fiel is not known'),
    ({'pose_type': 1}, 'it must be text'),
])
def test_parameters_against_the_table_are_refused_at_once(
        world, site_file, tmp_path, parameters, text):
    with pytest.raises(UsageError, match=text):
        Bench(world, site_file, tmp_path / 'b.sqlite', **parameters)


def test_a_second_ledger_on_the_same_books_is_refused(world, site_file, tmp_path):
    Bench(world, site_file, tmp_path / 'b.sqlite').start()
    second = Bench(world, site_file, tmp_path / 'b.sqlite', namespace='/second')

    assert not second.ledger.start_by_itself()
    assert 'b.sqlite' in str(second.ledger.fault)


def test_grid_maps_without_their_package_are_refused_with_what_to_do(
        world, site_file, tmp_path, monkeypatch):
    monkeypatch.setitem(__import__('sys').modules, 'grid_map_msgs', None)
    bench = Bench(world, site_file, tmp_path / 'b.sqlite', elevation_type='grid_map')

    assert not bench.ledger.start_by_itself()
    assert 'grid-map-msgs' in str(bench.ledger.fault)
    assert not (tmp_path / 'b.sqlite').exists()


def test_a_topic_of_another_type_is_named_with_both(world, site_file, tmp_path, ros_domain_id):
    import rclpy
    from rclpy.node import Node
    from std_msgs.msg import Float64
    # Within one participant the middleware refuses a topic of two types.
    other = rclpy.Context()
    rclpy.init(args=[], context=other, domain_id=ros_domain_id)
    stack = Node('stack', context=other)
    stack.create_publisher(Float64, 'dump', 10)
    bench = Bench(world, site_file, tmp_path / 'b.sqlite')
    bench.robot.destroy_publisher(bench.feeds.pop('dump'))
    listen(bench.robot, ('/diagnostics',), bench.heard)

    def told():
        known = bench.heard.get('/diagnostics')
        return [] if known is None else [
            s.message for s in known.status if s.name == 'ledger: dump']

    try:
        bench.start()
        said = ('nothing can come in: it is published as std_msgs/msg/Float64, not as '
                'std_msgs/msg/Float32')
        world.until(lambda: told() == [said])
    finally:
        stack.destroy_node()
        other.try_shutdown()


def test_every_pose_type_is_understood(world, site_file, tmp_path):
    from berm_ledger.ros.wire import POSE_TYPES
    for number, (name, kind) in enumerate(POSE_TYPES.items()):
        bench = Bench(world, site_file, tmp_path / f'{name}.sqlite', namespace=f'/r{number}',
                      pose_type=name)
        bench.robot.destroy_publisher(bench.feeds['pose'])
        bench.feeds['pose'] = bench.robot.create_publisher(kind, 'pose', 10)
        bench.start()
        msg = kind()
        fill_pose(msg, a_pose(10.0))
        bench.feeds['pose'].publish(msg)
        world.until(lambda bench=bench: bench.ledger.pipeline.inputs == ['pose'])
        assert bench.ledger.pipeline.stamp_ns == 10 * NS
