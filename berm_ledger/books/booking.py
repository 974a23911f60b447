# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Which figures go into the books, rounded so that the same facts give the same bytes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
import math
from typing import Any

import numpy as np

from .disturbance import Change
from .patches import Rise
from ..design import Segment
from ..survey.area import SurveyArea
from ..survey.readings import Reading
from ..survey.registration import Shift
from ..survey.site_survey import SiteSurvey

# Digits after the point, by ending of the name.
DIGITS = (('_m3', 7), ('_m', 5), ('_rad', 5), ('_kg', 3), ('_ns', 0))
SHARE_DIGITS = 4
# A reading is booked when a figure has moved by more than this since the last one booked. Lowest
# and highest are single cross-sections, which are noisier than means.
NEWS = {
    'height_m': 0.0005,
    'low_m': 0.003,
    'high_m': 0.003,
    'coverage': 0.02,
    'at_grade': 0.02,
    'line_offset_m': 0.002,
    'placed_m3': 0.0001,
    'missing_m3': 0.0001,
}
# It is also booked after this long [ns], so that figures do not stay behind within these bounds.
NEWS_NS = 150_000_000_000
# Segments that were looked at and say nothing new are named this often [ns], all in one entry, so
# that the ages of their rows stay true.
SEEN_NS = 30_000_000_000
# Long before any stamp [ns]: what has not happened yet is overdue.
NEVER_NS = np.int64(-2**62)
# Part of a change that a segment must have to be named with it.
LEAST_PART = 0.15
# What each kind of change means.
TEXTS = {
    'disturbed': 'soil is gone that a dump or the operator had accounted for',
    'slump': 'soil slid within the berm; its volume is kept',
    'unbooked_fill': 'soil or a heap-like thing came without a dump; it is not accepted as built',
}
STRAY_TEXT = 'no rise was measured where the load should have landed'
SHORT_TEXT = ('less rose than was weighed: some stayed in the drum, or soil went before it was '
              'measured')
MORE_TEXT = ('more rose than such loads have added: soil may have been added before it was '
             'measured')
SLID_TEXT = 'soil fell beside the load; it is taken for a slide that the load caused'
# Part of a rise that is worth naming [m3].
LEAST_RISE_M3 = 1e-5


def rounded(name: str, value: float) -> float | None:
    """
    Return a figure as the books hold it; unknown is None.

    Examples
    --------
    >>> rounded('height_m', 0.1234567), rounded('coverage', float('nan'))
    (0.12346, None)

    """
    return with_digits(value, digits_of(name))


@cache
def digits_of(name: str) -> int:
    """Return the digits after the point of a figure of some name."""
    return next((digits for ending, digits in DIGITS if name.endswith(ending)), SHARE_DIGITS)


def with_digits(value: float, digits: int) -> float | None:
    """Return a figure with so many digits after the point; unknown is None."""
    # Adding zero turns -0.0, which prints differently, into 0.0.
    return round(float(value), digits) + 0.0 if math.isfinite(value) else None


# What a reading is booked with: all but its row.
READING_DIGITS = tuple((name, digits_of(name)) for name in Reading._fields[1:])
# Of each figure that may be news its name, its place in a reading, and what it must move by.
NEWS_PLACES = tuple(
    (name, Reading._fields.index(name), least) for name, least in NEWS.items())


def reading_data(reading: Reading) -> dict[str, Any]:
    """Return the data of a ``reading`` entry."""
    return {name: with_digits(value, digits)
            for (name, digits), value in zip(READING_DIGITS, reading[1:])}


def says_something_new(old: Mapping[str, Any], new: Reading) -> bool:
    """Tell whether a reading differs from the last one booked by more than it is worth."""
    for name, place, least in NEWS_PLACES:
        was, now = old.get(name), new[place]
        if was is None or not math.isfinite(now):
            if (was is None) is math.isfinite(now):
                return True
        elif abs(now - was) >= least:
            return True
    return False


def seen_data(segments: Iterable[Segment]) -> dict[str, Any]:
    """Return the data of a ``seen`` entry: numbers of segments by name of their berm."""
    numbers: dict[str, list[int]] = {}
    for segment in segments:
        numbers.setdefault(segment.berm, []).append(segment.number)
    return {'segments': numbers}


def datum_data(survey: SiteSurvey, source: str) -> dict[str, Any]:
    """Return the data of a ``datum`` entry: where it is from and the design that follows."""
    datum, targets = survey.datum, survey.target_heights_m()
    volumes = survey.design_volumes_m3()
    assert datum is not None
    assert targets is not None
    assert volumes is not None
    filled = float(np.mean(datum.filled[survey.area.in_corridor]))
    return {
        'source': source,
        'filled_fraction': rounded('filled_fraction', filled),
        'seen_fraction': rounded('seen_fraction', 1.0 - filled),
        'targets': [rounded('target_m', value) for value in targets],
        'volumes': [rounded('volume_m3', value) for value in volumes],
    }


def shift_data(shift: Shift) -> dict[str, Any]:
    """Return the data of a ``map_shift`` entry."""
    names = ('dx_m', 'dy_m', 'dz_m')
    return {
        **{name: rounded(name, getattr(shift, name)) for name in names},
        'text': 'the map lies shifted against the site surface; grids are corrected for it',
    }


def rise_data(rise: Rise, area: SurveyArea, berm: str | None) -> dict[str, Any]:
    """Return the data of a ``rise`` entry: volume, place, and shares on the berm's segments."""
    shares = {
        str(segment.number): rounded('volume_m3', part)
        for segment, part in zip(area.segments, rise.by_row_m3)
        if segment.berm == berm and abs(part) >= LEAST_RISE_M3
    }
    return {
        'dump_seq': rise.landing.seq,
        'volume_m3': rounded('volume_m3', rise.volume_m3),
        'volume_se_m3': rounded('volume_se_m3', rise.volume_se_m3),
        'x_m': rounded('x_m', rise.middle_xy_m[0]),
        'y_m': rounded('y_m', rise.middle_xy_m[1]),
        'shares': shares,
    }


def change_data(
    change: Change, survey: SiteSurvey, stamp_ns: int
) -> list[tuple[int, dict[str, Any]]]:
    """
    Return the data of the entries for one change.

    Parameters
    ----------
    change : Change
        The change, not yet accepted.
    survey : SiteSurvey
        Where its cells are.
    stamp_ns : int
        When it was confirmed [ns].

    Returns
    -------
    list of tuple
        Row of the books and data, for every segment that has a good part of the change.

    """
    area, cells = survey.area, change.cells
    sign = 1.0 if change.kind == 'unbooked_fill' else -1.0
    part = area.shares[:, cells] @ np.maximum(sign * change.rise_m, 0.0)
    part = np.where(part >= LEAST_PART * part.sum(), part, 0.0)
    part = part / max(float(part.sum()), 1e-12)
    error_m3 = change.volume_se_m3
    out = []
    for row in np.flatnonzero(part):
        own = cells[area.corridor.segment_index[cells] == row]
        data: dict[str, Any] = {
            'volume_m3': rounded('volume_m3', change.volume_m3 * part[row]),
            'volume_se_m3': rounded('volume_se_m3', error_m3 * part[row]),
            'first_seen_ns': change.first_seen_ns,
            'confirmed_ns': stamp_ns,
            'window_from_ns': change.window_from_ns,
            'text': TEXTS[change.kind],
        }
        along = (('station', area.corridor.station_m), ('offset', area.corridor.offset_m))
        for name, values in along:
            data[f'{name}_from_m'] = rounded('_m', float(values[own].min(initial=np.inf)))
            data[f'{name}_to_m'] = rounded('_m', float(values[own].max(initial=-np.inf)))
        out.append((int(row), data))
    return out
