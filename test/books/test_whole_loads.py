# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What of a load is not seen, on a cone of known volume: V = pi h^3 / (3 tan^2)."""

from __future__ import annotations

import math

from berm_ledger.books.rises import HEAP_M
from berm_ledger.books.whole_loads import LEAST_CELLS, RING_M, weights_of_seen
from berm_ledger.geometry import Lattice
import numpy as np
import pytest

LATTICE = Lattice(0.0, 0.0, 0.01, 121, 121)
GAP_XY_M = LATTICE.centres_xy().reshape(-1, 2) - (0.6, 0.6)
GAP_M = np.hypot(*GAP_XY_M.T)
PART = np.exp(-0.5 * (GAP_M / HEAP_M)**2)
PART /= PART.sum()
SLOPE = math.tan(math.radians(33.0))
HEIGHT_M = 0.15
CONE_M = np.maximum(0.0, HEIGHT_M - SLOPE * GAP_M)
VOLUME_M3 = math.pi * HEIGHT_M**3 / (3.0 * SLOPE**2)


def whole_m3(known: np.ndarray) -> float:
    """Return the volume of the cone by the cells that are seen."""
    return float((CONE_M * weights_of_seen(GAP_M, PART, known)).sum()) * LATTICE.cell_area_m2


@pytest.mark.parametrize('hidden', [
    GAP_XY_M[:, 0] < -0.25, GAP_XY_M[:, 1] > 0.005, np.abs(GAP_XY_M[:, 0]) > 0.15,
], ids=['under the rover', 'behind the crest', 'beside a lane'])
def test_a_cone_keeps_its_volume_whatever_is_hidden(hidden: np.ndarray) -> None:
    """By its expected share alone it would come out 3 % too great where the rover stands."""
    assert whole_m3(~hidden) == pytest.approx(VOLUME_M3, rel=0.015)


def test_rings_of_which_next_to_nothing_is_seen_hold_what_is_expected_there() -> None:
    """The cone ends within five rings; of each further ring too few cells are seen to tell."""
    inner = GAP_M < 5.0 * RING_M
    some, ring = inner.copy(), (GAP_M / RING_M).astype(int)
    for beyond in range(5, int(ring.max()) + 1):
        some[np.flatnonzero(ring == beyond)[:int(LEAST_CELLS) - 1]] = True
    assert whole_m3(some) == pytest.approx(VOLUME_M3 / PART[inner].sum(), rel=0.01)


def test_of_ground_that_is_all_seen_every_cell_stands_for_itself() -> None:
    assert weights_of_seen(GAP_M, PART, np.ones(len(GAP_M), dtype=bool)) == pytest.approx(1.0)
    assert whole_m3(np.ones(len(GAP_M), dtype=bool)) == pytest.approx(VOLUME_M3, rel=1e-3)
