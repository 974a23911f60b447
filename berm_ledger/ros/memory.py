# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Memory of a node: large blocks are given back, and what stays is not searched for garbage.

The C library is asked to give large blocks back to the system; where it cannot, nothing changes.

A grid of a million points is 12 MB as a message. glibc keeps blocks of the size that was freed
last for the next one, up to 32 MB and for every thread; on a rover other nodes need them more. To
have them back costs the system more than a look costs the ledger, as long as it hands them out in
pages of 4 kB: in large pages that takes a third of the time. That can only be asked for before a
program starts, and so the launch file does it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
import ctypes
import gc
import time
from typing import Any

# Names of glibc's <malloc.h>.
M_TRIM_THRESHOLD, M_MMAP_THRESHOLD = -1, -3
# Messages, grids and what is kept of every cell of a long berm are larger than this, what a look
# works with for a while is mostly smaller [bytes].
LARGE = 2**20
# Free memory at the end of the heap that may be kept [bytes].
KEPT = 16 * 2**20
# What is free between blocks in use is given back so often: that takes 1 to 2 ms, and the next
# look as long to have back the half of it that it needs [s].
GIVE_BACK_S = 10.0
# Variable in which glibc looks for its settings, and the one for blocks in large pages (2.35 on).
TUNABLES, LARGE_PAGES = 'GLIBC_TUNABLES', 'glibc.malloc.hugetlb'
# After the first messages there is more that stays; the same turns in every run.
TURNS_TO_SETTLE = 500


def give_back_large_blocks() -> bool:
    """Have large blocks given back as soon as they are free; tell whether that was possible."""
    mallopt = _function('mallopt')
    if mallopt is None:
        return False
    return bool(mallopt(M_MMAP_THRESHOLD, LARGE)) and bool(mallopt(M_TRIM_THRESHOLD, KEPT))


def large_pages(environ: Mapping[str, str]) -> dict[str, str]:
    """
    Return what to add to an environment, so that a program started in it uses large pages.

    Parameters
    ----------
    environ : mapping
        The environment as it is; what it says of large pages already is kept.

    Returns
    -------
    dict
        The variable to set; without glibc nobody reads it.

    """
    given = environ.get(TUNABLES, '')
    if LARGE_PAGES in given:
        return {TUNABLES: given}
    return {TUNABLES: ':'.join(filter(None, (given, f'{LARGE_PAGES}=1')))}


def give_back_what_is_free() -> bool:
    """Give back now what is free; tell whether there was any."""
    trim = _function('malloc_trim')
    return trim is not None and bool(trim(ctypes.c_size_t(0)))


def leave_alone_what_stays() -> None:
    """
    Have the collector of garbage leave alone all objects that there are now.

    Modules and message types make some 60 000 of them; to look through these takes 13 ms, in
    which the node answers nobody, and finds nothing. What comes later is collected as ever. Not
    for every while: what is left alone once is never collected, even when it has become garbage.
    """
    gc.collect()
    gc.freeze()


class Housekeeping:
    """
    Keeps the memory of a running node small, turn by turn.

    Parameters
    ----------
    steady_s : callable
        Steady clock [s].

    """

    def __init__(self, steady_s: Callable[[], float] = time.monotonic) -> None:
        """Begin with the first turn."""
        self._steady_s, self._turns, self._due_s = steady_s, 0, float('-inf')

    def turn(self) -> None:
        """Do what is due before a turn of the executor."""
        if self._turns in (0, TURNS_TO_SETTLE):
            leave_alone_what_stays()
        self._turns += 1
        if self._steady_s() >= self._due_s:
            give_back_what_is_free()
            self._due_s = self._steady_s() + GIVE_BACK_S


def _function(name: str) -> Any:
    """Return a function of the C library, or None where it has none of this name."""
    try:
        return getattr(ctypes.CDLL(None), name)
    except (AttributeError, OSError, TypeError):
        return None
