# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What one grid told the survey, as a value."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .registration import Shift
from .surface import Fused
from ..findings import Finding


@dataclass(frozen=True, eq=False)
class Look:
    """
    What one grid told.

    Parameters
    ----------
    shift : Shift
        Where the grid lay.
    fused : Fused
        Cells seen and adopted.
    spikes, carried_over, under_rover, objects : int
        Cells masked, by reason; the first two are cells of the grid near the berms.
    measured_m : array
        Heights of the grid at the cells, the shift taken off, shape (n,) [m]; NaN is not seen.
    shown : array or None
        Where they are not all NaN, as ``shown_pieces`` gives it, shape (k, 3).
    raised_m : array or None
        By how much all heights before were raised, as the frame was found to lie lower, shape
        (n,) [m].
    findings : tuple of Finding
        That nothing was measured anew, where it is so.
    too_noisy : array or None
        Cells too far from the robot to tell what came or went there, shape (n,); None for none.

    """

    shift: Shift
    fused: Fused
    spikes: int
    carried_over: int
    under_rover: int
    objects: int
    measured_m: NDArray[np.float32]
    shown: NDArray[np.int32] | None
    raised_m: NDArray[np.float32] | None
    findings: tuple[Finding, ...]
    too_noisy: NDArray[np.bool_] | None

    @property
    def counts(self) -> dict[str, int]:
        """One grid used and how many cells were masked, by code."""
        masked = ('spikes', 'carried_over', 'under_rover', 'objects')
        return {'grids': 1, **{f'cells_{code}': getattr(self, code) for code in masked}}
