# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
All benchmarks of speed, one line each: name, ours, peer, ratio, limit, ok or short.

``python test/benchmarks/run.py`` runs them all, ``python test/benchmarks/run.py update`` one. A
benchmark is a module beside this one with a function ``rows`` that gives lines of ``bench_kit``.
Figures are processor times of one thread; ratios are taken within one run.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
import importlib
import os
from pathlib import Path
import sys
import traceback

# One thread: the rover has other work for its cores, and so has the peer.
for _name in ('OPENBLAS_NUM_THREADS', 'OMP_NUM_THREADS', 'MKL_NUM_THREADS'):
    os.environ.setdefault(_name, '1')

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE)]  # runs from a clone

from bench_kit import Line, lines_of, printed, skipped  # noqa: E402

#: Name on the command line: module that has ``rows``.
BENCHMARKS = {
    'update': 'update',
    'decode': 'decode',
    'replay': 'replay',
    'detection': 'detection',
    'planning': 'planning',
    'service': 'service',
}


def lines(name: str) -> list[Line]:
    """Return the lines of one benchmark; of one that cannot be run, why."""
    try:
        module = importlib.import_module(BENCHMARKS[name])
    except ModuleNotFoundError as exc:
        return [skipped(name, f'{exc.name} is not installed')]
    try:
        return lines_of(module.rows())
    except Exception:  # noqa: BLE001 - the others are to be measured all the same
        sys.stderr.write(traceback.format_exc())
        return [skipped(name, 'it failed, see above')]


def main(argv: Sequence[str] | None = None) -> int:
    """Print the table; return 1 when a limit is not kept."""
    parser = argparse.ArgumentParser(description=__doc__.split('\n\n')[0])
    parser.add_argument('names', nargs='*', metavar='NAME',
                        help=f'some of {", ".join(BENCHMARKS)}; left out, all')
    names = parser.parse_args(argv).names or list(BENCHMARKS)
    unknown = [name for name in names if name not in BENCHMARKS]
    if unknown:
        parser.error(f'no benchmark {unknown[0]}; there are {", ".join(BENCHMARKS)}')
    return printed(line for name in names for line in lines(name))


if __name__ == '__main__':
    sys.exit(main())
