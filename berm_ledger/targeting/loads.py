# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The books with what follows for the work: lowest stretches, and the loads still called for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from .dump_plan import dumps_remaining
from .stretch import lowest_stretch
from ..books.accounts import Books, with_dumps_remaining
from ..books.profile import CrestProfile
from ..books.rows import Row
from ..design import Site


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
    return tuple(_with_stretch(site, row, by_berm.get(row.berm_index)) for row in rows)


def _with_stretch(site: Site, row: Row, profile: CrestProfile | None) -> Row:
    """Return one row with the lowest stretch of its crest."""
    if profile is None:
        return row
    line = site.berms[row.berm_index].centreline
    station_m, short_m = lowest_stretch(
        profile.station_m, profile.target_m - profile.height_m, from_m=row.station_from_m,
        to_m=row.station_to_m, drum_width_m=site.rover.drum_width_m, line_length_m=line.length_m,
        closed=line.closed)
    return replace(row, low_station_m=station_m, low_short_m=short_m)


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
