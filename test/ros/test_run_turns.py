# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A running node gives free memory back now and then, and its garbage is searched for quickly."""

import subprocess
import sys
from types import SimpleNamespace

from berm_ledger.ros import memory, run
import pytest

pytest.importorskip('rclpy', reason='rclpy is of the extra ros')


def test_free_memory_is_given_back_now_and_then(monkeypatch):
    turns, done, given, left, now_s = 2 * memory.TURNS_TO_SETTLE, [], [], [], [100.0]
    monkeypatch.setattr(memory, 'give_back_what_is_free', lambda: given.append(now_s[0]))
    monkeypatch.setattr(memory, 'leave_alone_what_stays', lambda: left.append(len(done)))
    housekeeping = memory.Housekeeping(lambda: now_s[0])
    while len(done) < turns:
        housekeeping.turn()
        done.append(now_s[0])
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
    stop = SimpleNamespace(came=False, wakes=lambda wake: None)

    def tick():
        stop.came = len(order) == 6

    node = SimpleNamespace(
        context=None, turn_s=0.1, start_by_itself=lambda: True, finished=False, tick=tick,
        exit_code=0, give_up=lambda: None, waits=False, close=lambda: None)
    assert run.run_node(node, stop) == 0
    assert order == 3 * ['house', 'turn']


A_SIGNAL = """
import os, signal, threading
from berm_ledger.ros.run import StopSignal
stop, woken = StopSignal(), threading.Event()
stop.wakes(woken.set)
os.kill(os.getpid(), signal.{name})
assert woken.wait(30.0)
assert stop.came
"""


@pytest.mark.parametrize('name', ['SIGINT', 'SIGTERM'])
def test_a_signal_wakes_who_waits_in_c_where_it_is_not_handled(name):
    subprocess.run([sys.executable, '-c', A_SIGNAL.format(name=name)], check=True)


A_LONG_TURN = """
import os, signal, threading
from berm_ledger.ros.run import run
from rclpy.node import Node

class Idle(Node):
    turn_s, finished, exit_code, waits = 3600.0, False, 0, False
    start_by_itself = lambda self: True
    tick = give_up = lambda self: None

    def close(self):
        self.destroy_node()

def idle():
    node = Idle('idle')
    # It is in its turn once its timer has gone off, and goes on to the next.
    def ask_to_end():
        node.destroy_timer(timer)
        threading.Timer(0.3, os.kill, (os.getpid(), signal.SIGTERM)).start()
    timer = node.create_timer(0.001, ask_to_end)
    return node

raise SystemExit(run('ledger', idle, []))
"""


def test_a_signal_ends_a_turn_in_which_nothing_comes_in(ros_domain_id):
    subprocess.run([sys.executable, '-c', A_LONG_TURN], check=True, timeout=60.0)
