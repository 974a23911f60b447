# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""``berm-ledger replay``: the books of a recorded day."""

from __future__ import annotations

import argparse
from pathlib import Path
import sys
from typing import TYPE_CHECKING

from .extras import needed
from ..errors import UsageError
from ..streams import say

if TYPE_CHECKING:
    from ..offline.bags import BagStream

# A bag that claims to be longer does not know its end: a hundred years [ns].
LONGEST_NS = 3_000_000_000_000_000_000

SUMMARY = 'keep the books of recorded rosbag2 bags; writes books, tables, summary and report'


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument(
        'bags', metavar='BAG', nargs='+',
        help='rosbag2 folder or file (MCAP or sqlite3, plain or zstd); several are one day')
    parser.add_argument('--site', metavar='SITE',
                        help='site file (YAML); may be left out with --books')
    parser.add_argument('--books', metavar='BOOKS',
                        help='go on from these books of earlier bags, which are read only: the '
                             'books in DIR hold them and what the bags bring')
    parser.add_argument('--out', required=True, metavar='DIR', help='folder for the output')
    for role in ('elevation', 'pose', 'dump'):
        parser.add_argument(f'--{role}-topic', metavar='TOPIC',
                            help=f'topic of the {role} (default: found by its type)')
    parser.add_argument('--drum-current-topic', metavar='TOPIC',
                        help='topic of the drum current (default: one named drum_current)')
    parser.add_argument('--layer', default='elevation', metavar='NAME',
                        help='layer of a grid map that holds the heights (default: elevation)')
    parser.add_argument('--start', type=float, metavar='S',
                        help='leave out what is earlier, in seconds from the first message')
    parser.add_argument('--end', type=float, metavar='S',
                        help='leave out what is later, in seconds from the first message')


def run(args: argparse.Namespace) -> int:
    """Replay and say what came out."""
    with needed('reading bags'):
        from ..offline.bags import BagOptions
        from ..offline.replay import replay
    from ..offline.fresh import check_free
    from ..offline.opened import BOOKS_NAME
    from ..offline.outputs import OUTPUT_NAMES, REPORT_NAME
    from ..offline.progress import Progress
    from ..ros.table_text import table_text
    options = BagOptions(
        args.elevation_topic, args.pose_topic, args.dump_topic, args.drum_current_topic,
        args.layer, args.start, args.end)
    check_free(Path(args.out), (REPORT_NAME,))
    with Progress(sys.stderr) as progress:
        def watch(stream: BagStream, count: int, bag_ns: int) -> None:
            progress.update(count, share_done(stream, bag_ns))

        done = replay(args.bags, args.site, args.out, options, books_file=args.books,
                      tell=say, watch=watch)
    for warning in done.warnings:
        sys.stderr.write(f'warning: {warning}\n')
    say('')
    say(table_text(done.books, done.books.last_stamp_ns or 0, done.borrow))
    say('')
    verdict = 'meets' if done.summary['accepted'] else 'does not meet'
    say(f'{verdict} the specification: {done.summary["why"]}')
    names = (*OUTPUT_NAMES, *_reported(Path(args.out) / BOOKS_NAME, Path(args.out) / REPORT_NAME))
    say(f'written to {args.out}: {", ".join(names)}')
    return 0


def _reported(books: Path, report: Path) -> tuple[str, ...]:
    """Write the report; return the names of its files, none where its libraries are missing."""
    try:
        with needed('the report'):
            from ..offline.report import make_report
    except UsageError as exc:
        sys.stderr.write(f'warning: no report was written: {exc}\n')
        return ()
    from ..offline.fresh import write_together
    files = make_report(books, report).files
    try:
        write_together(files)
    except OSError as exc:
        out = report.parent
        msg = (f'{exc.filename}: {exc.strerror}: no report was written; books and tables are in '
               f'{out}: make room, then  berm-ledger report {out} --out {report}')
        raise UsageError(msg) from exc
    return tuple(path.name for path in files)


def share_done(stream: BagStream, bag_ns: int) -> float | None:
    """Return which part of a bag is done by time; None where the bag does not say its end."""
    span_ns = stream.end_ns - stream.start_ns
    if not 0 < span_ns < LONGEST_NS:
        return None
    return (bag_ns - stream.start_ns) / span_ns
