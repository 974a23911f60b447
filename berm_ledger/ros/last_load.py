# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What becomes of a target where every lane of the borrow areas is closed; knows no ROS."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from .borrow_text import DRUM, NONE_OPEN
from .messages import Status
from ..targeting import NoTarget, Target

# Books are of their borrow areas: a ledger does not go on with them by other ones.
NO_SOIL = (f'{NONE_OPEN}, and the drum is empty; to dig elsewhere or deeper name another borrow '
           f'area or a larger max_cut_m in a copy of the site file, replay all bags of the build '
           f'with that, and go on with those books')
LAST_LOAD = f'{NONE_OPEN}; this is for the load that is aboard'


def drum_where_closed(statuses: Sequence[Status]) -> str | None:
    """
    Return what is known of the drum where every lane is closed.

    Parameters
    ----------
    statuses : sequence of Status
        As ``borrow_statuses`` makes them.

    Returns
    -------
    str or None
        ``loaded``, ``empty`` or ``unknown``; None while there is a lane to dig, or where there
        never was one.

    """
    # The first is about all, the others are lanes.
    if len(statuses) < 2 or statuses[0].values.get('next_lane') != '':
        return None
    drum = str(statuses[0].values.get('drum'))
    return drum if drum in DRUM.values() else None


def as_soil_allows(choice: Target | NoTarget, drum: str | None) -> Target | NoTarget:
    """
    Return a choice as far as there is soil for it: a drum that may be full is emptied.

    Parameters
    ----------
    choice : Target or NoTarget
        What there is to do.
    drum : str or None
        As ``drum_where_closed`` gives it.

    Returns
    -------
    Target or NoTarget
        The choice, where a lane is open; else for an empty drum why there is none, and for any
        other one a target that says that it is the last.

    """
    if drum is None or isinstance(choice, NoTarget):
        return choice
    if drum == DRUM[False]:
        return NoTarget('blocked', NO_SOIL)
    return replace(choice, reason=f'{choice.reason}. {LAST_LOAD}')
