# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What `check` prints: segments, volume, mass and loads of a design, and what to look at again."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
import math
import textwrap

from .notes import notes_of_site, too_little_soil
from .quantities import design_quantities, Quantity, total_quantity
from .segments import Segment
from .site import Berm, Site
from .surface import footprint_half_width_m
from ..wording import counted

# Longest line that `check` prints [characters].
WIDTH = 99
HEADER = (f'  {"segment":>7}  {"from [m]":>8}  {"to [m]":>8}  {"volume [m3]":>11}'
          f'  {"mass [kg]":>10}  {"loads":>8}')


def check_lines(site: Site, cautions: Sequence[str] = ()) -> list[str]:
    """
    Return the design of a site as text.

    Parameters
    ----------
    site : Site
        The site.
    cautions : sequence of str
        What is to be noted of it before the tables, besides the notes on the file at the end.

    Returns
    -------
    list of str
        Lines of less than 100 characters: a table for each berm, the total, and notes.

    """
    quantities = design_quantities(site)
    lines = [*_head(site), *_noted(cautions)]
    for index, berm in enumerate(site.berms):
        lines += ['', *_berm_lines(site, berm, [
            pair for pair in quantities if pair[0].berm_index == index])]
    everything = total_quantity(site, [quantity for _, quantity in quantities])
    if len(site.berms) > 1:
        lines += ['', _row('all berms', everything)]
    lines += ['', *_wrapped(_loads_text(site, everything))]
    lines += _noted([*notes_of_site(site), *too_little_soil(site, everything.volume_m3)])
    return lines


def _noted(notes: Iterable[str]) -> Iterator[str]:
    """Yield the lines of notes."""
    for note in notes:
        yield from _wrapped(f'note: {note}')


def _wrapped(text: str) -> list[str]:
    """Return a sentence in lines that fit."""
    return textwrap.wrap(text, WIDTH, subsequent_indent='  ')


def _head(site: Site) -> Iterator[str]:
    """Yield what holds for the whole site."""
    plane = site.datum_plane
    datum = 'surveyed before the first dump' if plane is None else (
        f'plane z = {plane.a:g} x {plane.b:+g} y {plane.c:+g} m')
    yield from _wrapped(f'frame {site.frame}; datum {datum}; cells of {1000 * site.cell_m:g} mm')
    if site.site_from_map is not None:
        origin = site.site_from_map
        yield from _wrapped(
            f'the origin of {site.frame} lies at {origin.x_m:.3f}, {origin.y_m:.3f} m in the '
            f'coordinates of the file, its x axis at {math.degrees(origin.yaw_rad):.4g} degrees; '
            f'all output is in {site.frame}')
    soil = site.material
    yield from _wrapped(
        f'soil of {soil.loose_density_kg_m3:g} kg/m3, repose {math.degrees(soil.repose_rad):.4g} '
        f'degrees; loads of {site.rover.payload_kg:g} kg, {1000 * site.load_volume_m3:.3g} litres '
        f'each')


def _berm_lines(
    site: Site, berm: Berm, pairs: list[tuple[Segment, Quantity]]
) -> Iterator[str]:
    """Yield heading and table of one berm."""
    top = f', {berm.crest_width_m:g} m wide on top' if berm.crest_width_m else ''
    shape = 'closed' if berm.centreline.closed else 'open'
    crest = f'level crest at {berm.crest_level_m:g} m' if berm.crest_level_m is not None else (
        f'crest {berm.crest_height_m:g} m above the datum')
    half = footprint_half_width_m(berm, site.datum_plane)
    wide = '' if math.isnan(half) else f', up to {2 * half:.2f} m wide at the toe'
    yield from _wrapped(
        f'berm {berm.name!r}: {shape}, {berm.centreline.length_m:.2f} m long, {crest}{top}, '
        f'sides {math.degrees(berm.side_slope_rad):.4g} degrees{wide}')
    yield HEADER
    for segment, quantity in pairs:
        yield (f'  {segment.number:>7}  {segment.station_from_m:>8.3f}  '
               f'{segment.station_to_m:>8.3f}  {_figures(quantity)}')
    yield _row('berm', total_quantity(site, [quantity for _, quantity in pairs]))


def _row(title: str, quantity: Quantity) -> str:
    """Return a line of a sum, its figures under those of the segments."""
    return f'  {title:<27}  {_figures(quantity)}'


def _figures(quantity: Quantity) -> str:
    """Return volume, mass and loads in columns, a dash for what is unknown."""
    if math.isnan(quantity.volume_m3):
        return f'{"-":>11}  {"-":>10}  {"-":>8}'
    return f'{quantity.volume_m3:>11.4f}  {quantity.mass_kg:>10.1f}  {quantity.loads:>8.1f}'


def _loads_text(site: Site, quantity: Quantity) -> str:
    """Return the sum as a sentence."""
    count = quantity.whole_loads
    if count is None:
        return ('the volume under a level crest is known once the datum is surveyed; the sums '
                'are not known before')
    return (f'{quantity.volume_m3:.4f} m3 of loose soil, {quantity.mass_kg:.1f} kg: '
            f'{counted(count, "whole load")} of {site.rover.payload_kg:g} kg')
