# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Whether berms meet their specification, with the figures that say why or why not."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .accounts import Books
from .layers import CREST, CREST_ERROR, CREST_OFFSET, CREST_TARGET
from .rows import Row, State, whole_percent
from ..design import Berm, Site
from ..survey.snapshot import NamedSurface

# What stands less high than this share of the design is no crest yet; the highest noise of bare
# ground lies anywhere.
STANDING_SHARE = 0.5


@dataclass(frozen=True, eq=False)
class CrestLine:
    """
    The standing crest of one berm, section by section.

    Parameters
    ----------
    station_m : array
        Stations of the sections, shape (m,) [m].
    height_m, target_m : array
        Crest height and design crest height above the datum, shape (m,) [m]; NaN is unknown.
    offset_m : array
        Offset of the crest from the centreline, left positive, shape (m,) [m].
    section_m : float
        Length of crest line that one section stands for [m].
    error_m : array
        Standard error of each section that the others do not share, shape (m,) [m]; NaN is
        unknown.

    """

    station_m: NDArray[np.float64]
    height_m: NDArray[np.float64]
    target_m: NDArray[np.float64]
    offset_m: NDArray[np.float64]
    section_m: float
    error_m: NDArray[np.float64]


@dataclass(frozen=True)
class CrestSummary:
    """
    What the crest line of one berm amounts to; NaN is unknown.

    Parameters
    ----------
    crest_length_m : float
        Length of crest line within the height tolerance of the design [m].
    longest_gap_m : float
        Longest stretch of it that is not, or was not seen [m].
    mean_height_m : float
        Mean crest height above the datum where it was seen [m].
    line_deviation_m : float
        Mean distance of the crest line from the centreline [m].
    seen_m : float
        Length of crest line seen [m].

    """

    crest_length_m: float
    longest_gap_m: float
    mean_height_m: float
    line_deviation_m: float
    seen_m: float


def within_tolerance(
    height_m: ArrayLike, target_m: ArrayLike, tolerance_m: float
) -> NDArray[np.bool_]:
    """Tell where the crest lies within the tolerance; where it is unknown it does not."""
    gap = np.abs(np.asarray(height_m, dtype=float) - np.asarray(target_m, dtype=float))
    out: NDArray[np.bool_] = gap <= tolerance_m
    return out


def crest_length(
    height_m: ArrayLike, target_m: ArrayLike, tolerance_m: float, section_m: float
) -> float:
    """
    Return the length of crest line within the tolerance of its design height.

    Parameters
    ----------
    height_m, target_m : array
        Crest and design height of consecutive sections, shape (m,) [m]; NaN is unknown.
    tolerance_m : float
        Allowed difference, either way [m].
    section_m : float
        Length that one section stands for [m].

    Returns
    -------
    float
        Length [m].

    Examples
    --------
    >>> crest_length([0.25, 0.20, float('nan'), 0.26], 0.25, 0.02, 0.5)
    1.0

    """
    return section_m * int(within_tolerance(height_m, target_m, tolerance_m).sum())


def longest_gap(
    height_m: ArrayLike, target_m: ArrayLike, tolerance_m: float, section_m: float,
    *, closed: bool = False,
) -> float:
    """
    Return the longest stretch of crest line that is not within the tolerance, or unknown.

    Parameters
    ----------
    height_m, target_m, tolerance_m, section_m
        As for ``crest_length``.
    closed : bool
        Whether the last section is next to the first.

    Returns
    -------
    float
        Length [m].

    Examples
    --------
    >>> longest_gap([0.1, 0.25, 0.1, 0.1, 0.25, 0.1], 0.25, 0.02, 0.5)
    1.0
    >>> longest_gap([0.1, 0.1, 0.25, 0.1, 0.25, 0.1], 0.25, 0.02, 0.5, closed=True)
    1.5

    """
    good = within_tolerance(height_m, target_m, tolerance_m)
    place = np.flatnonzero(good)
    if len(place) == 0:
        return section_m * len(good)
    if closed:
        edges = np.append(place, place[0] + len(good))
    else:
        edges = np.concatenate([[-1], place, [len(good)]])
    return section_m * int(np.diff(edges).max() - 1)


def crest_lines(site: Site, surfaces: Iterable[NamedSurface]) -> dict[str, CrestLine]:
    """
    Return the crest lines that are kept beside the entries.

    Parameters
    ----------
    site : Site
        Design.
    surfaces : iterable of NamedSurface
        Layers of the journal.

    Returns
    -------
    dict
        By name of the berm; a berm without all of its layers is left out.

    """
    layers = {layer.name: layer for layer in surfaces}
    lines = {}
    for berm in site.berms:
        parts = [layers.get(name + berm.name) for name in (CREST, CREST_TARGET, CREST_OFFSET)]
        known = [part for part in parts if part is not None]
        if len(known) == len(parts) and len({part.lattice for part in known}) == 1:
            lattice = known[0].lattice
            values = np.array([part.values[0] for part in known], dtype=float)
            station_m = lattice.centres_xy()[0, :, 0]
            error = layers.get(CREST_ERROR + berm.name)
            own = error is not None and error.lattice == lattice
            lines[berm.name] = CrestLine(
                station_m, values[0], values[1], values[2], lattice.cell_m,
                error.values[0].astype(float) if error is not None and own
                else np.full(len(station_m), np.nan))
    return lines


def summarise_crest(berm: Berm, line: CrestLine) -> CrestSummary:
    """
    Return what a crest line amounts to.

    Parameters
    ----------
    berm : Berm
        Design of the berm.
    line : CrestLine
        Its crest.

    Returns
    -------
    CrestSummary
        Figures.

    """
    known = np.isfinite(line.height_m)
    off = np.abs(line.offset_m[np.isfinite(line.offset_m)])
    measure = (line.height_m, line.target_m, berm.height_tolerance_m, line.section_m)
    return CrestSummary(
        crest_length_m=crest_length(*measure),
        longest_gap_m=longest_gap(*measure, closed=berm.centreline.closed),
        mean_height_m=float(line.height_m[known].mean()) if known.any() else math.nan,
        line_deviation_m=float(off.mean()) if off.size else math.nan,
        seen_m=line.section_m * int(known.sum()))


def crest_from_rows(rows: Sequence[Row]) -> CrestSummary:
    """
    Return what the readings of the segments say of the crest of a berm.

    For books without crest lines. How far gaps reach over the ends of segments they do not say.

    Parameters
    ----------
    rows : sequence of Row
        Rows of one berm.

    Returns
    -------
    CrestSummary
        All but the longest gap; all unknown when nothing was seen.

    """
    seen = [(row, row.station_to_m - row.station_from_m) for row in rows
            if row.coverage > 0.0 and not math.isnan(row.height_m)]
    return CrestSummary(
        crest_length_m=sum(row.at_grade * length for row, length in seen) if seen else math.nan,
        longest_gap_m=math.nan,
        mean_height_m=_mean([(row.height_m, length * row.coverage) for row, length in seen]),
        line_deviation_m=_mean([
            (abs(row.line_offset_m), length * row.coverage) for row, length in seen
            if not math.isnan(row.line_offset_m)]),
        seen_m=sum(length * row.coverage for row, length in seen))


def _mean(weighted: Sequence[tuple[float, float]]) -> float:
    """Return the mean of values with weights; NaN of none."""
    total = sum(weight for _, weight in weighted)
    return sum(v * weight for v, weight in weighted) / total if total > 0.0 else math.nan


def acceptance(
    site: Site, books: Books, crests: Mapping[str, CrestSummary] | None = None
) -> tuple[bool, str]:
    """
    Judge whether all berms meet their specification.

    They do when every segment was measured at grade, none is flagged for rework, and the crest of
    each lies within the line tolerance of the centreline.

    Parameters
    ----------
    site : Site
        Design.
    books : Books
        Books as they stand.
    crests : mapping, optional
        Crest figures by name of the berm, for the text.

    Returns
    -------
    tuple
        Whether they do, and one sentence with figures that says why or why not.

    """
    if books.datum_seq is None:
        return False, 'the natural ground was not surveyed, so no height is known'
    faults = [f'{berm.name}: {fault}' for berm in site.berms
              for fault in _faults(berm, books.rows_of(berm.name))]
    if faults:
        return False, '; '.join(faults)
    return True, '; '.join(
        _praise(berm, books.rows_of(berm.name), (crests or {}).get(berm.name))
        for berm in site.berms)


def off_line_m(row: Row) -> float:
    """
    Return how far the crest of a segment lies off the line [m]; NaN where none stands yet.

    Examples
    --------
    >>> off_line_m(Row('b', 0, 1, 0.0, 1.0, 0.25, height_m=0.24, line_offset_m=-0.03))
    0.03
    >>> off_line_m(Row('b', 0, 1, 0.0, 1.0, 0.25, height_m=0.001, line_offset_m=0.11))
    nan

    """
    stands = row.height_m >= STANDING_SHARE * row.target_height_m
    return abs(row.line_offset_m) if stands else math.nan


def _faults(berm: Berm, rows: Sequence[Row]) -> list[str]:
    """Return what a berm fails in, each with the segments concerned."""
    tolerance = f'{1e3 * berm.height_tolerance_m:.0f} mm'
    unseen, short, _, high, rework = (
        [row for row in rows if row.state == state] for state in State)
    faults = []
    if unseen:
        faults.append(f'{_named(unseen)} not seen')
    if rework:
        faults.append(f'{_named(rework)} disturbed and not yet reworked')
    in_places = [row for row in high if -row.deficit_height_m <= berm.height_tolerance_m]
    if wholly := [row for row in high if row not in in_places]:
        most = max(-row.deficit_height_m for row in wholly)
        faults.append(f'{_named(wholly)} up to {1e3 * most:.0f} mm too high ({tolerance} allowed)')
    if in_places:
        most = max(row.high_m - row.target_height_m for row in in_places)
        faults.append(f'{_named(in_places)} up to {1e3 * most:.0f} mm too high in places '
                      f'({tolerance} allowed)')
    if short:
        most = max(row.deficit_height_m for row in short)
        share = whole_percent(min(row.at_grade for row in short))
        mean = f'up to {1e3 * most:.0f} mm short on average and ' if most > 0.0 else ''
        faults.append(f'{_named(short)} not at grade, {mean}with only {share:.0f} % of '
                      f'the crest within {tolerance} of the design at worst')
    off = [row for row in rows if off_line_m(row) > berm.line_tolerance_m]
    if off:
        most = max(map(off_line_m, off))
        faults.append(f'crest of {_named(off)} up to {1e3 * most:.1f} mm off the centreline '
                      f'({1e3 * berm.line_tolerance_m:.0f} mm allowed)')
    return faults


def _praise(berm: Berm, rows: Sequence[Row], crest: CrestSummary | None) -> str:
    """Return the figures of a berm that meets its specification."""
    off = max((off_line_m(row) for row in rows if not math.isnan(off_line_m(row))),
              default=math.nan)
    text = f'{berm.name}: {_named(rows)} at grade'
    if crest is not None:
        text += (f', {crest.crest_length_m:.2f} m of {berm.centreline.length_m:.2f} m of crest '
                 f'within {1e3 * berm.height_tolerance_m:.0f} mm of the design')
    if not math.isnan(off):
        text += f', no segment further than {1e3 * off:.0f} mm off the centreline'
    return text


def _named(rows: Sequence[Row]) -> str:
    """
    Name segments in as few words as they take, e.g. ``segments 1, 3-5``.

    Examples
    --------
    >>> from berm_ledger.books.rows import Row
    >>> _named([Row('b', 0, number, 0.0, 1.0, 0.25) for number in (1, 3, 4, 5, 7, 8)])
    'segments 1, 3-5, 7-8'

    """
    runs: list[list[int]] = []
    for row in rows:
        if runs and row.segment == runs[-1][1] + 1:
            runs[-1][1] = row.segment
        else:
            runs.append([row.segment, row.segment])
    words = ', '.join(str(a) if a == b else f'{a}-{b}' for a, b in runs)
    return f'segment {words}' if len(rows) == 1 else f'segments {words}'
