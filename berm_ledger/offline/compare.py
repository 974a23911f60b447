# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
What changed between two books of one design: per segment, in height and in volume, with errors.

A change is counted as real where it is beyond the level of detection, 1.96 times the root of the
sum of the squared standard errors of both (J. Brasington et al., Geomorphology 53, 2003,
299-316). Books that share their survey of the natural ground are compared by height and volume
above it; one look told by both is no change, and errs in none. Where each has a survey of its own,
these say nothing about the soil between, so that the kept surfaces are compared instead.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
import math

import numpy as np
from numpy.typing import NDArray

from .crest_levels import layer_of, level_changes_m
from .opened import OpenedBooks
from ..books import Row
from ..books.layers import DATUM, HEIGHT
from ..design import Berm, Site
from ..errors import BooksError
from ..survey.area import survey_area
from ..survey.snapshot import NamedSurface

Z95 = 1.96
# Plans that differ by less are the same [m].
SAME_M = 1e-6
# A segment of which less than this share of the cells is known in both has no change of volume.
LEAST_SEEN = 0.5
# Share of the ground that two books have in common when they stand on one survey.
MOST_KEPT = 0.5


@dataclass(frozen=True)
class Change:
    """
    A difference, later less earlier, and its standard error; NaN is unknown.

    Parameters
    ----------
    value, error : float
        Both in the same unit.

    """

    value: float = math.nan
    error: float = math.nan

    @property
    def bound(self) -> float:
        """Half the width of the 95 % confidence interval."""
        return Z95 * self.error

    @property
    def is_real(self) -> bool:
        """Whether it is beyond what errors of measurement explain, at 95 %."""
        return abs(self.value) > self.bound


@dataclass(frozen=True)
class SegmentChange:
    """
    What changed on one segment.

    Parameters
    ----------
    before, after : Row
        Its rows in the two books.
    height_m : Change
        Crest [m].
    volume_m3 : Change
        Soil in the corridor [m3].

    """

    before: Row
    after: Row
    height_m: Change
    volume_m3: Change


@dataclass(frozen=True)
class Comparison:
    """
    What changed between two books.

    Parameters
    ----------
    segments : tuple of SegmentChange
        In the order of the rows.
    same_datum : bool
        Whether both stand on one survey of the natural ground.
    notes : tuple of str
        What to know when reading it.

    """

    segments: tuple[SegmentChange, ...]
    same_datum: bool
    notes: tuple[str, ...]

    def of_berm(self, name: str) -> list[SegmentChange]:
        """Return the segments of one berm."""
        return [segment for segment in self.segments if segment.before.berm == name]


def compare_books(before: OpenedBooks, after: OpenedBooks) -> Comparison:
    """
    Compare two books of one design.

    Parameters
    ----------
    before, after : OpenedBooks
        The books.

    Returns
    -------
    Comparison
        Changes, later less earlier.

    Raises
    ------
    BooksError
        Berms along other lines, or cut into other segments.

    """
    check_same_plan(before.site, after.site)
    same = same_datum(before, after)
    notes = _notes(before, after, same=same)
    pairs = list(zip(before.books.rows, after.books.rows))
    if same:
        heights = [_change(a, b, 'height_m', 'height_se_m') for a, b in pairs]
        volumes = [_change(a, b, 'placed_m3', 'placed_se_m3') for a, b in pairs]
    else:
        heights, volumes = _crest_changes(before, after), _surface_changes(before, after)
    return Comparison(
        tuple(SegmentChange(a, b, height, volume)
              for (a, b), height, volume in zip(pairs, heights, volumes)), same, notes)


def _change(before: Row, after: Row, name: str, error_name: str) -> Change:
    """Return the change of one figure; where both tell of one look it is none, without error."""
    (old, old_se), (new, new_se) = (
        (getattr(row, name), getattr(row, error_name)) for row in (before, after))
    one_look = math.isfinite(old) and (
        (old, old_se, before.last_seen_ns) == (new, new_se, after.last_seen_ns))
    return Change(new - old, 0.0 if one_look else math.hypot(old_se, new_se))


def check_same_plan(a: Site, b: Site) -> None:
    """
    Refuse sites whose accounts cannot be set against each other.

    Parameters
    ----------
    a, b : Site
        Sites of the two books.

    Raises
    ------
    BooksError
        Other berms, other lines, or other segments; says which.

    """
    names_a, names_b = ([berm.name for berm in site.berms] for site in (a, b))
    fault = ''
    if names_a != names_b:
        fault = f'berms {", ".join(map(repr, names_a))} and {", ".join(map(repr, names_b))}'
    elif a.frame != b.frame:
        fault = f'frames {a.frame!r} and {b.frame!r}'
    else:
        faults = (_plan_fault(one, other) for one, other in zip(a.berms, b.berms))
        fault = next((text for text in faults if text), '')
    if fault:
        msg = (f'the books are of different sites ({fault}): compare books whose berms follow the '
               f'same lines and are cut into the same segments')
        raise BooksError(msg)


def _plan_fault(a: Berm, b: Berm) -> str:
    """Return in what the plans of two berms differ; empty when they do not."""
    p, q = a.centreline, b.centreline
    if p.closed != q.closed or p.points_xy.shape != q.points_xy.shape or not np.allclose(
            p.points_xy, q.points_xy, rtol=0.0, atol=SAME_M):
        return f'the line of berm {a.name!r} differs'
    if abs(a.segment_length_m - b.segment_length_m) > SAME_M:
        return f'the segments of berm {a.name!r} differ'
    return ''


def same_datum(before: OpenedBooks, after: OpenedBooks) -> bool:
    """Tell whether both books measure from one survey of the ground, or from one plane."""
    plane_a, plane_b = before.site.datum_plane, after.site.datum_plane
    if plane_a is not None or plane_b is not None:
        return plane_a == plane_b
    if _datum_entry(before) != _datum_entry(after):
        return False
    old, new = layer_of(before, DATUM), layer_of(after, DATUM)
    if old is None or new is None:
        return True
    # Cells that were seen late are surveyed after all; the others stay as they were.
    return old.lattice == new.lattice and float(np.mean(
        (old.values == new.values)[_known(old) & _known(new)])) > MOST_KEPT


def _datum_entry(opened: OpenedBooks) -> tuple[int | None, Mapping[str, object]]:
    """Return time and figures of the entry of the natural ground."""
    books = opened.books
    entry = next((e for e in opened.entries if e.seq == books.datum_seq), None)
    return books.datum_stamp_ns, {} if entry is None else entry.data


def _known(layer: NamedSurface) -> NDArray[np.bool_]:
    """Tell which values of a layer are known."""
    out: NDArray[np.bool_] = np.isfinite(layer.values.astype(float))
    return out


def _notes(before: OpenedBooks, after: OpenedBooks, *, same: bool) -> tuple[str, ...]:
    """Return what to know when reading a comparison."""
    notes = []
    if before.site_file.digest != after.site_file.digest:
        notes.append('the site files differ, but their berms follow the same lines')
    old, new = ([row.target_height_m for row in opened.books.rows] for opened in (before, after))
    if same and not np.allclose(old, new, rtol=0.0, atol=1e-5, equal_nan=True):
        notes.append('the design heights differ: states are each against its own design')
    if not same:
        bare = [letter for letter, opened in (('A', before), ('B', after))
                if opened.site.datum_plane is None and opened.books.datum_seq is None]
        surveys = (f'{bare[0]} has no survey of the natural ground' if bare
                   else 'each has its own survey of the natural ground')
        notes.append(f'{surveys}: changes are those of the kept surfaces')
    stamps = [opened.books.last_stamp_ns for opened in (before, after)]
    if stamps[0] is not None and stamps[1] is not None and stamps[0] > stamps[1]:
        notes.append('A is newer than B: swap them to read the changes in the order of time')
    return tuple(notes)


def _surface_changes(before: OpenedBooks, after: OpenedBooks) -> list[Change]:
    """Return the change of volume of each segment between the kept surfaces [m3]."""
    unknown = [Change() for _ in before.books.rows]
    old, new = layer_of(before, HEIGHT), layer_of(after, HEIGHT)
    if old is None or new is None or old.lattice != new.lattice:
        return unknown
    area = survey_area(after.site, ground_m=_lowest_m(after))
    if area.lattice != new.lattice:
        return unknown
    flat = area.corridor.flat_index
    rise = (new.values.ravel()[flat].astype(float) - old.values.ravel()[flat].astype(float))
    known = np.isfinite(rise)
    every = np.asarray(area.shares.sum(axis=1)).ravel()
    seen = area.shares @ known.astype(float)
    total = area.shares @ np.where(known, rise, 0.0)
    errors = [math.hypot(a.placed_se_m3, b.placed_se_m3)
              for a, b in zip(before.books.rows, after.books.rows)]
    return [
        Change(float(t) * float(e / s) * area.lattice.cell_area_m2, error)
        if s >= LEAST_SEEN * e and s > 0.0 else Change()
        for t, e, s, error in zip(total, every, seen, errors)]


def _lowest_m(opened: OpenedBooks) -> float:
    """Return the lowest level of the kept ground [m]; 0 without one."""
    layer = layer_of(opened, DATUM)
    if layer is None or not np.isfinite(layer.values.astype(float)).any():
        return 0.0
    return float(np.nanmin(layer.values.astype(float)))


def _crest_changes(before: OpenedBooks, after: OpenedBooks) -> list[Change]:
    """Return the change of the crest's elevation of each segment [m]."""
    return [
        Change(change_m, math.hypot(a.height_se_m, b.height_se_m))
        for change_m, a, b in zip(
            level_changes_m(before, after), before.books.rows, after.books.rows)]


def total_of(changes: Sequence[Change]) -> Change:
    """
    Return the sum of changes; errors that segments share are added in full.

    Examples
    --------
    >>> total_of([Change(1.0, 0.1), Change(2.0, 0.2), Change()])
    Change(value=3.0, error=0.30000000000000004)

    """
    known = [change for change in changes if math.isfinite(change.value)]
    if not known:
        return Change()
    return Change(math.fsum(c.value for c in known), sum(c.error for c in known))
