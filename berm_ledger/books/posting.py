# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""How the figures of one entry become the row of one segment."""

from __future__ import annotations

from dataclasses import replace
import math
from typing import Any

from .entries import Entry
from .rows import Row, State
from ..design import Segment, Site
from ..errors import BooksError

# Share of a segment's crest line that must be within the height tolerance to be at grade.
AT_GRADE_SHARE = 0.9
ROUNDING = 1e-9


def number(value: Any) -> float:
    """Return a figure of an entry; null is unknown, always the one ``math.nan``."""
    return math.nan if value is None else float(value)


def opening_row(site: Site, segment: Segment) -> Row:
    """Return the row of a segment of which nothing is known but the design."""
    height_m = site.berms[segment.berm_index].crest_height_m
    return Row(
        berm=segment.berm, berm_index=segment.berm_index, segment=segment.number,
        station_from_m=segment.station_from_m, station_to_m=segment.station_to_m,
        target_height_m=math.nan if height_m is None else height_m)


def unseen(row: Row) -> Row:
    """Return a row with the design and the count of dumps, without anything measured."""
    return Row(
        berm=row.berm, berm_index=row.berm_index, segment=row.segment,
        station_from_m=row.station_from_m, station_to_m=row.station_to_m,
        target_height_m=row.target_height_m, target_volume_m3=row.target_volume_m3,
        dumps_made=row.dumps_made, state=row.state)


def read_row(site: Site, row: Row, entry: Entry) -> Row:
    """Return a row with the figures of a reading; what was not seen is unknown."""
    get = entry.data.get
    try:
        height_m, coverage = number(get('height_m')), float(get('coverage') or 0.0)
        missing_m3, over_m3 = number(get('missing_m3')), number(get('over_m3'))
        volume_m3 = _known(missing_m3 - over_m3)
        return replace(
            row, height_m=height_m, height_se_m=number(get('height_se_m')),
            low_m=number(get('low_m')), high_m=number(get('high_m')), coverage=coverage,
            at_grade=float(get('at_grade') or 0.0), line_offset_m=number(get('line_offset_m')),
            placed_m3=number(get('placed_m3')), placed_se_m3=number(get('placed_se_m3')),
            missing_m3=missing_m3, over_m3=over_m3, spilled_m3=number(get('spilled_m3')),
            deficit_height_m=_known(row.target_height_m - height_m), deficit_volume_m3=volume_m3,
            deficit_mass_kg=_known(volume_m3 * site.material.loose_density_kg_m3),
            last_seen_ns=entry.stamp_ns)
    except (TypeError, ValueError) as exc:
        msg = f'entry {entry.seq} (reading) holds a figure that is no number: {exc}'
        raise BooksError(msg) from exc


def state_of(site: Site, row: Row, flagged: bool) -> State:
    """Return the state of a segment from its figures and whether it is flagged."""
    if flagged:
        return State.REWORK
    if row.coverage <= 0.0 or math.isnan(row.height_m):
        return State.UNSEEN
    if row.at_grade >= AT_GRADE_SHARE - ROUNDING:
        return State.AT_GRADE
    tolerance_m = site.berms[row.berm_index].height_tolerance_m
    if -row.deficit_height_m > tolerance_m or _is_high_only(site, row, tolerance_m):
        return State.HIGH
    return State.SHORT


def _is_high_only(site: Site, row: Row, tolerance_m: float) -> bool:
    """Tell whether all of a crest that is out of tolerance is too high; all of it was seen."""
    if site.berms[row.berm_index].crest_level_m is not None:
        # Each section has a design height of its own, which a row does not tell.
        return False
    return (row.coverage >= 1.0 - ROUNDING and row.high_m - row.target_height_m > tolerance_m
            and row.target_height_m - row.low_m <= tolerance_m)


def _known(value: float) -> float:
    """Return a figure, unknown as the one ``math.nan``."""
    return math.nan if math.isnan(value) else value
