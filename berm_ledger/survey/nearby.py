# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What lies within some steps of a mask on a lattice."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..kernels import compiled


def grow(mask: NDArray[np.bool_], steps: int) -> NDArray[np.bool_]:
    """
    Return the places that so many steps along rows and columns reach from those of a mask.

    Parameters
    ----------
    mask : array
        Shape (r, c).
    steps : int
        One or more.

    Returns
    -------
    array
        Shape (r, c).

    Examples
    --------
    >>> grow(np.array([[True, False, False]]), 1).tolist()
    [[True, True, False]]

    """
    if compiled.groups is not None:
        near = np.empty(mask.shape, dtype=bool)
        compiled.groups.grow(np.ascontiguousarray(mask), steps, near)
        return near
    out: NDArray[np.bool_] = ndimage.binary_dilation(mask, iterations=steps)
    return out
