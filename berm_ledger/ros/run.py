# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Run one node as a process: arguments, signals, exit code.

Exit code 0 after SIGINT or SIGTERM, or when the work is done; 2 with one line on the standard
error after bad input. A signal never cuts into a message: the one in hand is booked and published
before the node closes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
import signal
import socket
import sys
from threading import Lock, Thread
from types import FrameType
from typing import Any

from .memory import give_back_large_blocks, Housekeeping
from .parameters import specs_of
from ..errors import BermLedgerError, UsageError
from ..streams import open_closed_streams

# Turns that a node gets to answer who still waits, when it ends, and how long each may last.
LAST_TURNS, LAST_TURN_S = 50, 0.1
NO_RCLPY = ('rclpy cannot be imported ({}): source a ROS 2 installation, or install the wheels '
            'with  pip install "berm_ledger[ros]"')


class StopSignal:
    """
    Remember that the process was asked to end (SIGINT, SIGTERM), and wake who waits.

    An executor waits in C, where no handler of Python is called; to look for a signal ten times a
    second would take it 0.4 % of a core. A thread that reads what the interpreter writes at once
    costs nothing.
    """

    def __init__(self) -> None:
        """Take over both signals."""
        self.came = False
        self._wake: Callable[[], object] | None = None
        self._lock = Lock()
        self._heard, self._told = socket.socketpair()
        self._told.setblocking(False)
        signal.set_wakeup_fd(self._told.fileno(), warn_on_full_buffer=False)
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, self._note)
        Thread(target=self._listen, name='signals', daemon=True).start()

    def _note(self, _number: int, _frame: FrameType | None) -> None:
        """Note a signal."""
        self.came = True

    def wakes(self, wake: Callable[[], object] | None) -> None:
        """Have this called for every signal, on a thread of its own; None when nobody waits."""
        with self._lock:
            self._wake = wake

    def _listen(self) -> None:
        """Wake who waits, for every signal."""
        while self._heard.recv(1):
            with self._lock:
                if self._wake is not None:
                    self._wake()


def help_text(name: str) -> str:
    """Return the usage of a node, with its parameters from the table."""
    lines = [f'usage: {name}_node --ros-args -p NAME:=VALUE ... [-r FROM:=TO ...]', '',
             'parameters:']
    for spec in specs_of(name):
        default = '' if spec.required and not spec.default else f' (default {spec.default!r})'
        lines.append(f'  {spec.name}{default}: {spec.description}'
                     + (f' Must be {spec.rule}.' if spec.rule else ''))
    return '\n'.join(lines)


def complain(name: str, exc: Exception) -> int:
    """Write an error as one line on the standard error and return the exit code."""
    sys.stderr.write(f'{name}: {" ".join(str(exc).split())}\n')
    return 2


def run(name: str, make_node: Callable[[], Any], arguments: Sequence[str] | None = None) -> int:
    """
    Run a node until it is done or the process is asked to end.

    Parameters
    ----------
    name : str
        Name of the node in the table of parameters.
    make_node : callable
        Makes it once rclpy is up: a ``ManagedNode``, or whatever has ``start_by_itself``,
        ``turn_s``, ``tick``, ``finished``, ``exit_code``, ``give_up``, ``waits`` and ``close``.
    arguments : sequence of str, optional
        Command line without the program's name; left out, that of the process.

    Returns
    -------
    int
        Exit code.

    """
    open_closed_streams()
    arguments = sys.argv[1:] if arguments is None else list(arguments)
    if '-h' in arguments or '--help' in arguments:
        sys.stdout.write(help_text(name) + '\n')
        return 0
    # First of all: a signal must not cut into the imports either.
    stop = StopSignal()
    give_back_large_blocks()
    try:
        import rclpy
        from rclpy.exceptions import ParameterException
        from rclpy.signals import SignalHandlerOptions
        from rclpy.utilities import remove_ros_args
    except ImportError as exc:
        return complain(name, UsageError(NO_RCLPY.format(exc)))
    try:
        strays = remove_ros_args([name, *arguments])[1:]
        if strays:
            msg = f'unknown argument {strays[0]!r}; parameters go after --ros-args -p'
            raise UsageError(msg)
        rclpy.init(args=[name, *arguments], signal_handler_options=SignalHandlerOptions.NO)
    except (UsageError, RuntimeError) as exc:
        return complain(name, exc)
    try:
        return 0 if stop.came else run_node(make_node(), stop)
    except (BermLedgerError, ParameterException, OSError) as exc:
        return complain(name, exc)
    finally:
        rclpy.try_shutdown()


def run_node(node: Any, stop: StopSignal) -> int:
    """Start a node, spin or work, and close it; return the exit code."""
    from rclpy.executors import SingleThreadedExecutor
    executor = SingleThreadedExecutor(context=node.context)
    executor.add_node(node)
    # Woken without anything to do it would wait on until the turn is over.
    stop.wakes(lambda: executor.create_task(_do_nothing))
    try:
        if not node.start_by_itself():
            return 2
        housekeeping = Housekeeping()
        while not stop.came and not node.finished:
            housekeeping.turn()
            executor.spin_once(timeout_sec=node.turn_s)
            node.tick()
        return int(node.exit_code)
    finally:
        stop.wakes(None)
        answer_what_waits(node, executor)
        executor.shutdown()
        node.close()


def _do_nothing() -> None:
    """End a turn of an executor."""


def answer_what_waits(node: Any, executor: Any) -> None:
    """Have a node tell those who still wait for an answer that there will be none."""
    node.give_up()
    for _ in range(LAST_TURNS):
        if not node.waits:
            return
        executor.spin_once(timeout_sec=LAST_TURN_S)
