# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A running node gives free memory back now and then, and its garbage is searched for quickly."""

from types import SimpleNamespace

from berm_ledger.ros import memory, run
import pytest

pytest.importorskip('rclpy', reason='rclpy is of the extra ros')


def test_free_memory_is_given_back_now_and_then(monkeypatch):
    turns, given, left, now_s = 2 * memory.TURNS_TO_SETTLE, [], [], [100.0]
    monkeypatch.setattr(memory, 'give_back_what_is_free', lambda: given.append(now_s[0]))
    monkeypatch.setattr(memory, 'leave_alone_what_stays', lambda: left.append(turn))
    housekeeping = memory.Housekeeping(lambda: now_s[0])
    for turn in range(turns):
        housekeeping.turn()
        now_s[0] += 2.2 * memory.GIVE_BACK_S / turns
    # However many turns there are meanwhile.
    step_s = 1.001 * 2.2 * memory.GIVE_BACK_S / turns
    assert given == [pytest.approx(100.0 + k * memory.GIVE_BACK_S, abs=k * step_s)
                     for k in range(3)]
    # After the first messages once more, and then no more: it must not grow for good.
    assert left == [0, memory.TURNS_TO_SETTLE]


def test_a_node_keeps_house_before_every_turn(monkeypatch):
    order = []
    executor = SimpleNamespace(
        add_node=lambda node: None, spin_once=lambda timeout_sec: order.append('turn'),
        shutdown=lambda: None)
    monkeypatch.setattr('rclpy.executors.SingleThreadedExecutor', lambda context: executor)
    monkeypatch.setattr(
        run, 'Housekeeping', lambda: SimpleNamespace(turn=lambda: order.append('house')))
    stop = SimpleNamespace(came=False)

    def tick():
        stop.came = len(order) == 6

    node = SimpleNamespace(
        context=None, start_by_itself=lambda: True, finished=False, tick=tick, exit_code=0,
        give_up=lambda: None, waits=False, close=lambda: None)
    assert run.run_node(node, stop) == 0
    assert order == 3 * ['house', 'turn']
