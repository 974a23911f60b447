# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What every room's tests share: quiet ROS, one domain per test, steady property tests."""

from collections.abc import Iterator
import importlib.util
import itertools
import os
from pathlib import Path
import socket
import sys
from typing import Any

from hypothesis import settings
import pytest

# Two rooms may have a module of one name, so test files are imported by path (importlib mode).
# What the tests of a room share, in a file <room>_kit.py, is imported by its name.
sys.path += [str(folder) for folder in sorted(Path(__file__).parent.iterdir()) if folder.is_dir()]

# Nothing that runs here may be heard by, or hear, other machines.
os.environ['ROS_AUTOMATIC_DISCOVERY_RANGE'] = 'LOCALHOST'
if os.environ.get('ROS_DISTRO') == 'humble':  # knows only the older switch
    os.environ['ROS_LOCALHOST_ONLY'] = '1'

# A slow or busy machine is no fault of the code; with CI set the examples are the same every time.
settings.register_profile('berm_ledger', deadline=None, print_blob=True)
settings.register_profile('ci', settings.get_profile('berm_ledger'), derandomize=True)
settings.load_profile('ci' if os.environ.get('CI') else 'berm_ledger')

# Domain ids that need no port from the ephemeral range of Linux; 0 is what people use by hand.
DOMAIN_IDS = range(1, 102)
FIRST_LOCK_PORT = 14200

# Runs side by side start at different ids, and the next test of a run takes the next id.
_turns = itertools.count(os.getpid())


@pytest.hookimpl(hookwrapper=True)
def pytest_make_collect_report(collector: pytest.Collector) -> Iterator[None]:
    """Fail where a file cannot be imported for its own fault: doctest would let it be skipped."""
    outcome: Any = yield
    report = outcome.get_result()
    if report.skipped and 'unable to import module' in str(report.longrepr):
        fault = import_fault(collector.path)
        if fault:
            report.outcome, report.longrepr = 'failed', fault


def import_fault(path: Path) -> str:
    """Return what is wrong with a file; empty where only a package of some extra is missing."""
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None
    assert spec.loader is not None
    try:
        spec.loader.exec_module(importlib.util.module_from_spec(spec))
    except ModuleNotFoundError as error:
        missing = str(error.name).partition('.')[0]
        return str(error) if missing == 'berm_ledger' or missing.endswith('_kit') else ''
    except ImportError as error:
        return str(error)
    return ''


def reserve_domain(domain_id: int) -> socket.socket | None:
    """
    Take a domain id for this process, until the returned socket is closed.

    Parameters
    ----------
    domain_id : int
        ROS domain id.

    Returns
    -------
    socket.socket or None
        The held lock; None where another test, of this or another process, has the id.

    """
    lock = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        lock.bind(('127.0.0.1', FIRST_LOCK_PORT + domain_id))
    except OSError:
        lock.close()
        return None
    return lock


@pytest.fixture
def ros_domain_id(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[int]:
    """
    Give the test a ROS domain of its own.

    The id is in the environment too, for nodes that the test starts as processes; their logs go
    to the test's folder.
    """
    for turn in itertools.islice(_turns, len(DOMAIN_IDS)):
        domain_id = DOMAIN_IDS[turn % len(DOMAIN_IDS)]
        lock = reserve_domain(domain_id)
        if lock is not None:
            break
    else:
        pytest.fail('every ROS domain id is taken by another test run on this machine')
    monkeypatch.setenv('ROS_DOMAIN_ID', str(domain_id))
    monkeypatch.setenv('ROS_LOG_DIR', str(tmp_path / 'ros_log'))
    with lock:
        yield domain_id


@pytest.fixture
def ros_context(ros_domain_id: int) -> Iterator[Any]:
    """
    Give the test an initialised rclpy context in its own domain, and shut it down afterwards.

    Pass it to every node and executor: ``Node('name', context=ros_context)`` and
    ``SingleThreadedExecutor(context=ros_context)``. Skips where rclpy cannot be imported.
    """
    try:
        import rclpy
    except ImportError as exc:
        pytest.skip(f'needs rclpy, from a ROS 2 installation or the extra ros: {exc}')
    context = rclpy.Context()
    rclpy.init(args=[], context=context, domain_id=ros_domain_id)
    try:
        yield context
    finally:
        context.try_shutdown()
