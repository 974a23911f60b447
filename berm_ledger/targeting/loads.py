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
    by_berm = {profile.berm_index: _Stretches(site, rows, profile) for profile in profiles}
    return tuple(by_berm[row.berm_index].of(k) if row.berm_index in by_berm else row
                 for k, row in enumerate(rows))


class _Stretches:
    """The lowest stretches of the crest of one berm."""

    def __init__(self, site: Site, rows: Sequence[Row], profile: CrestProfile) -> None:
        """Know the crest, and what loads do to it."""
        self._rows, self._berm = rows, site.berms[profile.berm_index]
        self._model = RiseModel(site, self._berm, site.load_volume_m3)
        self._station_m, self._short_m = profile.station_m, profile.target_m - profile.height_m

    def of(self, index: int) -> Row:
        """Return one row with the lowest stretch of its crest."""
        from_m, to_m = self._own_middles(index)
        line, model = self._berm.centreline, self._model
        station_m, short_m = lowest_stretch(
            self._station_m, self._short_m, from_m=from_m, to_m=to_m,
            drum_width_m=model.drum_m, line=line)
        lowest = replace(self._rows[index], low_station_m=station_m, low_short_m=short_m)
        return self._judged(lowest, from_m, to_m) if model.nearly_done(lowest) else lowest

    def _judged(self, row: Row, from_m: float, to_m: float) -> Row:
        """
        Return a row that is short by no more than a load, with what one would do to the tolerance.

        The load goes where it brings most of the crest into tolerance; where it brings none, the
        segment wants none.
        """
        line, model = self._berm.centreline, self._model
        load = Load(model.load_rise_m(row.target_height_m - row.low_short_m), model.drum_m)
        place_m = mending_place(
            self._station_m, self._short_m, load, model.tolerance_m, from_m=from_m, to_m=to_m,
            line=line)
        if place_m is None:
            return replace(row, wants_load=False)
        return replace(row, wants_load=True, low_station_m=place_m)

    def _own_middles(self, index: int) -> tuple[float, float]:
        """
        Return between which stations the middle of a stretch of a segment lies [m].

        The crest of a segment that is nearly done slopes down to a neighbour that is not. The
        loads that the neighbour still gets fill that in, so stretches that reach into it do not
        count.
        """
        row, model = self._rows[index], self._model
        from_m, to_m = row.station_from_m, row.station_to_m
        if not model.loads_short(row) <= NEARLY_DONE_LOADS:
            return from_m, to_m
        middle, half = 0.5 * (from_m + to_m), 0.5 * model.drum_m
        before, after = neighbours(self._rows, index, self._berm)
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
