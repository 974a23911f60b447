# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The standing crest along one berm, section by section: what the table's means do not show."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class CrestProfile:
    """
    Crest of every cross-section of one berm.

    Parameters
    ----------
    berm_index : int
        Place of the berm in the site, from 0.
    station_m : array
        Stations, ascending, shape (n,) [m].
    height_m : array
        Height of the standing crest above the datum, shape (n,) [m]; NaN is unseen.
    offset_m : array
        Its offset from the centreline, left positive, shape (n,) [m]; NaN is unseen.
    target_m : array
        Design height of the crest above the datum, shape (n,) [m]; NaN before the datum.

    """

    berm_index: int
    station_m: NDArray[np.float64]
    height_m: NDArray[np.float64]
    offset_m: NDArray[np.float64]
    target_m: NDArray[np.float64]

    def __post_init__(self) -> None:
        """Check that the arrays go together and make them read-only."""
        arrays = (self.station_m, self.height_m, self.offset_m, self.target_m)
        if len({array.shape for array in arrays}) != 1 or self.station_m.ndim != 1:
            msg = f'crest profile of berm {self.berm_index}: arrays of different length'
            raise ValueError(msg)
        for array in arrays:
            array.flags.writeable = False
