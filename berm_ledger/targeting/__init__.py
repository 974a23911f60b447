# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The next dump: how many loads, in which order, from which side, exactly where."""

from typing import Any, TYPE_CHECKING

from .dump_plan import dumps_remaining
from .values import Ground, NoTarget, Target

if TYPE_CHECKING:
    from .choice import ReadyChoice
    from .plan import Plan, PLAN_COLUMNS, plan_work
    from .planner import Planner
    from .replan import Replan

__all__ = [
    'Ground',
    'NoTarget',
    'PLAN_COLUMNS',
    'Plan',
    'Planner',
    'ReadyChoice',
    'Replan',
    'Target',
    'dumps_remaining',
    'plan_work',
]


def __getattr__(name: str) -> Any:
    """
    Import planning when something of it is asked for.

    It takes much of scipy, 20 MB; the books, which import this room for the loads still called
    for, do without.
    """
    if name not in __all__:
        msg = f'module {__name__!r} has no attribute {name!r}'
        raise AttributeError(msg)
    from . import choice, plan, planner, replan
    return {**vars(plan), **vars(planner), **vars(replan), **vars(choice)}[name]
