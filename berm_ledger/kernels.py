# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The compiled loops over cells, where they were built; without them numpy does the same.

They are an optional part of the package: ``setup.py`` builds them where there is a C compiler, and
their sources are in ``native``. Each is used in one place, beside the numpy code that gives the
same figures, bit for bit, in more passes.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from types import ModuleType

try:
    from . import _cells, _crest, _decode, _fits, _groups, _sampling, _watch
    _BUILT: tuple[ModuleType | None, ...] = (
        _cells, _crest, _decode, _fits, _groups, _sampling, _watch)
except ImportError:
    _BUILT = (None,) * 7


class Kernels:
    """The modules in use, all of them or none; None where numpy is to do it."""

    def __init__(self) -> None:
        """Use what was built."""
        self.use(_BUILT)

    def use(self, modules: tuple[ModuleType | None, ...]) -> None:
        """Use modules, in the order that ``used`` returns them in."""
        (self.cells, self.crest, self.decode, self.fits, self.groups, self.sampling,
         self.watch) = modules

    def used(self) -> tuple[ModuleType | None, ...]:
        """Return what is in use."""
        return (self.cells, self.crest, self.decode, self.fits, self.groups, self.sampling,
                self.watch)


#: The one that all look at.
compiled = Kernels()


@contextmanager
def numpy_only() -> Iterator[None]:
    """Let numpy do it all for a while, to compare."""
    before = compiled.used()
    compiled.use((None,) * len(before))
    try:
        yield
    finally:
        compiled.use(before)
