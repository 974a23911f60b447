# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What is to be said when no segment calls for another load: what no load can mend."""

from __future__ import annotations

from collections.abc import Sequence
import math

from .obstacles import segment_name
from ..books.rows import Row, State, whole_percent
from ..design import Site

DONE = 'no segment calls for another load'


def done_reason(site: Site, rows: Sequence[Row]) -> str:
    """
    Return why there is no target, with every segment that is not at grade all the same.

    Soil above the tolerance, heaped there by whomever, is not lowered by dumping: it is to be cut.
    What is low in places so small that a load would take more out of tolerance than it brings in
    stays low. A flag that no load is called for stays until an operator takes it off.

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
    texts = [_left_over(row, site.berms[row.berm_index].height_tolerance_m) for row in rows
             if row.state in (State.SHORT, State.HIGH, State.REWORK)]
    return '; '.join([DONE, *(text for text in texts if text)])


def _left_over(row: Row, tolerance_m: float) -> str:
    """Say what keeps one segment from being at grade."""
    over_m, under_m = row.high_m - row.target_height_m, row.target_height_m - row.low_m
    said = []
    if math.isfinite(over_m) and over_m > tolerance_m:
        said.append(f'up to {over_m:.3f} m too high, which no load mends: cut what stands above '
                    f'{row.target_height_m + tolerance_m:.3f} m')
    if math.isfinite(under_m) and under_m > tolerance_m:
        said.append(f'up to {under_m:.3f} m low where a load would overshoot')
    if not said:
        # Its soil came back without a dump, or what is gone is less than half a load.
        return '' if row.state != State.REWORK else (
            f'{segment_name(row)} is still flagged for rework and calls for no load: look at '
            f'it, and accept it as it stands (~/clear_rework of the ledger)')
    share = f'{whole_percent(row.at_grade):.0f} % of its crest in tolerance'
    return f'{segment_name(row)} is not at grade ({share}): {" and ".join(said)}'
