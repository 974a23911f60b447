# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Rows: what the books say of one segment, derived from entries and never stored."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum
import math


class State(IntEnum):
    """State of a segment; the numbers are those of the ``segments`` topic."""

    UNSEEN = 0
    SHORT = 1
    AT_GRADE = 2
    HIGH = 3
    REWORK = 4


@dataclass(frozen=True)
class Row:
    """
    The account of one segment.

    Heights are above the datum [m], volumes loose [m3]; NaN is unknown.

    Parameters
    ----------
    berm : str
        Name of the berm.
    berm_index : int
        Its place in the site, from 0.
    segment : int
        Number along the berm, from 1.
    station_from_m, station_to_m : float
        Station interval [m].
    target_height_m : float
        Mean design crest height above the datum [m].
    target_volume_m3 : float
        Design volume of the segment [m3].
    height_m, height_se_m : float
        Mean crest height over the sections and its standard error [m].
    low_m, high_m : float
        Lowest and highest crest height [m].
    coverage : float
        Share of the segment's cross-sections seen, 0 to 1.
    at_grade : float
        Share of the segment's crest line within the height tolerance, 0 to 1.
    deficit_height_m, deficit_volume_m3, deficit_mass_kg : float
        Design minus current, signed.
    placed_m3, missing_m3, over_m3, spilled_m3 : float
        Soil above the datum in the corridor; of the design not yet there; over the design shape;
        outside the design footprint [m3].
    placed_se_m3 : float
        Standard error of the placed volume [m3].
    dumps_remaining : int
        Whole loads still called for.
    dumps_made : int
        Dumps announced on it.
    line_offset_m : float
        Mean offset of the crest line from the centreline [m], left positive.
    state : State
        State.
    last_seen_ns : int or None
        Time of the last look [ns].
    low_station_m, low_short_m : float
        Middle of the stretch, one drum width long, whose crest is lowest against the design, and
        by how much it is short on average [m]; NaN where that was not measured.
    wants_load : bool or None
        Whether a load there brings more of the crest into tolerance than it takes out; None where
        that was not judged: the stretch lacks more than a load, or was not measured.

    """

    berm: str
    berm_index: int
    segment: int
    station_from_m: float
    station_to_m: float
    target_height_m: float
    target_volume_m3: float = math.nan
    height_m: float = math.nan
    height_se_m: float = math.nan
    low_m: float = math.nan
    high_m: float = math.nan
    coverage: float = 0.0
    at_grade: float = 0.0
    deficit_height_m: float = math.nan
    deficit_volume_m3: float = math.nan
    deficit_mass_kg: float = math.nan
    placed_m3: float = math.nan
    missing_m3: float = math.nan
    over_m3: float = math.nan
    spilled_m3: float = math.nan
    placed_se_m3: float = math.nan
    dumps_remaining: int = 0
    dumps_made: int = 0
    line_offset_m: float = math.nan
    state: State = State.UNSEEN
    last_seen_ns: int | None = None
    low_station_m: float = math.nan
    low_short_m: float = math.nan
    wants_load: bool | None = None

    @property
    def loads_left(self) -> float:
        """Whole loads still called for; NaN while a level crest has no height over its ground."""
        return math.nan if math.isnan(self.target_height_m) else float(self.dumps_remaining)


def whole_percent(share: float) -> float:
    """
    Return a share as whole per cent, rounded down: 90 stands for no less than 90 %.

    Examples
    --------
    >>> whole_percent(0.8974), whole_percent(0.29), whole_percent(1.0), whole_percent(math.nan)
    (89.0, 29.0, 100.0, nan)

    """
    return float(math.floor(100.0 * share + 1e-9)) if math.isfinite(share) else math.nan


def share_at_grade(rows: Sequence[Row]) -> float:
    """
    Return the share of a length that lies in segments at grade, 0 to 1.

    Examples
    --------
    >>> short, done = (Row('west', 0, n, n - 1.0, n, 0.2, state=State(n)) for n in (1, 2))
    >>> share_at_grade([short, done]), share_at_grade([])
    (0.5, 0.0)

    """
    total_m = sum(row.station_to_m - row.station_from_m for row in rows)
    done_m = sum(row.station_to_m - row.station_from_m for row in rows
                 if row.state == State.AT_GRADE)
    return done_m / total_m if total_m > 0.0 else 0.0
