# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Where the site frame lies among the grids of the survey.

The first grids lay it down, and all later ones are placed on what they showed. Made while the
robot turned, by a mapper that lags behind it, they lie off all the others; then the surveyed
ground is moved to where most grids show it.
"""

from __future__ import annotations

from collections import deque
from dataclasses import replace

import numpy as np

from .area import SurveyArea
from .attitude import Attitude
from .grid import ElevationGrid
from .registration import Registration, Shift
from .resample import bilinear
from .robust import Floats
from .surface import SiteSurface
from .yaw import Yaw
from ..geometry import GridAxes

# Fewer grids tell nothing of where most lie, and more are not remembered. What is less than this
# off is as the map drifts, and as single grids lie, anyway [m, rad].
LEAST_GRIDS, MOST_GRIDS = 8, 1000
LEAST_MOVE_M = 0.012
LEAST_TURN_RAD = 0.005


class FrameOfSurvey:
    """
    Follows where grids lie until there is a datum.

    Parameters
    ----------
    area : SurveyArea
        The surveyed cells.

    """

    def __init__(self, area: SurveyArea) -> None:
        """Begin with no grid."""
        self._area = area
        self._middle_xy = area.centres_xy.mean(axis=0)
        # Of each: how far it shows the middle moved, and its yaw; shapes (3,) [m, m, rad].
        self._places: deque[Floats] = deque(maxlen=MOST_GRIDS)

    def note(self, shift: Shift) -> None:
        """Note where one more grid lies."""
        if shift.cells:
            moved = shift.moved_xy(self._middle_xy[None, :])[0] - self._middle_xy
            self._places.append(np.array([*moved, shift.attitude.yaw.yaw_rad]))

    def settled(
        self, surface: SiteSurface, registration: Registration, shift: Shift
    ) -> Shift:
        """
        Move a surface to where most grids show it, where that is clearly elsewhere.

        Parameters
        ----------
        surface, registration : SiteSurface and Registration
            The surveyed ground, and where grids are expected on it.
        shift : Shift
            Where the last one lies.

        Returns
        -------
        Shift
            Where that one lies then.

        """
        if len(self._places) < LEAST_GRIDS:
            return shift
        x_m, y_m, yaw_rad = np.median(self._places, axis=0).tolist()
        if np.hypot(x_m, y_m) < LEAST_MOVE_M and abs(yaw_rad) < LEAST_TURN_RAD:
            return shift
        moved = np.array([x_m, y_m])
        x, y = (self._middle_xy + moved).tolist()
        was_at = Yaw(-yaw_rad, (x, y)).moved_xy(self._area.centres_xy) - moved
        self._place(surface, was_at)
        self._places.clear()
        # The shift of a grid that is turned is that of the place about which it is.
        yaw = shift.attitude.yaw
        about = np.array(yaw.about_xy_m) if yaw else self._middle_xy
        middle_x, middle_y = self._middle_xy.tolist()
        most = Shift(x_m, y_m, attitude=Attitude(yaw=Yaw(yaw_rad, (middle_x, middle_y))))
        step_x, step_y = (most.moved_xy(about[None, :])[0] - about).tolist()
        registration.mean = registration.mean - np.array([step_x, step_y, 0.0])
        left = Yaw(yaw.yaw_rad - yaw_rad, (about[0] + step_x, about[1] + step_y))
        return replace(shift, dx_m=shift.dx_m - step_x, dy_m=shift.dy_m - step_y,
                       attitude=shift.attitude._replace(yaw=left))

    def _place(self, surface: SiteSurface, was_at: Floats) -> None:
        """Let each cell stand as the surface does at a point, shape (n, 2) [m]."""
        area, lattice = self._area, self._area.lattice
        cells = area.cells_at(was_at)
        axes = GridAxes(
            (lattice.x0_m, lattice.y0_m), (0.0, lattice.cell_m), (lattice.cell_m, 0.0))
        stands = ElevationGrid(0, '', axes, area.on_lattice(surface.height_m, np.nan))
        heights = bilinear(stands, was_at)
        known = np.isfinite(heights) & (cells >= 0)
        surface.put(
            np.arange(len(area)), np.where(known, heights, np.float32('nan')),
            np.where(known, surface.looks[cells], np.float32(0.0)))
