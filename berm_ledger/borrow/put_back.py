# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Loads that were put back where soil is dug: the cut tells of them, and no other account."""

from __future__ import annotations

import numpy as np

from .patch import SLIDE_M
from ..design import Site


def is_put_back(site: Site, berm: str | None, x_m: float, y_m: float) -> bool:
    """
    Tell whether a dump fell into a borrow area, or slides into it, and on no berm.

    Parameters
    ----------
    site : Site
        The site.
    berm : str or None
        Berm on which the drop point lies.
    x_m, y_m : float
        Drop point in the site frame [m].

    Returns
    -------
    bool
        Where the robot stood does not matter: a pit may lie so near to a berm that it is dumped on
        from there.

    """
    drop_xy = np.array([[x_m, y_m]])
    return berm is None and any(
        bool(area.polygon.reaches(drop_xy, SLIDE_M)[0])
        for area in site.yard.borrow_areas)
