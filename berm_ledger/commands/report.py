# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""``berm-ledger report``: the as-built report of a books file."""

from __future__ import annotations

import argparse
from pathlib import Path
import sys

from .extras import needed
from ..errors import UsageError

SUMMARY = 'write the as-built report of a books file, pictures and tables beside it'
ENDINGS = ('.html', '.htm')


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument('books', metavar='BOOKS',
                        help='books file, or the folder that holds books.sqlite')
    parser.add_argument('--out', required=True, metavar='FILE.html',
                        help='file for the report; pictures, segments.csv, events.csv and '
                             'summary.json go beside it, and what is there of it is replaced')


def run(args: argparse.Namespace) -> int:
    """Write report and tables and say what the verdict is; 1 when it is not to specification."""
    with needed('the report'):
        from ..offline.report import make_report
    from ..offline.fresh import check_writable, write_together
    from ..offline.outputs import table_files
    out = Path(args.out)
    if out.suffix.lower() not in ENDINGS:
        msg = f'{out} does not end in .html: name a file for the report, such as report.html'
        raise UsageError(msg)
    check_writable(out)
    made = make_report(args.books, out)
    summary = made.facts.summary
    files = {**made.files, **table_files(made.facts.opened, summary, out.parent)}
    write_together(files)
    verdict = 'meets' if summary['accepted'] else 'does not meet'
    sys.stdout.write(f'{verdict} the specification: {summary["why"]}\n'
                     f'written to {out.parent}: {", ".join(path.name for path in files)}\n')
    return 0 if summary['accepted'] else 1
