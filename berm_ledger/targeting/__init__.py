# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The next dump: how many loads, in which order, from which side, exactly where."""

from .choice import choose_target, ReadyChoice
from .dump_plan import dumps_remaining
from .plan import Plan, PLAN_COLUMNS, plan_work, PlanStep
from .planner import Planner
from .replan import Replan
from .values import Ground, NoTarget, Target

__all__ = [
    'Ground',
    'NoTarget',
    'PLAN_COLUMNS',
    'Plan',
    'PlanStep',
    'Planner',
    'ReadyChoice',
    'Replan',
    'Target',
    'choose_target',
    'dumps_remaining',
    'plan_work',
]
