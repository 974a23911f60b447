# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""One elevation message as a value."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import GeometryError
from ..geometry import GridAxes


@dataclass(frozen=True, eq=False)
class ElevationGrid:
    """
    Heights on a square grid, in one frame at one time.

    Parameters
    ----------
    stamp_ns : int
        Message time [ns].
    frame_id : str
        Frame of the coordinates and heights.
    axes : GridAxes
        Where the cell centres are [m].
    height_m : array
        Shape (rows, cols), float32, read-only; NaN is unknown.

    Raises
    ------
    GeometryError
        Heights that are not a plane array with at least two rows and columns.

    """

    stamp_ns: int
    frame_id: str
    axes: GridAxes
    height_m: NDArray[np.float32]

    def __post_init__(self) -> None:
        """Check the shape and make the array read-only."""
        heights = np.asarray(self.height_m, dtype=np.float32)
        if heights.ndim != 2 or min(heights.shape) < 2:
            msg = f'an elevation grid of shape {heights.shape} has no two rows and columns'
            raise GeometryError(msg)
        if heights.flags.writeable:
            heights = heights.view()
            heights.flags.writeable = False
        object.__setattr__(self, 'height_m', heights)

    def centres_xy(self) -> NDArray[np.float64]:
        """Return the cell centres, shape (rows, cols, 2) [m]."""
        rows, cols = self.height_m.shape
        index = np.stack(np.meshgrid(np.arange(rows), np.arange(cols), indexing='ij'), axis=-1)
        return self.axes.world_from_index(index)


def assert_grid_equal(
    actual: ElevationGrid, expected: ElevationGrid, *, atol_m: float = 1e-6
) -> None:
    """
    Raise AssertionError unless two grids hold the same, unknown cells included.

    Parameters
    ----------
    actual, expected : ElevationGrid
        The grids.
    atol_m : float
        Allowed difference of positions and heights [m].

    """
    assert actual.stamp_ns == expected.stamp_ns
    assert actual.frame_id == expected.frame_id
    for name in ('origin_xy', 'row_step_xy', 'col_step_xy'):
        np.testing.assert_allclose(
            getattr(actual.axes, name), getattr(expected.axes, name), atol=atol_m, err_msg=name)
    np.testing.assert_allclose(actual.height_m, expected.height_m, atol=atol_m)
