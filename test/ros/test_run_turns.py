# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A running node gives free memory back now and then, and its garbage is searched for quickly."""

from types import SimpleNamespace

from berm_ledger.ros import run
import pytest

pytest.importorskip('rclpy', reason='rclpy is of the extra ros')


def test_free_memory_is_given_back_now_and_then(monkeypatch):
    turns, given, left = [], [], []
    executor = SimpleNamespace(
        add_node=lambda node: None, spin_once=lambda timeout_sec: turns.append(timeout_sec),
        shutdown=lambda: None)
    monkeypatch.setattr('rclpy.executors.SingleThreadedExecutor', lambda context: executor)
    monkeypatch.setattr(run, 'give_back_what_is_free', lambda: given.append(len(turns)))
    monkeypatch.setattr(run, 'leave_alone_what_stays', lambda: left.append(len(turns)))
    stop = SimpleNamespace(came=False)

    def tick():
        stop.came = len(turns) == 2 * run.TURNS_TO_GIVE_BACK + 10

    node = SimpleNamespace(
        context=None, start_by_itself=lambda: True, finished=False, tick=tick, exit_code=0,
        give_up=lambda: None, waits=False, close=lambda: None)
    assert run.run_node(node, stop) == 0
    assert given == [0, run.TURNS_TO_GIVE_BACK, 2 * run.TURNS_TO_GIVE_BACK]
    # After the first messages once more, and then no more: it must not grow for good.
    assert left == [0, run.TURNS_TO_GIVE_BACK]
