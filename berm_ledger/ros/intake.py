# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Messages of several topics, taken in the order in which they arrived.

An executor takes one message per topic and round, in the order of the subscriptions, so that a
queue that has built up is taken in another order than it came in. Here everything that has
arrived is taken at once and sorted by the time of arrival that the middleware noted, which is
also the order in which a bag recorder writes them down; live and replay then see one order. Where
the middleware notes no times, the order of the topics decides.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import Any

from rclpy.subscription import Subscription

from .wire import EVENTS


@dataclass(frozen=True)
class Arrival:
    """One message with its topic's ``rank`` and its time of arrival ``received_ns`` [ns]."""

    received_ns: int
    rank: int
    kind: str
    msg: Any

    @property
    def sort_key(self) -> tuple[int, int]:
        """Arrival first, then the order of the topics."""
        return (self.received_ns, self.rank)


class Intake:
    """
    Subscriptions whose messages are handed on together, in order of arrival.

    Parameters
    ----------
    node : rclpy.node.Node
        The node that subscribes.
    handle : callable
        Called with kind and message for each.

    """

    def __init__(self, node: Any, handle: Callable[[str, Any], None]) -> None:
        """Keep the node; nothing is subscribed yet."""
        self._node = node
        self._handle = handle
        self._subscriptions: list[tuple[str, Any]] = []

    def subscribe(
        self, kind: str, msg_type: Any, topic: str, qos: Any, *, weaker_qos: Any = None
    ) -> None:
        """
        Subscribe to one more topic; among messages of one instant the earlier topic leads.

        Parameters
        ----------
        kind : str
            Handed on with each message.
        msg_type : type
            Message class.
        topic : str
            Name of the topic.
        qos : QoSProfile
            Quality asked for.
        weaker_qos : QoSProfile, optional
            Asked for instead as soon as a publisher comes that does not offer ``qos``.

        """
        rank = len(self._subscriptions)

        def on_message(msg: Any, info: Any) -> None:
            self._take_all(Arrival(received_ns(info), rank, kind, msg))

        callback: Callable[..., None] = on_message
        if not hasattr(Subscription, 'CallbackType'):
            # Before ROS 2 Iron a callback is not told the time of arrival; what the executor
            # hands over then comes before what waits.
            callback = partial(on_message, info={})
        make = partial(self._node.create_subscription, msg_type, topic, callback)
        events = None if weaker_qos is None else EVENTS.SubscriptionEventCallbacks(
            incompatible_qos=lambda _: self._weaken(rank, partial(make, weaker_qos)))
        self._subscriptions.append((kind, make(qos, event_callbacks=events)))

    def _weaken(self, rank: int, make: Callable[[], Any]) -> None:
        """Put another subscription in the place of one, after all that has arrived."""
        if rank >= len(self._subscriptions):
            return
        self._take_all()
        kind, subscription = self._subscriptions[rank]
        self._node.get_logger().warning(
            f'{subscription.topic_name} is published with best effort only: messages may get '
            f'lost; offer it as reliable')
        self._node.destroy_subscription(subscription)
        self._subscriptions[rank] = (kind, make())

    def mistaken_type(self, kind: str) -> str:
        """
        Say that a topic is published as other types only, which the middleware passes over.

        Parameters
        ----------
        kind : str
            As it was subscribed.

        Returns
        -------
        str
            What it is published as; empty where nothing is wrong.

        """
        subscription = next(known for name, known in self._subscriptions if name == kind)
        wanted = type_name(subscription.msg_type)
        offered = {info.topic_type for info in self._node.get_publishers_info_by_topic(
            subscription.topic_name)}
        if not offered or wanted in offered:
            return ''
        return f'it is published as {", ".join(sorted(offered))}, not as {wanted}'

    def close(self) -> None:
        """End all subscriptions."""
        for _, subscription in self._subscriptions:
            self._node.destroy_subscription(subscription)
        self._subscriptions.clear()

    def _take_all(self, *first: Arrival) -> None:
        """Hand on a message and all others that wait, oldest arrival first."""
        for arrival in sorted((*first, *self._waiting()), key=lambda item: item.sort_key):
            self._handle(arrival.kind, arrival.msg)

    def _waiting(self) -> Iterator[Arrival]:
        """Take what waits in the queues of all subscriptions."""
        for rank, (kind, subscription) in enumerate(self._subscriptions):
            with subscription.handle:
                # No more than the queue holds: a fast publisher must not keep us here.
                for _ in range(subscription.qos_profile.depth):
                    taken = subscription.handle.take_message(
                        subscription.msg_type, subscription.raw)
                    if taken is None:
                        break
                    yield Arrival(received_ns(taken[1]), rank, kind, taken[0])


def type_name(msg_type: Any) -> str:
    """Return the name of a message class, as the graph tells it."""
    return f'{msg_type.__module__.partition(".")[0]}/msg/{msg_type.__name__}'


def received_ns(info: Any) -> int:
    """Return the time of arrival in a message's info [ns]; 0 where none is noted."""
    value = info.get('received_timestamp') if isinstance(info, dict) else getattr(
        info, 'received_timestamp', 0)
    return max(0, int(value or 0))
