# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The design over one datum: heights at the surveyed cells and along the crests."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .area import SurveyArea
from .sections import Sections
from ..design.surface import crest_above_datum_m, height_at_distance_m


@dataclass(frozen=True, eq=False)
class Designed:
    """
    The design over one datum.

    Parameters
    ----------
    height_m : array
        Above the datum at every cell, shape (n,) [m].
    targets_m : tuple of array
        Height of the crest at the sections of each berm [m].
    highest_m : float
        Highest of all cells [m].

    """

    height_m: NDArray[np.float64]
    targets_m: tuple[NDArray[np.float64], ...]
    highest_m: float

    def of_segments_m(self, sections: Sequence[Sections]) -> NDArray[np.float64]:
        """Return the mean height of the crest of all segments, shape (segments,) [m]."""
        return np.array([
            target[own.row == row].mean()
            for own, target in zip(sections, self.targets_m) for row in np.unique(own.row)])


def designed_over(
    area: SurveyArea, sections: Sequence[Sections], level_m: NDArray[np.float32]
) -> Designed:
    """Return the design of all berms over natural ground at the cells (n,) [m]."""
    height, targets = np.zeros(len(area)), []
    for berm, (cells, distance), middle in zip(area.site.berms, area.reached, sections):
        # Where the designs of two berms overlap the higher one holds.
        height[cells] = np.maximum(height[cells], height_at_distance_m(
            berm, distance, level_m[cells].astype(float)))
        centre = middle.sample(level_m, slice(None))[:, len(middle.offset_m) // 2]
        targets.append(crest_above_datum_m(berm, centre.astype(float)))
    return Designed(height, tuple(targets), float(height.max()))
