# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
What every converter needs: stamps, headers, arrays and the classes of sub-messages.

Messages are duck-typed: whatever has the fields of the ROS message will do, be it from rclpy or
from a bag reader. Nothing here imports a message package.
"""

from __future__ import annotations

import array
from collections.abc import Callable, Sequence
from dataclasses import dataclass
import re
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...errors import MessageError

NS_PER_S = 1_000_000_000
# Of texts out of messages no more than this is repeated in one of ours.
MAX_QUOTED = 60
MAX_LISTED = 16
PLAIN_NAME = re.compile(r'[\w/.:+-]{1,60}')

# Sub-messages that the fill_* functions have to make themselves.
SUB_MESSAGES = {
    'PointField': 'sensor_msgs/msg/PointField',
    'MultiArrayDimension': 'std_msgs/msg/MultiArrayDimension',
    'Float32MultiArray': 'std_msgs/msg/Float32MultiArray',
    'ColorRGBA': 'std_msgs/msg/ColorRGBA',
    'Point': 'geometry_msgs/msg/Point',
    'PoseStamped': 'geometry_msgs/msg/PoseStamped',
    'DiagnosticStatus': 'diagnostic_msgs/msg/DiagnosticStatus',
    'KeyValue': 'diagnostic_msgs/msg/KeyValue',
    'Marker': 'visualization_msgs/msg/Marker',
}


@dataclass(frozen=True)
class MessageTypes:
    """Makers of blank sub-messages, each called without arguments; see ``SUB_MESSAGES``."""

    PointField: Callable[[], Any]
    MultiArrayDimension: Callable[[], Any]
    Float32MultiArray: Callable[[], Any]
    ColorRGBA: Callable[[], Any]
    Point: Callable[[], Any]
    PoseStamped: Callable[[], Any]
    DiagnosticStatus: Callable[[], Any]
    KeyValue: Callable[[], Any]
    Marker: Callable[[], Any]


def message_types(lookup: Callable[[str], Callable[[], Any]]) -> MessageTypes:
    """
    Return the makers of sub-messages that a way of finding them yields.

    Parameters
    ----------
    lookup : callable
        Takes a type name such as ``geometry_msgs/msg/Point``, returns a maker of blank ones; for
        rclpy the message class itself.

    Returns
    -------
    MessageTypes
        The makers.

    """
    return MessageTypes(**{name: lookup(kind) for name, kind in SUB_MESSAGES.items()})


def stamp_ns_from(header: Any) -> int:
    """
    Return the stamp of a header [ns].

    Parameters
    ----------
    header : std_msgs/Header
        Any object with ``stamp.sec`` and ``stamp.nanosec``.

    Returns
    -------
    int
        Nanoseconds; zero and negative stamps are left for the gates to judge.

    Raises
    ------
    MessageError
        Nanoseconds of a second or more.

    """
    sec, nanosec = int(header.stamp.sec), int(header.stamp.nanosec)
    if not 0 <= nanosec < NS_PER_S:
        msg = f'header.stamp.nanosec is {nanosec}; it must be in 0..999999999'
        raise MessageError(msg)
    return sec * NS_PER_S + nanosec


def fill_stamp(stamp: Any, stamp_ns: int) -> None:
    """Write nanoseconds into a builtin_interfaces/Time."""
    stamp.sec, stamp.nanosec = divmod(int(stamp_ns), NS_PER_S)


def fill_header(header: Any, stamp_ns: int, frame_id: str) -> None:
    """Write stamp [ns] and frame into a std_msgs/Header."""
    fill_stamp(header.stamp, stamp_ns)
    header.frame_id = frame_id


def quoted(text: Any) -> str:
    """
    Return a text out of a message for a line of our own.

    A plain name stays as it is; anything else is quoted, on one line and not too long.

    Examples
    --------
    >>> quoted('elevation'), quoted('a b')
    ('elevation', "'a b'")

    """
    name = str(text)
    if PLAIN_NAME.fullmatch(name):
        return name
    return repr(name[:MAX_QUOTED]) + ('...' if len(name) > MAX_QUOTED else '')


def listed(names: Sequence[Any]) -> str:
    """
    Return names out of a message as a short list.

    Examples
    --------
    >>> listed(['x', 'y']), listed([])
    ('x, y', 'none')

    """
    shown = ', '.join(quoted(name) for name in names[:MAX_LISTED]) or 'none'
    more = len(names) - MAX_LISTED
    return f'{shown} and {more} more' if more > 0 else shown


def array_from(values: Any, dtype: Any) -> NDArray[Any]:
    """
    Return a message's sequence as a flat array, without a copy where it has a buffer.

    Parameters
    ----------
    values : array.array, numpy array, bytes or list
        Content of a primitive sequence.
    dtype : dtype
        Its element type.

    Returns
    -------
    array
        Flat; may share memory with the message, so copy before the message is given away.

    """
    if isinstance(values, (array.array, bytes, bytearray, memoryview)):
        return np.frombuffer(values, dtype=dtype) if len(values) else np.empty(0, dtype=dtype)
    return np.asarray(values, dtype=dtype).reshape(-1)


def put_array(msg: Any, name: str, values: NDArray[Any]) -> None:
    """
    Write a flat array into a primitive sequence of a message, in the message's own kind.

    rclpy holds ``array.array`` and takes one over without looking at each element; bag libraries
    hold numpy arrays.
    """
    current = getattr(msg, name)
    if isinstance(current, array.array):
        fresh = array.array(current.typecode)
        fresh.frombytes(np.ascontiguousarray(values).tobytes())
        setattr(msg, name, fresh)
    else:
        setattr(msg, name, np.ascontiguousarray(values).reshape(-1))
