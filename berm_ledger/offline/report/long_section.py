# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Long section of one berm: heights along the line, and how far the crest lies off it."""

from __future__ import annotations

from collections.abc import Sequence
import math
from typing import Any

from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
import numpy as np
from numpy.typing import NDArray

from .canvas import new_figure, Picture, png_of, ruled, span_of
from .facts import Facts, LEAST_STANDING_M, STANDING_NOTE, Z95
from .palette import (
    BLACK,
    BLUE,
    DESIGN_DASHES,
    GREY,
    PALE,
    PURPLE,
    STATE_STYLES,
    VERMILLION,
)
from ...books import Row
from ...books.acceptance import CrestLine
from ...books.statement import stamp_text
from ...design import Berm

# Points along the line at which ground and design are drawn.
POINTS = 400
# Height of the strip of states, as a share of the picture.
STATE_HEIGHT = 0.055
# The colour of the crest, paler.
BAND = '#F2C6A8'


def long_section(facts: Facts, berm_index: int) -> Picture:
    """
    Draw one berm along its line.

    Parameters
    ----------
    facts : Facts
        What is known.
    berm_index : int
        Which berm.

    Returns
    -------
    Picture
        Elevation, difference from the design and offset of the crest, over stations.

    """
    berm = facts.site.berms[berm_index]
    rows = facts.rows_of(berm)
    figure = new_figure(7.0)
    top, middle, bottom = figure.subplots(
        3, 1, sharex=True, gridspec_kw={'height_ratios': [1.5, 1.2, 1.0]})
    _elevation(top, facts, berm, rows)
    _difference(middle, facts, berm, rows)
    _offset(bottom, facts, berm, rows)
    for axes in (top, middle, bottom):
        ruled(axes)
        for row in rows[1:]:
            axes.axvline(row.station_from_m, color=GREY, linewidth=0.4, linestyle=':')
    _states(top, rows)
    bottom.set(xlim=(0.0, berm.centreline.length_m), xlabel='station along the line [m]')
    figure.align_ylabels()
    figure.legend(handles=_legend(facts, berm), loc='upper center', ncol=3,
                  bbox_to_anchor=(0.53, 0.0))
    when = '' if facts.surface_ns is None else f' Crest line as of {stamp_text(facts.surface_ns)}.'
    return Picture(
        f'long-section-{berm_index + 1}', png_of(figure), 'Long section',
        'Elevations in the site frame; the crest is drawn at its height above the natural ground '
        'below it, laid over the natural ground at the design line. The scales of the two axes '
        'differ. Bands are 95 % confidence (1.96 standard errors): along the crest of each '
        f'section by itself, about the steps of the means of the segments. How far it lies off '
        f'the line is drawn {STANDING_NOTE}.{when}',
        'Natural ground, design crest with tolerance, and standing crest over the station; below '
        'it the difference from the design and the offset of the crest from the line.')


def _stations(rows: Sequence[Row]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return even stations [m] and the design crest above the ground there, row by row [m]."""
    station = np.concatenate([
        np.linspace(row.station_from_m, row.station_to_m, max(2, POINTS // len(rows)))
        for row in rows])
    target = np.repeat([row.target_height_m for row in rows], max(2, POINTS // len(rows)))
    return station, target


def _design(
    facts: Facts, berm: Berm, rows: Sequence[Row]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return stations, natural ground and design crest along the line [m]."""
    station, target = _stations(rows)
    ground = facts.datum_m(berm.centreline.point_at(station))
    crest = ground + target if berm.crest_level_m is None else np.full(
        len(station), berm.crest_level_m)
    return station, ground, crest


def _elevation(axes: Axes, facts: Facts, berm: Berm, rows: Sequence[Row]) -> None:
    """Draw natural ground, design, tolerance and crest as elevations."""
    station, ground, design = _design(facts, berm, rows)
    tolerance = berm.height_tolerance_m
    axes.fill_between(station, design - tolerance, design + tolerance, color=PALE, linewidth=0)
    axes.plot(station, design, color=BLACK, linestyle=DESIGN_DASHES)
    axes.plot(station, ground, color=BLUE, linestyle='--', linewidth=1.0)
    drawn = [ground, design + tolerance]
    crest = facts.crests.get(berm.name)
    if crest is not None:
        level = facts.datum_m(berm.centreline.point_at(crest.station_m)) + crest.height_m
        _crest(axes, crest, level, section_error_m(crest, rows))
        drawn.append(level)
    for row in rows:
        inside = (station >= row.station_from_m) & (station <= row.station_to_m)
        base = float(np.nanmean(ground[inside])) if np.isfinite(ground[inside]).any() else math.nan
        _mean_step(axes, row, base + row.height_m, row.height_se_m)
    low, high = span_of(np.concatenate(drawn), 0.05)
    axes.set(ylabel='elevation [m]', ylim=(low, high + 0.22 * (high - low)))


def section_error_m(crest: CrestLine, rows: Sequence[Row]) -> NDArray[np.float64]:
    """
    Return the standard error of every section of a crest.

    Parameters
    ----------
    crest : CrestLine
        The crest.
    rows : sequence of Row
        Segments of its berm.

    Returns
    -------
    array
        What is its own and what it shares with its segment [m]; NaN is unknown.

    """
    shared = np.full(len(crest.station_m), np.nan)
    for row in rows:
        own = (crest.station_m >= row.station_from_m) & (crest.station_m <= row.station_to_m)
        shared[own] = row.height_se_m
    error: NDArray[np.float64] = np.hypot(crest.error_m, shared)
    return error


def _crest(
    axes: Axes, crest: CrestLine, values: NDArray[np.float64], error: NDArray[np.float64]
) -> None:
    """Draw the standing crest, each section with its confidence band."""
    axes.fill_between(crest.station_m, values - Z95 * error, values + Z95 * error,
                      facecolor=BAND, edgecolor=VERMILLION, linewidth=0.4)
    axes.plot(crest.station_m, values, color=VERMILLION, linewidth=1.3)


def _mean_step(axes: Axes, row: Row, value: float, error: float) -> None:
    """Draw the mean of a segment with its confidence band."""
    if not math.isfinite(value):
        return
    ends = [row.station_from_m, row.station_to_m]
    if math.isfinite(error):
        axes.fill_between(ends, value - Z95 * error, value + Z95 * error, facecolor='none',
                          edgecolor=PURPLE, hatch='||||', linewidth=0.4)
    axes.plot(ends, [value, value], color=PURPLE, linewidth=1.4)


def _difference(axes: Axes, facts: Facts, berm: Berm, rows: Sequence[Row]) -> None:
    """Draw crest less design, with the tolerance."""
    tolerance_mm = 1e3 * berm.height_tolerance_m
    axes.axhspan(-tolerance_mm, tolerance_mm, color=PALE, linewidth=0)
    axes.axhline(0.0, color=BLACK, linestyle=DESIGN_DASHES)
    drawn = [np.array([-1.2 * tolerance_mm, 1.2 * tolerance_mm])]
    crest = facts.crests.get(berm.name)
    if crest is not None:
        gap_mm = 1e3 * (crest.height_m - crest.target_m)
        _crest(axes, crest, gap_mm, 1e3 * section_error_m(crest, rows))
        drawn.append(gap_mm)
    for row in rows:
        _mean_step(axes, row, -1e3 * row.deficit_height_m, 1e3 * row.height_se_m)
        drawn.append(np.array([-1e3 * row.deficit_height_m]))
    axes.set(ylabel='crest less design [mm]', ylim=span_of(np.concatenate(drawn), 1.0))


def _offset(axes: Axes, facts: Facts, berm: Berm, rows: Sequence[Row]) -> None:
    """Draw the offset of the crest from the design line, with its tolerance."""
    tolerance_mm = 1e3 * berm.line_tolerance_m
    axes.axhspan(-tolerance_mm, tolerance_mm, color=PALE, linewidth=0)
    axes.axhline(0.0, color=BLACK, linestyle=DESIGN_DASHES)
    drawn = [np.array([-1.2 * tolerance_mm, 1.2 * tolerance_mm])]
    crest = facts.crests.get(berm.name)
    if crest is not None:
        offset_mm = 1e3 * facts.standing_offset_m(berm)
        axes.plot(crest.station_m, offset_mm, color=VERMILLION, linewidth=1.3)
        drawn.append(offset_mm)
    for row in rows:
        if row.height_m >= LEAST_STANDING_M:
            _mean_step(axes, row, 1e3 * row.line_offset_m, math.nan)
    axes.set(ylabel='crest off the line,\nleft positive [mm]',
             ylim=span_of(np.concatenate(drawn), 1.0))


def _states(axes: Axes, rows: Sequence[Row]) -> None:
    """Draw number and state of each segment along the top."""
    every = max(1, math.ceil(len(rows) / 30))
    for row in rows:
        style = STATE_STYLES[row.state]
        length = row.station_to_m - row.station_from_m
        axes.bar(row.station_from_m, STATE_HEIGHT, length, 1.0 - STATE_HEIGHT, align='edge',
                 transform=axes.get_xaxis_transform(), color=style.colour, hatch=style.hatch,
                 edgecolor=BLACK, linewidth=0.6)
        if (row.segment - 1) % every == 0:
            axes.annotate(
                str(row.segment), (row.station_from_m + 0.5 * length, 1.02), ha='center',
                va='bottom', fontweight='bold', fontsize=7.5,
                xycoords=axes.get_xaxis_transform(), annotation_clip=False)


def _legend(facts: Facts, berm: Berm) -> list[Any]:
    """Return the entries of the legend."""
    handles: list[Any] = [
        Line2D([], [], color=BLACK, linestyle=DESIGN_DASHES, label='design crest, design line'),
        Patch(facecolor=PALE, label='tolerance'),
        Line2D([], [], color=BLUE, linestyle='--', linewidth=1.0, label='natural ground')]
    if berm.name in facts.crests:
        handles.append(Line2D([], [], color=VERMILLION, linewidth=1.3, label='standing crest'))
        if np.isfinite(facts.crests[berm.name].error_m).any():
            handles.append(Patch(facecolor=BAND, edgecolor=VERMILLION, linewidth=0.4,
                                 label='a section, 95 % band'))
    handles.append(Line2D([], [], color=PURPLE, linewidth=1.4, marker='|', markersize=7,
                          label='mean of a segment, 95 % band'))
    for state in sorted({row.state for row in facts.rows_of(berm)}):
        style = STATE_STYLES[state]
        handles.append(Patch(facecolor=style.colour, edgecolor=BLACK, hatch=style.hatch,
                             linewidth=0.6, label=f'segment {style.word}'))
    return handles
