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
from dataclasses import dataclass
from types import ModuleType


@dataclass
class Kernels:
    """The modules in use, all of them or none; None where numpy is to do it."""

    cells: ModuleType | None = None
    crest: ModuleType | None = None
    decode: ModuleType | None = None
    fits: ModuleType | None = None
    gaps: ModuleType | None = None
    ground: ModuleType | None = None
    groups: ModuleType | None = None
    readings: ModuleType | None = None
    sampling: ModuleType | None = None
    watch: ModuleType | None = None


#: The one that all look at.
compiled = Kernels()
try:
    from . import (
        _cells,
        _crest,
        _decode,
        _fits,
        _gaps,
        _ground,
        _groups,
        _readings,
        _sampling,
        _watch,
    )
    compiled = Kernels(
        _cells, _crest, _decode, _fits, _gaps, _ground, _groups, _readings, _sampling, _watch)
except ImportError:
    pass


@contextmanager
def numpy_only() -> Iterator[None]:
    """Let numpy do it all for a while, to compare."""
    before = dict(vars(compiled))
    vars(compiled).update(vars(Kernels()))
    try:
        yield
    finally:
        vars(compiled).update(before)
