# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Write the files of a replay from a running ledger, where the offline extras are installed."""

from __future__ import annotations

from pathlib import Path
import subprocess
import sys

from ..errors import BermLedgerError
from ..offline.outputs import OUTPUT_NAMES, REPORT_NAME, write_outputs

REPORT_S = 120.0
# Exit codes of the command: to specification, not to specification.
WRITTEN = (0, 1)


def write_report_files(books_path: Path) -> tuple[bool, str]:
    """
    Write tables, summary and report beside the books.

    The report is made by the command in a process of its own: pictures need a large library, and
    nothing that goes wrong with them may end a ledger.

    Parameters
    ----------
    books_path : Path
        The books file, which may be in use.

    Returns
    -------
    tuple of bool and str
        Whether it went well; what was written, or why not.

    """
    folder = books_path.parent
    try:
        write_outputs(books_path, folder)
    except (BermLedgerError, OSError) as exc:
        return False, str(exc)
    written = f'written to {folder}: {", ".join(OUTPUT_NAMES)}'
    trouble = report_trouble(books_path, folder / REPORT_NAME)
    if trouble:
        return False, f'{written}; no {REPORT_NAME}: {trouble}'
    return True, f'{written}, {REPORT_NAME} and its pictures'


def report_trouble(books_path: Path, report_path: Path) -> str:
    """Make the report by its command; return what went wrong, empty when nothing did."""
    command = [sys.executable, '-m', 'berm_ledger.cli', 'report', str(books_path), '--out',
               str(report_path)]
    try:
        done = subprocess.run(
            command, capture_output=True, text=True, timeout=REPORT_S, check=False)
    except (OSError, subprocess.TimeoutExpired) as exc:
        return str(exc)
    if done.returncode in WRITTEN and report_path.exists():
        return ''
    lines = done.stderr.strip().splitlines()
    return lines[-1] if lines else f'exit code {done.returncode}'
