# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Things in a valid site file that may not be meant: told, not refused."""

from __future__ import annotations

from collections.abc import Callable, Iterator
import math

from .site import Berm, Site
from .surface import known_half_width_m
from ..geometry import Polygon
from ..geometry.pieces import gap_between

# Loads scatter across the line on which they are dumped: a ridge of them is broader by so much
# than its slopes say, in whole simulated builds [m].
BROADER_M = 0.05


def notes_of_site(site: Site) -> tuple[str, ...]:
    """
    Return what a person should look at again.

    Parameters
    ----------
    site : Site
        A site that breaks no rule.

    Returns
    -------
    tuple of str
        One sentence each.

    """
    return tuple(note for notes in NOTES for note in notes(site))


def too_little_soil(site: Site, volume_m3: float) -> tuple[str, ...]:
    """
    Return a note where the borrow areas do not hold what the berms take.

    Parameters
    ----------
    site : Site
        The site.
    volume_m3 : float
        Loose volume of the design [m3]; NaN where it is not known yet.

    Returns
    -------
    tuple of str
        One sentence, or none: neither where an area may be dug to any depth.

    """
    areas = site.yard.borrow_areas
    held = [area.polygon.area_m2 * area.max_cut_m for area in areas if area.max_cut_m is not None]
    loose_m3 = site.material.swell * sum(held)
    if not areas or len(held) < len(areas) or not loose_m3 < volume_m3:
        return ()
    note = (f'dug down to their max_cut_m all over, the borrow areas give {loose_m3:.2f} m3 of '
            f'loose soil; the berms take {volume_m3:.2f} m3')
    return (note,)


def _covered_areas(site: Site) -> Iterator[str]:
    """Yield keep-outs and borrow areas that a berm would cover."""
    areas: list[tuple[str, Polygon]] = [
        (f'keep-out {area.name!r}', area.polygon) for area in site.yard.keep_outs]
    areas += [(f'borrow area {area.name!r}', area.polygon) for area in site.yard.borrow_areas]
    for berm in site.berms:
        for title, polygon in areas:
            if polygon.gap_m(berm.centreline) < known_half_width_m(berm, site.datum_plane):
                yield f'the footprint of berm {berm.name!r} overlaps {title}'


def _overlapping_berms(site: Site) -> Iterator[str]:
    """Yield pairs of berms that share ground."""
    for k, first in enumerate(site.berms):
        for second in site.berms[k + 1:]:
            reach = (known_half_width_m(first, site.datum_plane)
                     + known_half_width_m(second, site.datum_plane))
            if gap_between(first.centreline.ends_xy(), second.centreline.ends_xy()) < reach:
                yield (f'berms {first.name!r} and {second.name!r} overlap; their soil is counted '
                       f'once, with the nearer centreline')


def _areas_outside(site: Site) -> Iterator[str]:
    """Yield borrow areas that are not wholly inside the boundary."""
    for area in site.yard.borrow_areas:
        if not site.yard.boundary.contains(area.polygon.corners_xy).all():
            yield f'borrow area {area.name!r} is not wholly inside the boundary'


def _drop_under_rover(site: Site) -> Iterator[str]:
    """Yield a load that would land under the robot."""
    if site.rover.footprint.contains([site.rover.drop_point_xy]).any():
        yield ('the drop point lies inside the footprint of the rover: no approach keeps the '
               'rover off the toe')


def _toe_under_rover(site: Site) -> Iterator[str]:
    """Yield berms so wide that the rover stands on the toe when a load lands on the line."""
    ahead = site.rover.ahead_m
    for berm in site.berms:
        half = known_half_width_m(berm, site.datum_plane)
        if 0.0 <= ahead < half:
            yield (f'loads land {ahead:.2f} m ahead of the footprint of the rover and the toe of '
                   f'berm {berm.name!r} lies {half:.2f} m from its line: no approach keeps the '
                   f'rover off the toe')


def filled_top_m(site: Site, berm: Berm) -> float:
    """
    Return how much of a flat top loads along one line bring within the height tolerance.

    They heap up a ridge, which falls off to either side at the angle of repose.

    Parameters
    ----------
    site : Site
        Soil and rover.
    berm : Berm
        The berm.

    Returns
    -------
    float
        Width across the line [m].

    """
    return BROADER_M + 2.0 * berm.height_tolerance_m / math.tan(site.material.repose_rad)


def unfilled_share(site: Site, berm: Berm) -> float:
    """
    Return which share of the design is not there once a ridge along its line stands to height.

    Parameters
    ----------
    site : Site
        Soil and rover.
    berm : Berm
        The berm.

    Returns
    -------
    float
        Share of the cross-section; NaN for a level crest, whose height above the ground differs.

    """
    height_m = math.nan if berm.crest_height_m is None else berm.crest_height_m
    ridge_m = BROADER_M + height_m / math.tan(site.material.repose_rad)
    return 1.0 - ridge_m / (berm.crest_width_m + height_m / berm.side_slope)


def _wide_tops(site: Site) -> Iterator[str]:
    """Yield berms whose flat top is wider than what loads along one line can fill."""
    for berm in site.berms:
        filled_m, share = filled_top_m(site, berm), unfilled_share(site, berm)
        if berm.crest_width_m > filled_m:
            lacks = '' if math.isnan(share) else f', some {100.0 * share:.0f} % of the soil,'
            yield (f'the top of berm {berm.name!r} is {berm.crest_width_m:.2f} m wide; loads are '
                   f'dumped along its line and fill {filled_m:.2f} m of that: its edges{lacks} '
                   f'stay open, though its crest comes to grade; fill them by other means, or '
                   f'make it no wider')


NOTES: tuple[Callable[[Site], Iterator[str]], ...] = (
    _covered_areas,
    _overlapping_berms,
    _areas_outside,
    _drop_under_rover,
    _toe_under_rover,
    _wide_tops,
)
