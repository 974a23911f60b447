# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Organised point clouds to elevation grids and back."""

import math
import tracemalloc

from berm_ledger.errors import MessageError
from berm_ledger.ros.messages import fill_point_cloud, grid_from_point_cloud
from berm_ledger.survey import assert_grid_equal
from hypothesis import given, settings
from hypothesis import strategies as st
from messages_kit import axes, bag_kit, cloud_message, grid, Kit, KITS, put, rclpy_kit
import numpy as np
import pytest

NAN = math.nan
CLOUD = 'sensor_msgs/msg/PointCloud2'


@pytest.fixture(name='kit', params=sorted(KITS), scope='module')
def make_kit(request):
    return KITS[request.param]()


def plain(kit: Kit, rows: int = 4, cols: int = 5, **layout):
    """Return a cloud of a plane on a 2 cm lattice, with one unknown height."""
    x, y = np.meshgrid(1.0 + 0.02 * np.arange(cols), 2.0 + 0.02 * np.arange(rows))
    z = 0.1 * x
    z[1, 2] = NAN
    return cloud_message(kit, x, y, z, **layout)


def test_a_cloud_drawn_by_hand(kit):
    x = [[1.0, 1.5, 2.0], [1.0, NAN, 2.0]]
    y = [[5.0, 5.0, 5.0], [4.5, NAN, NAN]]
    z = [[0.1, NAN, 0.3], [0.4, NAN, 0.6]]
    out = grid_from_point_cloud(cloud_message(kit, x, y, z))
    assert (out.stamp_ns, out.frame_id) == (7_000_000_005, 'map')
    np.testing.assert_allclose(out.axes.origin_xy, (1.0, 5.0), atol=1e-9)
    np.testing.assert_allclose(out.axes.row_step_xy, (0.0, -0.5), atol=1e-9)
    np.testing.assert_allclose(out.axes.col_step_xy, (0.5, 0.0), atol=1e-9)
    # The last point has a height but no y: it is not seen.
    np.testing.assert_array_equal(
        out.height_m, np.float32([[0.1, NAN, 0.3], [0.4, NAN, NAN]]))


@pytest.mark.parametrize('big', [False, True])
@pytest.mark.parametrize('kinds', ['fff', 'ddd', 'ffd', 'ddf'])
@pytest.mark.parametrize('padding', [(0, 0, 0), (4, 0, 0), (3, 1, 5), (0, 12, 64)])
def test_any_layout_reads_the_same(kit, big, kinds, padding):
    lead, gaps, row_pad = padding
    expected = grid_from_point_cloud(plain(kit))
    msg = plain(
        kit, kinds=kinds, big=big, lead=lead, gaps=gaps, row_pad=row_pad, order='zxy')
    assert_grid_equal(grid_from_point_cloud(msg), expected)


def test_heights_are_a_read_only_copy(kit):
    msg = kit.over_the_wire(plain(kit), CLOUD)
    out = grid_from_point_cloud(msg)
    before = out.height_m.copy()
    put(msg, bytes(len(msg.data)))
    np.testing.assert_array_equal(out.height_m, before)
    assert out.height_m.dtype == np.float32
    with pytest.raises(ValueError, match='read-only'):
        out.height_m[0, 0] = 1.0


def test_infinite_and_absurd_heights_are_unknown(kit):
    x, y = np.meshgrid(np.arange(3.0), np.arange(2.0))
    z = np.array([[1.0, math.inf, -math.inf], [1e5, -1e38, 9999.0]])
    out = grid_from_point_cloud(cloud_message(kit, x, y, z, kinds='ffd'))
    np.testing.assert_array_equal(out.height_m, [[1.0, NAN, NAN], [NAN, NAN, 9999.0]])
    z[1, 1] = 1e300
    out = grid_from_point_cloud(cloud_message(kit, x, y, z, kinds='ffd'))
    assert np.isnan(out.height_m[1, 1])


@settings(max_examples=60, deadline=None)
@given(
    rows=st.integers(2, 40), cols=st.integers(2, 40), cell_m=st.floats(0.005, 0.5),
    yaw_rad=st.floats(-4.0, 4.0), x_m=st.floats(-50.0, 50.0), y_m=st.floats(-50.0, 50.0),
    mirrored=st.booleans(), hide=st.floats(0.0, 0.8), seed=st.integers(0, 2 ** 32 - 1))
def test_grid_to_message_to_grid(rows, cols, cell_m, yaw_rad, x_m, y_m, mirrored, hide, seed):
    rng = np.random.default_rng(seed)
    heights = rng.normal(size=(rows, cols))
    heights[rng.random((rows, cols)) < hide] = NAN
    heights[0, 0] = 1.0
    before = grid(axes(cell_m, yaw_rad, (x_m, y_m), mirrored), heights)
    kit = bag_kit()
    msg = kit.blank(CLOUD)
    fill_point_cloud(msg, before, kit.types)
    after = grid_from_point_cloud(kit.over_the_wire(msg, CLOUD))
    # Coordinates of float32 beyond 32 m come in steps of 3.8 um.
    assert_grid_equal(after, before, atol_m=1e-5)
    np.testing.assert_array_equal(after.height_m, before.height_m)


def test_over_the_wire_of_ros():
    kit = rclpy_kit()
    before = grid(axes(yaw_rad=0.3), [[0.1, NAN, 0.2], [0.3, 0.4, 0.5]])
    msg = kit.blank(CLOUD)
    fill_point_cloud(msg, before, kit.types)
    assert_grid_equal(grid_from_point_cloud(kit.over_the_wire(msg, CLOUD)), before)


@pytest.mark.parametrize('seen', ['rows', 'columns', 'corner', 'sparse', 'third'])
def test_unseen_cells_without_x_and_y(seen):
    rng = np.random.default_rng(4)
    before = grid(axes(0.02, 2.2), rng.normal(size=(90, 110)))
    x, y = np.moveaxis(before.centres_xy(), -1, 0)
    hide = np.zeros(x.shape, bool)
    if seen == 'rows':
        hide[::2] = True
        hide[0:31] = True
    elif seen == 'columns':
        hide[:, 1::2] = True
        hide[:, 70:] = True
    elif seen == 'corner':
        hide[:, :] = True
        hide[85:, 106:] = False
    elif seen == 'sparse':
        hide = rng.random(x.shape) < 0.99
    else:
        hide = rng.random(x.shape) < 0.33
    z = np.where(hide, NAN, before.height_m)
    x, y = np.where(hide, NAN, x), np.where(rng.random(x.shape) < 0.5, np.where(hide, NAN, y), y)
    out = grid_from_point_cloud(cloud_message(bag_kit(), x, y, z))
    index = np.argwhere(~hide)
    np.testing.assert_allclose(
        out.axes.world_from_index(index), before.axes.world_from_index(index), atol=2e-6)
    np.testing.assert_array_equal(out.height_m, z.astype(np.float32))


def test_few_strays_become_unknown_and_do_not_bend_the_lattice():
    before = grid(axes(0.02, 0.5), np.ones((60, 60)))
    x, y = np.moveaxis(before.centres_xy(), -1, 0)
    x, y = x.copy(), y.copy()
    x[10:15, 7] = y[10:15, 7] = 0.0
    x[3, 3] += 0.004
    out = grid_from_point_cloud(cloud_message(bag_kit(), x, y, before.height_m))
    expected = np.ones((60, 60))
    expected[10:15, 7] = expected[3, 3] = NAN
    np.testing.assert_array_equal(out.height_m, expected)
    np.testing.assert_allclose(out.axes.origin_xy, before.axes.origin_xy, atol=2e-6)
    np.testing.assert_allclose(out.axes.col_step_xy, before.axes.col_step_xy, atol=1e-7)


def test_strays_of_very_different_size_are_left_out_one_after_the_other():
    before = grid(axes(0.02, 0.5), np.ones((20, 20)))
    x, y = np.moveaxis(before.centres_xy(), -1, 0)
    x = x.copy()
    for k, off_m in enumerate((1e6, 1e3, 3.0, 0.02)):
        x[3 + 4 * k, 5 * k] += off_m
    out = grid_from_point_cloud(cloud_message(bag_kit(), x, y, before.height_m, kinds='ddf'))
    assert int(np.isnan(out.height_m).sum()) == 4
    np.testing.assert_allclose(out.axes.origin_xy, before.axes.origin_xy, atol=1e-8)


@pytest.mark.parametrize(('what', 'match'), [
    ('noise', 'points of the cloud lie more than 10% of a cell off'),
    ('oblong', 'do not make square cells'),
    ('skew', 'do not make square cells'),
    ('line', 'all of them in one line'),
    ('same', 'all of them in one line|square cells'),
    ('zeros', 'off a square lattice|square cells'),
    ('no xy', '0 points with finite x and y'),
    ('three', '3 points with finite x and y'),
    ('no z', 'no finite height in any of its 900 cells'),
    ('curved', 'do not lie on a square lattice'),
])
def test_points_that_make_no_lattice(what, match):
    rng = np.random.default_rng(1)
    x, y = np.meshgrid(0.02 * np.arange(30), 0.02 * np.arange(30))
    z = np.zeros(x.shape)
    hide = np.ones(x.shape, bool)
    if what == 'noise':
        x = x + rng.normal(0.0, 0.003, x.shape)
    elif what == 'oblong':
        x = 1.1 * x
    elif what == 'skew':
        x = x + 0.1 * y
    elif what == 'line':
        hide[5] = False
        x[hide] = NAN
    elif what == 'same':
        x, y = 0.0 * x + 1.0, 0.0 * y + 1.0
    elif what == 'zeros':
        x[10:], y[10:] = 0.0, 0.0
    elif what == 'no xy':
        x = NAN * x
    elif what == 'three':
        hide[0, 0] = hide[4, 7] = hide[8, 2] = False
        x[hide] = NAN
    elif what == 'no z':
        z = NAN * z
    else:
        x = 0.3 + (x + 0.5) * np.cos(y)
    with pytest.raises(MessageError, match=match):
        grid_from_point_cloud(cloud_message(bag_kit(), x, y, z))


@pytest.mark.parametrize('cell_m', [0.02, 0.05])
def test_single_precision_far_from_the_origin_is_named(cell_m):
    # 24 bits of 5655.81 km: neighbours lie half a metre apart.
    x, y = np.meshgrid(432350.0 + cell_m * np.arange(30), 5655810.0 + cell_m * np.arange(30))
    with pytest.raises(MessageError, match='square lattice') as caught:
        grid_from_point_cloud(cloud_message(bag_kit(), x, y, np.zeros(x.shape), kinds='fff'))
    assert 'places 5655810 m from the origin to 0.5 m only' in str(caught.value)
    grid_from_point_cloud(cloud_message(bag_kit(), x, y, np.zeros(x.shape), kinds='ddf'))
    near = np.random.default_rng(1).normal(0.0, 0.2 * cell_m, x.shape)
    with pytest.raises(MessageError, match='square lattice') as caught:
        grid_from_point_cloud(cloud_message(
            bag_kit(), x - 432350.0 + near, y - 5655810.0, np.zeros(x.shape), kinds='fff'))
    assert 'precision' not in str(caught.value)


def field(msg, name):
    return next(item for item in msg.fields if item.name == name)


def rename(msg):
    field(msg, 'z').name = 'intensity'


@pytest.mark.parametrize(('spoil', 'match'), [
    (lambda m: setattr(m, 'height', 1), 'not organised: height 1, width 5'),
    (lambda m: setattr(m, 'width', 1), 'not organised: height 4, width 1'),
    (lambda m: setattr(m, 'height', 0), 'not organised'),
    (lambda m: setattr(m, 'point_step', 0), 'point_step 0'),
    (lambda m: setattr(m, 'row_step', 59), 'sizes do not match its data'),
    (lambda m: setattr(m, 'row_step', 61), 'sizes do not match its data'),
    (lambda m: setattr(m, 'height', 5), 'sizes do not match its data'),
    (lambda m: setattr(m, 'width', 6), 'sizes do not match its data'),
    (lambda m: put(m, b''), 'the 0 bytes of data'),
    (rename, 'has no field z; its fields are: intensity, x, y'),
    (lambda m: setattr(m, 'fields', []), 'no field x; its fields are: none'),
    (lambda m: setattr(field(m, 'y'), 'datatype', 5), 'field y has datatype 5, count 1'),
    (lambda m: setattr(field(m, 'y'), 'count', 3), 'field y has datatype 7, count 3'),
    (lambda m: setattr(field(m, 'z'), 'offset', 9), 'offset 9 reaches beyond point_step 12'),
    (lambda m: setattr(field(m, 'z'), 'datatype', 8), 'offset 8 reaches beyond point_step 12'),
    (lambda m: setattr(m.header.stamp, 'nanosec', 10 ** 9), 'nanosec is 1000000000'),
])
def test_messages_that_are_not_what_they_claim(kit, spoil, match):
    msg = plain(kit)
    spoil(msg)
    with pytest.raises(MessageError, match=match):
        grid_from_point_cloud(msg)


@pytest.mark.parametrize('claims', [
    {'height': 2 ** 32 - 1, 'width': 2 ** 32 - 1},
    {'height': 2 ** 16, 'width': 2 ** 16, 'point_step': 12, 'row_step': 12 * 2 ** 16},
    {'height': 31623, 'width': 31623, 'row_step': 0},
    {'height': 2 ** 31, 'width': 2 ** 31, 'point_step': 0, 'row_step': 0},
    {'point_step': 2 ** 32 - 1, 'row_step': 2 ** 32 - 1},
    {'height': 2 ** 20, 'width': 2 ** 20, 'point_step': 2 ** 32 - 1, 'row_step': 2 ** 32 - 1},
])
def test_absurd_claims_take_no_memory(kit, claims):
    msg = plain(kit)
    for name, value in claims.items():
        setattr(msg, name, value)
    tracemalloc.start()
    try:
        with pytest.raises(MessageError):
            grid_from_point_cloud(msg)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 200_000
