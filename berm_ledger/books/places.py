# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Where along the berms a load falls."""

from __future__ import annotations

from dataclasses import dataclass
import math

import numpy as np

from ..survey.area import SurveyArea


@dataclass(frozen=True)
class Place:
    """
    Where a drop point lies.

    Parameters
    ----------
    berm : str or None
        Berm whose corridor it lies in, None off every berm.
    segment : int or None
        Number of the segment.
    station_m, offset_m : float
        Station and offset there [m]; NaN off every berm.

    """

    berm: str | None = None
    segment: int | None = None
    station_m: float = math.nan
    offset_m: float = math.nan


def place_at(area: SurveyArea, x_m: float, y_m: float) -> Place:
    """Return the place of a drop point in the site frame [m]."""
    cell = int(area.cells_at(np.array([[x_m, y_m]]))[0])
    if cell < 0 or not area.in_corridor[cell]:
        return Place()
    segment = area.segments[area.corridor.segment_index[cell]]
    line = area.site.berms[segment.berm_index].centreline
    station, offset = line.station_offset([[x_m, y_m]])
    return Place(segment.berm, segment.number, float(station[0]), float(offset[0]))
