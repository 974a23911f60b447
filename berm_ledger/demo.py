# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The demo: a simulated yard and the real nodes, as processes, over real topics.

The berm of the site is built, spoiled once and mended, faster than real time; the files of a
replay are left in a folder.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
import contextlib
import json
import os
from pathlib import Path
import random
import signal
import socket
import subprocess
import sys
import time
from types import FrameType
from typing import Any

from .errors import UsageError
from .offline.fresh import check_free
from .offline.outputs import OUTPUT_NAMES, REPORT_NAME, SUMMARY_NAME
from .ros.parameters import parse_parameters, YardParameters
from .ros.run import NO_RCLPY
from .site_source import load_site

SITE_NAME = 'demo_site.yaml'
# The robot digs and drives for longer than this without a look, in simulated seconds.
BOOKS_TIMEOUT_S = 300.0
# How long the whole demo, the end of a node or an answer, and the report may take [s].
GIVE_UP_S = 600.0
END_S = 20.0
REPORT_S = 120.0
# The first participant of domain 0 listens here (DDS interoperability protocol, 9.6.1).
FIRST_PORT = 7410
# Domain ids whose ports no client takes by chance on Linux.
DOMAIN_IDS = range(1, 102)


def demo_site_path() -> Path:
    """
    Return the site file that comes with the package.

    Returns
    -------
    Path
        In a checkout beside the package, else in the share folder that it was installed to.

    Raises
    ------
    UsageError
        Neither has it.

    """
    package = Path(__file__).resolve().parent
    prefixes = [Path(sys.prefix), *map(Path, filter(None, os.environ.get(
        'AMENT_PREFIX_PATH', '').split(os.pathsep)))]
    folders = [package.parent / 'config', *(
        prefix / 'share' / 'berm_ledger' / 'config' for prefix in prefixes)]
    for folder in folders:
        if (folder / SITE_NAME).is_file():
            return folder / SITE_NAME
    msg = f'{SITE_NAME} is not installed with the package; name a site file'
    raise UsageError(msg)


def free_domain_id() -> int:
    """Return a ROS domain id that no process of this machine uses now."""
    first = random.randrange(len(DOMAIN_IDS))
    for turn in range(len(DOMAIN_IDS)):
        domain_id = DOMAIN_IDS[(first + turn) % len(DOMAIN_IDS)]
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            try:
                probe.bind(('', FIRST_PORT + 250 * domain_id))
            except OSError:
                continue
            return domain_id
    msg = 'every ROS domain id is in use on this machine'
    raise UsageError(msg)


def demo_environment(domain_id: int) -> dict[str, str]:
    """Return the environment of the nodes: a domain of their own, this machine only."""
    environment = {
        **os.environ,
        'ROS_DOMAIN_ID': str(domain_id),
        'ROS_AUTOMATIC_DISCOVERY_RANGE': 'LOCALHOST',
        'RCUTILS_CONSOLE_OUTPUT_FORMAT': '[{name}] {message}',
        'PYTHONUNBUFFERED': '1',
    }
    if os.environ.get('ROS_DISTRO') == 'humble':  # knows only the older switch
        environment['ROS_LOCALHOST_ONLY'] = '1'
    return environment


def node_command(node: str, **parameters: object) -> list[str]:
    """Return the command line of a node; texts are quoted, so that any path will do."""
    words = [sys.executable, '-m', f'berm_ledger.ros.{node}_node', '--ros-args']
    for name, value in parameters.items():
        words += ['-p', f'{name}:={json.dumps(value)}']
    return words


@contextlib.contextmanager
def ended_by_sigterm() -> Iterator[None]:
    """Let SIGTERM unwind the stack, so that no node is left running behind."""

    def leave(number: int, _frame: FrameType | None) -> None:
        raise SystemExit(128 + number)

    before = signal.signal(signal.SIGTERM, leave)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


@contextlib.contextmanager
def running(
    commands: Mapping[str, list[str]], environment: Mapping[str, str]
) -> Iterator[dict[str, subprocess.Popen[bytes]]]:
    """Start processes and end all of them again, in order, whatever happens."""
    processes: dict[str, subprocess.Popen[bytes]] = {}
    try:
        for name, command in commands.items():
            processes[name] = subprocess.Popen(command, env=dict(environment))
        yield processes
    finally:
        for process in processes.values():
            if process.poll() is None:
                process.send_signal(signal.SIGINT)
        for process in processes.values():
            try:
                process.wait(END_S)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


class Onlooker:
    """
    A node that shows the table as it fills and asks for the report at the end.

    Parameters
    ----------
    domain_id : int
        ROS domain of the demo.
    say : callable
        Called with each text to show.

    """

    def __init__(self, domain_id: int, say: Callable[[str], None]) -> None:
        """Subscribe to the table."""
        import rclpy
        from rclpy.executors import SingleThreadedExecutor
        from rclpy.signals import SignalHandlerOptions
        from std_msgs.msg import String
        from std_srvs.srv import Trigger

        from .ros.wire import latched_qos
        self._context, self._trigger, self._say = rclpy.Context(), Trigger, say
        rclpy.init(args=[], context=self._context, domain_id=domain_id,
                   signal_handler_options=SignalHandlerOptions.NO)
        self._node = rclpy.create_node('demo', context=self._context)
        self._executor = SingleThreadedExecutor(context=self._context)
        self._executor.add_node(self._node)
        self._node.create_subscription(String, 'table', self._on_table, latched_qos())
        self._shown = ''

    def _on_table(self, msg: Any) -> None:
        """Show the table when something else than the looks has changed."""
        counts = msg.data.partition('\n')[0].split(' | ')[:4]
        shown = ' | '.join([*counts, str('ON HOLD' in msg.data)])
        if shown != self._shown:
            self._shown = shown
            self._say(f'\n{msg.data}\n')

    def look(self) -> None:
        """Take what has come in, waiting for it a moment."""
        self._executor.spin_once(timeout_sec=0.1)

    def ask_for_report(self) -> str:
        """Have the ledger write its files; return what it said."""
        client = self._node.create_client(self._trigger, 'ledger/write_report')
        if not client.wait_for_service(timeout_sec=END_S):
            return 'the ledger does not offer write_report'
        future = client.call_async(self._trigger.Request())
        self._executor.spin_until_future_complete(future, timeout_sec=REPORT_S)
        return str(future.result().message) if future.done() else 'the ledger did not answer'

    def close(self) -> None:
        """Leave the domain."""
        self._executor.shutdown()
        self._node.destroy_node()
        self._context.try_shutdown()


def run_demo(
    out_dir: str | os.PathLike[str], site_path: str | os.PathLike[str] | None = None,
    seed: int = 1, *, say: Callable[[str], None] = lambda text: None,
) -> int:
    """
    Run the demo to its end.

    Parameters
    ----------
    out_dir : path
        Folder for the files; must not hold such files yet.
    site_path : path, optional
        Site file; left out, the one that comes with the package.
    seed : int
        Seed of the simulated yard; the same seed gives the same books.
    say : callable
        Called with each text to show.

    Returns
    -------
    int
        0 when the berm was built, spoiled and mended; 1 when the work did not come to its end.

    Raises
    ------
    BermLedgerError
        No rclpy, a bad site file or seed, or a folder in use; nothing was started.

    """
    try:
        import rclpy  # noqa: F401
    except ImportError as exc:
        raise UsageError(NO_RCLPY.format(exc)) from exc
    site = Path(site_path) if site_path is not None else demo_site_path()
    load_site(site)
    parse_parameters('yard', {'site_file': str(site), 'seed': seed}, YardParameters)
    out = Path(out_dir)
    check_free(out, (*OUTPUT_NAMES, REPORT_NAME))
    out.mkdir(parents=True, exist_ok=True)
    domain_id = free_domain_id()
    commands = {
        'ledger': node_command(
            'ledger', site_file=str(site), books_file=str(out / OUTPUT_NAMES[0])),
        'target': node_command(
            'target', site_file=str(site), books_timeout_s=BOOKS_TIMEOUT_S),
        'yard': node_command('yard', site_file=str(site), seed=seed)}
    say(f'ledger, target and yard run in ROS domain {domain_id} on this machine only; to look on: '
        f'ROS_DOMAIN_ID={domain_id} ros2 topic echo --field data table')
    with ended_by_sigterm(), running(commands, demo_environment(domain_id)) as processes:
        onlooker = Onlooker(domain_id, say)
        try:
            trouble = watch(processes, onlooker)
            if not trouble:
                say(onlooker.ask_for_report())
        finally:
            onlooker.close()
    ends = {name: process.returncode for name, process in processes.items()}
    trouble = trouble or ', '.join(
        f'{name} ended with exit code {code}' for name, code in ends.items() if code)
    say(f'the demo did not come to its end: {trouble}' if trouble else
        f'the berm was heaped, spoiled once and mended; {verdict(out)}')
    return 1 if trouble else 0


def verdict(out: Path) -> str:
    """Return what the summary in a folder says of the berm."""
    try:
        summary = json.loads((out / SUMMARY_NAME).read_text(encoding='utf-8'))
    except (OSError, ValueError) as exc:
        return f'its summary cannot be read: {exc}'
    meets = 'meets' if summary['accepted'] else 'does not meet'
    return f'it {meets} its specification: {summary["why"]}'


def watch(processes: Mapping[str, subprocess.Popen[bytes]], onlooker: Onlooker) -> str:
    """Look on until the yard ends; return what went wrong, empty when nothing did."""
    end_s = time.monotonic() + GIVE_UP_S
    while processes['yard'].poll() is None:
        onlooker.look()
        for name in ('ledger', 'target'):
            if processes[name].poll() is not None:
                return f'{name} ended with exit code {processes[name].returncode}'
        if time.monotonic() > end_s:
            return f'no end after {GIVE_UP_S:.0f} s'
    code = processes['yard'].returncode
    return f'yard ended with exit code {code}' if code else ''
