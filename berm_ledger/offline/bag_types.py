# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The message types that bags are read and written with, without ROS."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache, partial
from typing import Any

import numpy as np
from rosbags.interfaces import Nodetype
from rosbags.typesys import get_types_from_msg, get_typestore, Stores

from .grid_map_types import GRID_MAP_TYPES
from ..ros.messages import message_types, MessageTypes

BLANKS: dict[str, Any] = {'string': '', 'wstring': '', 'bool': False}
DTYPES = {'byte': 'uint8', 'octet': 'uint8', 'char': 'uint8'}


@lru_cache(maxsize=1)
def bag_typestore() -> Any:
    """
    Return the stock message types and grid_map_msgs.

    Those of the oldest distribution in use: what this package reads and writes has been the same
    ever since, and a bag written with them is read everywhere.
    """
    store = get_typestore(Stores.ROS2_HUMBLE)
    for name, text in GRID_MAP_TYPES.items():
        store.register(get_types_from_msg(text, name))
    return store


def _blank_array(kind: str, length: int) -> Any:
    """Return an empty or zero sequence of a basic type."""
    if kind in ('string', 'wstring'):
        return [''] * length
    return np.zeros(length, dtype=DTYPES.get(kind, kind))


def _blank_field(kind: Any, detail: Any) -> Any:
    """Return the value of a field of a blank message."""
    if kind == Nodetype.NAME:
        return blank_message(detail)
    if kind == Nodetype.BASE:
        return BLANKS.get(detail[0], 0.0 if detail[0].startswith('float') else 0)
    (part_kind, part), length = detail
    if kind == Nodetype.SEQUENCE:
        length = 0
    if part_kind == Nodetype.BASE:
        return _blank_array(part[0], length)
    return [_blank_field(part_kind, part) for _ in range(length)]


def blank_message(name: str) -> Any:
    """
    Return a message of zeros and empty sequences.

    Parameters
    ----------
    name : str
        Type name such as ``sensor_msgs/msg/PointCloud2``.

    Returns
    -------
    object
        A message as bags are written with; an orientation has w = 1, as in ROS.

    Examples
    --------
    >>> blank_message('geometry_msgs/msg/Pose').orientation.w
    1.0

    """
    store = bag_typestore()
    fields = store.fielddefs[name][1]
    msg = store.types[name](**{field: _blank_field(*desc) for field, desc in fields})
    if name == 'geometry_msgs/msg/Quaternion':
        msg.w = 1.0
    return msg


def bag_message_types() -> MessageTypes:
    """Return the makers of sub-messages for the fill functions."""
    def maker(name: str) -> Callable[[], Any]:
        return partial(blank_message, name)

    return message_types(maker)
