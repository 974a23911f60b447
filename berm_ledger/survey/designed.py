# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What is built on one datum: the design over it, and what it is worth under each segment."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .area import SurveyArea
from .datum import Datum
from .sections import Sections
from .standing import Ground, ground_at
from .volumes import VolumeSums
from ..design.surface import crest_above_datum_m, height_at_distance_m


@dataclass(frozen=True, eq=False)
class Designed:
    """
    The design over one datum.

    Parameters
    ----------
    datum : Datum
        The natural ground at the cells.
    height_m : array
        Above the datum at every cell, shape (n,) [m].
    targets_m : tuple of array
        Height of the crest at the sections of each berm [m].
    highest_m : float
        Highest of all cells [m].
    sums : VolumeSums
        Adds up what lies on the segments.
    beneath : tuple of Ground
        What the datum is worth under each segment.
    given : array
        Whether all of it is given there, shape (segments,).

    """

    datum: Datum
    height_m: NDArray[np.float64]
    targets_m: tuple[NDArray[np.float64], ...]
    highest_m: float
    sums: VolumeSums
    beneath: tuple[Ground, ...]
    given: NDArray[np.bool_]

    def of_segments_m(self, sections: Sequence[Sections]) -> NDArray[np.float64]:
        """Return the mean height of the crest of all segments, shape (segments,) [m]."""
        return np.array([
            target[own.row == row].mean()
            for own, target in zip(sections, self.targets_m) for row in np.unique(own.row)])


def designed_over(area: SurveyArea, sections: Sequence[Sections], datum: Datum) -> Designed:
    """Return the design of all berms over a datum."""
    level_m = datum.level_m
    height, targets = np.zeros(len(area)), []
    for berm, (cells, distance), middle in zip(area.site.berms, area.reached, sections):
        # Where the designs of two berms overlap the higher one holds.
        height[cells] = np.maximum(height[cells], height_at_distance_m(
            berm, distance, level_m[cells].astype(float)))
        centre = middle.sample(level_m, slice(None))[:, len(middle.offset_m) // 2]
        targets.append(crest_above_datum_m(berm, centre.astype(float)))
    sums = VolumeSums(area, height)
    beneath = tuple(ground_at(datum, sums.cells(row)) for row in range(len(area.segments)))
    return Designed(datum, height, tuple(targets), float(height.max()), sums, beneath,
                    np.array([ground.given for ground in beneath]))
