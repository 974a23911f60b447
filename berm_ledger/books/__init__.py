# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The books: entries, the fold that turns them into rows, disturbance, yield, the journal."""

from .entries import Entry, KIND_RANK, KINDS

__all__ = ['Entry', 'KINDS', 'KIND_RANK']
