# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The operator's screen beside a real ledger, and in a real terminal of 80 x 24."""

from __future__ import annotations

from collections.abc import Iterator
import fcntl
import os
import pty
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from typing import Any

from berm_ledger.ros.messages import fill_point_cloud
from ledger_kit import a_grid, FakePipeline, SITE_TEXT
import pytest
from ros_kit import GIVE_UP_S, World

pytest.importorskip('rclpy', reason='needs rclpy, from a ROS 2 installation or the extra ros')
pytest.importorskip('rich', reason='the screen needs rich, from the extra replay')

LOG_AGAIN_S = 0.5


@pytest.fixture
def world(ros_context: Any) -> Iterator[World]:
    with World(ros_context) as made:
        yield made


@pytest.fixture
def ledger(world: World, tmp_path: Any) -> Any:
    return add_ledger(world, tmp_path, '/rover1')


def add_ledger(world: World, tmp_path: Any, namespace: str) -> Any:
    from berm_ledger.ros.ledger import LedgerNode
    from rclpy.parameter import Parameter
    site_file = tmp_path / 'site.yaml'
    site_file.write_text(SITE_TEXT)
    values = {'site_file': str(site_file), 'books_file': str(tmp_path / 'b.sqlite')}
    node = world.add(LedgerNode(
        make_pipeline=FakePipeline, context=world.context, namespace=namespace,
        parameter_overrides=[Parameter(n, value=v) for n, v in values.items()]))
    assert node.start_by_itself()
    return node


def add_listener(world: World, namespace: str = '/rover1') -> Any:
    from berm_ledger.ros.watch.listener import Listener
    return world.add(Listener(namespace, context=world.context, settings={}))


def test_who_comes_late_sees_everything_and_then_the_news(world: World, ledger: Any) -> None:
    from berm_ledger.ros.wire import sensor_qos, wire_types
    from sensor_msgs.msg import PointCloud2
    listener = add_listener(world)
    world.until(lambda: listener.heard.rows and listener.heard.health and listener.heard.names)
    assert [row.segment for row in listener.heard.rows] == [1, 2]
    assert listener.heard.names == ('west',)
    assert listener.around().publishers == 1
    assert listener.around().topic == '/rover1/segments'

    robot = world.node('robot', namespace='/rover1')
    feed = robot.create_publisher(PointCloud2, 'elevation', sensor_qos(5))
    world.until(feed.get_subscription_count)
    grid = PointCloud2()
    fill_point_cloud(grid, a_grid(1.0, 0.2), wire_types())
    feed.publish(grid)
    world.until(lambda: any('segment 1' in event.text for event in listener.events))

    ledger.live.pipeline.disturb()
    ledger._publish()
    world.until(lambda: listener.heard.hold_text is not None and listener.heard.flags)
    world.until(lambda: any(event.text.startswith('ON HOLD') for event in listener.events))


def test_a_topic_of_another_type_under_the_same_name_is_no_ledger(
        world: World, ledger: Any, ros_domain_id: int) -> None:
    import rclpy
    from std_msgs.msg import String
    listener = add_listener(world)
    # One process cannot have a topic with two types.
    context = rclpy.Context()
    rclpy.init(args=[], context=context, domain_id=ros_domain_id)
    try:
        vision = rclpy.create_node('vision', context=context, namespace='/rover1')
        vision.create_publisher(String, 'segments', 10)
        world.until(lambda: listener.count_publishers('segments') == 2)
        assert listener.around().publishers == 1
        vision.destroy_node()
    finally:
        context.try_shutdown()


def test_what_no_topic_shows_is_told_from_the_log(world: World, ledger: Any) -> None:
    listener = add_listener(world)
    world.until(lambda: listener.heard.rows and listener.count_publishers('/rosout'))
    grid = a_grid(1.0, 0.2, frame='odom')
    logged_s = -LOG_AGAIN_S

    def refused() -> bool:
        # A log line is lost on whoever is not matched yet; one of the next is not. Not one at
        # every turn, which would leave no turn for the matching.
        nonlocal logged_s
        if time.monotonic() >= logged_s + LOG_AGAIN_S:
            logged_s = time.monotonic()
            ledger._book(ledger.pipeline.add_grid(grid), show=True)
        return any('refused: frame odom' in event.text for event in listener.events)

    world.until(refused)


def test_a_ledger_elsewhere_is_pointed_to_but_not_shown(world: World, ledger: Any) -> None:
    listener = add_listener(world, '/rover2')
    world.until(lambda: listener.around().elsewhere)
    assert listener.around().elsewhere == ('/rover1',)
    assert listener.around().publishers == 0
    assert listener.heard.stamp_ns is None
    assert not listener.heard.health


def test_a_ledger_that_goes_is_noticed(world: World, ledger: Any) -> None:
    listener = add_listener(world)
    world.until(lambda: listener.heard.rows)
    assert listener.around().publishers == 1
    world.drop(ledger)
    world.until(lambda: listener.around().publishers == 0)
    assert listener.events[-1].text == 'the ledger is gone'


def test_it_publishes_nothing(world: World) -> None:
    listener = add_listener(world)
    offered = dict(world.node('other').get_publisher_names_and_types_by_node(
        listener.get_name(), '/rover1'))
    assert set(offered) <= {'/parameter_events'}


# ---- in a terminal ---------------------------------------------------------------------------

# A new session has no terminal of its own, and Ctrl-C comes from that one only.
IN_TERMINAL = (
    'import fcntl, runpy, signal, sys, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0); '
    # A shell has what runs in the background ignore it.
    'signal.signal(signal.SIGINT, signal.default_int_handler); '
    'runpy.run_module("berm_ledger.cli", run_name="__main__")')


class Terminal:
    """``berm-ledger watch`` in a pseudo-terminal."""

    def __init__(self, *arguments: str, rows: int = 24, columns: int = 80,
                 term: str = 'xterm') -> None:
        self.ours, theirs = pty.openpty()
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack('HHHH', rows, columns, 0, 0))
        self.theirs = theirs
        self.before = termios.tcgetattr(theirs)
        environment = {**os.environ, 'TERM': term, 'PYTHONPATH': os.pathsep.join(sys.path)}
        for name in ('COLUMNS', 'LINES'):
            environment.pop(name, None)
        self.process = subprocess.Popen(
            [sys.executable, '-c', IN_TERMINAL, 'watch', *arguments], stdin=theirs,
            stdout=theirs, stderr=theirs, env=environment, start_new_session=True)
        self.seen = ''

    def until(self, text: str) -> None:
        """Read until a text was shown."""
        give_up = time.monotonic() + GIVE_UP_S
        while text not in self.seen:
            left_s = give_up - time.monotonic()
            assert left_s > 0.0, f'{text!r} was not shown: {self.seen[-2000:]!r}'
            ready, _, _ = select.select([self.ours], [], [], left_s)
            assert ready, f'{text!r} was not shown: {self.seen[-2000:]!r}'
            self.seen += os.read(self.ours, 65536).decode('utf-8', 'replace')

    def press(self, keys: bytes) -> None:
        os.write(self.ours, keys)

    def end(self) -> int:
        """Wait for the end, reading on, and return the exit code."""
        while self.process.poll() is None:
            if select.select([self.ours], [], [], 0.05)[0]:
                self.seen += os.read(self.ours, 65536).decode('utf-8', 'replace')
        while select.select([self.ours], [], [], 0.0)[0]:
            self.seen += os.read(self.ours, 65536).decode('utf-8', 'replace')
        return self.process.returncode

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        os.close(self.ours)
        os.close(self.theirs)


@pytest.fixture
def terminal(ros_domain_id: int) -> Iterator[Terminal]:
    made = Terminal()
    yield made
    made.close()


@pytest.mark.parametrize(('keys', 'code'), [(b'q', 0), (b'\x03', 0), (None, 143)],
                         ids=['q', 'Ctrl-C', 'SIGTERM'])
def test_it_ends_cleanly_and_gives_the_terminal_back(
        terminal: Terminal, keys: bytes | None, code: int) -> None:
    terminal.until('Nothing publishes /segments')
    terminal.until('What to check')
    terminal.until('ROS_DOMAIN_ID is')
    if keys is None:
        terminal.process.send_signal(signal.SIGTERM)
    else:
        terminal.press(keys)
    assert terminal.end() == code
    assert 'Traceback' not in terminal.seen
    # The cursor is shown and the screen of before is back (xterm: DECTCEM, 1049).
    assert '\x1b[?25h' in terminal.seen
    assert terminal.seen.rindex('\x1b[?1049l') > terminal.seen.rindex('\x1b[?1049h')
    assert termios.tcgetattr(terminal.theirs) == terminal.before


def test_a_terminal_that_cannot_be_drawn_on_is_not_filled_with_screens(
        ros_domain_id: int) -> None:
    dumb = Terminal(term='dumb')
    try:
        dumb.until("TERM is 'dumb'")
        assert dumb.end() == 2
        assert dumb.seen.count('\n') == 1
    finally:
        dumb.close()


def test_it_follows_the_size_of_the_terminal(terminal: Terminal) -> None:
    terminal.until('scroll')
    terminal.seen = ''
    fcntl.ioctl(terminal.theirs, termios.TIOCSWINSZ, struct.pack('HHHH', 8, 20, 0, 0))
    # Nineteen characters and the sign that there is more.
    terminal.until('Nothing publishes /\u2026')
    terminal.press(b'q')
    assert terminal.end() == 0


def once(*arguments: str) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, 'PYTHONPATH': os.pathsep.join(sys.path), 'COLUMNS': '80'}
    return subprocess.run(
        [sys.executable, '-m', 'berm_ledger.cli', 'watch', *arguments], text=True,
        capture_output=True, env=environment, timeout=GIVE_UP_S, check=False)


def test_one_screen_can_be_printed(world: World, ledger: Any) -> None:
    import threading
    done: list[Any] = []
    asker = threading.Thread(target=lambda: done.append(
        once('--once', '--namespace', '/rover1', '--wait', '50')))
    asker.start()
    world.until(lambda: done)
    asker.join()
    assert done[0].returncode == 0, done[0].stderr
    lines = done[0].stdout.splitlines()
    assert lines[0].startswith('0 of 2 at grade | 6 loads left')
    assert max(map(len, lines)) <= 80
    assert any(line.startswith('berm west') for line in lines)


def test_one_screen_of_nothing_is_bad_input_with_what_to_check(ros_domain_id: int) -> None:
    end = once('--once', '--wait', '0')
    assert (end.returncode, end.stdout) == (2, '')
    assert end.stderr.count('\n') == 1
    assert 'Nothing publishes /segments' in end.stderr
    assert 'Is the ledger running?' in end.stderr


@pytest.mark.parametrize(('arguments', 'said'), [
    ((), 'add --once'),
    (('--once', '--namespace', 'a b'), 'no ROS namespace'),
    (('--once', '--wait', 'nan'), 'not from 0 to 3600'),
    (('--once', '--wait', 'x'), 'invalid'),
])
def test_bad_arguments_are_one_line(ros_domain_id: int, arguments: Any, said: str) -> None:
    end = once(*arguments)
    assert end.returncode == 2
    assert end.stderr.count('\n') == 1, end.stderr
    assert said in end.stderr
