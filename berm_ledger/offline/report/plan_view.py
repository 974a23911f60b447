# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Plan view of one berm: surface, design line, crest, states, changes and dumps."""

from __future__ import annotations

import math
from typing import Any

from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Wedge
from matplotlib.patches import Polygon as Shape
import numpy as np

from .canvas import new_figure, Picture, png_of, TALLEST_IN, WIDTH_IN
from .facts import Event, Facts, STANDING_NOTE
from .palette import (
    BLACK,
    BLUE,
    DESIGN_DASHES,
    GREY,
    ORANGE,
    PURPLE,
    STATE_STYLES,
    VERMILLION,
    WHITE,
)
from .plan_strip import band, HALO, outer_side, strip
from ...books.layers import DATUM, DESIGN, HEIGHT
from ...books.statement import stamp_text
from ...design import Berm
from ...geometry import Polygon
from ...wording import counted

# Room around the footprint [m], and how much it is at least on paper [inch].
MARGIN_M, ROOM_IN = 0.38, 0.34
# Most points of the raster along one side; larger ones are thinned.
MOST_CELLS = 1200
SOIL = LinearSegmentedColormap.from_list('soil', ['#FFFFFF', '#6E6E6E'])
# Distances between height lines that read well [m].
STEPS_M = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0)
DENSEST_LINES = 5
# Least distance between the signs of changes on paper [inch].
SIGN_IN = 0.3
# A change of less extent along the line lies around an end of it [m].
LEAST_EXTENT_M = 0.02
LEGEND_IN = 1.75

Box = tuple[float, float, float, float]


def plan_view(facts: Facts, berm_index: int) -> Picture:
    """
    Draw one berm from above.

    Parameters
    ----------
    facts : Facts
        What is known.
    berm_index : int
        Which berm.

    Returns
    -------
    Picture
        The picture.

    """
    berm = facts.site.berms[berm_index]
    room_m = MARGIN_M
    box, scale = _frame(facts, berm, room_m)
    if room_m * scale < ROOM_IN:
        room_m = ROOM_IN / scale
        box, scale = _frame(facts, berm, room_m)
    tall = _is_tall(box)
    figure = new_figure(
        scale * (box[3] - box[2]) + (0.7 if tall else 1.7),
        scale * (box[1] - box[0]) + 1.4 + LEGEND_IN if tall else WIDTH_IN)
    axes = figure.add_subplot()
    _surface(figure, axes, facts, box)
    areas(axes, facts)
    _lines(axes, facts, berm)
    strip(axes, facts, berm, scale)
    events = facts.events_of(berm)
    joined = _changes(axes, facts, berm, events, SIGN_IN / scale, room_m)
    dumps(axes, [(d.x_m, d.y_m, d.stray) for d in facts.books.dumps], box)
    axes.set(xlim=box[:2], ylim=box[2:], aspect='equal', xlabel='x [m]', ylabel='y [m]')
    handles = _legend(facts, berm, events, box)
    if tall:
        axes.legend(handles=handles, loc='center left', bbox_to_anchor=(1.02, 0.5))
    else:
        figure.legend(handles=handles, loc='upper center', bbox_to_anchor=(0.5, 0.0), ncol=4)
    return Picture(
        f'plan-{berm_index + 1}', png_of(figure), 'Plan view', _note(facts, box) + joined,
        f'Plan of the berm with design line, standing crest, the state of each segment, '
        f'{counted(len(events), "change")} without a dump and the dumps.')


def _note(facts: Facts, box: Box) -> str:
    """Return how to read the plan."""
    outside = sum(not _inside(dump.x_m, dump.y_m, box) for dump in facts.books.dumps
                  if math.isfinite(dump.x_m))
    verb = 'lies' if outside == 1 else 'lie'
    beyond = f' {counted(outside, "dump")} {verb} outside the picture.' if outside else ''
    when = '' if facts.surface_ns is None else f' Surface as of {stamp_text(facts.surface_ns)}.'
    return (f'Coordinates in the frame of the site file, equal scales. Grey shades and lines '
            f'every {_step(_top(facts)):g} m show the height above the natural ground. The crest '
            f'is drawn {STANDING_NOTE}. The strip to the side carries number and state of each '
            f'segment.{when}{beyond}')


def _inside(x_m: float, y_m: float, box: Box) -> bool:
    """Tell whether a point lies in a box."""
    return box[0] <= x_m <= box[1] and box[2] <= y_m <= box[3]


def _frame(facts: Facts, berm: Berm, room_m: float) -> tuple[Box, float]:
    """Return what the picture shows with so much room around the footprint, and [inch/m]."""
    box = _box_of(facts, berm, room_m)
    wide_in = WIDTH_IN - (LEGEND_IN + 1.4 if _is_tall(box) else 1.4)
    return box, min(wide_in / (box[1] - box[0]), (TALLEST_IN - 2.2) / (box[3] - box[2]))


def _is_tall(box: Box) -> bool:
    """Tell whether there is room for the legend beside the picture."""
    return box[3] - box[2] > 0.9 * (box[1] - box[0])


def _box_of(facts: Facts, berm: Berm, room_m: float) -> Box:
    """Return what the picture shows of x and y [m]."""
    reach = facts.half_width_m(berm) + room_m
    low = berm.centreline.points_xy.min(axis=0) - reach
    high = berm.centreline.points_xy.max(axis=0) + reach
    for dump in facts.books.dumps:
        place = np.array([dump.x_m, dump.y_m])
        near = np.isfinite(place).all() and (
            (place > low - reach) & (place < high + reach)).all()
        if near:
            low, high = np.minimum(low, place - 0.1), np.maximum(high, place + 0.1)
    return float(low[0]), float(high[0]), float(low[1]), float(high[1])


def _surface(figure: Any, axes: Axes, facts: Facts, box: Box) -> None:
    """Draw the site surface: shades, lines of equal height and a scale."""
    if HEIGHT not in facts.layers or DATUM not in facts.layers:
        return
    lattice = facts.layers[HEIGHT].lattice
    part = _window(lattice, box)
    height = (facts.layers[HEIGHT].values[part].astype(float)
              - facts.layers[DATUM].values[part].astype(float))
    if not np.isfinite(height).any():
        return
    half = 0.5 * lattice.cell_m
    x = lattice.x0_m + lattice.cell_m * np.arange(lattice.cols)[part[1]]
    y = lattice.y0_m + lattice.cell_m * np.arange(lattice.rows)[part[0]]
    top = _top(facts)
    image = axes.imshow(
        height, cmap=SOIL, vmin=0.0, vmax=1.15 * top, origin='lower', interpolation='nearest',
        extent=(x[0] - half, x[-1] + half, y[0] - half, y[-1] + half), zorder=0)
    bar = figure.colorbar(image, ax=axes, shrink=0.55, pad=0.02, aspect=24, extend='both',
                          location='left' if box[3] - box[2] > box[1] - box[0] else 'right')
    bar.set_label('height above natural ground [m]')
    step = _step(top)
    bar.set_ticks(step * np.arange(int(1.15 * top / step) + 1))
    levels = step * np.arange(1, int(1.3 * top / step) + 1)
    if len(levels) and min(height.shape) > 1 and np.nanmax(height) > levels[0]:
        axes.contour(x, y, height, levels=levels, colors=GREY, linewidths=0.4, zorder=1)
    if DESIGN in facts.layers and min(height.shape) > 1:
        design = facts.layers[DESIGN].values[part].astype(float)
        if np.nanmin(design) < 1e-3 < np.nanmax(design):
            axes.contour(x, y, np.nan_to_num(design), levels=[1e-3], colors=BLACK,
                         linewidths=0.8, linestyles='dotted', zorder=2)


def _step(top_m: float) -> float:
    """Return the distance between height lines up to a height [m]."""
    return next((step for step in STEPS_M if top_m / step <= DENSEST_LINES), STEPS_M[-1])


def _top(facts: Facts) -> float:
    """Return the greatest design height [m], 1 where none is known."""
    targets = [row.target_height_m for row in facts.books.rows]
    return max([t for t in targets if math.isfinite(t)], default=1.0)


def _window(lattice: Any, box: Box) -> tuple[slice, slice]:
    """Return the rows and columns of a lattice that a box shows, thinned where very many."""
    index = lattice.index_from_xy([[box[0], box[2]], [box[1], box[3]]])
    first = np.maximum(0, np.floor(index[0])).astype(int)
    stop = np.minimum(lattice.shape, np.ceil(index[1]) + 1).astype(int)
    step = [max(1, int(n) // MOST_CELLS) for n in stop - first]
    return (slice(int(first[0]), int(stop[0]), step[0]),
            slice(int(first[1]), int(stop[1]), step[1]))


def areas(axes: Axes, facts: Facts) -> None:
    """Draw boundary, keep-outs and borrow areas."""
    yard = facts.site.yard
    axes.add_patch(_patch(yard.boundary, facecolor='none', edgecolor=BLACK, linewidth=1.4))
    for area in yard.keep_outs:
        axes.add_patch(_patch(
            area.polygon, facecolor=WHITE, edgecolor=BLACK, hatch='xxxxx', linewidth=0.8))
    for borrow in yard.borrow_areas:
        axes.add_patch(_patch(
            borrow.polygon, facecolor=WHITE, edgecolor=BLUE, hatch='..', linewidth=0.8))


def _patch(polygon: Polygon, **style: Any) -> Shape:
    """Return a polygon to be drawn under everything that was measured."""
    return Shape(polygon.corners_xy, closed=True, zorder=0.5, **style)


def design_line(axes: Axes, berm: Berm) -> None:
    """Draw the line that the crest was meant to follow."""
    points = berm.centreline.points_xy
    if berm.centreline.closed:
        points = np.vstack([points, points[:1]])
    axes.plot(*points.T, color=BLACK, linestyle=DESIGN_DASHES, linewidth=1.1, zorder=4,
              path_effects=HALO)


def _lines(axes: Axes, facts: Facts, berm: Berm) -> None:
    """Draw the design line and the standing crest."""
    line = berm.centreline
    design_line(axes, berm)
    crest = facts.crests.get(berm.name)
    if crest is None:
        return
    standing = line.point_at(crest.station_m, facts.standing_offset_m(berm))
    if line.closed:
        standing = np.vstack([standing, standing[:1]])
    axes.plot(*standing.T, color=VERMILLION, linewidth=1.6, zorder=5, path_effects=HALO)


def _changes(
    axes: Axes, facts: Facts, berm: Berm, events: list[Event], step_m: float, room_m: float
) -> str:
    """Draw the extents of changes, with signs beside the footprint; say how joined ones read."""
    placed = []
    for event in events:
        ends = [event.figure(name) for name in (
            'station_from_m', 'station_to_m', 'offset_from_m', 'offset_to_m')]
        if all(map(math.isfinite, ends)):
            axes.add_patch(_extent(berm, *ends))
            placed.append((0.5 * (ends[0] + ends[1]), event.sign))
    offset_m = -outer_side(berm) * (facts.half_width_m(berm) + 0.5 * room_m)
    row_m = berm.centreline.length_m - (step_m if berm.centreline.closed else 0.0)
    signs = signs_in_a_row(placed, row_m, step_m)
    for station_m, place_m, sign in signs:
        axes.annotate(
            sign, berm.centreline.point_at(station_m),
            xytext=berm.centreline.point_at(place_m, offset_m), ha='center', va='center',
            fontsize=7.0, fontweight='bold', zorder=8,
            bbox={'boxstyle': 'round,pad=0.2', 'facecolor': WHITE, 'edgecolor': PURPLE,
                  'linewidth': 0.8},
            arrowprops={'arrowstyle': '-', 'color': PURPLE, 'linewidth': 0.8, 'shrinkB': 0.0})
    if len(signs) == len(placed):
        return ''
    return ' D1 +2 stands for three changes there, of which D1 is one.'


def signs_in_a_row(
    placed: list[tuple[float, str]], row_m: float, step_m: float
) -> list[tuple[float, float, str]]:
    """
    Return station pointed to, place in the row [m] and text of the signs of changes.

    They stand a step apart from 0 to ``row_m``. Where there is not room enough for all, those of
    each step are joined.

    Examples
    --------
    >>> signs_in_a_row([(0.9, 'D1'), (1.0, 'S1')], 1.0, 0.2)
    [(0.9, 0.8, 'D1'), (1.0, 1.0, 'S1')]
    >>> signs_in_a_row([(0.0, 'D1'), (0.25, 'D2'), (0.1, 'S1')], 0.25, 0.2)
    [(0.0, 0.0, 'D1 +1'), (0.25, 0.2, 'D2')]

    """
    places: list[float] = []
    for station_m, _ in sorted(placed):
        places.append(max(station_m, places[-1] + step_m) if places else station_m)
    limit_m = row_m
    for n in reversed(range(len(places))):
        places[n] = min(places[n], limit_m)
        limit_m = places[n] - step_m
    if not places or places[0] >= 0.0:
        return [(s, place, sign) for (s, sign), place in zip(sorted(placed), places)]
    steps: dict[int, list[tuple[float, str]]] = {}
    for station_m, sign in sorted(placed):
        steps.setdefault(int(min(station_m, row_m) / step_m), []).append((station_m, sign))
    return [(own[0][0], n * step_m, own[0][1] + (f' +{len(own) - 1}' if own[1:] else ''))
            for n, own in steps.items()]


def _extent(
    berm: Berm, from_m: float, to_m: float, right_m: float, left_m: float
) -> Shape | Wedge:
    """Return the extent of a change; around the end of a berm, where stations end, a wedge."""
    line = berm.centreline
    style: dict[str, Any] = {'facecolor': 'none', 'edgecolor': PURPLE, 'hatch': '\\\\\\',
                             'linewidth': 1.2, 'zorder': 3.5}
    at_end = from_m >= line.length_m - LEAST_EXTENT_M
    if line.closed or to_m - from_m > LEAST_EXTENT_M or not (at_end or to_m <= LEAST_EXTENT_M):
        return Shape(band(berm, from_m, to_m, right_m, left_m), closed=True, **style)
    outward = math.degrees(float(line.heading_at(from_m))) + (0.0 if at_end else 180.0)
    turn = 1.0 if at_end else -1.0
    left_deg, right_deg = 90.0 * (left_m > 0.0), -90.0 * (right_m < 0.0)
    sides = sorted((turn * left_deg, turn * right_deg))
    far = max(abs(left_m), abs(right_m))
    near = 0.0 if right_m < 0.0 < left_m else min(abs(left_m), abs(right_m))
    return Wedge(line.point_at(from_m), far, outward + sides[0], outward + sides[1],
                 width=far - near, **style)


def dumps(axes: Axes, dumps: list[tuple[float, float, bool]], box: Box) -> None:
    """Draw where loads fell: x, y [m] and whether they missed."""
    for missed, marker in ((False, 'v'), (True, 'X')):
        places = [(x, y) for x, y, stray in dumps if stray == missed and _inside(x, y, box)]
        if places:
            axes.scatter(*np.array(places).T, marker=marker, s=18, zorder=6, linewidths=0.7,
                         facecolors=ORANGE if missed else WHITE, edgecolors=BLACK)


def _legend(facts: Facts, berm: Berm, events: list[Event], box: Box) -> list[Any]:
    """Return the entries of the legend: of what is in the picture only."""
    handles: list[Any] = [
        Line2D([], [], color=BLACK, linestyle=DESIGN_DASHES, linewidth=1.1,
               label='design line')]
    if DESIGN in facts.layers:
        handles.append(Line2D([], [], color=BLACK, linestyle='dotted', linewidth=0.8,
                              label='design toe'))
    if berm.name in facts.crests and np.isfinite(facts.standing_offset_m(berm)).any():
        handles.append(Line2D([], [], color=VERMILLION, linewidth=1.6, label='standing crest'))
    for stray, marker, label in ((False, 'v', 'dump'), (True, 'X', 'dump that missed')):
        if any(dump.stray == stray and _inside(dump.x_m, dump.y_m, box)
               for dump in facts.books.dumps):
            handles.append(Line2D(
                [], [], linestyle='', marker=marker, markersize=5, markeredgecolor=BLACK,
                markerfacecolor=ORANGE if stray else WHITE, label=label))
    if events:
        handles.append(Patch(facecolor='none', edgecolor=PURPLE, hatch='\\\\\\',
                             label='change without\na dump'))
    for state in sorted({row.state for row in facts.rows_of(berm)}):
        style = STATE_STYLES[state]
        handles.append(Patch(facecolor=style.colour, edgecolor=BLACK, hatch=style.hatch,
                             linewidth=0.7, label=f'segment {style.word}'))
    return handles
