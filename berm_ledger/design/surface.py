# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The design surface: how high a berm is meant to stand at any point.

Elevation of the design shape (side slope s, crest width w, plan distance d to the centreline)::

    crest - tan(s) * max(0, d - w / 2)

with the crest a height above the datum, or one level. Heights are above the datum and never
below it; ends are round because d is a distance to the line, not to its extension.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .site import Berm, Plane, Site
from ..errors import GeometryError


def crest_above_datum_m(berm: Berm, datum_m: ArrayLike | None) -> NDArray[np.float64]:
    """
    Return how far the design crest lies over the datum.

    Parameters
    ----------
    berm : Berm
        The berm.
    datum_m : array or None
        Elevation of the natural ground [m]; needed for a level crest only.

    Returns
    -------
    array
        Shape of the datum, () without one [m]; negative where a level crest is below ground, NaN
        where the datum is unknown and the crest is level.

    Raises
    ------
    GeometryError
        A level crest without a datum.

    """
    if berm.crest_level_m is None:
        height = float('nan') if berm.crest_height_m is None else berm.crest_height_m
        return np.full(np.shape(datum_m) if datum_m is not None else (), height)
    if datum_m is None:
        msg = (f'berm {berm.name!r} has a level crest: its height is not known before the datum '
               f'is; survey the datum first or give a plane in the site file')
        raise GeometryError(msg)
    out: NDArray[np.float64] = berm.crest_level_m - np.asarray(datum_m, dtype=float)
    return out


def height_at_distance_m(
    berm: Berm, distance_m: ArrayLike, datum_m: ArrayLike | None = None
) -> NDArray[np.float64]:
    """
    Return the design height above the datum at plan distances from the centreline.

    Parameters
    ----------
    berm : Berm
        The berm.
    distance_m : array
        Plan distance to the centreline [m]; the sign of an offset does not matter.
    datum_m : array or None
        Elevation of the natural ground at the same points [m]; for a level crest only.

    Returns
    -------
    array
        Height [m], not negative.

    """
    beyond = np.maximum(0.0, np.abs(np.asarray(distance_m, dtype=float)) - berm.crest_width_m / 2)
    height = crest_above_datum_m(berm, datum_m) - berm.side_slope * beyond
    out: NDArray[np.float64] = np.maximum(0.0, height)
    return out


def design_height_m(
    berm: Berm, points_xy: ArrayLike, datum_m: ArrayLike | None = None
) -> NDArray[np.float64]:
    """
    Return the design height of one berm above the datum.

    Parameters
    ----------
    berm : Berm
        The berm.
    points_xy : array
        Shape (..., 2) [m].
    datum_m : array or None
        Elevation of the natural ground at the points [m]; for a level crest only.

    Returns
    -------
    array
        Shape (...) [m], not negative; NaN where the height depends on an unknown datum.

    """
    points = np.asarray(points_xy, dtype=float)
    _, offset = berm.centreline.station_offset(points.reshape(-1, 2))
    return height_at_distance_m(berm, offset.reshape(points.shape[:-1]), datum_m)


def design_height_of_site_m(
    site: Site, points_xy: ArrayLike, datum_m: ArrayLike | None = None
) -> NDArray[np.float64]:
    """Return the design height of all berms together: where two overlap the higher one holds."""
    if datum_m is None and site.datum_plane is not None:
        datum_m = site.datum_plane.height_m(points_xy)
    heights = [design_height_m(berm, points_xy, datum_m) for berm in site.berms]
    out: NDArray[np.float64] = np.max(heights, axis=0)
    return out


def half_width_m(berm: Berm, datum_m: ArrayLike | None = None) -> NDArray[np.float64]:
    """
    Return half the width of the design footprint, from the centreline to the toe.

    Parameters
    ----------
    berm : Berm
        The berm.
    datum_m : array or None
        Elevation of the natural ground [m]; for a level crest only. On sloping ground the toe is
        where the plan distance equals the half width for the ground at that very point.

    Returns
    -------
    array
        Shape of the datum [m]; half the crest width where a level crest is below ground.

    """
    over = np.maximum(0.0, crest_above_datum_m(berm, datum_m))
    out: NDArray[np.float64] = berm.crest_width_m / 2 + over / berm.side_slope
    return out


def footprint_half_width_m(berm: Berm, plane: Plane | None) -> float:
    """
    Return half the width of the design footprint where it is widest.

    On a datum plane the toe of a level crest is where the ground meets the side: down the
    steepest fall g of the plane, h / (tan(s) - g) from the edge of the crest.

    Parameters
    ----------
    berm : Berm
        The berm.
    plane : Plane or None
        Datum plane; None where the datum is surveyed.

    Returns
    -------
    float
        Plan distance from the centreline to the toe [m]. NaN is unknown: a level crest on a
        surveyed datum, or ground that falls as steeply as the side.

    """
    half = berm.crest_width_m / 2
    if berm.crest_height_m is not None:
        return half + berm.crest_height_m / berm.side_slope
    fall = math.nan if plane is None else math.hypot(plane.a, plane.b)
    if plane is None or berm.crest_level_m is None or fall >= berm.side_slope:
        return math.nan
    lowest = float(plane.height_m(berm.centreline.points_xy).min()) - fall * half
    return half + max(0.0, berm.crest_level_m - lowest) / (berm.side_slope - fall)


def known_half_width_m(berm: Berm, plane: Plane | None) -> float:
    """Return half the footprint's width, of the crest only where the toe is unknown [m]."""
    half = footprint_half_width_m(berm, plane)
    return berm.crest_width_m / 2 if math.isnan(half) else half
