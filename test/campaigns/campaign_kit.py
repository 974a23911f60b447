# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
A real ledger as a process of its own, and a robot that talks to it over real topics.

The process is forked from one that has imported everything, which saves seconds per start, or
started afresh as on a rover. It is killed with SIGKILL, at any instant.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
import contextlib
import ctypes
import multiprocessing
import os
from pathlib import Path
import signal
import socket
import subprocess
import sys
import threading
import time
from typing import Any

from berm_ledger.ros.memory import large_pages

ROOT = Path(__file__).resolve().parents[2]
sys.path.append(str(ROOT / 'test' / 'ros'))

# As test/conftest.py: domains for tests, each held by a port.
FIRST_LOCK_PORT, DOMAINS = 14200, range(60, 102)
METER_S = 0.1
FORK = multiprocessing.get_context('forkserver')
FORK.set_forkserver_preload(['berm_ledger.ros.ledger', 'berm_ledger.pipeline'])


def private_domain() -> socket.socket:
    """Take a ROS domain that no test uses, on this machine only; keep what is returned."""
    os.environ['ROS_AUTOMATIC_DISCOVERY_RANGE'] = 'LOCALHOST'
    os.environ['PYTHONPATH'] = str(ROOT)
    for domain in DOMAINS:
        lock = socket.socket()
        try:
            lock.bind(('127.0.0.1', FIRST_LOCK_PORT + domain))
        except OSError:
            lock.close()
            continue
        os.environ['ROS_DOMAIN_ID'] = str(domain)
        return lock
    raise SystemExit('no ROS domain is free')


def node_arguments(**parameters: Any) -> list[str]:
    """Return the command line of a node."""
    return ['--ros-args', '--log-level', 'fatal', *(
        word for name, value in parameters.items() for word in ('-p', f'{name}:={value}'))]


class MallInfo(ctypes.Structure):
    """What glibc tells of its heap."""

    _fields_ = tuple((name, ctypes.c_size_t) for name in (
        'arena', 'ordblks', 'smblks', 'hblks', 'hblkhd', 'usmblks', 'fsmblks', 'uordblks',
        'fordblks', 'keepcost'))


def memory_now(mallinfo: Any) -> tuple[int, int, int]:
    """Return what is held: blocks of Python, kB allocated from glibc, kB of private pages."""
    heap = mallinfo()
    for line in Path('/proc/self/status').read_text().splitlines():
        if line.startswith('RssAnon'):
            private_kb = int(line.split()[1])
    return sys.getallocatedblocks(), (heap.uordblks + heap.hblkhd) // 1000, private_kb


def meter_memory(path: str) -> None:
    """Write what this process holds to a file, again and again."""
    mallinfo = ctypes.CDLL(None).mallinfo2
    mallinfo.restype = MallInfo
    with open(path, 'w', buffering=1) as out:
        while True:
            out.write(' '.join(map(str, (time.monotonic(), *memory_now(mallinfo)))) + '\n')
            time.sleep(METER_S)


def run_node(kind: str, arguments: Sequence[str], log: str, meter: str | None) -> None:
    """Be a node; runs in the forked process."""
    if meter is not None:
        threading.Thread(target=meter_memory, args=(meter,), daemon=True).start()
    fd = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    os.dup2(fd, 1)
    os.dup2(fd, 2)
    sys.argv = [f'{kind}_node', *arguments]
    if kind == 'ledger':
        from berm_ledger.ros.ledger_node import main
    else:
        from berm_ledger.ros.target_node import main
    # Without Python's own clean-up, which would wait for the parent's things.
    os._exit(main())


class NodeProcess:
    """A running node."""

    def __init__(
        self, kind: str, arguments: Sequence[str], log: Path, *, fresh: bool = False,
        meter: Path | None = None,
    ) -> None:
        """Start it; one that is forked can write what memory it holds to a file."""
        self.started_s = time.monotonic()
        if fresh:
            with log.open('ab') as out:
                command = [sys.executable, '-m', f'berm_ledger.ros.{kind}_node', *arguments]
                # In the environment that the launch file gives it.
                added = large_pages(os.environ) if kind == 'ledger' else {}
                self._popen = subprocess.Popen(
                    command, stdout=out, stderr=out, cwd='/', env={**os.environ, **added})
            self._forked, self.pid = None, self._popen.pid
        else:
            self._forked = FORK.Process(
                target=run_node, daemon=True, args=(
                    kind, list(arguments), str(log), None if meter is None else str(meter)))
            self._forked.start()
            self._popen, self.pid = None, self._forked.pid

    @property
    def exit_code(self) -> int | None:
        """Exit code; None while it runs, minus the signal when one ended it."""
        return self._popen.poll() if self._forked is None else self._forked.exitcode

    def send(self, number: int) -> None:
        """Send a signal, if it still runs."""
        if self.exit_code is None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.pid, number)

    def kill(self) -> int:
        """Kill it and wait until it is gone; return the exit code."""
        self.send(signal.SIGKILL)
        return self.wait()

    def wait(self) -> int:
        """Wait until it is gone; return the exit code."""
        if self._forked is None:
            return self._popen.wait()
        self._forked.join()
        return int(self._forked.exitcode)

    def rss_kb(self) -> int:
        """Return the memory it holds [kB]."""
        for line in Path(f'/proc/{self.pid}/status').read_text().splitlines():
            if line.startswith('VmRSS'):
                return int(line.split()[1])
        return 0


class Robot:
    """Publishes poses, grids and dumps, and keeps everything the ledger publishes."""

    def __init__(self, site: Any) -> None:
        """Offer the topics."""
        from berm_ledger.ros.wire import event_qos, latched_qos, message_class, wire_types
        import rclpy
        from rclpy.executors import SingleThreadedExecutor
        rclpy.init(args=[])
        self.site, self.types, self.make = site, wire_types(), message_class
        self.node = rclpy.create_node('robot')
        self.executor = SingleThreadedExecutor()
        self.executor.add_node(self.node)
        kinds = {'pose': 'geometry_msgs/msg/PoseStamped', 'dump': 'std_msgs/msg/Float32',
                 'elevation': 'sensor_msgs/msg/PointCloud2'}
        self.out = {topic: self.node.create_publisher(message_class(kind), topic, event_qos(100))
                    for topic, kind in kinds.items()}
        self.segments: list[Any] = []
        self.rework: list[Any] = []
        self.node.create_subscription(
            message_class('sensor_msgs/msg/PointCloud2'), 'segments', self.segments.append,
            latched_qos())
        self.node.create_subscription(
            message_class('diagnostic_msgs/msg/DiagnosticArray'), 'rework', self.rework.append,
            latched_qos())

    def message(self, event: Any) -> tuple[str, Any]:
        """Return topic and message of a simulated event."""
        from berm_ledger.ros.messages import fill_point_cloud, fill_pose
        if event.kind == 'dump':
            return 'dump', self.make('std_msgs/msg/Float32')(data=float(event.value))
        if event.kind == 'pose':
            msg = self.make('geometry_msgs/msg/PoseStamped')()
            fill_pose(msg, event.value)
            return 'pose', msg
        msg = self.make('sensor_msgs/msg/PointCloud2')()
        fill_point_cloud(msg, event.value, self.types)
        return 'elevation', msg

    def publish(self, event: Any) -> None:
        """Publish one simulated event."""
        topic, msg = self.message(event)
        self.out[topic].publish(msg)

    def spin(self, until: Callable[[], Any], most_s: float) -> bool:
        """Spin until a fact holds, or so long; tell whether it holds."""
        end = time.monotonic() + most_s
        while not until():
            if time.monotonic() > end:
                return False
            self.executor.spin_once(timeout_sec=0.02)
        return True

    def close(self) -> None:
        """Leave."""
        import rclpy
        self.executor.shutdown()
        self.node.destroy_node()
        rclpy.try_shutdown()
