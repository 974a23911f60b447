# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The next dump: how many loads, in which order, from which side, exactly where."""

from .choice import choose_target
from .dump_plan import dumps_remaining
from .values import Ground, NoTarget, Target

__all__ = ['Ground', 'NoTarget', 'Target', 'choose_target', 'dumps_remaining']
