# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The part of the yard where the work is: a boundary may enclose far more ground than that."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..design import Site
from ..geometry import Polygon, Polyline

# Ground around berms and borrow areas that is looked at for ways [m].
AROUND_M = 10.0


def work_corners_xy(site: Site, *, keep_outs: bool = False) -> NDArray[np.float64]:
    """
    Return the rectangle around the place of work, no larger than that around the yard.

    Parameters
    ----------
    site : Site
        The site.
    keep_outs : bool
        Whether all keep-outs are to lie in it too.

    Returns
    -------
    array
        Two corners, the least and the greatest coordinates, shape (2, 2) [m].

    """
    points = [berm.centreline.points_xy for berm in site.berms]
    points += [area.polygon.corners_xy for area in site.yard.borrow_areas]
    if keep_outs:
        points += [area.polygon.corners_xy for area in site.yard.keep_outs]
    return _around(site, np.vstack(points))


def way_corners_xy(site: Site) -> NDArray[np.float64]:
    """
    Return the rectangle that ways run in: one can drive round whatever reaches into it.

    Parameters
    ----------
    site : Site
        The site.

    Returns
    -------
    array
        Two corners, the least and the greatest coordinates, shape (2, 2) [m]; no larger than
        the rectangle around the yard.

    """
    corners = work_corners_xy(site)
    left = [area.polygon for area in site.yard.keep_outs]
    while near := [polygon for polygon in left if _reaches_into(polygon, corners)]:
        left = [polygon for polygon in left if polygon not in near]
        around = _around(site, np.vstack([polygon.corners_xy for polygon in near]))
        corners = np.stack([np.minimum(corners[0], around[0]), np.maximum(corners[1], around[1])])
    return corners


def _around(site: Site, points_xy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the rectangle around points (n, 2) [m] and the ground around them, in the yard."""
    yard = site.yard.boundary.corners_xy
    return np.stack([np.maximum(points_xy.min(axis=0) - AROUND_M, yard.min(axis=0)),
                     np.minimum(points_xy.max(axis=0) + AROUND_M, yard.max(axis=0))])


def _reaches_into(polygon: Polygon, corners_xy: NDArray[np.float64]) -> bool:
    """Tell whether a polygon and the rectangle of two corners (2, 2) [m] share ground."""
    (x0, y0), (x1, y1) = corners_xy
    rectangle = Polygon([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
    return rectangle.gap_m(Polyline(polygon.corners_xy, closed=True)) <= 0.0
