# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Habits of ROS: names, namespaces, remapping, quality of service, parameters, logging.

Frames and units (REP 103, REP 105) are in ``test_frames_and_units.py``, the package manifest
(REP 149) and the level of quality (REP 2004) in ``test/packaging``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
import itertools
from pathlib import Path
import re
from typing import Any

from berm_ledger.ros.messages import fill_point_cloud, fill_pose, hold_from_rework, status_from
from berm_ledger.ros.parameters import specs_of
from ledger_kit import a_grid, a_pose, NS
from nodes_kit import ABSOLUTE, add_node, names_of
import pytest
from ros_kit import World
import yaml

pytest.importorskip('rclpy', reason='needs rclpy, from a ROS 2 installation or the extra ros')

ROOT = Path(__file__).resolve().parents[2]
NODES = ('ledger', 'target', 'yard')
INPUTS = {
    'ledger': ('pose', 'dump', 'elevation'),
    'target': ('pose', 'segments', 'crest', 'no_go', 'rework', 'borrow', 'site_file')}
OUTPUTS = {
    'ledger': ('segments', 'crest', 'table', 'rework', 'no_go', 'markers', 'site_file'),
    'target': ('target_pose', 'target_path', 'target')}
SERVICES = {
    'ledger': ('take_datum', 'resume', 'clear_rework', 'write_report'),
    'target': ('next_target', 'plan_approach')}


@pytest.fixture
def world(ros_context: Any) -> Iterator[World]:
    with World(ros_context) as made:
        yield made


# ---- names -----------------------------------------------------------------------------------

@pytest.mark.parametrize('name', NODES)
def test_every_name_is_relative_to_the_namespace(
        world: World, tmp_path: Path, name: str) -> None:
    node = add_node(world, tmp_path, name, '/site/rover1')
    assert node.start_by_itself()
    names = names_of(world, world.node('observer'), node)

    everything = set().union(*names.values())
    assert {n for n in everything if not n.startswith('/site/rover1/')} <= ABSOLUTE
    if name in SERVICES:
        assert {f'/site/rover1/{name}/{service}' for service in SERVICES[name]} <= (
            names['service'])
        assert {f'/site/rover1/{topic}' for topic in OUTPUTS[name]} <= names['publisher']
        assert {f'/site/rover1/{topic}' for topic in INPUTS[name]} <= names['subscriber']


@pytest.mark.parametrize('name', ['ledger', 'target'])
def test_every_topic_can_be_remapped(world: World, tmp_path: Path, name: str) -> None:
    topics = (*INPUTS[name], *OUTPUTS[name])
    rules = [word for topic in topics for word in ('-r', f'{topic}:=/elsewhere/{topic}_2')]
    node = add_node(world, tmp_path, name, '/rover1', arguments=['--ros-args', *rules])
    assert node.start_by_itself()
    names = names_of(world, world.node('observer'), node)

    for kind, wanted in (('publisher', OUTPUTS[name]), ('subscriber', INPUTS[name])):
        assert {f'/elsewhere/{topic}_2' for topic in wanted} <= names[kind]
        assert not {f'/rover1/{topic}' for topic in wanted} & names[kind]


@pytest.mark.parametrize('name', ['ledger', 'target'])
def test_the_readme_names_every_topic_and_service(
        world: World, tmp_path: Path, name: str) -> None:
    readme = (ROOT / 'README.md').read_text(encoding='utf-8')
    part, = re.findall(rf'### Node `{name}`\n(.*?)\n### ', readme, re.DOTALL)
    node = add_node(world, tmp_path, name, '/r')
    assert node.start_by_itself()
    names = names_of(world, world.node('observer'), node)

    for topic in (names['publisher'] | names['subscriber']) - ABSOLUTE:
        if not topic.startswith(f'/r/{name}/'):
            assert f'`{topic[3:]}`' in part, topic
    own = {n for n in names['service'] if n.startswith(f'/r/{name}/')}
    ours = {n for n in own if 'parameter' not in n and not n.endswith((
        '_state', '_states', '_transitions', 'transition_graph', '_type_description'))}
    assert ours == {f'/r/{name}/{service}' for service in SERVICES[name]}
    for service in ours:
        assert f'`~/{service.rpartition("/")[2]}`' in part


def test_two_rovers_on_one_machine_do_not_mix(world: World, tmp_path: Path) -> None:
    from berm_ledger.ros.wire import latched_qos
    from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
    heard: dict[str, Any] = {}
    ledgers = {}
    for rover in ('/rover1', '/rover2'):
        ledgers[rover] = add_node(world, tmp_path / rover[1:], 'ledger', rover)
        for node in (ledgers[rover], add_node(world, tmp_path / rover[1:], 'target', rover)):
            assert node.start_by_itself()
        ear = world.node('ear', namespace=rover)
        for topic, kind in (('rework', DiagnosticArray), ('target', DiagnosticStatus)):
            ear.create_subscription(
                kind, topic, lambda msg, key=rover + topic: heard.__setitem__(key, msg),
                latched_qos())

    ledgers['/rover1']._book(ledgers['/rover1'].pipeline.disturb(), show=True)
    for number, ledger in enumerate(ledgers.values()):
        # A table of a stamp of its own, so that each target node is known to have chosen anew.
        ledger.pipeline.stamp_ns = (number + 7) * NS
        ledger._publish()
    for number, rover in enumerate(ledgers):
        world.until(lambda key=rover + 'target', number=number: key in heard and status_from(
            heard[key]).values.get('segments_stamp_s', '').startswith(f'{number + 7}.'))

    holds = {rover: status_from(heard[rover + 'target']).values['hold'] for rover in ledgers}
    assert holds == {'/rover1': 'true', '/rover2': 'false'}
    assert hold_from_rework(heard['/rover1rework'])[0]
    assert not hold_from_rework(heard['/rover2rework'])[0]


def test_two_rovers_keep_two_books_where_nobody_names_them(
        world: World, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv('ROS_HOME', str(tmp_path / 'home'))
    for rover in ('/rover1', '/rover2'):
        assert add_node(world, tmp_path, 'ledger', rover, books_file='').start_by_itself()

    assert len(list((tmp_path / 'home').rglob('*.sqlite'))) == 2


# ---- quality of service ----------------------------------------------------------------------

def qualities() -> list[Any]:
    """Return what others may offer or ask for."""
    from rclpy.qos import QoSDurabilityPolicy, QoSProfile, QoSReliabilityPolicy
    return [QoSProfile(depth=5, reliability=reliability, durability=durability)
            for reliability, durability in itertools.product(
                (QoSReliabilityPolicy.RELIABLE, QoSReliabilityPolicy.BEST_EFFORT),
                (QoSDurabilityPolicy.VOLATILE, QoSDurabilityPolicy.TRANSIENT_LOCAL))]


@pytest.mark.parametrize('name', ['ledger', 'target'])
def test_whatever_listener_can_hear_what_is_published(
        world: World, tmp_path: Path, name: str) -> None:
    from rclpy.qos import qos_check_compatible, QoSCompatibility
    node = add_node(world, tmp_path, name)
    assert node.start_by_itself()
    observer = world.node('observer')

    for topic in OUTPUTS[name]:
        world.until(lambda topic=topic: observer.get_publishers_info_by_topic(topic))
        offered, = (info.qos_profile for info in observer.get_publishers_info_by_topic(topic))
        for asked in qualities():
            # What depends on the depth the graph does not tell.
            assert qos_check_compatible(offered, asked)[0] != QoSCompatibility.ERROR, topic


def silent() -> Any:
    """Return callbacks of a publisher that say nothing."""
    from berm_ledger.ros.wire import EVENTS
    return EVENTS.PublisherEventCallbacks(use_default_callbacks=False)


@pytest.mark.parametrize('number', range(4))
def test_whatever_publisher_is_heard(world: World, tmp_path: Path, number: int) -> None:
    from berm_ledger.ros.wire import wire_types
    from geometry_msgs.msg import PoseStamped
    from sensor_msgs.msg import PointCloud2
    from std_msgs.msg import Float32
    ledger = add_node(world, tmp_path, 'ledger')
    assert ledger.start_by_itself()
    robot, quality = world.node('robot'), qualities()[number]
    pose, grid, dump = PoseStamped(), PointCloud2(), Float32(data=7.5)
    fill_pose(pose, a_pose(10.0))
    fill_point_cloud(grid, a_grid(11.0, 0.1), wire_types())

    for topic, msg in (('pose', pose), ('dump', dump), ('elevation', grid)):
        # The default callbacks of rclpy itself use what it has deprecated.
        out = robot.create_publisher(type(msg), topic, quality, event_callbacks=silent())
        world.until(out.get_subscription_count)

        def heard(topic: str = topic, msg: Any = msg, out: Any = out) -> bool:
            # Best effort may lose one.
            out.publish(msg)
            return topic in ledger.pipeline.inputs

        world.until(heard)


# ---- parameters ------------------------------------------------------------------------------

def asker(world: World, node: Any) -> Callable[..., Any]:
    """Return what calls a node's standard parameter services."""
    from rcl_interfaces import srv
    observer = world.node('asker')

    def ask(service: str, **fields: Any) -> Any:
        kind = getattr(srv, ''.join(word.capitalize() for word in service.split('_')))
        name = f'{node.get_fully_qualified_name()}/{service}'
        return world.call(observer, kind, name, kind.Request(**fields))

    return ask


def plain(value: Any) -> Any:
    """Return the content of an rcl_interfaces/ParameterValue."""
    return {1: value.bool_value, 2: value.integer_value, 3: value.double_value,
            4: value.string_value}[value.type]


@pytest.mark.parametrize('name', NODES)
def test_parameters_are_described_bounded_and_fixed(
        world: World, tmp_path: Path, name: str) -> None:
    ask = asker(world, add_node(world, tmp_path, name))
    specs = {spec.name: spec for spec in specs_of(name)}
    assert set(specs) <= set(ask('list_parameters').result.names)

    for given in ask('describe_parameters', names=list(specs)).descriptors:
        spec = specs[given.name]
        assert given.description.strip()
        assert given.read_only == spec.read_only
        assert given.type == {bool: 1, int: 2, float: 3, str: 4}[type(spec.default)]
        if isinstance(spec.default, float):
            bounds, = given.floating_point_range
            assert (bounds.from_value, bounds.to_value) == (spec.low, spec.high)
            assert given.name.endswith('_s')
            assert given.description.endswith('[s]')
        elif given.type == 2:
            bounds, = given.integer_range
            assert (bounds.from_value, bounds.to_value) == (spec.low, spec.high)
        assert all(choice in given.additional_constraints for choice in spec.choices)


@pytest.mark.parametrize(('name', 'given'), [
    ('ledger', {'pose_type': 'odometry', 'layer': '7', 'autostart': False}),
    ('target', {'pose_timeout_s': 3.0, 'books_timeout_s': 100.0, 'autostart': False}),
    ('yard', {'seed': 9, 'answer_timeout_s': 60.0}),
])
def test_a_dump_of_the_parameters_starts_the_same_node(
        world: World, tmp_path: Path, name: str, given: dict[str, Any]) -> None:
    first = add_node(world, tmp_path, name, '/rover1', **given)
    ask = asker(world, first)
    # As `ros2 param dump` does it: list, get, and nest what has dots in its name.
    names = ask('list_parameters').result.names
    values = dict(zip(names, map(plain, ask('get_parameters', names=names).values)))
    dumped: dict[str, Any] = {}
    for key, value in values.items():
        place = dumped
        for part in key.split('.')[:-1]:
            place = place.setdefault(part, {})
        place[key.split('.')[-1]] = value
    path = tmp_path / 'dump.yaml'
    full_name = first.get_fully_qualified_name()
    path.write_text(yaml.safe_dump({full_name: {'ros__parameters': dumped}}))
    world.drop(first)

    from berm_ledger.ros import ledger, target, yard
    kinds = {'ledger': ledger.LedgerNode, 'target': target.TargetNode, 'yard': yard.YardNode}
    second = world.add(kinds[name](
        context=world.context, namespace='/rover1',
        cli_args=['--ros-args', '--params-file', str(path)]))

    assert second.parameters == first.parameters
    again = asker(world, second)('get_parameters', names=names).values
    assert dict(zip(names, map(plain, again))) == values
    assert {n: getattr(second.parameters, n) for n in given} == given


def test_a_read_only_parameter_is_refused_through_the_service(
        world: World, tmp_path: Path) -> None:
    from rcl_interfaces.msg import Parameter, ParameterValue
    ask = asker(world, add_node(world, tmp_path, 'target'))

    def set_to(name: str, **value: Any) -> Any:
        parameter = Parameter(name=name, value=ParameterValue(**value))
        return ask('set_parameters', parameters=[parameter]).results[0]

    assert not set_to('site_file', type=4, string_value='other.yaml').successful
    assert not set_to('pose_timeout_s', type=3, double_value=0.0).successful
    assert set_to('pose_timeout_s', type=3, double_value=5.0).successful


# ---- diagnostics -----------------------------------------------------------------------------

def test_diagnostics_keep_the_conventions(world: World, tmp_path: Path) -> None:
    from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
    ledger = add_node(world, tmp_path, 'ledger', '/rover1')
    heard: dict[str, Any] = {}
    ear = world.node('ear')
    for topic in ('/diagnostics', '/rover1/rework'):
        # As an aggregator subscribes.
        ear.create_subscription(
            DiagnosticArray, topic, lambda msg, topic=topic: heard.__setitem__(topic, msg), 10)
    assert ledger.start_by_itself()
    world.until(lambda: ear.count_publishers('/rover1/rework') and '/diagnostics' in heard)
    ledger.pipeline.stamp_ns = 5 * NS
    ledger._book(ledger.pipeline.disturb(), show=True)
    world.until(lambda: len(heard['/rover1/rework'].status) == 2 if (
        '/rover1/rework' in heard) else False)
    world.until(lambda: any('on hold' in s.message for s in heard['/diagnostics'].status))

    levels = {DiagnosticStatus.OK, DiagnosticStatus.WARN, DiagnosticStatus.ERROR,
              DiagnosticStatus.STALE}
    for msg in heard.values():
        assert msg.header.stamp.sec > 0
        names = [status.name for status in msg.status]
        assert len(set(names)) == len(names)
        for status in msg.status:
            assert status.level in levels
            assert status.message
            assert '\n' not in status.message
            assert status.hardware_id == 'berm_ledger'
            keys = [pair.key for pair in status.values]
            assert all(keys)
            assert len(set(keys)) == len(keys)
    # Aggregators sort by the name, which begins with that of the node.
    assert all(s.name.startswith('rover1/ledger: ') for s in heard['/diagnostics'].status)
    words = {s.name.partition(': ')[2]: s for s in heard['/diagnostics'].status}
    assert words['books'].level == DiagnosticStatus.WARN
    # Never heard of: nothing can be said of it, and what to check.
    assert words['elevation'].level == DiagnosticStatus.STALE
    assert 'does anything publish' in words['elevation'].message
    assert words['journal'].level == DiagnosticStatus.OK


# ---- logging ---------------------------------------------------------------------------------

def test_the_log_is_quiet_at_work_and_warns_when_somebody_should_look(
        world: World, tmp_path: Path) -> None:
    from berm_ledger.ros.wire import wire_types
    from geometry_msgs.msg import PoseStamped
    from rcl_interfaces.msg import Log
    from rclpy.qos import DurabilityPolicy, QoSProfile
    from sensor_msgs.msg import PointCloud2
    from std_msgs.msg import Float32
    lines: list[Any] = []
    observer = world.node('observer')
    # As /rosout is published: what was logged before the two have met comes, too.
    kept = QoSProfile(depth=100, durability=DurabilityPolicy.TRANSIENT_LOCAL)
    observer.create_subscription(
        Log, '/rosout', lambda msg: lines.append(msg) if msg.name == 'ledger' else None, kept)
    ledger = add_node(world, tmp_path, 'ledger')
    world.until(lambda: observer.count_publishers('/rosout') >= 2)
    assert ledger.start_by_itself()
    out = {topic: observer.create_publisher(kind, topic, 100) for topic, kind in (
        ('pose', PoseStamped), ('elevation', PointCloud2), ('dump', Float32))}
    world.until(lambda: all(o.get_subscription_count() for o in out.values()))

    def level(kind: str) -> int:
        value = getattr(Log, kind)
        return value[0] if isinstance(value, bytes) else value

    for second in range(20):
        pose, grid = PoseStamped(), PointCloud2()
        fill_pose(pose, a_pose(10.0 + second))
        fill_point_cloud(grid, a_grid(10.5 + second, 0.1), wire_types())
        out['pose'].publish(pose)
        out['elevation'].publish(grid)
        world.until(lambda second=second: ledger.pipeline.stamp_ns > (10.4 + second) * NS)
    out['dump'].publish(Float32(data=7.5))
    world.until(lambda: any('booked dump' in line.msg for line in lines))
    # Looks and poses are nothing to tell of; a start and a dump are.
    assert {line.level for line in lines} == {level('INFO')}
    assert len(lines) <= 2

    ledger._book(ledger.pipeline.disturb(), show=True)
    world.until(lambda: any('booked hold' in line.msg for line in lines))
    loud = [line.msg for line in lines if line.level == level('WARN')]
    assert [text.split(':')[0] for text in loud] == [
        'booked disturbed west segment 1', 'booked hold']
