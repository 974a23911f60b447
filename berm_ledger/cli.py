# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The command line ``berm-ledger``: parse, call one command, turn errors into one line.

Exit codes: 0 done; 1 judged not to specification or not all of the work can be done, where a
command judges; 2 bad input, with one line on the standard error; 130, 141 and 143 when it was
stopped from outside.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
import contextlib
import io
import os
import signal
import sys
import threading
from types import FrameType
from typing import NoReturn

from .commands import check, compare, demo, plan, replay, report, show, simulate, watch
from .errors import BermLedgerError, SiteFileError, UsageError
from .streams import open_closed_streams

PROG = 'berm-ledger'
DONE, BAD_INPUT, INTERRUPTED, READER_GONE, TERMINATED = 0, 2, 130, 141, 143
COMMANDS = (check, replay, show, report, compare, plan, simulate, demo, watch)


class Parser(argparse.ArgumentParser):
    """A parser that reports a wrong command line as one line."""

    def error(self, message: str) -> NoReturn:
        """Raise UsageError."""
        msg = f'{message}; see {self.prog} --help'
        raise UsageError(msg)


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of all commands."""
    parser = Parser(
        prog=PROG, description='Keeps the books of a berm that a robot heaps up load by load.',
        epilog='Exit codes: 0 done, 1 judged not to specification or not all of the work can be '
               'done, 2 bad input.')
    commands = parser.add_subparsers(dest='command', metavar='COMMAND', required=True)
    for command in COMMANDS:
        name = command.__name__.rpartition('.')[2]
        summary = command.SUMMARY
        sub = commands.add_parser(name, help=summary, description=summary[0].upper()
                                  + summary[1:] + '.')
        command.add_arguments(sub)
        sub.set_defaults(run=command.run)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """
    Run one command.

    Parameters
    ----------
    argv : sequence of str, optional
        Command line without the program's name; left out, that of the process.

    Returns
    -------
    int
        Exit code.

    """
    open_closed_streams()
    if isinstance(sys.stdout, io.TextIOWrapper):
        # A letter that the terminal cannot show is spelled out, as on the standard error.
        sys.stdout.reconfigure(errors='backslashreplace')
    try:
        with terminable():
            code = _run(argv)
        sys.stdout.flush()
        return code
    except BrokenPipeError:
        # Whoever read our output has gone; what Python still holds of it must not be written.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return READER_GONE
    except BermLedgerError as exc:
        return complain(*error_lines(exc))
    except OSError as exc:
        return complain(os_error_line(exc))
    except KeyboardInterrupt:
        complain('interrupted')
        return INTERRUPTED


@contextlib.contextmanager
def terminable() -> Iterator[None]:
    """Let SIGTERM end the program in the way of an error, so that nothing half done stays."""
    def leave(_number: int, _frame: FrameType | None) -> NoReturn:
        raise SystemExit(TERMINATED)

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGTERM, leave)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def _run(argv: Sequence[str] | None) -> int:
    """Parse and run; argparse leaves by SystemExit after printing help."""
    try:
        args = build_parser().parse_args(argv)
    except SystemExit as exc:
        return int(exc.code or DONE)
    return int(args.run(args))


def error_lines(exc: BermLedgerError) -> tuple[str, ...]:
    """Return an error as lines: one, but for a site file with several faults."""
    if isinstance(exc, SiteFileError) and len(exc.faults) > 1:
        head = f'{exc.source}: {len(exc.faults)} faults in this site file'
        return (head, *(f'  {fault}' for fault in exc.faults))
    return (str(exc),)


def os_error_line(exc: OSError) -> str:
    """Return an error of the system as a line: which file, what, what to do."""
    what = exc.strerror or str(exc) or type(exc).__name__
    name = exc.filename if exc.filename is not None else 'a file or the output'
    return f'{name}: {what}; name a file or folder that can be used here'


def complain(*lines: str) -> int:
    """Write lines on the standard error, each as one line; return the exit code."""
    for number, line in enumerate(lines):
        indent = '  ' if line.startswith(' ') else ''
        prefix = f'{PROG}: ' if number == 0 else ''
        sys.stderr.write(f'{prefix}{indent}{" ".join(line.split())}\n')
    return BAD_INPUT


if __name__ == '__main__':
    sys.exit(main())
