# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Real nodes in one process, each test in its own domain, waiting for facts and never for time."""

from __future__ import annotations

from collections.abc import Callable
import gc
import time
from typing import Any
import warnings

GIVE_UP_S = 60.0
# A question is asked again after so long: a server that has not met the client answers in vain.
ASK_AGAIN_S = 5.0


class World:
    """
    Nodes of one test on one executor; closes them all at the end.

    Parameters
    ----------
    context : rclpy.context.Context
        Context of the test.

    """

    def __init__(self, context: Any) -> None:
        from rclpy.executors import SingleThreadedExecutor
        # The first message of all loads parsers that use deprecated modules of Python.
        with warnings.catch_warnings():
            warnings.simplefilter('ignore', DeprecationWarning)
            from rclpy.serialization import serialize_message
            from std_msgs.msg import Header
            serialize_message(Header())
        self.context = context
        self.executor = SingleThreadedExecutor(context=context)
        self.nodes: list[Any] = []
        self.clients: dict[tuple[Any, str], Any] = {}

    def __enter__(self) -> World:
        return self

    def __exit__(self, *_: object) -> None:
        for node in self.nodes:
            self.drop(node)
        self.executor.shutdown()
        # A node in a circle of references goes later, and with it goes the log topic of the
        # node that has its name by then.
        gc.collect()

    def node(self, name: str, **options: Any) -> Any:
        """Return a plain node of the test's own."""
        from rclpy.node import Node
        return self.add(Node(name, context=self.context, **options))

    def add(self, node: Any) -> Any:
        """Have a node spun, and closed at the end."""
        self.nodes.append(node)
        self.executor.add_node(node)
        return node

    def drop(self, node: Any) -> None:
        """Close one node now."""
        self.nodes = [other for other in self.nodes if other is not node]
        self.executor.remove_node(node)
        close = getattr(node, 'close', node.destroy_node)
        close()

    def comes_true(self, fact: Callable[[], Any], wait_s: float) -> bool:
        """Spin until a fact holds, or for so long; tell whether it does."""
        end = time.monotonic() + wait_s
        while not fact():
            if time.monotonic() >= end:
                return False
            self.executor.spin_once(timeout_sec=0.05)
        return True

    def until(self, fact: Callable[[], Any], give_up_s: float = GIVE_UP_S) -> None:
        """Spin until a fact holds; one that does not come true in time fails the test."""
        assert self.comes_true(fact, give_up_s), 'the fact waited for did not come true'

    def client(self, node: Any, kind: Any, name: str) -> Any:
        """Return the node's client of a service; made early, it is known to a server in time."""
        if (node, name) not in self.clients:
            self.clients[node, name] = node.create_client(kind, name)
        return self.clients[node, name]

    def call(self, node: Any, kind: Any, name: str, request: Any = None) -> Any:
        """Call a service once and return its answer."""
        client = self.client(node, kind, name)
        self.until(client.service_is_ready)
        future = client.call_async(kind.Request() if request is None else request)
        self.until(future.done)
        return future.result()

    def ask(self, node: Any, kind: Any, name: str) -> Any:
        """Call a service that changes nothing, again until it answers; return the answer."""
        client, asked_s, futures = self.client(node, kind, name), -ASK_AGAIN_S, []

        def answered() -> bool:
            nonlocal asked_s
            if client.service_is_ready() and time.monotonic() >= asked_s + ASK_AGAIN_S:
                asked_s = time.monotonic()
                futures.append(client.call_async(kind.Request()))
            return any(future.done() for future in futures)

        self.until(answered)
        return next(future.result() for future in futures if future.done())
