# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The nodes as processes: exit codes, one clear line for bad input, clean ends on signals."""

import contextlib
import os
import shlex
import signal
import subprocess
import sys

from ledger_kit import a_job_that_waits, SITE_TEXT
import pytest
from ros_kit import World

GIVE_UP_S = 30.0


def command(node, *arguments):
    return [sys.executable, '-m', f'berm_ledger.ros.{node}_node', *arguments]


def run(node, *arguments):
    return subprocess.run(
        command(node, *arguments), capture_output=True, text=True, timeout=GIVE_UP_S, check=False)


def parameters(**values):
    return ['--ros-args', *(word for name, value in values.items()
                            for word in ('-p', f'{name}:={value}'))]


@pytest.fixture
def world(ros_context):
    with World(ros_context) as made:
        yield made


@pytest.fixture
def site_file(tmp_path):
    path = tmp_path / 'site.yaml'
    path.write_text(SITE_TEXT)
    return path


@pytest.mark.parametrize('streams', ['2>&-', '<&- >&- 2>&-'])
def test_a_node_without_standard_streams_ends_as_with_them(streams):
    line = shlex.join(command('ledger', 'site.yaml'))
    result = subprocess.run(
        ['sh', '-c', f'{line} {streams}'], capture_output=True, timeout=GIVE_UP_S, check=False)

    assert (result.returncode, result.stdout, result.stderr) == (2, b'', b'')


@pytest.mark.parametrize('node', ['ledger', 'yard'])
def test_help_names_the_parameters(node):
    result = run(node, '--help')

    assert result.returncode == 0
    assert 'site_file' in result.stdout


@pytest.mark.parametrize(('node', 'text', 'said'), [
    ('ledger', SITE_TEXT.replace('side_slope_deg: 33', 'side_slope_deg: 50'), 'side_slope_deg'),
    ('target', 'berms: [', 'site.yaml'),
], ids=['rule', 'no yaml'])
def test_a_bad_site_file_is_one_line_and_exit_code_2(world, tmp_path, node, text, said):
    path = tmp_path / 'site.yaml'
    path.write_text(text)

    result = run(node, *parameters(site_file=path, books_file=tmp_path / 'b.sqlite'))

    assert result.returncode == 2
    assert len(result.stderr.splitlines()) == 1
    assert said in result.stderr
    assert not (tmp_path / 'b.sqlite').exists()


@pytest.mark.parametrize(('node', 'arguments', 'said'), [
    ('ledger', [], 'site_file'),
    ('yard', parameters(site_file='missing.yaml'), 'missing.yaml'),
    ('ledger', parameters(site_file='a.yaml', site_fiel='b.yaml'), 'site_fiel is not known'),
    ('target', parameters(site_file='a.yaml', use_sim_time='1'), 'use_sim_time'),
    ('target', ['site.yaml'], "unknown argument 'site.yaml'"),
    ('ledger', ['--ros-args', '-p', 'nonsense'], 'nonsense'),
], ids=['no site', 'no file', 'misspelt', 'of ROS', 'stray', 'malformed'])
def test_bad_arguments_are_one_line_and_exit_code_2(world, node, arguments, said):
    result = run(node, *arguments)

    assert result.returncode == 2
    assert len(result.stderr.splitlines()) == 1
    assert said in result.stderr


@pytest.mark.parametrize('text', ['no books at all'])
def test_books_that_are_none_are_refused_and_left_alone(world, tmp_path, site_file, text):
    books = tmp_path / 'b.sqlite'
    books.write_text(text)

    result = run('ledger', *parameters(site_file=site_file, books_file=books))

    assert result.returncode == 2
    assert len(result.stderr.splitlines()) == 1
    assert 'b.sqlite' in result.stderr
    assert books.read_text() == text


@pytest.mark.parametrize(('node', 'number'), [
    ('ledger', signal.SIGINT), ('ledger', signal.SIGTERM), ('target', signal.SIGINT),
    ('yard', signal.SIGINT)])
def test_a_signal_ends_a_node_with_exit_code_0(world, tmp_path, site_file, node, number):
    given = parameters(site_file=site_file, books_file=tmp_path / 'b.sqlite')
    process = subprocess.Popen(command(node, *given), stderr=subprocess.PIPE, text=True)
    with process:
        try:
            watcher = world.node('watcher')
            topic = {'ledger': 'segments', 'target': 'target', 'yard': 'pose'}[node]
            world.until(
                lambda: watcher.count_publishers(topic) > 0 or process.poll() is not None)
            process.send_signal(number)
            _, said = process.communicate(timeout=GIVE_UP_S)
        finally:
            process.kill()

    assert process.returncode == 0
    assert 'Traceback' not in said


@pytest.mark.parametrize(('node', 'topic'), [('ledger', 'segments'), ('target', 'target_pose')])
def test_a_managed_process_waits_for_its_manager(world, tmp_path, site_file, node, topic):
    from lifecycle_msgs.srv import ChangeState, GetState
    given = {'site_file': site_file, 'autostart': 'false'}
    if node == 'ledger':
        given['books_file'] = tmp_path / 'b.sqlite'
    manager = world.node('manager')
    world.client(manager, ChangeState, f'{node}/change_state')

    def change(step):
        request = ChangeState.Request()
        request.transition.label = step
        return world.call(manager, ChangeState, f'{node}/change_state', request).success

    process = subprocess.Popen(
        command(node, *parameters(**given)), stderr=subprocess.PIPE, text=True)
    with process:
        try:
            state = world.ask(manager, GetState, f'{node}/get_state').current_state
            assert state.label == 'unconfigured'
            assert manager.count_publishers(topic) == 0
            assert change('configure')
            assert change('activate')
            world.until(lambda: manager.count_publishers(topic) == 1)
            assert change('deactivate')
            assert change('cleanup')
            world.until(lambda: manager.count_publishers(topic) == 0)
            process.send_signal(signal.SIGTERM)
            _, said = process.communicate(timeout=GIVE_UP_S)
        finally:
            process.kill()

    assert process.returncode == 0
    assert 'Traceback' not in said


def test_a_signal_ends_a_ledger_that_writes_a_report_and_the_report(
        world, tmp_path, site_file, monkeypatch):
    from std_srvs.srv import Trigger
    gate, held = a_job_that_waits(tmp_path, monkeypatch), []
    code = ('import sys; from berm_ledger.ros import report_files; '
            'report_files.MODULE = "waiting_report"; '
            'from berm_ledger.ros.ledger_node import main; sys.exit(main())')
    process = subprocess.Popen(
        [sys.executable, '-c', code, *parameters(
            site_file=site_file, books_file=tmp_path / 'b.sqlite')],
        stderr=subprocess.PIPE, text=True)

    def somebody_waits():
        with contextlib.suppress(OSError):
            held.append(os.open(gate, os.O_WRONLY | os.O_NONBLOCK))
        return held
    with process:
        try:
            client = world.node('watcher').create_client(Trigger, 'ledger/write_report')
            world.until(client.service_is_ready)
            client.call_async(Trigger.Request())
            world.until(somebody_waits)
            process.send_signal(signal.SIGTERM)
            _, said = process.communicate(timeout=GIVE_UP_S)
        finally:
            process.kill()

    assert (process.returncode, 'Traceback' in said) == (0, False)
    with pytest.raises(BrokenPipeError):
        os.write(held[0], b'too late')
    os.close(held[0])


def test_a_signal_while_it_comes_up_ends_a_node_with_exit_code_0(tmp_path, site_file):
    pytest.importorskip('rclpy')
    code = '''
import os, signal, sys
from berm_ledger.ros import run

class Interrupting:
    """Sends the signal when rclpy is about to be imported."""

    def find_spec(self, name, *_):
        if name == 'rclpy':
            os.kill(os.getpid(), signal.SIGINT)

sys.meta_path.insert(0, Interrupting())
from berm_ledger.ros.target_node import main
sys.exit(main())
'''
    result = subprocess.run(
        [sys.executable, '-c', code, *parameters(site_file=site_file)], capture_output=True,
        text=True, timeout=GIVE_UP_S, check=False)

    assert (result.returncode, result.stderr) == (0, '')


def test_without_rclpy_the_nodes_say_what_to_do(tmp_path):
    code = ("import sys; sys.modules['rclpy'] = None; "
            'from berm_ledger.ros.ledger_node import main; sys.exit(main())')
    result = subprocess.run(
        [sys.executable, '-c', code], capture_output=True, text=True, timeout=GIVE_UP_S,
        check=False)

    assert result.returncode == 2
    assert len(result.stderr.splitlines()) == 1
    assert 'berm_ledger[ros]' in result.stderr
