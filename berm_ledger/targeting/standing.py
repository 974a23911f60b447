# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What the table of segments says: soil in the way, and crests that must be looked at."""

from __future__ import annotations

from collections.abc import Sequence
import math

import numpy as np
from numpy.typing import NDArray

from .dump_line import half_base_m, neighbours
from ..books.rows import Row, State
from ..design import Site
from ..wording import counted

# A crest of which a smaller share was seen is not dumped on unseen.
LEAST_COVERAGE = 0.25


def standing_segments(site: Site, rows: Sequence[Row]) -> NDArray[np.bool_]:
    """
    Tell which segments hold soil of their own that a robot must keep off.

    A segment stands once a load was dumped on it, once it is at grade or high, or when its crest
    is higher than the clearance by more than what the ends of its neighbours spill onto it. Where
    natural ground reaches a level crest by itself, being at grade or high makes no soil.

    Parameters
    ----------
    site : Site
        The site.
    rows : sequence of Row
        All rows.

    Returns
    -------
    array of bool
        One per row.

    """
    return np.array([_stands(site, rows, k) for k in range(len(rows))], dtype=bool)


def _stands(site: Site, rows: Sequence[Row], index: int) -> bool:
    """Tell whether one segment stands."""
    row = rows[index]
    berm = site.berms[row.berm_index]
    by_itself = row.target_height_m <= berm.height_tolerance_m
    if row.dumps_made > 0 or (row.state in (State.AT_GRADE, State.HIGH) and not by_itself):
        return True
    if not math.isfinite(row.height_m):
        return False
    spill = sum(_spill_m(other, row.station_to_m - row.station_from_m, berm.side_slope)
                for other in neighbours(rows, index, berm) if other is not None)
    return row.height_m > site.rover.clearance_m + spill


def _spill_m(neighbour: Row, length_m: float, slope: float) -> float:
    """Return the mean height over a length in front of the sloping end of a ridge [m]."""
    height = neighbour.height_m
    if not (math.isfinite(height) and height > 0.0):
        return 0.0
    toe = height / slope
    if toe <= length_m:
        return 0.5 * height * toe / length_m
    return height - 0.5 * slope * length_m


def look_reason(site: Site, row: Row) -> str | None:
    """
    Return why a crest must be looked at before a load is dumped on it, None when it need not.

    Soil was dumped there, and the books either have not seen it since or do not find the crest
    where the berm is.
    """
    if row.dumps_made == 0:
        return None
    if not math.isfinite(row.height_m):
        loads = counted(row.dumps_made, 'load')
        were = 'was' if row.dumps_made == 1 else 'were'
        return f'{loads} {were} dumped there and no crest was seen since'
    if row.coverage < LEAST_COVERAGE:
        return f'only {100.0 * row.coverage:.0f} % of its crest was seen'
    if not is_astray(site, row):
        return None
    if not math.isfinite(row.line_offset_m):
        return 'its crest line is not known'
    return f'its crest seems to be {abs(row.line_offset_m):.2f} m off the line'


def is_astray(site: Site, row: Row) -> bool:
    """Tell whether a crest was looked at and is not where the berm is: more looks do not help."""
    seen = row.coverage >= LEAST_COVERAGE and row.height_m > site.rover.clearance_m
    return row.dumps_made > 0 and seen and not (
        abs(row.line_offset_m) <= half_base_m(site, row))
