# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The demo before it starts anything: what it needs, what it refuses, where it runs."""

import json
import os
import signal
import socket
import subprocess
import sys

from berm_ledger import demo
from berm_ledger.demo import (
    demo_environment,
    demo_site_path,
    DOMAIN_IDS,
    ended_by_sigterm,
    free_domain_id,
    node_command,
    run_demo,
    running,
)
from berm_ledger.errors import SiteFileError, UsageError
import pytest


@pytest.fixture
def nothing_starts(monkeypatch):
    monkeypatch.setattr(demo, 'running', lambda *_: pytest.fail('nodes were started'))


def test_its_site_comes_with_the_package():
    assert demo_site_path().name == 'demo_site.yaml'


def test_without_rclpy_it_says_what_to_do(monkeypatch, tmp_path, nothing_starts):
    monkeypatch.setitem(sys.modules, 'rclpy', None)

    with pytest.raises(UsageError, match=r'berm_ledger\[ros\]'):
        run_demo(tmp_path / 'out')
    assert not (tmp_path / 'out').exists()


@pytest.mark.parametrize('name', ['books.sqlite', 'report.html'])
def test_a_folder_with_such_files_in_it_is_left_alone(tmp_path, nothing_starts, name):
    pytest.importorskip('rclpy')
    (tmp_path / name).write_text('mine')

    with pytest.raises(UsageError, match=f'already holds {name}'):
        run_demo(tmp_path)
    assert (tmp_path / name).read_text() == 'mine'


def test_a_bad_site_file_is_refused_first(tmp_path, nothing_starts):
    pytest.importorskip('rclpy')
    with pytest.raises(SiteFileError, match=r'missing\.yaml'):
        run_demo(tmp_path / 'out', tmp_path / 'missing.yaml')
    assert not (tmp_path / 'out').exists()


@pytest.mark.parametrize('seed', [-1, 2**31])
def test_a_seed_that_the_yard_cannot_take_is_refused_first(tmp_path, nothing_starts, seed):
    pytest.importorskip('rclpy')
    with pytest.raises(UsageError, match=f'seed is {seed}; it must be from 0'):
        run_demo(tmp_path / 'out', seed=seed)
    assert not (tmp_path / 'out').exists()


def test_a_domain_in_use_is_not_taken(monkeypatch):
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
        other.bind(('', 0))
        port = other.getsockname()[1]
        # As if the first participant of domain 7 listened on that port.
        monkeypatch.setattr(demo, 'FIRST_PORT', port - 250 * 7)
        monkeypatch.setattr(demo, 'DOMAIN_IDS', range(7, 8))
        with pytest.raises(UsageError, match='every ROS domain id is in use'):
            free_domain_id()
    assert free_domain_id() == 7


def test_the_nodes_hear_this_machine_only(monkeypatch):
    monkeypatch.setenv('ROS_DOMAIN_ID', '5')
    monkeypatch.setenv('ROS_AUTOMATIC_DISCOVERY_RANGE', 'SUBNET')

    environment = demo_environment(42)

    assert environment['ROS_DOMAIN_ID'] == '42'
    assert environment['ROS_AUTOMATIC_DISCOVERY_RANGE'] == 'LOCALHOST'
    assert 0 not in DOMAIN_IDS


@pytest.mark.parametrize('path', ['a b.yaml', 'it\'s "x": y.yaml', '12', 'ü.yaml'])
def test_any_path_gets_through_to_the_node(path):
    yaml = pytest.importorskip('yaml')
    words = node_command('ledger', site_file=path, seed=3)

    name, _, value = words[words.index('-p') + 1].partition(':=')
    assert name == 'site_file'
    assert yaml.safe_load(value) == json.loads(value) == path
    assert words[-1] == 'seed:=3'


@pytest.mark.parametrize(('text', 'said'), [
    ('{"accepted": true, "why": "all at grade"}', 'it meets its specification: all at grade'),
    ('{"accepted": false, "why": "low"}', 'it does not meet its specification: low'),
    ('{"acc', 'cannot be read'),
])
def test_the_last_word_is_that_of_the_summary(tmp_path, text, said):
    (tmp_path / 'summary.json').write_text(text)

    assert said in demo.verdict(tmp_path)


def test_processes_are_ended_whatever_happens():
    sleeper = [sys.executable, '-c', 'import time; time.sleep(600)']
    text = 'trouble'
    with pytest.raises(RuntimeError, match=text):
        with running({'one': sleeper, 'two': sleeper}, {}) as processes:
            raise RuntimeError(text)

    assert all(process.poll() is not None for process in processes.values())
    assert isinstance(processes['one'], subprocess.Popen)


def test_processes_are_ended_when_the_demo_is_told_to_end():
    sleeper = [sys.executable, '-c', 'import time; time.sleep(600)']
    before = signal.getsignal(signal.SIGTERM)
    started = {}

    def told_to_end():
        with ended_by_sigterm(), running({'one': sleeper}, {}) as processes:
            started.update(processes)
            os.kill(os.getpid(), signal.SIGTERM)
            processes['one'].wait()

    with pytest.raises(SystemExit, match=str(128 + signal.SIGTERM)):
        told_to_end()
    assert started['one'].poll() is not None
    assert signal.getsignal(signal.SIGTERM) is before
