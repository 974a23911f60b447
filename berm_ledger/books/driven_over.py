# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Ground that the rover has driven over is known no longer, by the survey or by the watch."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .changes import FRINGE
from .disturbance import DisturbanceWatch
from .verdicts import LEAST_STANDING_M
from ..survey.site_survey import SiteSurvey
from ..survey.surface import SiteSurface
from ..survey.trodden import MOST_M


def doubt_driven_over(survey: SiteSurvey, changes: DisturbanceWatch, stamp_ns: int) -> None:
    """
    Let looks after a time tell anew how ground stands that was driven over until then.

    Parameters
    ----------
    survey : SiteSurvey
        The survey, which has followed the rover.
    changes : DisturbanceWatch
        The watch over what is accepted there.
    stamp_ns : int
        The time [ns].

    """
    cells = survey.trodden.until(stamp_ns, survey.surface)
    if survey.trodden.sinks:
        survey.surface.doubt(cells)
    if survey.datum is None:
        return
    accepted, level_m = changes.accepted, survey.datum.level_m
    told = survey.sunk.open_cells
    told = told[np.isfinite(accepted.height_m[told])]
    if len(told):
        survey.sunk.settle(
            told, accepted.reference_m(told) - level_m[told], survey.noise.total_m)
    if len(cells):
        # Where soil stands its loss is one, and to be booked.
        standing_m = accepted.reference_m(cells) - level_m[cells]
        bare = standing_m < LEAST_STANDING_M
        cells, standing_m = cells[bare], standing_m[bare]
        left = ~_was_dug(survey.surface, changes, cells)
        if survey.trodden.has_sunk:
            survey.sunk.driven_over(cells[left], standing_m[left], survey.noise.total_m)
        changes.learn_anew(cells[left])


def _was_dug(
    surface: SiteSurface, changes: DisturbanceWatch, cells: NDArray[np.intp]
) -> NDArray[np.bool_]:
    """Tell of cells (k,) whether looks have begun to show a hole that no wheels have made."""
    now_m = np.where(surface.aside_looks[cells] > 0, surface.aside_m[cells],
                     surface.height_m[cells])
    deep = changes.accepted.reference_m(cells) - now_m > MOST_M
    if not deep.any():
        return deep
    deepest = np.zeros(len(surface.looks), dtype=bool)
    deepest[cells[deep]] = True
    hole: NDArray[np.bool_] = changes.whole.near(deepest, FRINGE) & changes.falling
    return hole[cells]
