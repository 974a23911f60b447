# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The standard streams of a process, also of one that was started without them."""

from __future__ import annotations

import os
import sys

NAMES = ('stdin', 'stdout', 'stderr')


def open_closed_streams() -> None:
    """
    Open the null device for each standard stream that was closed outright, as by ``>&-``.

    Python has None for such a stream, and its number goes to the next file opened, into which
    whatever writes to the stream by number would write.
    """
    for number, name in enumerate(NAMES):
        if getattr(sys, name) is None:
            handle = os.open(os.devnull, os.O_RDWR)
            setattr(sys, name, os.fdopen(handle, 'w' if number else 'r', encoding='utf-8'))


def say(line: str) -> None:
    """
    Print a line at once, so that it is there while the work goes on.

    Where whoever read it has gone, as ``head`` does, the work goes on in silence: what it leaves
    is files.
    """
    try:
        sys.stdout.write(f'{line}\n')
        sys.stdout.flush()
    except BrokenPipeError:
        # What Python still holds of it must not be written either.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
