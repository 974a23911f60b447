# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""``berm-ledger compare``: what changed between two books."""

from __future__ import annotations

import argparse
import sys

SUMMARY = 'print what changed between two books, per segment and in volume'


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument('before', metavar='A',
                        help='earlier books file, or the folder that holds books.sqlite')
    parser.add_argument('after', metavar='B', help='later books, in the same way')


def run(args: argparse.Namespace) -> int:
    """Print the changes, later less earlier, with 95 % bounds."""
    from ..offline.compare import compare_books
    from ..offline.compare_text import comparison_text, Named
    from ..offline.opened import open_books
    before, after = (Named(str(name), open_books(name)) for name in (args.before, args.after))
    found = compare_books(before.opened, after.opened)
    sys.stdout.write(comparison_text(before, after, found) + '\n')
    return 0
