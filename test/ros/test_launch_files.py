# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The launch files for real: nodes come up, a build is played, a target asked, all ends cleanly.

Needs launch_pytest and this package in a workspace that is built and sourced; a ROS 2
installation has the first, ``colcon build`` makes the second.
"""

import contextlib
import importlib.util
import os
from pathlib import Path
import sqlite3

from berm_ledger.ros.memory import large_pages
from berm_ledger.ros.messages import (
    flagged_from_rework,
    hold_from_rework,
)
from berm_ledger.simulation import BuildOptions, Intrusion, SimulatedBuild, YardOptions
from berm_ledger.site_source import load_site
from ledger_kit import SMALL_SITE
from player_kit import Player, player_program
import pytest
from ros_kit import World

# Not `launch`: from the top of the repository that name finds our own folder.
launch_pytest = pytest.importorskip(
    'launch_pytest', reason='needs launch_pytest, which a ROS 2 installation has')

ROOT = Path(__file__).resolve().parents[2]
FILES = ('ledger', 'demo', 'replay')
OPTIONS = BuildOptions(
    yard=YardOptions(soil_cell_m=0.02), most_loads=2,
    intrusions=(Intrusion('remove', 0.004, station_m=0.2, after_load=2, mended=False),))


def share_folder():
    """Return the share folder of the built package, or skip."""
    from ament_index_python.packages import get_package_prefix, PackageNotFoundError
    try:
        prefix = Path(get_package_prefix('berm_ledger'))
    except PackageNotFoundError:
        pytest.skip('needs berm_ledger built with colcon and its setup file sourced')
    if not (prefix / 'lib' / 'berm_ledger' / 'ledger_node').exists():
        pytest.skip('needs the executables where colcon puts them, in lib/berm_ledger')
    return prefix / 'share' / 'berm_ledger'


def description_of(share, name, exits, **arguments):
    """Return the description of one of our launch files; exit codes go to ``exits``."""
    from launch import LaunchDescription
    from launch.actions import IncludeLaunchDescription, RegisterEventHandler
    from launch.event_handlers import OnProcessExit
    from launch.launch_description_sources import PythonLaunchDescriptionSource
    source = PythonLaunchDescriptionSource(str(share / 'launch' / f'{name}.launch.py'))
    return LaunchDescription([
        RegisterEventHandler(OnProcessExit(on_exit=lambda event, _: exits.__setitem__(
            getattr(event.action, 'node_name', 'player').split('/')[-1], event.returncode))),
        IncludeLaunchDescription(source, launch_arguments=arguments.items()),
        launch_pytest.actions.ReadyToTest()])


def environment_of(program):
    """Return the environment of a node of this domain."""
    domain = f'ROS_DOMAIN_ID={os.environ["ROS_DOMAIN_ID"]}'
    for process in Path('/proc').glob('[0-9]*'):
        with contextlib.suppress(OSError):
            lines = (process / 'environ').read_text().split('\0')
            if domain in lines and program in (process / 'cmdline').read_text():
                return dict(line.split('=', 1) for line in lines if '=' in line)
    raise LookupError(program)


def state_of(world, manager, name):
    from lifecycle_msgs.srv import GetState
    return world.call(manager, GetState, f'{name}/get_state').current_state.label


def change(world, manager, name, step):
    from lifecycle_msgs.srv import ChangeState
    request = ChangeState.Request()
    request.transition.label = step
    return world.call(manager, ChangeState, f'{name}/change_state', request).success


@pytest.fixture
def exits():
    return {}


@pytest.fixture
def site_file(tmp_path):
    path = tmp_path / 'site.yaml'
    path.write_text(SMALL_SITE)
    return path


@launch_pytest.fixture
def ledger_launch(ros_domain_id, tmp_path, site_file, exits):
    return description_of(
        share_folder(), 'ledger', exits, site_file=str(site_file),
        books_file=str(tmp_path / 'books.sqlite'), namespace='rover1', dump_topic='unloaded',
        books_timeout_s='1000.0', pose_timeout_s='1000.0')


@launch_pytest.fixture
def demo_launch(ros_domain_id, tmp_path, site_file, exits):
    return description_of(
        share_folder(), 'demo', exits, site_file=str(site_file), out=str(tmp_path))


@launch_pytest.fixture
def managed_launch(ros_domain_id, tmp_path, site_file, exits):
    return description_of(
        share_folder(), 'ledger', exits, site_file=str(site_file), autostart='false',
        books_file=str(tmp_path / 'books.sqlite'))


@launch_pytest.fixture
def replay_launch(ros_domain_id, tmp_path, site_file, exits, monkeypatch):
    pytest.importorskip('rosbags')
    from berm_ledger.offline.bag_writer import write_bag
    share = share_folder()
    write_bag(tmp_path / 'bag', SimulatedBuild(
        load_site(site_file).site, seed=2, options=OPTIONS).events())
    if importlib.util.find_spec('ros2bag') is None:
        player_program(tmp_path / 'bin' / 'ros2')
        monkeypatch.setenv('PATH', str(tmp_path / 'bin'), prepend=os.pathsep)
    return description_of(
        share, 'replay', exits, bag=str(tmp_path / 'bag'), rate='8.0', site_file=str(site_file),
        books_file=str(tmp_path / 'books.sqlite'), namespace='')


@pytest.mark.launch(fixture=ledger_launch)
def test_a_build_is_played_a_disturbance_flagged_and_all_ends_with_0(
        ros_context, site_file, exits):
    with World(ros_context) as world:
        player = Player(
            world, load_site(site_file).site, namespace='rover1', dump_topic='unloaded',
            pose_listeners=2)
        player.play(SimulatedBuild(player.site, seed=2, options=OPTIONS).events())
        world.until(lambda: flagged_from_rework(player.heard['rework']))
        assert hold_from_rework(player.heard['rework'])[0]
        refused = player.call('target/next_target')
        assert not refused.success
        assert 'on hold' in refused.message
        assert player.call('ledger/resume').success
        world.until(lambda: not hold_from_rework(player.heard['rework'])[0])
        world.until(lambda: player.call('target/next_target').success)
    yield
    assert exits == {'ledger': 0, 'target': 0}


@pytest.mark.launch(fixture=managed_launch)
def test_a_manager_can_start_and_stop_the_nodes(ros_context, exits):
    with World(ros_context) as world:
        manager = world.node('manager')
        for name, output in (('ledger', 'segments'), ('target', 'target_pose')):
            assert state_of(world, manager, name) == 'unconfigured'
            assert manager.count_publishers(output) == 0
            for step, state in (('configure', 'inactive'), ('activate', 'active')):
                assert change(world, manager, name, step)
                assert state_of(world, manager, name) == state
            world.until(lambda output=output: manager.count_publishers(output) == 1)
        assert large_pages({}).items() <= environment_of('ledger_node').items()
        for name, output in (('ledger', 'segments'), ('target', 'target_pose')):
            assert change(world, manager, name, 'deactivate')
            assert change(world, manager, name, 'cleanup')
            world.until(lambda output=output: manager.count_publishers(output) == 0)
    yield
    assert exits == {'ledger': 0, 'target': 0}


@pytest.mark.launch(fixture=replay_launch)
def test_a_recorded_bag_is_played_to_the_nodes_and_all_ends_with_it(
        tmp_path, ros_context, exits):
    with World(ros_context) as world:
        world.until(lambda: 'player' in exits, give_up_s=300.0)
    yield
    assert exits == {'ledger': 0, 'target': 0, 'player': 0}
    with sqlite3.connect(tmp_path / 'books.sqlite') as books:
        counts = dict(books.execute('SELECT kind, COUNT(*) FROM entries GROUP BY kind'))
    assert counts['dump'] == OPTIONS.most_loads
    assert counts['reading'] > 0
    assert counts['disturbed'] >= 1


@pytest.mark.launch(fixture=demo_launch)
def test_the_demo_ends_by_itself_with_the_berm_mended(tmp_path, ros_context, exits):
    with World(ros_context) as world:
        world.until(lambda: 'yard' in exits, give_up_s=600.0)
    yield
    assert exits == {'ledger': 0, 'target': 0, 'yard': 0}
    with sqlite3.connect(tmp_path / 'books.sqlite') as books:
        kinds = {kind for kind, in books.execute('SELECT DISTINCT kind FROM entries')}
    assert {'dump', 'disturbed', 'hold', 'resume'} <= kinds
    # Measured at grade again, or accepted by the operator where whole loads cannot do that.
    assert kinds & {'reworked', 'cleared'}


def launch_module(name):
    share_folder()
    spec = importlib.util.spec_from_file_location(name, ROOT / 'launch' / f'{name}.launch.py')
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_of_a_bag_nothing_but_the_inputs_is_played():
    """What a ledger published beside it would pass for that of this one."""
    from launch import LaunchContext
    context = LaunchContext()
    context.launch_configurations.update(
        bag='day_1', rate='2.0', delay='3.0', namespace='rover1', elevation_topic='/map/grid',
        pose_topic='pose', dump_topic='dump', drum_current_topic='amps')
    process, = launch_module('replay').player(context)
    words = [''.join(part.perform(context) for part in word) for word in process.cmd]
    assert words[:4] == ['ros2', 'bag', 'play', 'day_1']
    assert words[words.index('--topics') + 1:] == [
        '/map/grid', '/rover1/pose', '/rover1/dump', '/rover1/amps']


@pytest.mark.parametrize('name', FILES)
def test_every_argument_is_described(name):
    module = launch_module(name)
    arguments = module.generate_launch_description().get_launch_arguments()

    assert arguments
    for argument in arguments:
        assert argument.description.endswith('.')
        assert 'no description' not in argument.description
    assert os.path.basename(module.__file__).startswith(name)
