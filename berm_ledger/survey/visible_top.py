# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Where the top of what is seen of a berm lies, where much of it is not."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from . import crest
from .sections import Sections
from ..kernels import compiled


def visible_top_m(
    height_m: NDArray[np.float32], sections: Sections, part: slice, beside: int
) -> NDArray[np.float64]:
    """
    Return the offset of the top of what is seen of some cross-sections.

    Parameters
    ----------
    height_m : array
        Height of every cell above the datum, shape (n,) [m]; NaN is unknown.
    sections : Sections
        All sections of a berm.
    part : slice
        Which of them, s one after the other.
    beside : int
        So many on either side are averaged with each.

    Returns
    -------
    array
        Offset, left positive, shape (s,) [m]; NaN where nothing is seen.

    """
    top, around_m = _tops(height_m, sections, part, beside)
    left, own, right = around_m.T
    # Between samples: where the parabola through three of them has its top.
    bend = left - 2.0 * own + right
    step = sections.offset_m[1] - sections.offset_m[0]
    between = 0.5 * (left - right) / np.where(bend < 0.0, bend, np.inf)
    middle = np.clip(top, 1, len(sections.offset_m) - 2)
    offset_m = sections.offset_m[middle] + step * np.clip(np.nan_to_num(between), -1.0, 1.0)
    return np.where(top >= 0, offset_m, np.nan)


def _tops(
    height_m: NDArray[np.float32], sections: Sections, part: slice, beside: int
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """
    Return the sample of each top, -1 for none, and the heights at it and next to it, (s, 3) [m].

    The heights are not averaged along the sections: at the edge of what is seen that would move
    the top.
    """
    count = part.stop - part.start
    if compiled.crest is not None and height_m.dtype == np.float32:
        top, around_m = np.empty(count, dtype=np.intp), np.empty((count, 3))
        compiled.crest.visible(
            height_m, sections.pairs, sections.weights, sections.own, part.start, beside,
            crest.TOP_BAND_M, top, around_m)
        return top, around_m
    pooled = crest.mean_known(sections.sample(height_m, part).astype(float), beside, 0)
    top = crest.top_of(pooled, sections.own[part])
    middle = np.clip(top, 1, pooled.shape[1] - 2)
    return top, np.take_along_axis(pooled, middle[:, None] + np.array([-1, 0, 1]), axis=1)
