# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Write the files of a replay from a running ledger, where the offline extras are installed.

``python3 -m berm_ledger.ros.report_files BOOKS`` writes them beside the books and says on the
standard output what came of it: exit code 0 when all were written, 2 when not. The ledger runs it
as a process of its own, so that it goes on meanwhile and nothing that goes wrong can end it.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
import contextlib
import os
from pathlib import Path
import signal
import subprocess
import sys
import time

from ..errors import BermLedgerError

MODULE = 'berm_ledger.ros.report_files'
# Files that take longer than this are given up [s].
REPORT_S = 600.0
# The report must not take processor time from whoever drives.
NICE = 10
# Exit codes of the command `report`: to specification, not to specification.
WRITTEN = (0, 1)


class NextTurn:
    """Awaited in a callback, lets the executor work before it goes on."""

    def __await__(self) -> Generator[None, None, None]:
        """Give way once."""
        yield


class ReportJob:
    """
    The files of a replay in the making, in a process of its own.

    Parameters
    ----------
    books_path : Path
        The books file, which may be in use.

    Raises
    ------
    OSError
        The process cannot be started.

    """

    def __init__(self, books_path: Path) -> None:
        """Start."""
        self._end_s = time.monotonic() + REPORT_S
        self._trouble = ''
        # In a group of its own, so that all of it can be ended and no Ctrl-C ends it half-way.
        self._process = subprocess.Popen(
            [sys.executable, '-m', MODULE, str(books_path)], stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True)

    @property
    def done(self) -> bool:
        """Tell whether it has ended; what takes too long is ended now."""
        if self._process.poll() is None and time.monotonic() > self._end_s:
            self.stop(f'not finished within {REPORT_S:.0f} s')
        return self._process.poll() is not None

    def stop(self, why: str) -> None:
        """End it, if it has not ended."""
        if self._process.poll() is None:
            self._trouble = why
            with contextlib.suppress(ProcessLookupError):
                os.killpg(self._process.pid, signal.SIGKILL)
            self._process.wait()

    def result(self) -> tuple[bool, str]:
        """Return whether all was written, and what was or why not; once it has ended."""
        said, errors = self._process.communicate()
        lines = [*errors.strip().splitlines()[-1:], *said.strip().splitlines()[-1:]]
        if self._trouble or not lines:
            lines.append(self._trouble or f'exit code {self._process.returncode}')
        return self._process.returncode == 0, lines[-1]


def write_report_files(books_path: Path) -> tuple[bool, str]:
    """
    Write tables, summary and report beside the books.

    Parameters
    ----------
    books_path : Path
        The books file, which may be in use.

    Returns
    -------
    tuple of bool and str
        Whether it went well; what was written, or why not.

    """
    from ..offline.outputs import REPORT_NAME, TABLE_NAMES, write_outputs
    folder = books_path.parent
    try:
        write_outputs(books_path, folder)
    except (BermLedgerError, OSError) as exc:
        return False, str(exc)
    written = f'written to {folder}: {", ".join((books_path.name, *TABLE_NAMES))}'
    trouble = report_trouble(books_path, folder / REPORT_NAME)
    if trouble:
        return False, f'{written}; no {REPORT_NAME}: {trouble}'
    return True, f'{written}, {REPORT_NAME} and its pictures'


def report_trouble(books_path: Path, report_path: Path) -> str:
    """Make the report by its command; return what went wrong, empty when nothing did."""
    command = [sys.executable, '-m', 'berm_ledger.cli', 'report', str(books_path), '--out',
               str(report_path)]
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False)
    except OSError as exc:
        return str(exc)
    if done.returncode in WRITTEN and report_path.exists():
        return ''
    lines = done.stderr.strip().splitlines()
    return lines[-1] if lines else f'exit code {done.returncode}'


def main(arguments: Sequence[str]) -> int:
    """
    Write the files of one books file.

    Parameters
    ----------
    arguments : sequence of str
        The books file.

    Returns
    -------
    int
        Exit code.

    """
    if len(arguments) != 1:
        sys.stderr.write(f'usage: python3 -m {MODULE} BOOKS\n')
        return 2
    os.nice(NICE)
    done, said = write_report_files(Path(arguments[0]))
    sys.stdout.write(' '.join(said.split()) + '\n')
    return 0 if done else 2


if __name__ == '__main__':
    sys.exit(main(sys.argv[1:]))
