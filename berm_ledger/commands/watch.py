# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""``berm-ledger watch``: the live screen of an operator."""

from __future__ import annotations

import argparse

from .extras import needed

SUMMARY = 'live screen of a running ledger: table, long section, events, target, health'


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument('--namespace', default='', metavar='NS',
                        help='namespace of the ledger, such as /rover1 (default: none)')
    parser.add_argument('--once', action='store_true',
                        help='print one screen when the books have come in, and end')
    parser.add_argument('--wait', type=seconds, default=5.0, metavar='S',
                        help='with --once: how long to wait for them (default: 5)')


def seconds(text: str) -> float:
    """Return a time from the command line [s]."""
    value = float(text)
    if not 0.0 <= value <= 3600.0:
        msg = f'{text} is not from 0 to 3600 s'
        raise argparse.ArgumentTypeError(msg)
    return value


def run(args: argparse.Namespace) -> int:
    """Show the screen until q or Ctrl-C, or once."""
    with needed('watch'):
        import rclpy  # noqa: F401
        import rich  # noqa: F401

        from ..ros.watch.terminal import print_once, watch
    return print_once(args.namespace, args.wait) if args.once else watch(args.namespace)
