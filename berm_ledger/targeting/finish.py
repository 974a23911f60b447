# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What is to be said when no segment calls for another load: what no load can mend."""

from __future__ import annotations

from collections.abc import Sequence
import math

from .obstacles import segment_name
from ..books.posting import AT_GRADE_SHARE
from ..books.rows import Row, State, whole_percent
from ..design import Berm, Site

DONE = 'no segment calls for another load'


def done_reason(site: Site, rows: Sequence[Row]) -> str:
    """
    Return why there is no target, with every segment that is not at grade all the same.

    Soil above the tolerance, heaped there by whomever, is not lowered by dumping: it is to be cut.
    What is low in places so small that a load would take more out of tolerance than it brings in
    stays low. What was not seen is to be looked at. A flag that no load is called for stays until
    an operator takes it off.

    Parameters
    ----------
    site : Site
        The site.
    rows : sequence of Row
        All rows; none calls for loads.

    Returns
    -------
    str
        One line.

    """
    texts = [_left_over(row, site.berms[row.berm_index]) for row in rows
             if row.state in (State.SHORT, State.HIGH, State.REWORK)]
    return '; '.join([DONE, *(text for text in texts if text)])


def _left_over(row: Row, berm: Berm) -> str:
    """Say what keeps one segment from being at grade."""
    said = _off_level(row, berm) if berm.crest_level_m is not None else _off_height(row, berm)
    unseen = 1.0 - row.coverage
    if unseen > 0.0 and row.at_grade < AT_GRADE_SHARE <= row.at_grade + unseen:
        said.append(f'only {whole_percent(row.coverage):.0f} % of it was seen: look at the rest')
    if not said:
        # Its soil came back without a dump, or what is gone is less than half a load.
        return '' if row.state != State.REWORK else (
            f'{segment_name(row)} is still flagged for rework and calls for no load: look at '
            f'it, and accept it as it stands (~/clear_rework of the ledger)')
    share = f'{whole_percent(row.at_grade):.0f} % of its crest in tolerance'
    return f'{segment_name(row)} is not at grade ({share}): {" and ".join(said)}'


def _off_height(row: Row, berm: Berm) -> list[str]:
    """Say how far a crest of one height above the ground is out of tolerance."""
    tolerance_m = berm.height_tolerance_m
    over_m, under_m = row.high_m - row.target_height_m, row.target_height_m - row.low_m
    said = []
    if math.isfinite(over_m) and over_m > tolerance_m:
        said.append(f'up to {over_m:.3f} m too high, which no load mends: cut what stands above '
                    f'{row.target_height_m + tolerance_m:.3f} m')
    if math.isfinite(under_m) and under_m > tolerance_m:
        said.append(f'up to {under_m:.3f} m low where a load would overshoot')
    return said


def _off_level(row: Row, berm: Berm) -> list[str]:
    """
    Say between which levels a level crest is to lie, where some of it does not.

    Over sloping ground every section has a height of its own, which a row does not tell.
    """
    if berm.crest_level_m is None or row.at_grade >= min(AT_GRADE_SHARE, row.coverage):
        return []
    low, high = (berm.crest_level_m + sign * berm.height_tolerance_m for sign in (-1.0, 1.0))
    text = (f'no load mends what stands above the level of {high:.3f} m, cut that, and where it '
            f'lies below {low:.3f} m a load would overshoot')
    return [text]
