# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
What of a load fell where no look shows it: behind a crest, under the rover itself.

Soil poured at a point comes to lie about it, the less the further out. Of a ring about the drop
point of which some is seen the rest is taken to have risen as much on average; a ring that shows
nothing holds what is expected of it, in the measure of the others.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .patches import LEAST_SHARES
from ..survey.robust import Floats

# Width of a ring [m], and the fewest cells, or the least part, of one that tells of the rest.
RING_M = 0.05
LEAST_CELLS, LEAST_TELLING = 8.0, 0.1


def weights_of_seen(gap_m: Floats, part: Floats, known: NDArray[np.bool_]) -> Floats:
    """
    Return for how many cells each cell that is seen stands, so that they sum to a whole load.

    Parameters
    ----------
    gap_m : array
        Distance of cells from the drop point, shape (k,) [m].
    part : array
        Share of the load that is expected at each, shape (k,); together 1.
    known : array
        Which are seen, shape (k,).

    Returns
    -------
    array
        Shape (k,); 0 where unseen, and in rings of which too little is seen.

    Examples
    --------
    Half of the inner ring is seen and all of the outer one, of a third no cell is:

    >>> gap_m = np.array([0.01, 0.02, 0.06, 0.07, 0.11])
    >>> part = np.array([0.3, 0.3, 0.1, 0.1, 0.2])
    >>> weights_of_seen(gap_m, part, np.array([True, False, True, True, False])).tolist()
    [2.5, 0.0, 1.25, 1.25, 0.0]

    """
    ring = (gap_m / RING_M).astype(np.intp)
    cells, seen = np.bincount(ring), np.bincount(ring, known)
    tells = seen >= np.minimum(LEAST_CELLS, LEAST_TELLING * cells)
    weight = np.where(tells, cells / np.maximum(seen, 1.0), 0.0)[ring]
    told = max(float(part[tells[ring]].sum()), LEAST_SHARES[-1][1])
    return np.where(known, weight / told, 0.0)
