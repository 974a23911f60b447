# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Rules that tie values of a site file together, each a small function; all of them run.

A rule looks at what could be read and stays silent about the rest, whose fault is noted already.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
import math

import numpy as np

from .reader import Table
from .segments import cut_count
from .site import Berm, Plane
from .surface import footprint_half_width_m
from .yaml_lines import Fault
from ..geometry import Polygon, Polyline

# Cells of a lattice that fit in the memory of a small computer.
MAX_CELLS = 16_000_000
# More accounts than anybody reads; each takes its place in every message.
MAX_SEGMENTS = 5000
# A segment of fewer cells has no crest of its own.
LEAST_CELLS = 2
# What coordinates written to a few digits may be off [m].
ROUNDING_M = 1e-6


@dataclass(frozen=True, eq=False)
class BermDraft:
    """
    A berm as far as it could be read.

    Parameters
    ----------
    table : Table
        Its mapping in the file.
    line : Polyline or None
        Its centreline.
    berm : Berm or None
        The whole berm.

    """

    table: Table
    line: Polyline | None
    berm: Berm | None

    @property
    def line_key(self) -> str:
        """Key that gives the centreline."""
        return 'arc' if 'arc' in self.table.lines else 'centreline'


@dataclass(frozen=True, eq=False)
class Draft:
    """
    A site as far as it could be read: tables, and the shapes made of them.

    Parameters
    ----------
    root : Table
        The whole file.
    berms : tuple of BermDraft
        In the order of the file.
    boundary : Polygon or None
        Boundary of the yard.
    plane : Plane or None
        Datum plane.

    """

    root: Table
    berms: tuple[BermDraft, ...]
    boundary: Polygon | None
    plane: Plane | None


def one_of_two(draft: Draft) -> Iterator[Fault]:
    """Ask for one line and one crest per berm."""
    for part in draft.berms:
        for first, second in (('centreline', 'arc'), ('crest_height_m', 'crest_level_m')):
            given = [key for key in (first, second) if key in part.table.lines]
            if len(given) == 2:
                yield part.table.fault(second, f'give {first} or {second}, not both')
            elif not given:
                yield part.table.fault(first, f'is missing: give {first} or {second}')


def names_differ(draft: Draft) -> Iterator[Fault]:
    """Refuse two berms, keep-outs or borrow areas of the same name."""
    yard = draft.root.table('yard')
    groups = [tuple(part.table for part in draft.berms)]
    if yard is not None:
        groups += [yard.tables('keep_outs'), yard.tables('borrow_areas')]
    for group in groups:
        seen: dict[str, Table] = {}
        for table in group:
            name = table.text('name')
            if name is not None and name in seen:
                yield table.fault('name', f'{name!r} is also the name of {seen[name].path}')
            elif name is not None:
                seen[name] = table


def slope_stands(draft: Draft) -> Iterator[Fault]:
    """Refuse sides that are steeper than the soil stands."""
    material = draft.root.table('material')
    repose = material.number('repose_deg') if material else None
    for part in draft.berms:
        slope = part.table.number('side_slope_deg')
        if slope is not None and repose is not None and slope > repose:
            yield part.table.fault('side_slope_deg', (
                f'{slope:g} degrees is steeper than the angle of repose, material.repose_deg '
                f'{repose:g}: the soil would slide; make it flatter'))


def segments_hold_cells(draft: Draft) -> Iterator[Fault]:
    """Ask for segments of at least two cells, and not too many of them."""
    cell = draft.root.number('cell_m')
    for part in draft.berms:
        longest = part.table.number('segment_length_m')
        if longest is None or cell is None:
            continue
        if part.line is None:
            length, count = longest, 1
        else:
            length, count = part.line.length_m, cut_count(part.line.length_m, longest)
        if length / count < LEAST_CELLS * cell:
            yield part.table.fault('segment_length_m', (
                f'segments of {length / count:.3g} m ({count} in {length:.4g} m) are shorter than '
                f'{LEAST_CELLS} cells of {cell:g} m (cell_m); make them longer'))
        if count > MAX_SEGMENTS:
            yield part.table.fault('segment_length_m', (
                f'cuts the line of {length:.4g} m into {count} segments; at most {MAX_SEGMENTS}'))


def berms_lie_inside(draft: Draft) -> Iterator[Fault]:
    """Keep the whole design footprint inside the boundary: nothing beyond can be served."""
    if draft.boundary is None:
        return
    for part in draft.berms:
        if part.line is None:
            continue
        key, room = part.line_key, draft.boundary.room_m(part.line)
        half = math.nan if part.berm is None else footprint_half_width_m(part.berm, draft.plane)
        if room == 0.0:
            yield part.table.fault(key, 'the centreline leaves yard.boundary')
        elif half > room + ROUNDING_M:
            yield part.table.fault(key, (
                f'the toe, {half:.3g} m from the centreline, reaches {half - room:.2g} m beyond '
                f'yard.boundary'))


def lines_lie_apart(draft: Draft) -> Iterator[Fault]:
    """Refuse a berm that runs along another all its length: no ground would be its own."""
    cell = draft.root.number('cell_m')
    if _cells_around(draft) > MAX_CELLS:
        # That is told already, and to go along such lines would take all memory there is.
        return
    for k, part in enumerate(draft.berms):
        for other in draft.berms[:k]:
            if cell is None or part.line is None or other.line is None:
                continue
            if part.table.text('name') == other.table.text('name'):
                # One berm written twice: that is told already.
                continue
            for inner, outer in ((part.line, other.line), (other.line, part.line)):
                station = np.linspace(0.0, inner.length_m, 2 + int(inner.length_m / cell))
                _, offset = outer.station_offset(inner.point_at(station))
                if np.abs(offset).max() < cell:
                    yield part.table.fault(part.line_key, (
                        f'lies on the line of {other.table.path}: berms on one line share all '
                        f'their ground; make one berm of both'))
                    break


def tolerance_is_small(draft: Draft) -> Iterator[Fault]:
    """Refuse a tolerance that bare ground would meet."""
    for part in draft.berms:
        height = part.table.number('crest_height_m')
        tolerance = part.table.number('height_tolerance_m')
        if height is not None and tolerance is not None and tolerance >= height:
            yield part.table.fault('height_tolerance_m', (
                f'{tolerance:g} m is not less than crest_height_m {height:g}: bare ground would '
                f'pass'))


def level_is_above_ground(draft: Draft) -> Iterator[Fault]:
    """Keep a level crest above a datum plane, and the plane flatter than the sides."""
    for part in draft.berms:
        if part.berm is None or part.berm.crest_level_m is None or draft.plane is None:
            continue
        ground = draft.plane.height_m(part.berm.centreline.points_xy)
        if part.berm.crest_level_m <= ground.max():
            yield part.table.fault('crest_level_m', (
                f'{part.berm.crest_level_m:g} m is not above the datum plane all along the line, '
                f'which reaches {ground.max():.3g} m'))
        elif math.isnan(footprint_half_width_m(part.berm, draft.plane)):
            yield part.table.fault('side_slope_deg', (
                'the datum plane falls as steeply as the sides: they never meet the ground'))


def drop_is_ahead(draft: Draft) -> Iterator[Fault]:
    """Ask for a load that lands ahead: the robot drives up to the berm forwards."""
    rover = draft.root.table('rover')
    drop = rover.numbers('drop_point') if rover else None
    if rover and drop and drop[0] <= 0.0:
        yield rover.fault('drop_point', (
            f'x must be more than 0, not {drop[0]:g}: the load lands ahead of base_link'))


def full_drum_draws_more(draft: Draft) -> Iterator[Fault]:
    """Ask for a current that grows with the load: it is to tell the mass."""
    rover = draft.root.table('rover')
    current = rover.table('drum_current') if rover else None
    if current is None:
        return
    empty, full = current.number('empty_a'), current.number('full_a')
    if empty is not None and full is not None and full <= empty:
        yield current.fault('full_a', (
            f'{full:g} A is not more than empty_a {empty:g}: the current would not tell the '
            f'mass'))


def _extent_m(draft: Draft) -> tuple[float, float]:
    """Return width and height of the lines of all berms together [m]; zeros without any."""
    points = [part.line.points_xy for part in draft.berms if part.line is not None]
    width, height = np.ptp(np.vstack(points), axis=0).tolist() if points else (0.0, 0.0)
    return width, height


def _cells_around(draft: Draft) -> float:
    """Return how many cells a lattice around all berms has; 0 where the cell is not known."""
    cell, (width, height) = draft.root.number('cell_m'), _extent_m(draft)
    return 0.0 if cell is None else (width / cell + 1) * (height / cell + 1)


def lattice_fits(draft: Draft) -> Iterator[Fault]:
    """Refuse a lattice around all berms that would not fit in memory."""
    cell, cells = draft.root.number('cell_m'), _cells_around(draft)
    if cells > MAX_CELLS:
        width, height = _extent_m(draft)
        yield draft.root.fault('cell_m', (
            f'the berms lie {width:.4g} x {height:.4g} m apart: {cells:.2g} cells of {cell:g} m, '
            f'more than {MAX_CELLS:.2g}; use larger cells or a file for each berm'))


RULES: tuple[Callable[[Draft], Iterator[Fault]], ...] = (
    one_of_two,
    names_differ,
    slope_stands,
    segments_hold_cells,
    berms_lie_inside,
    lines_lie_apart,
    tolerance_is_small,
    level_is_above_ground,
    drop_is_ahead,
    full_drum_draws_more,
    lattice_fits,
)
