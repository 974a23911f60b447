# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The search tile by tile finds what trying every piece finds."""

from berm_ledger.geometry import nearest
from berm_ledger.geometry.nearest import Chain
from berm_ledger.geometry.pieces import piece_ends
from geometry_kit import star, zigzag
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest


def every_piece(chain, points):
    """Return piece, run and offset by trying all pieces, without tiles."""
    return chain._search(points, np.arange(len(chain.length_m)))


@pytest.mark.parametrize('closed', [False, True])
@pytest.mark.parametrize('spread', [0.01, 1.0, 300.0])
def test_tiles_leave_no_piece_out(closed, spread):
    rng = np.random.default_rng(5)
    corners = star(rng, 200) if closed else zigzag(rng, 200)
    chain = Chain(*piece_ends(corners, closed=closed), closed=closed)
    points = corners[17] + rng.normal(0.0, spread, (4000, 2))
    for found, expected in zip(chain.nearest(points), every_piece(chain, points)):
        npt.assert_array_equal(found, expected)


@given(st.integers(0, 3000), st.floats(0.0, 10.0), st.floats(0.0, 10.0))
def test_every_point_is_in_one_tile(count, width, height):
    points = np.random.default_rng(count).uniform(0.0, 1.0, (count, 2)) * [width, height]
    tiles = nearest._tiles(points)
    together = np.concatenate([*tiles, np.zeros(0, dtype=int)])
    assert sorted(together.tolist()) == list(range(count))
    assert all(0 < len(tile) <= 4 * nearest.TILE_POINTS for tile in tiles)
