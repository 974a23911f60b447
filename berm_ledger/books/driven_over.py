# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Ground that the rover has driven over is known no longer, by the survey or by the watch."""

from __future__ import annotations

from .disturbance import DisturbanceWatch
from .verdicts import LEAST_STANDING_M
from ..survey.site_survey import SiteSurvey


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
    if survey.datum is not None and len(cells):
        # Where soil stands its loss is one, and to be booked.
        standing_m = changes.accepted.reference_m(cells) - survey.datum.level_m[cells]
        changes.learn_anew(cells[standing_m < LEAST_STANDING_M])
