# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The books: entries, the fold that turns them into rows, disturbance, yield, the journal."""

from .accounts import Books, DumpRecord, Flag, with_dumps_remaining
from .entries import Entry, KIND_RANK, KINDS
from .ledger import Fold, fold
from .rows import Row, State
from .yield_model import estimate_yield, YieldEstimate

__all__ = [
    'Books',
    'DumpRecord',
    'Entry',
    'Flag',
    'Fold',
    'KINDS',
    'KIND_RANK',
    'Row',
    'State',
    'YieldEstimate',
    'estimate_yield',
    'fold',
    'with_dumps_remaining',
]
