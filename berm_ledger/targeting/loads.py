# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The books with what follows for the work: lowest stretches, and the loads still called for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from .dump_line import neighbours
from .dump_plan import dumps_remaining, RiseModel
from .mend import Load, mending_place
from .stretch import lowest_stretch
from ..books.accounts import Books, with_dumps_remaining
from ..books.profile import CrestProfile
from ..books.rows import Row
from ..design import Site
from ..geometry import Polyline

# A segment is nearly done when its crest is short by no more than what so many loads raise it by,
# and is sure to get another load when it is short by more than so many.
NEARLY_DONE_LOADS = 0.6
TO_COME_LOADS = 1.0


def with_stretches(
    site: Site, rows: Sequence[Row], profiles: Sequence[CrestProfile]
) -> tuple[Row, ...]:
    """
    Return rows that know the lowest stretch of their crest.

    Parameters
    ----------
    site : Site
        The site.
    rows : sequence of Row
        Its rows.
    profiles : sequence of CrestProfile
        Standing crests; rows of a berm without one stay as they are.

    Returns
    -------
    tuple of Row
        New rows.

    """
    by_berm = {profile.berm_index: profile for profile in profiles}
    return tuple(_with_stretch(site, rows, k, by_berm[row.berm_index])
                 if row.berm_index in by_berm else row for k, row in enumerate(rows))


def _with_stretch(site: Site, rows: Sequence[Row], index: int, profile: CrestProfile) -> Row:
    """Return one row with the lowest stretch of its crest."""
    row = rows[index]
    line = site.berms[row.berm_index].centreline
    from_m, to_m = _own_middles(site, rows, index)
    station_m, short_m = lowest_stretch(
        profile.station_m, profile.target_m - profile.height_m, from_m=from_m, to_m=to_m,
        drum_width_m=site.rover.drum_width_m, line_length_m=line.length_m, closed=line.closed)
    lowest = replace(row, low_station_m=station_m, low_short_m=short_m)
    model = RiseModel(site, site.berms[row.berm_index], site.load_volume_m3)
    if not model.nearly_done(lowest):
        return lowest
    return _judged(lowest, model, profile, (from_m, to_m), line)


def _judged(
    row: Row, model: RiseModel, profile: CrestProfile, middles: tuple[float, float],
    line: Polyline,
) -> Row:
    """
    Return a row that is short by no more than a load, with what one would do to the tolerance.

    The load goes where it brings most of the crest into tolerance; where it brings none, the
    segment wants none.
    """
    load = Load(model.load_rise_m(row.target_height_m - row.low_short_m), model.drum_m)
    place_m = mending_place(
        profile.station_m, profile.target_m - profile.height_m, load, model.tolerance_m,
        from_m=middles[0], to_m=middles[1], line_length_m=line.length_m, closed=line.closed)
    if place_m is None:
        return replace(row, wants_load=False)
    return replace(row, wants_load=True, low_station_m=place_m)


def _own_middles(site: Site, rows: Sequence[Row], index: int) -> tuple[float, float]:
    """
    Return between which stations the middle of a stretch of a segment lies [m].

    The crest of a segment that is nearly done slopes down to a neighbour that is not. The loads
    that the neighbour still gets fill that in, so stretches that reach into it do not count.
    """
    row = rows[index]
    berm = site.berms[row.berm_index]
    model = RiseModel(site, berm, site.load_volume_m3)
    from_m, to_m = row.station_from_m, row.station_to_m
    if not model.loads_short(row) <= NEARLY_DONE_LOADS:
        return from_m, to_m
    middle, half = 0.5 * (from_m + to_m), 0.5 * site.rover.drum_width_m
    before, after = neighbours(rows, index, berm)
    if before is not None and model.loads_short(before) > TO_COME_LOADS:
        from_m = min(from_m + half, middle)
    if after is not None and model.loads_short(after) > TO_COME_LOADS:
        to_m = max(to_m - half, middle)
    return from_m, to_m


def with_loads(books: Books, profiles: Sequence[CrestProfile] = ()) -> Books:
    """
    Return books whose rows know the loads still called for.

    Parameters
    ----------
    books : Books
        Books as folded from the entries.
    profiles : sequence of CrestProfile
        Standing crests, as far as they are known.

    Returns
    -------
    Books
        The same books with ``dumps_remaining`` and lowest stretches filled in.

    """
    rows = with_stretches(books.site, books.rows, profiles)
    counts = dumps_remaining(books.site, rows, books.dump_yield.value_m3)
    return replace(books, rows=with_dumps_remaining(rows, counts))
