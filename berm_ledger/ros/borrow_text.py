# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The borrow side for people and for others' nodes: one line, and statuses; knows no ROS."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
import math

from .messages.diagnostics import OK, Status, WARN
from .table_text import figure
from ..borrow.account import AreaAccount, BorrowAccount
from ..borrow.lanes import Lane
from ..borrow.load import SIGMAS
from ..borrow.production import forecast, production_of
from ..wording import counted

MINUTE_S = 60.0
PARTIAL = {True: 'yes', False: 'no', None: 'unknown'}
DRUM = {True: 'loaded', False: 'empty', None: 'unknown'}
NONE_OPEN = 'no lane is open: there is no soil left to dig'


def borrow_line(account: BorrowAccount, loads_left: int) -> str:
    """
    Return one line about the borrow side; empty where nothing was booked.

    Parameters
    ----------
    account : BorrowAccount
        The account.
    loads_left : int
        Loads still called for.

    Returns
    -------
    str
        That the balance does not close, cut, depth, closed lanes, production and forecast, as far
        as they are known.

    """
    if account.is_empty:
        return ''
    # First, as a screen may cut the end off.
    parts = ['DOES NOT ADD UP'] if account.unbalanced else []
    cut_m3, cut_se_m3 = account.cut_m3
    if math.isfinite(cut_m3):
        deepest = max((a.deepest_m for a in account.areas.values()
                       if math.isfinite(a.deepest_m)), default=math.nan)
        parts.append(f'cut {figure(cut_m3, 1, 1e3)}+-{figure(SIGMAS * cut_se_m3, 1, 1e3)} l, '
                     f'deepest {figure(deepest, 0, 1e3)} mm')
    closed = sum(len(area.voids) for area in account.areas.values())
    if closed:
        parts.append(f'{counted(closed, "lane")} closed')
    made = production_of(account)
    if math.isfinite(made.loads_per_h):
        parts.append(f'{figure(made.loads_per_h, 0)} loads/h of '
                     f'{figure(made.kg_per_cycle, 1)} kg')
    told = forecast(account, loads_left)
    if told is not None and loads_left:
        parts.append(f'done in {figure(told.low_s / MINUTE_S, 0)}-'
                     f'{figure(told.high_s / MINUTE_S, 0)} min')
    return 'borrow: ' + (', '.join(parts) or 'no cut measured yet')


def borrow_statuses(
    lanes: Mapping[str, Sequence[Lane]], account: BorrowAccount,
    proposal: tuple[Lane, float] | None, loads_left: int, aboard: bool | None = None,
) -> list[Status]:
    """
    Return the borrow side as statuses: one of all, then one per lane.

    Parameters
    ----------
    lanes : mapping
        Lanes of the borrow areas by name; where there is no area there are no statuses.
    account : BorrowAccount
        The account.
    proposal : tuple of Lane and float, optional
        The lane to dig next and how deep a load cuts there [m].
    loads_left : int
        Loads still called for.
    aboard : bool or None
        Whether the drum is loaded; None where that is not known.

    Returns
    -------
    list of Status
        ``WARN`` for a lane that is closed and for a balance that does not close.

    """
    if not lanes:
        return []
    out = [_summary(account, proposal, loads_left, aboard, any(lanes.values()))]
    for name, own in lanes.items():
        known = account.areas.get(name, AreaAccount(name))
        out += [_lane(lane, known, proposal) for lane in own]
    return out


def _summary(
    account: BorrowAccount, proposal: tuple[Lane, float] | None, loads_left: int,
    aboard: bool | None, has_lanes: bool,
) -> Status:
    """Return the status of all areas together."""
    made, told = production_of(account), forecast(account, loads_left)
    cut_m3, cut_se_m3 = account.cut_m3
    last = account.last_balance
    load = account.loads[-1] if account.loads else None
    values: dict[str, object] = {
        'next_area': proposal[0].area if proposal else '',
        'next_lane': proposal[0].number if proposal else '',
        'next_cut_m': f'{proposal[1]:.4f}' if proposal else '',
        'cut_m3': _number(cut_m3, 5), 'cut_se_m3': _number(cut_se_m3, 5),
        'loads_per_h': _number(made.loads_per_h, 1),
        'kg_per_cycle': _number(made.kg_per_cycle, 2), 'cycle_s': _number(made.cycle_s, 1),
        'dig_s': _number(made.dig_s, 1), 'haul_s': _number(made.haul_s, 1),
        'dump_s': _number(made.dump_s, 1),
        'left_low_s': _number(told.low_s if told else math.nan, 0),
        'left_high_s': _number(told.high_s if told else math.nan, 0),
        'unexplained_m3': _number(last.unexplained_m3 if last else math.nan, 5),
        'unexplained_se_m3': _number(last.unexplained_se_m3 if last else math.nan, 5),
        'load_kg': _number(load.mass_kg if load else math.nan, 2),
        'load_se_kg': _number(load.mass_se_kg if load else math.nan, 2),
        'load_partial': PARTIAL[load.partial if load else None], 'drum': DRUM[aboard]}
    closed = proposal is None
    level = WARN if closed or account.unbalanced else OK
    none = NONE_OPEN if has_lanes else 'no lane fits into any borrow area'
    text = none if closed else (
        borrow_line(account, loads_left).removeprefix('borrow: ') or 'nothing dug yet')
    return Status('borrow', text, level, values)


def _lane(
    lane: Lane, area: AreaAccount, proposal: tuple[Lane, float] | None
) -> Status:
    """Return the status of one lane."""
    figures = next((f for f in area.lanes if f.lane == lane.number), None)
    closed = lane.number in area.voids
    chosen = proposal is not None and proposal[0] == lane
    values: dict[str, object] = {
        'area': lane.area, 'lane': lane.number, 'x_m': f'{lane.start.x_m:.3f}',
        'y_m': f'{lane.start.y_m:.3f}', 'yaw_rad': f'{lane.start.yaw_rad:.4f}',
        'length_m': f'{lane.length_m:.3f}', 'width_m': f'{lane.width_m:.3f}',
        'open': str(not closed).lower(),
        'volume_m3': _number(figures.volume_m3 if figures else math.nan, 5),
        'mean_m': _number(figures.mean_m if figures else math.nan, 4),
        'deepest_m': _number(figures.deepest_m if figures else math.nan, 4),
        'step_m': _number(figures.step_m if figures else math.nan, 4)}
    text = 'closed: a void' if closed else 'next' if chosen else 'open'
    return Status(f'borrow {lane.area} lane {lane.number}', text, WARN if closed else OK, values)


def _number(value: float, digits: int) -> str:
    """Return a figure for machines; nan is unknown."""
    return f'{value:.{digits}f}' if math.isfinite(value) else 'nan'
