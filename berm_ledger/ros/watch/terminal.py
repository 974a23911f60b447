# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The terminal: draw, read keys, give it back as it was."""

from __future__ import annotations

from collections.abc import Callable, Iterator
import contextlib
from dataclasses import replace
import os
import select
import sys
import termios
import tty

from rich.console import Console
from rich.text import Text

from .advice import one_line
from .listener import Ears
from .screen import berm_shown, next_berm, screen_lines, View
from .section import ASCII, Glyphs, UNICODE
from ...errors import UsageError

REDRAW_S = 0.25
# After the first segments, how long the rest is waited for: health comes every second.
SETTLE_S = 1.5
ONCE_LINES = 1000
UP, DOWN = ('k', '\x1b[A', '\x1bOA'), ('j', '\x1b[B', '\x1bOB')


def glyphs_for(encoding: str) -> Glyphs:
    """Return characters that a terminal of that encoding can show."""
    return UNICODE if encoding.lower().replace('-', '').startswith('utf') else ASCII


def watch(namespace: str) -> int:
    """
    Show the live screen until q or Ctrl-C.

    Parameters
    ----------
    namespace : str
        Namespace of the ledger.

    Returns
    -------
    int
        0.

    Raises
    ------
    UsageError
        Not in a terminal, or no such namespace.

    """
    console = Console()
    if not (console.is_terminal and sys.stdin.isatty()):
        msg = 'watch needs a terminal; to print one screen into a file or pipe add --once'
        raise UsageError(msg)
    if console.is_dumb_terminal:
        msg = (f'watch draws its screen anew, which this terminal cannot (TERM is '
               f'{os.environ.get("TERM")!r}): set TERM, or add --once to print one screen')
        raise UsageError(msg)
    berm: int | None = None
    scroll = 0
    glyphs = glyphs_for(console.encoding)
    with contextlib.suppress(KeyboardInterrupt), Ears(namespace) as ears, keys() as read, \
            console.screen(hide_cursor=True) as screen:
        while True:
            view = view_of(ears, berm, scroll, glyphs)
            width, height = console.size
            screen.update(Text('\n').join(screen_lines(view, width, height)))
            ears.listen(REDRAW_S)
            pressed = read()
            if 'q' in pressed or 'Q' in pressed:
                break
            berm, scroll = steered(pressed, view, berm, scroll)
    return 0


def view_of(ears: Ears, berm: int | None, scroll: int, glyphs: Glyphs) -> View:
    """Return what there is to show now."""
    listener = ears.listener
    around = listener.around()
    return View(listener.heard, tuple(listener.events), around, berm, scroll, glyphs)


def steered(
    pressed: str, view: View, berm: int | None, scroll: int
) -> tuple[int | None, int]:
    """
    Return berm and scroll after some keys.

    Parameters
    ----------
    pressed : str
        What came from the keyboard.
    view : View
        What was shown.
    berm : int or None
        The berm asked for before.
    scroll : int
        Rows further down before.

    Returns
    -------
    tuple of int or None, and int
        The same now; another berm begins unscrolled.

    """
    if 'b' in pressed:
        return next_berm(view), 0
    steps = sum(map(pressed.count, DOWN)) - sum(map(pressed.count, UP))
    count = sum(row.berm_index == berm_shown(view) for row in view.heard.rows)
    return berm, max(-count, min(count, scroll + steps))


def print_once(namespace: str, wait_s: float) -> int:
    """
    Print one screen, with every row, when the books have come in.

    Parameters
    ----------
    namespace : str
        Namespace of the ledger.
    wait_s : float
        How long to wait for them [s].

    Returns
    -------
    int
        0.

    Raises
    ------
    UsageError
        Nothing came in; says what to check.

    """
    console = Console()
    with Ears(namespace) as ears:
        waited_s = 0.0
        while ears.listener.heard.stamp_ns is None:
            if waited_s >= wait_s:
                raise UsageError(one_line(ears.listener.around()))
            ears.listen(REDRAW_S)
            waited_s += REDRAW_S
        ears.listen(SETTLE_S)
        view = view_of(ears, None, 0, glyphs_for(console.encoding))
    for line in once_lines(view, console.width):
        console.print(line, soft_wrap=True)
    return 0


def once_lines(view: View, width: int) -> list[Text]:
    """Return one screen per berm, high enough for all rows; no keys, no empty lines at the end."""
    lines: list[Text] = []
    for berm in sorted({row.berm_index for row in view.heard.rows}):
        page = screen_lines(replace(view, berm_index=berm), width, ONCE_LINES)[:-1]
        while page and not page[-1].plain:
            page.pop()
        lines += page
    return lines


@contextlib.contextmanager
def keys() -> Iterator[Callable[[], str]]:
    """Hand out keys as they are pressed, without Enter and without showing them."""
    stdin = sys.stdin.fileno()
    before = termios.tcgetattr(stdin)

    def read() -> str:
        """Return what has been pressed since; empty when nothing was."""
        if not select.select([stdin], [], [], 0.0)[0]:
            return ''
        # A terminal that is gone reads as the end: so are we.
        return os.read(stdin, 64).decode('utf-8', 'ignore') or 'q'

    tty.setcbreak(stdin)
    try:
        yield read
    finally:
        termios.tcsetattr(stdin, termios.TCSADRAIN, before)
