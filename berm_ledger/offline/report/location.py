# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Location plan: the yard with boundary, keep-outs, borrow areas and all berms."""

from __future__ import annotations

from typing import Any

from matplotlib.lines import Line2D
from matplotlib.patches import Circle, Patch
from matplotlib.patches import Polygon as Shape
import numpy as np
from numpy.typing import NDArray

from .canvas import new_figure, Picture, png_of, WIDTH_IN
from .facts import Facts
from .palette import BLACK, BLUE, DESIGN_DASHES, ORANGE, WHITE
from .plan_strip import band, HALO
from .plan_view import areas, design_line, dumps
from ...design import Berm

FOOTPRINT = '#BFBFBF'
# Where along a berm its name may stand, as parts of its length.
LABEL_AT = np.linspace(0.1, 0.9, 9)


def location_plan(facts: Facts) -> Picture:
    """
    Draw the yard with all berms.

    Parameters
    ----------
    facts : Facts
        What is known.

    Returns
    -------
    Picture
        The picture.

    """
    corners = facts.site.yard.boundary.corners_xy
    low, high = corners.min(axis=0), corners.max(axis=0)
    room = 0.05 * float((high - low).max())
    box = (low[0] - room, high[0] + room, low[1] - room, high[1] + room)
    wide, tall = box[1] - box[0], box[3] - box[2]
    scale = min((WIDTH_IN - 3.0) / wide, 3.4 / tall)
    figure = new_figure(scale * tall + 0.6, scale * wide + 2.6)
    axes = figure.add_subplot()
    areas(axes, facts)
    for number, berm in enumerate(facts.site.berms, 1):
        half = facts.half_width_m(berm)
        length = berm.centreline.length_m
        axes.add_patch(Shape(band(berm, 0.0, length, half, -half), closed=True,
                             facecolor=FOOTPRINT, edgecolor='none', zorder=1))
        for end in () if berm.centreline.closed else (0.0, length):
            axes.add_patch(Circle(berm.centreline.point_at(end), half, facecolor=FOOTPRINT,
                                  edgecolor='none', zorder=1))
        design_line(axes, berm)
        axes.annotate(
            f'B{number}', label_place(facts, berm), xytext=(9, 9),
            textcoords='offset points', fontweight='bold', zorder=8, path_effects=HALO)
    astray = [(d.x_m, d.y_m, True) for d in facts.books.dumps if d.stray]
    dumps(axes, astray, box)
    axes.set(xlim=box[:2], ylim=box[2:], aspect='equal', xlabel='x [m]', ylabel='y [m]')
    axes.legend(handles=_location_legend(facts), loc='center left', bbox_to_anchor=(1.02, 0.5))
    names = ', '.join(f'B{i} {berm.name}' for i, berm in enumerate(facts.site.berms, 1))
    return Picture('location', png_of(figure), 'Location plan',
                   f'Coordinates in the frame of the site file, equal scales. Berms: {names}.',
                   'Plan of the yard with boundary, keep-outs, borrow areas and berms.')


def label_place(facts: Facts, berm: Berm) -> NDArray[np.float64]:
    """Return where a berm is named: furthest from all others, and as near its middle as can be."""
    line = berm.centreline
    station = line.length_m * LABEL_AT
    places = line.point_at(station)
    clear_m = np.min([np.abs(other.centreline.station_offset(places)[1])
                      for other in facts.site.berms if other is not berm]
                     or [np.zeros(len(places))], axis=0)
    best = np.lexsort((np.abs(LABEL_AT - 0.5), -np.round(clear_m, 2)))[0]
    out: NDArray[np.float64] = places[best]
    return out


def _location_legend(facts: Facts) -> list[Any]:
    """Return the entries of the legend of the location plan."""
    handles: list[Any] = [
        Line2D([], [], color=BLACK, linewidth=1.4, label='yard boundary'),
        Line2D([], [], color=BLACK, linestyle=DESIGN_DASHES, linewidth=1.1,
               label='design line'),
        Patch(facecolor=FOOTPRINT, label='design footprint')]
    if facts.site.yard.keep_outs:
        handles.append(Patch(facecolor=WHITE, edgecolor=BLACK, hatch='xxxxx', label='keep-out'))
    if facts.site.yard.borrow_areas:
        handles.append(Patch(facecolor=WHITE, edgecolor=BLUE, hatch='..', label='borrow area'))
    if any(dump.stray for dump in facts.books.dumps):
        handles.append(Line2D([], [], linestyle='', marker='X', markersize=5,
                              markeredgecolor=BLACK, markerfacecolor=ORANGE,
                              label='dump that missed'))
    return handles
