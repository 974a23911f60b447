# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Which extra of this package has to be installed for what a command needs."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from ..errors import UsageError

REPLAY = ('rosbags', 'apsw', 'lz4', 'backports', 'zstandard', 'ruamel', 'matplotlib', 'PIL',
          'rich')
ROS = ('rclpy', 'builtin_interfaces', 'rcl_interfaces', 'lifecycle_msgs', 'std_msgs', 'std_srvs',
       'geometry_msgs', 'sensor_msgs', 'nav_msgs', 'diagnostic_msgs', 'visualization_msgs')
EXTRAS = {**dict.fromkeys(REPLAY, 'replay'), **dict.fromkeys(ROS, 'ros')}


@contextmanager
def needed(what: str) -> Iterator[None]:
    """
    Turn a failing import of an optional package into advice.

    Parameters
    ----------
    what : str
        What needs it, to begin a sentence with.

    Raises
    ------
    UsageError
        The package is not installed; says how to install it.

    """
    try:
        yield
    except ImportError as exc:
        name = (exc.name or '').partition('.')[0]
        extra = EXTRAS.get(name)
        if extra is None:
            raise
        other = ' or source a ROS 2 installation' if extra == 'ros' else ''
        msg = (f'{what} needs the package {name}, which is not installed: '
               f'pip install "berm_ledger[{extra}]"{other}')
        raise UsageError(msg) from exc
