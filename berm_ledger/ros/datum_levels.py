# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Level of the datum under the middle of each segment, for what is drawn at its crest."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

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
    return tuple(survey.datum.level_m[_middle_cells(survey.area)].tolist())


@lru_cache(maxsize=4)
def _middle_cells(area: Any) -> NDArray[np.intp]:
    """Return the cell under each segment's middle, -1 where that is not surveyed."""
    points = np.array([
        area.site.berms[segment.berm_index].centreline.point_at(segment.middle_m)
        for segment in segments_of_site(area.site)])
    index = np.rint(area.lattice.index_from_xy(points)).astype(np.intp)
    out: NDArray[np.intp] = area.cell_of_flat[
        index[:, 0] * area.lattice.cols + index[:, 1]].astype(np.intp)
    return out
