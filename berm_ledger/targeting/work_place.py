# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The part of the yard where the work is: a boundary may enclose far more ground than that."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..design import Site

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
    places, yard = np.vstack(points), site.yard.boundary.corners_xy
    return np.stack([np.maximum(places.min(axis=0) - AROUND_M, yard.min(axis=0)),
                     np.minimum(places.max(axis=0) + AROUND_M, yard.max(axis=0))])
