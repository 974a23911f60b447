# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Level of the datum under the middle of each segment, for what is drawn at its crest."""

from __future__ import annotations

from typing import Any

import numpy as np

from ..design import segments_of_site


def datum_levels_m(survey: Any) -> tuple[float, ...] | None:
    """
    Return the level of the datum under each segment's middle, in the order of the rows [m].

    Parameters
    ----------
    survey : SiteSurvey
        Of the pipeline.

    Returns
    -------
    tuple of float or None
        None before there is a datum.

    """
    if survey.datum is None:
        return None
    area, site = survey.area, survey.site
    points = np.array([
        site.berms[segment.berm_index].centreline.point_at(segment.middle_m)
        for segment in segments_of_site(site)])
    index = np.rint(area.lattice.index_from_xy(points)).astype(np.intp)
    cells = area.cell_of_flat[index[:, 0] * area.lattice.cols + index[:, 1]]
    return tuple(float(level) for level in survey.datum.level_m[cells])
