# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""One line that tells how far a long job is, for a terminal only."""

from __future__ import annotations

from collections.abc import Callable
import time
from types import TracebackType
from typing import Protocol

EVERY_S = 0.2


class Terminal(Protocol):
    """What is asked of a stream."""

    def isatty(self) -> bool:
        """Tell whether somebody watches."""
        ...

    def write(self, text: str, /) -> object:
        """Write."""
        ...

    def flush(self) -> object:
        """Show what was written."""
        ...


class Progress:
    """
    A line that is written over and over, and gone at the end.

    Parameters
    ----------
    stream : Terminal
        Where to; nothing is written when it is no terminal.
    clock : callable
        Gives seconds.

    """

    def __init__(
        self, stream: Terminal, clock: Callable[[], float] = time.monotonic
    ) -> None:
        """Start counting."""
        self._stream, self._clock = stream, clock
        self._shown = stream.isatty()
        self._begin_s = clock()
        self._due_s = self._begin_s + EVERY_S
        self._width = 0

    def __enter__(self) -> Progress:
        """Return itself."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Wipe the line."""
        if self._width:
            self._stream.write('\r' + ' ' * self._width + '\r')
            self._stream.flush()

    def update(self, count: int, share: float | None = None) -> None:
        """
        Show how far it is, now and again.

        Parameters
        ----------
        count : int
            How many are done.
        share : float, optional
            Which part that is, 0 to 1, where it can be known.

        """
        if not self._shown or self._clock() < self._due_s:
            return
        now_s = self._clock()
        self._due_s = now_s + EVERY_S
        text = progress_text(count, share, now_s - self._begin_s)
        self._stream.write('\r' + text.ljust(self._width))
        self._stream.flush()
        self._width = len(text)


def progress_text(count: int, share: float | None, spent_s: float) -> str:
    """
    Return the line: messages, part done, time spent and left [s].

    Examples
    --------
    >>> progress_text(500, 0.25, 10.0)
    ' 25 %, 500 messages, 50 per second, 30 s left'
    >>> progress_text(500, None, 10.0)
    '500 messages, 50 per second'

    """
    rate = count / spent_s if spent_s > 0.0 else 0.0
    text = f'{count} messages, {rate:.0f} per second'
    if share is None or share <= 0.0:
        return text
    left_s = spent_s * (1.0 / min(share, 1.0) - 1.0)
    left = f'{left_s:.0f} s' if left_s < 100.0 else f'{left_s / 60.0:.0f} min'
    return f'{100.0 * min(share, 1.0):3.0f} %, {text}, {left} left'
