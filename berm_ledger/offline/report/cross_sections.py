# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Cross-sections of one berm: one in the middle of each segment, in true proportions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
import math
from typing import Any

from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
import numpy as np
from numpy.typing import NDArray

from .canvas import new_figure, Picture, png_of, span_of, WIDTH_IN
from .facts import Facts
from .palette import BLACK, BLUE, GREY, ORANGE, PALE, STATE_STYLES, VERMILLION
from ...books import Row
from ...books.layers import HEIGHT
from ...books.statement import stamp_text
from ...design import Berm, design_height_of_site_m, Site
from ...errors import GeometryError

MARGIN_M = 0.20
COLUMNS, MOST_ROWS = 2, 6
POINTS = 241
ENVELOPE_SECTIONS = 15
# Differences from the design that are worth hatching [m].
LEAST_GAP_M = 0.002


@dataclass(frozen=True, eq=False)
class Profile:
    """
    One cross-section, elevations in the site frame [m].

    Parameters
    ----------
    offset_m : array
        Offsets, left positive, shape (k,) [m].
    ground_m, design_m, surface_m : array
        Natural ground, design and site surface, shape (k,); NaN is unknown.
    low_m, high_m : array
        Lowest and highest surface above the ground in the segment, laid over the ground of
        this section, shape (k,); NaN where all of its sections have come nearer to another
        stretch.

    """

    offset_m: NDArray[np.float64]
    ground_m: NDArray[np.float64]
    design_m: NDArray[np.float64]
    surface_m: NDArray[np.float64]
    low_m: NDArray[np.float64]
    high_m: NDArray[np.float64]


def profile_of(facts: Facts, berm: Berm, row: Row) -> Profile:
    """
    Cut one segment in its middle.

    Parameters
    ----------
    facts : Facts
        What is known.
    berm : Berm
        The berm.
    row : Row
        The segment.

    Returns
    -------
    Profile
        What the cut shows.

    """
    reach = facts.half_width_m(berm) + MARGIN_M
    offset = np.linspace(-reach, reach, POINTS)
    points = berm.centreline.point_at(np.full(POINTS, _middle_m(row)), offset)
    ground = facts.datum_m(points)
    try:
        over = design_height_of_site_m(facts.site, points, ground)
    except GeometryError:
        over = np.full(POINTS, np.nan)
    parts = (np.arange(ENVELOPE_SECTIONS) + 0.5) / ENVELOPE_SECTIONS
    stations = row.station_from_m + parts * (row.station_to_m - row.station_from_m)
    around = berm.centreline.point_at(stations[:, None], offset[None, :])
    rise = facts.sample(HEIGHT, around) - facts.datum_m(around)
    rise[_nearer_elsewhere(facts.site, around, offset)] = np.nan
    known = np.isfinite(rise).any(axis=0)
    low, high = np.full(POINTS, np.nan), np.full(POINTS, np.nan)
    if known.any():
        low[known] = np.nanmin(rise[:, known], axis=0)
        high[known] = np.nanmax(rise[:, known], axis=0)
    return Profile(offset, ground, ground + over, facts.sample(HEIGHT, points), ground + low,
                   ground + high)


def _nearer_elsewhere(
    site: Site, points_xy: NDArray[np.float64], offset_m: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Tell which points at offsets lie nearer to another stretch, as inside bends."""
    distance = np.min([np.abs(berm.centreline.station_offset(points_xy)[1])
                       for berm in site.berms], axis=0)
    out: NDArray[np.bool_] = (
        distance.reshape(points_xy.shape[:-1]) < np.abs(offset_m) - LEAST_GAP_M)
    return out


def cross_sections(facts: Facts, berm_index: int) -> list[Picture]:
    """
    Draw the cross-sections of one berm.

    Parameters
    ----------
    facts : Facts
        What is known.
    berm_index : int
        Which berm.

    Returns
    -------
    list of Picture
        As many as the segments take.

    """
    berm = facts.site.berms[berm_index]
    rows = facts.rows_of(berm)
    profiles = [profile_of(facts, berm, row) for row in rows]
    panels = [(row, profile) for row, profile in zip(rows, profiles)]
    size = COLUMNS * MOST_ROWS
    parts = [panels[first:first + size] for first in range(0, len(panels), size)]
    return [_sheet(facts, berm, berm_index, part, number, len(parts))
            for number, part in enumerate(parts, 1)]


def _sheet(
    facts: Facts, berm: Berm, berm_index: int, panels: Sequence[tuple[Row, Profile]],
    number: int, count: int,
) -> Picture:
    """Draw some cross-sections on one picture, all to the same scale."""
    crests = [_crest_of(facts, berm, row, profile) for row, profile in panels]
    spans = [span_of(np.concatenate([p.ground_m, p.design_m, p.high_m, crest[1:]]), 0.1)
             for (_, p), crest in zip(panels, crests)]
    high = max(top - low for low, top in spans)
    wide = 2.0 * float(panels[0][1].offset_m[-1])
    lines = math.ceil(len(panels) / COLUMNS)
    panel_in = (WIDTH_IN - 1.4) / COLUMNS * high / wide
    figure = new_figure(lines * (max(0.5, panel_in) + 0.45) + 0.3)
    grid = figure.subplots(lines, COLUMNS, sharex=True, squeeze=False)
    for axes, (row, profile), crest, (low, _) in zip(grid.ravel(), panels, crests, spans):
        _panel(axes, row, profile, crest)
        axes.set(xlim=(profile.offset_m[-1], profile.offset_m[0]), ylim=(low, low + high),
                 aspect='equal')
    for axes in grid.ravel()[len(panels):]:
        axes.set_axis_off()
    for axes in [grid[(len(panels) - 1 - c) // COLUMNS, (len(panels) - 1 - c) % COLUMNS]
                 for c in range(min(COLUMNS, len(panels)))]:
        axes.set_xlabel('offset from the line, left positive [m]')
        axes.tick_params(labelbottom=True)
    figure.supylabel('elevation [m]', fontsize=8.0)
    figure.legend(handles=_legend(), loc='upper center', ncol=4, bbox_to_anchor=(0.53, 0.0))
    first, last = panels[0][0].segment, panels[-1][0].segment
    which = f'segment {first}' if first == last else f'segments {first} to {last}'
    sheets = '' if count == 1 else f' {number} of {count}'
    when = '' if facts.surface_ns is None else f' Surface as of {stamp_text(facts.surface_ns)}.'
    return Picture(
        f'cross-sections-{berm_index + 1}-{number}', png_of(figure),
        f'Cross-sections{sheets}, {which}',
        'Cut in the middle of each segment, seen along the line in the sense of the stations; '
        'heights and widths to the same scale. Grey is what lies between the lowest and the '
        f'highest section of the segment, as far as no other stretch is nearer.{when}',
        f'Cross-sections of {which}: natural ground, design, site surface, '
        'and what is missing or over between them.')


def _crest_of(facts: Facts, berm: Berm, row: Row, profile: Profile) -> tuple[float, float]:
    """Return offset and level [m] of the crest in the middle of a segment; NaN is unknown."""
    crest = facts.crests.get(berm.name)
    if crest is None:
        return math.nan, math.nan
    at = int(np.argmin(np.abs(crest.station_m - _middle_m(row))))
    off_m = float(crest.offset_m[at])
    ground_m = float(np.interp(off_m, profile.offset_m, profile.ground_m))
    return off_m, ground_m + float(crest.height_m[at])


def _middle_m(row: Row) -> float:
    """Return the station of the middle of a segment [m]."""
    return 0.5 * (row.station_from_m + row.station_to_m)


def _panel(axes: Axes, row: Row, profile: Profile, crest: tuple[float, float]) -> None:
    """Draw one cross-section."""
    offset, design, surface = profile.offset_m, profile.design_m, profile.surface_m
    axes.fill_between(offset, profile.low_m, profile.high_m, color=PALE, linewidth=0)
    with np.errstate(invalid='ignore'):
        inside = design > profile.ground_m
        short = inside & (design - surface > LEAST_GAP_M)
        over = surface - design > LEAST_GAP_M
    axes.fill_between(offset, surface, design, where=short, facecolor='none', edgecolor=ORANGE,
                      hatch='////', linewidth=0)
    axes.fill_between(offset, design, surface, where=over, facecolor='none', edgecolor=BLUE,
                      hatch='...', linewidth=0)
    axes.plot(offset, profile.ground_m, color=BLUE, linestyle='--', linewidth=0.9)
    axes.plot(offset, design, color=BLACK, linestyle=(0, (6, 2, 1, 2)), linewidth=0.9)
    axes.plot(offset, surface, color=VERMILLION, linewidth=1.3)
    axes.axvline(0.0, color=GREY, linewidth=0.4, linestyle=':')
    axes.plot(crest[:1], crest[1:], marker='D', markersize=3.6, color=BLACK, markerfacecolor='w',
              linestyle='')
    axes.set_title(f'segment {row.segment}, station {_middle_m(row):.2f} m: '
                   f'{STATE_STYLES[row.state].word}', loc='left', fontsize=7.5, pad=3.0)


def _legend() -> list[Any]:
    """Return the entries of the legend."""
    return [
        Line2D([], [], color=BLACK, linestyle=(0, (6, 2, 1, 2)), linewidth=0.9, label='design'),
        Line2D([], [], color=BLUE, linestyle='--', linewidth=0.9, label='natural ground'),
        Line2D([], [], color=VERMILLION, linewidth=1.3, label='site surface'),
        Line2D([], [], linestyle='', marker='D', markersize=3.6, color=BLACK,
               markerfacecolor='w', label='measured crest'),
        Patch(facecolor='none', edgecolor=ORANGE, hatch='////', linewidth=0, label='missing'),
        Patch(facecolor='none', edgecolor=BLUE, hatch='...', linewidth=0,
              label='over the design'),
        Patch(facecolor=PALE, label='range in the segment')]
