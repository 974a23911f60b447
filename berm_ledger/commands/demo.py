# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""``berm-ledger demo``: a simulated yard and the real nodes over real topics."""

from __future__ import annotations

import argparse
import sys

from .extras import needed

SUMMARY = 'build, spoil and mend a berm in a simulated yard with the real nodes'


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument('--out', required=True, metavar='DIR', help='folder for the output')
    parser.add_argument('--site', metavar='SITE',
                        help='site file (YAML); left out, the one that comes with the package')
    parser.add_argument('--seed', type=int, default=1,
                        help='seed of the simulated yard (default: 1)')


def run(args: argparse.Namespace) -> int:
    """Run the demo to its end."""
    with needed('the demo'):
        from ..demo import run_demo
    return run_demo(args.out, args.site, args.seed, say=_say)


def _say(text: str) -> None:
    """Print at once, so that the table is seen as it fills."""
    sys.stdout.write(f'{text}\n')
    sys.stdout.flush()
