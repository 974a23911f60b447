# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""GridMap messages to elevation grids and back."""

import math
import tracemalloc

from berm_ledger.errors import MessageError
from berm_ledger.ros.messages import fill_grid_map, grid_from_grid_map
from berm_ledger.survey import assert_grid_equal
from hypothesis import given, settings
from hypothesis import strategies as st
from messages_kit import axes, bag_kit, grid
import numpy as np
import pytest

NAN = math.nan
MAP = 'grid_map_msgs/msg/GridMap'

# Published source: unit tests of grid_map_core (ANYbotics/grid_map, GridMapMathTest.cpp), brought
# into one table: kind, lengths, centre, resolution, rows, cols, start indices, stored index,
# position relative to the centre, whether it lies inside. 2.22e-16 stands for one bit of 1.0.
VECTORS = [
    'position_from_index,3.0,2.0,-1.0,2.0,1.0,3,2,0,0,0,0,1.0,0.5,1',
    'position_from_index,3.0,2.0,-1.0,2.0,1.0,3,2,0,0,1,0,0.0,0.5,1',
    'position_from_index,3.0,2.0,-1.0,2.0,1.0,3,2,0,0,1,1,0.0,-0.5,1',
    'position_from_index,3.0,2.0,-1.0,2.0,1.0,3,2,0,0,2,1,-1.0,-0.5,1',
    'position_from_index,0.5,0.4,-0.1,13.4,0.1,5,4,3,1,3,1,0.2,0.15,1',
    'position_from_index,0.5,0.4,-0.1,13.4,0.1,5,4,3,1,4,2,0.1,0.05,1',
    'position_from_index,0.5,0.4,-0.1,13.4,0.1,5,4,3,1,2,0,-0.2,-0.15,1',
    'position_from_index,0.5,0.4,-0.1,13.4,0.1,5,4,3,1,0,0,0.0,-0.15,1',
    'position_from_index,0.5,0.4,-0.1,13.4,0.1,5,4,3,1,4,3,0.1,-0.05,1',
    'index_from_position,3.0,2.0,-12.4,-7.1,1.0,3,2,0,0,0,0,1.0,0.5,1',
    'index_from_position,3.0,2.0,-12.4,-7.1,1.0,3,2,0,0,2,1,-1.0,-0.5,1',
    'index_from_position,3.0,2.0,-12.4,-7.1,1.0,3,2,0,0,0,0,0.6,0.1,1',
    'index_from_position,3.0,2.0,-12.4,-7.1,1.0,3,2,0,0,1,1,0.4,-0.1,1',
    'index_from_position,3.0,2.0,-12.4,-7.1,1.0,3,2,0,0,1,0,0.4,0.1,1',
    'index_from_position,3.0,2.0,-12.4,-7.1,1.0,3,2,0,0,,,4.0,0.5,0',
    'index_from_position,3.0,2.0,0.0,0.0,1.0,3,2,0,0,1,0,0.0,2.22e-16,1',
    'index_from_position,3.0,2.0,0.0,0.0,1.0,3,2,0,0,1,1,0.4999999999999998,-2.22e-16,1',
    'index_from_position,3.0,2.0,0.0,0.0,1.0,3,2,0,0,2,1,-0.5000000000000002,-2.22e-16,1',
    'index_from_position,3.0,2.0,0.0,0.0,1.0,3,2,0,0,,,-1.5,1.0,0',
    'index_from_position,0.5,0.4,0.4,-0.9,0.1,5,4,3,1,3,1,0.2,0.15,1',
    'index_from_position,0.5,0.4,0.4,-0.9,0.1,5,4,3,1,0,0,0.03,-0.17,1',
]


@pytest.fixture(name='kit', scope='module')
def make_kit():
    return bag_kit()


def map_message(
    kit, stored, *, cell_m=1.0, centre=(0.0, 0.0), start=(0, 0), order='F', offset=0,
    layer='elevation',
):
    """Return a GridMap that holds `stored` (rows, cols) as given, written field by field."""
    rows, cols = np.shape(stored)
    msg = kit.blank(MAP)
    msg.header.frame_id = 'map'
    msg.info.resolution = cell_m
    msg.info.length_x, msg.info.length_y = rows * cell_m, cols * cell_m
    msg.info.pose.position.x, msg.info.pose.position.y = centre
    msg.outer_start_index, msg.inner_start_index = start
    add_layer(kit, msg, layer, stored, order=order, offset=offset)
    return msg


def add_layer(kit, msg, name, stored, *, order='F', offset=0):
    """Append a layer in the given storage order."""
    rows, cols = np.shape(stored)
    part = kit.types.Float32MultiArray()
    sizes = [('column_index', cols, rows * cols), ('row_index', rows, rows)]
    if order == 'C':
        sizes = [('row_index', rows, rows * cols), ('column_index', cols, cols)]
    for label, size, stride in sizes:
        dim = kit.types.MultiArrayDimension()
        dim.label, dim.size, dim.stride = label, size, stride
        part.layout.dim.append(dim)
    part.layout.data_offset = offset
    part.data = np.concatenate([
        np.full(offset, 77.0), np.ravel(stored, order=order)]).astype(np.float32)
    msg.layers.append(name)
    msg.data.append(part)


def test_all_the_published_vectors_are_here():
    assert len(VECTORS) == 21


@pytest.mark.parametrize('order', ['F', 'C'])
@pytest.mark.parametrize('vector', VECTORS)
def test_published_vectors_of_the_library(kit, vector, order):
    kind, *numbers = vector.split(',')
    length_x, length_y, x_m, y_m, cell_m = (float(v) for v in numbers[:5])
    rows, cols, outer, inner = (int(v) for v in numbers[5:9])
    row, col = (int(v) if v else None for v in numbers[9:11])
    dx_m, dy_m = (float(v) for v in numbers[11:13])
    # The value of a stored cell is its number, so that a cell can be known again when decoded.
    stored = np.arange(rows * cols).reshape(rows, cols)
    msg = map_message(
        kit, stored, cell_m=cell_m, centre=(x_m, y_m), start=(outer, inner), order=order)
    msg.info.length_x, msg.info.length_y = length_x, length_y
    out = grid_from_grid_map(msg, 'elevation')
    assert out.height_m.shape == (rows, cols)
    if kind == 'position_from_index':
        place = np.argwhere(out.height_m == stored[row, col])
        xy = out.axes.world_from_index(place)
        np.testing.assert_allclose(xy, [[x_m + dx_m, y_m + dy_m]], atol=1e-9)
        return
    # Cells from the first edge: a position in cell k has k <= edge < k + 1, to rounding.
    edge = out.axes.index_from_world([[x_m + dx_m, y_m + dy_m]])[0] + 0.5
    if row is None:
        assert (edge < 1e-9).any() or (edge > np.array([rows, cols]) - 1e-9).any()
        return
    place = np.argwhere(out.height_m == stored[row, col])[0]
    assert ((edge > place - 1e-9) & (edge < place + 1 + 1e-9)).all()


def test_a_map_drawn_by_hand(kit):
    # Seen with x up and y left, the first cell is the one at the top left.
    stored = [[0.1, NAN], [0.3, 0.4], [0.5, math.inf]]
    msg = map_message(kit, stored, cell_m=0.5, centre=(10.0, 20.0))
    out = grid_from_grid_map(msg, 'elevation')
    left, right = 20.25, 19.75
    np.testing.assert_allclose(out.centres_xy(), [
        [[10.5, left], [10.5, right]], [[10.0, left], [10.0, right]], [[9.5, left], [9.5, right]]])
    np.testing.assert_array_equal(
        out.height_m, np.float32([[0.1, NAN], [0.3, 0.4], [0.5, NAN]]))


@settings(max_examples=80, deadline=None)
@given(
    rows=st.integers(2, 12), cols=st.integers(2, 12), yaw_rad=st.floats(-3.1, 3.1),
    outer=st.integers(0, 11), inner=st.integers(0, 11), column_major=st.booleans(),
    cell_m=st.floats(0.005, 1.0), seed=st.integers(0, 2 ** 32 - 1))
def test_grid_to_message_to_grid(rows, cols, yaw_rad, outer, inner, column_major, cell_m, seed):
    rng = np.random.default_rng(seed)
    heights = rng.normal(size=(rows, cols))
    heights[rng.random((rows, cols)) < 0.3] = NAN
    heights[-1, -1] = 0.5
    before = grid(axes(cell_m, yaw_rad), heights)
    kit = bag_kit()
    msg = kit.blank(MAP)
    fill_grid_map(
        msg, before, 'top', kit.types, start=(outer % rows, inner % cols),
        column_major=column_major)
    after = grid_from_grid_map(kit.over_the_wire(msg, MAP), 'top')
    assert_grid_equal(after, before, atol_m=1e-12)
    np.testing.assert_array_equal(after.height_m, before.height_m)
    again = kit.blank(MAP)
    fill_grid_map(
        again, after, 'top', kit.types, start=(outer % rows, inner % cols),
        column_major=column_major)
    np.testing.assert_array_equal(again.data[0].data, msg.data[0].data)
    assert again.data[0].layout == msg.data[0].layout


@settings(max_examples=40, deadline=None)
@given(
    outer=st.integers(0, 4), inner=st.integers(0, 3), order=st.sampled_from('CF'),
    offset=st.integers(0, 9))
def test_every_storage_reads_the_same(outer, inner, order, offset):
    kit = bag_kit()
    unrolled = np.arange(20.0).reshape(5, 4)
    unrolled[2, 1] = NAN
    expected = grid_from_grid_map(map_message(kit, unrolled), 'elevation')
    # Rule of the library: stored (r, c) is geometric (r - outer, c - inner) modulo the sizes.
    stored = np.empty((5, 4))
    for r in range(5):
        for c in range(4):
            stored[r, c] = unrolled[(r - outer) % 5, (c - inner) % 4]
    msg = map_message(kit, stored, start=(outer, inner), order=order, offset=offset)
    assert_grid_equal(grid_from_grid_map(kit.over_the_wire(msg, MAP), 'elevation'), expected)


def test_yaw_turns_the_cells_about_the_centre(kit):
    msg = map_message(kit, [[1.0, 2.0], [3.0, 4.0]], centre=(10.0, 20.0))
    quat = msg.info.pose.orientation
    quat.z, quat.w = math.sqrt(0.5), math.sqrt(0.5)
    out = grid_from_grid_map(msg, 'elevation')
    # A quarter turn takes the offset (+0.5, +0.5) of cell (0, 0) to (-0.5, +0.5).
    np.testing.assert_allclose(
        out.centres_xy(), [[[9.5, 20.5], [10.5, 20.5]], [[9.5, 19.5], [10.5, 19.5]]])


@pytest.mark.parametrize(('length_m', 'cells'), [(0.29, 3), (0.3, 3), (0.34, 3), (0.25, 3)])
def test_lengths_are_rounded_to_whole_cells(kit, length_m, cells):
    # As the library: round half up, then the map is cells x resolution long about its centre.
    msg = map_message(kit, np.arange(2.0 * cells).reshape(cells, 2), cell_m=0.1)
    msg.info.length_x = length_m
    out = grid_from_grid_map(msg, 'elevation')
    np.testing.assert_allclose(out.centres_xy()[0, 0], (0.1, 0.05), atol=1e-12)


def test_zero_quaternion_is_no_turn_and_z_is_ignored(kit):
    msg = map_message(kit, [[1.0, 2.0], [3.0, 4.0]])
    expected = grid_from_grid_map(msg, 'elevation')
    msg.info.pose.orientation.w = 0.0
    msg.info.pose.position.z = 5.0
    assert_grid_equal(grid_from_grid_map(msg, 'elevation'), expected)


def test_heights_are_a_read_only_copy(kit):
    msg = map_message(kit, np.ones((3, 3)))
    out = grid_from_grid_map(msg, 'elevation')
    msg.data[0].data[:] = 9.0
    np.testing.assert_array_equal(out.height_m, np.ones((3, 3)))
    assert out.height_m.flags.forc  # one block, in the order of the message
    with pytest.raises(ValueError, match='read-only'):
        out.height_m[0, 0] = 1.0


def test_a_cell_needs_all_basic_layers(kit):
    msg = map_message(kit, [[1.0, 2.0], [3.0, 4.0]], start=(1, 0))
    add_layer(kit, msg, 'variance', [[0.1, NAN], [0.3, 0.4]], order='C')
    before = grid_from_grid_map(msg, 'elevation')
    np.testing.assert_array_equal(before.height_m, [[3.0, 4.0], [1.0, 2.0]])
    msg.basic_layers = ['elevation', 'variance']
    after = grid_from_grid_map(msg, 'elevation')
    np.testing.assert_array_equal(after.height_m, [[3.0, 4.0], [1.0, NAN]])
    msg.basic_layers = ['colour']
    with pytest.raises(MessageError, match='no layer colour; its layers are: elevation, variance'):
        grid_from_grid_map(msg, 'elevation')


def tilt(msg):
    msg.info.pose.orientation.x, msg.info.pose.orientation.w = math.sin(0.01), math.cos(0.01)


def relabel(msg):
    msg.data[0].layout.dim[0].label = 'column'


def resize(msg):
    msg.data[0].layout.dim[1].size = 7


@pytest.mark.parametrize(('spoil', 'match'), [
    (lambda m: m.layers.append('more'), 'names 2 layers and holds data of 1'),
    (lambda m: m.layers.__setitem__(0, 'dirt'), 'no layer elevation; its layers are: dirt'),
    (lambda m: setattr(m.info, 'resolution', 0.0), 'length_x 3.0 m at resolution 0.0 m'),
    (lambda m: setattr(m.info, 'resolution', -1.0), 'must be positive'),
    (lambda m: setattr(m.info, 'resolution', NAN), 'must be positive'),
    (lambda m: setattr(m.info, 'resolution', 1e-300), 'claims 3e.300 cells along length_x'),
    (lambda m: setattr(m.info, 'resolution', 5e-324), 'cells along length_x'),
    (lambda m: setattr(m.info, 'resolution', 1e-4), 'layout .* is not column_index of size 20000'),
    (lambda m: setattr(m.info, 'resolution', 10.0), 'is not column_index of size 0'),
    (lambda m: setattr(m.info, 'length_x', -3.0), 'length_x -3.0 m'),
    (lambda m: setattr(m.info, 'length_y', math.inf), 'length_y inf m'),
    (lambda m: setattr(m.info, 'length_y', 4.0), 'is not column_index of size 4'),
    (tilt, 'only a yaw can be honoured'),
    (lambda m: setattr(m.info.pose.orientation, 'w', 0.5), 'not of unit length'),
    (lambda m: setattr(m.info.pose.orientation, 'z', NAN), 'not of unit length'),
    (lambda m: setattr(m.info.pose.position, 'x', NAN), 'position: .* not finite'),
    (relabel, 'layout .*column.* is not column_index'),
    (resize, 'layout .* is not column_index of size 2 and row_index of size 3'),
    (lambda m: m.data[0].layout.dim.pop(), 'layout'),
    (lambda m: setattr(m.data[0].layout, 'data_offset', 1), 'holds 6 values; data_offset 1'),
    (lambda m: setattr(m.data[0], 'data', m.data[0].data[:5]), 'holds 5 values'),
    (lambda m: setattr(m, 'outer_start_index', 3), r'start index \(3, 0\) lies outside'),
    (lambda m: setattr(m, 'inner_start_index', 2), r'start index \(0, 2\) lies outside'),
    (lambda m: m.data[0].data.fill(NAN), 'layer elevation has no finite height'),
    (lambda m: setattr(m.header.stamp, 'nanosec', 2 ** 32 - 1), 'nanosec'),
])
def test_maps_that_are_not_what_they_claim(kit, spoil, match):
    msg = map_message(kit, [[1.0, 2.0], [3.0, 4.0], [5.0, 6.0]])
    spoil(msg)
    tracemalloc.start()
    try:
        with pytest.raises(MessageError, match=match):
            grid_from_grid_map(msg, 'elevation')
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 200_000


def test_texts_of_messages_are_quoted_and_cut(kit):
    msg = map_message(kit, np.ones((2, 2)), layer='a\nb')
    with pytest.raises(MessageError, match=r"no layer 'x{60}'...; its layers are: 'a\\nb'$"):
        grid_from_grid_map(msg, 'x' * 1000)
    msg.layers, msg.data = [str(k) for k in range(10 ** 4)], msg.data * 10 ** 4
    with pytest.raises(MessageError, match=r'15 and 9984 more$'):
        grid_from_grid_map(msg, 'top')


def test_one_row_is_no_grid(kit):
    with pytest.raises(MessageError, match='no two rows and columns'):
        grid_from_grid_map(map_message(kit, [[1.0, 2.0]]), 'elevation')


def test_a_mirrored_grid_is_not_written(kit):
    with pytest.raises(MessageError, match='mirrored'):
        fill_grid_map(
            kit.blank(MAP), grid(axes(mirrored=True), np.ones((2, 2))), 'top', kit.types)
