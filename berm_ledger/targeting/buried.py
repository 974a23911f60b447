# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Crests that a higher berm buries: known before the first dump."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from ..books.posting import AT_GRADE_SHARE
from ..design import Berm, segments_of_berm, Site
from ..design.notes import BROADER_M
from ..design.surface import crest_above_datum_m, height_at_distance_m


def buried_crests(site: Site) -> tuple[str, ...]:
    """
    Return a note for every berm of which the flank of a higher one keeps segments from grade.

    Where two designs overlap the higher one is built, while a crest is judged by the height of
    its own berm: so much of a segment in there is too high however well it is built.

    Parameters
    ----------
    site : Site
        The site.

    Returns
    -------
    tuple of str
        One line for each pair of berms; none for a level crest over ground that is not known.

    """
    return tuple(
        note for index, berm in enumerate(site.berms) for other in site.berms
        if other is not berm and _is_known(site, berm) and _is_known(site, other)
        for note in _notes(site, index, berm, other))


def _is_known(site: Site, berm: Berm) -> bool:
    """Tell whether the height of a crest above the ground is known."""
    return berm.crest_height_m is not None or site.datum_plane is not None


def _notes(site: Site, index: int, berm: Berm, other: Berm) -> Iterator[str]:
    """Yield a note where the other berm buries segments of one."""
    numbers, stations = [], []
    for segment in segments_of_berm(berm, index):
        count = max(2, round(segment.length_m / site.cell_m))
        station = segment.station_from_m + segment.length_m * (np.arange(count) + 0.5) / count
        buried = _over_m(site, berm, other, station) > berm.height_tolerance_m
        if buried.mean() > 1.0 - AT_GRADE_SHARE:
            numbers.append(str(segment.number))
            stations += [station[buried].min(), station[buried].max()]
    if numbers:
        noun = 'segment' if len(numbers) == 1 else 'segments'
        yield (
            f'berm {berm.name!r}: from {min(stations):.2f} to {max(stations):.2f} m of its line '
            f'the flank of berm {other.name!r} stands above its crest by more than its tolerance '
            f'of {1e3 * berm.height_tolerance_m:.0f} mm: {noun} {", ".join(numbers)} will be '
            f'found too high, though built as designed; leave that stretch out of the line')


def _over_m(
    site: Site, berm: Berm, other: Berm, station_m: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return how far the flank of another berm, as poured, stands over a crest [m]."""
    points = berm.centreline.point_at(station_m)
    ground_m = None if site.datum_plane is None else site.datum_plane.height_m(points)
    _, offset = other.centreline.station_offset(points)
    nearer_m = np.maximum(0.0, np.abs(offset) - BROADER_M / 2)
    out: NDArray[np.float64] = (
        height_at_distance_m(other, nearer_m, ground_m) - crest_above_datum_m(berm, ground_m))
    return out
