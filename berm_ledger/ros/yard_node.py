# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Run the node ``yard``, the stand-in for a robot, as a process."""

from __future__ import annotations

import sys
from typing import Any

from .run import run


def make_node() -> Any:
    """Return the node; rclpy must be up."""
    from .yard import YardNode
    return YardNode()


def main() -> int:
    """Run the node and return the exit code."""
    return run('yard', make_node)


if __name__ == '__main__':
    sys.exit(main())
