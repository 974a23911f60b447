# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Occupancy grids, there and back."""

import math

from berm_ledger.errors import MessageError
from berm_ledger.geometry import Lattice
from berm_ledger.ros.messages import blocked_from_occupancy_grid, fill_occupancy_grid
from hypothesis import given
from hypothesis import strategies as st
from messages_kit import bag_kit, KITS
import numpy as np
import pytest

GRID = 'nav_msgs/msg/OccupancyGrid'


@pytest.fixture(name='kit', params=sorted(KITS), scope='module')
def make_kit(request):
    return KITS[request.param]()


def filled(kit, lattice, blocked):
    msg = kit.blank(GRID)
    fill_occupancy_grid(
        msg, lattice, np.asarray(blocked, bool), frame_id='map', stamp_ns=3_000_000_004)
    return msg


def test_a_grid_drawn_by_hand(kit):
    msg = filled(kit, Lattice(10.0, 20.0, 0.5, 2, 3), [[0, 1, 0], [0, 0, 1]])
    # nav_msgs/MapMetaData: the origin is the outer corner of cell (0, 0); rows run along x.
    assert (msg.info.origin.position.x, msg.info.origin.position.y) == (9.75, 19.75)
    assert (msg.info.width, msg.info.height, msg.info.resolution) == (3, 2, 0.5)
    assert list(msg.data) == [0, 100, 0, 0, 0, 100]
    assert (msg.header.frame_id, msg.header.stamp.sec, msg.header.stamp.nanosec) == ('map', 3, 4)


@given(
    rows=st.integers(1, 30), cols=st.integers(1, 30), cell_mm=st.integers(1, 1000),
    seed=st.integers(0, 2 ** 32 - 1))
def test_there_and_back(rows, cols, cell_mm, seed):
    kit = bag_kit()
    lattice = Lattice(-3.0, 7.5, cell_mm / 1000.0, rows, cols)
    blocked = np.random.default_rng(seed).random((rows, cols)) < 0.3
    after, cells = blocked_from_occupancy_grid(
        kit.over_the_wire(filled(kit, lattice, blocked), GRID))
    # The resolution travels as float32 and comes back as the figure that was meant.
    assert after.cell_m == lattice.cell_m
    np.testing.assert_allclose((after.x0_m, after.y0_m), (-3.0, 7.5), atol=1e-12)
    np.testing.assert_array_equal(cells, blocked)
    assert not cells.flags.writeable


def test_unknown_is_blocked(kit):
    msg = filled(kit, Lattice(0.0, 0.0, 0.5, 1, 4), [[0, 0, 0, 1]])
    for k, value in enumerate((-1, 49, 50, 100)):
        msg.data[k] = value
    _, blocked = blocked_from_occupancy_grid(kit.over_the_wire(msg, GRID))
    assert blocked.tolist() == [[True, False, True, True]]


@pytest.mark.parametrize(('spoil', 'match'), [
    (lambda i: setattr(i, 'width', 4), 'claims 2 x 4 cells and holds 6'),
    (lambda i: setattr(i, 'height', 0), 'claims 0 x 3 cells'),
    (lambda i: setattr(i, 'height', 2 ** 32 - 1), 'claims 4294967295 x 3 cells'),
    (lambda i: setattr(i, 'resolution', 0.0), 'resolution 0.0 m'),
    (lambda i: setattr(i, 'resolution', math.nan), 'resolution nan m'),
    (lambda i: setattr(i.origin.position, 'x', math.inf), 'origin'),
    (lambda i: setattr(i.origin.orientation, 'w', 0.3), 'not of unit length'),
    (lambda i: (setattr(i.origin.orientation, 'w', 0.8),
                setattr(i.origin.orientation, 'z', 0.6)), 'turned by 1.287 rad'),
])
def test_grids_that_are_none(kit, spoil, match):
    msg = filled(kit, Lattice(0.0, 0.0, 0.5, 2, 3), np.zeros((2, 3)))
    spoil(msg.info)
    with pytest.raises(MessageError, match=match):
        blocked_from_occupancy_grid(msg)


def test_zero_quaternion_is_no_turn(kit):
    msg = filled(kit, Lattice(0.0, 0.0, 0.5, 2, 3), np.zeros((2, 3)))
    msg.info.origin.orientation.w = 0.0
    assert blocked_from_occupancy_grid(msg)[0].shape == (2, 3)


def test_cells_of_another_shape_are_not_written(kit):
    with pytest.raises(MessageError, match='shape'):
        filled(kit, Lattice(0.0, 0.0, 0.5, 2, 3), np.zeros((3, 2)))
