# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Free space and ways: networkx and shapely as judges, closed forms."""

import math

from berm_ledger.geometry import Lattice, Polyline, Pose2
from berm_ledger.geometry import Polygon as Area
from berm_ledger.targeting.obstacles import Obstacles
from berm_ledger.targeting.reach import built_from_mask, mask_from_built, ReachMap
from berm_ledger.targeting.values import Ground
from hypothesis import given
from hypothesis import strategies as st
import networkx as nx
import numpy as np
import numpy.testing as npt
import pytest
from shapely.geometry import Point, Polygon
from targeting_kit import bare_rows, berm_of, rectangle, ring, rover_of, site_of, straight

SMALL = rectangle(-3.0, -3.0, 5.0, 3.0)
PIT = rectangle(3.0, -1.0, 4.5, 1.0)


def map_of(site, ground=None):
    rows = bare_rows(site, loads=1)
    return ReachMap(site, Obstacles.of_site(site, rows, ground)), len(rows)


def graph_of(reach, built):
    """Join free cells as the module says: sixteen directions, cutting no corner."""
    rows, cols = reach.lattice.shape
    free = reach.free_with(built).reshape(rows, cols)
    graph = nx.Graph()
    for r, c in zip(*(k.tolist() for k in np.nonzero(free))):
        graph.add_node((r, c))
        for dr in (-2, -1, 0, 1, 2):
            for dc in (-2, -1, 0, 1, 2):
                if math.gcd(dr, dc) != 1 or not (0 <= r + dr < rows and 0 <= c + dc < cols):
                    continue
                box = {(r + round(t * dr + e), c + round(t * dc + f)) for t in (0.5,)
                       for e in (-0.01, 0.01) for f in (-0.01, 0.01)}
                if abs(dr) == abs(dc) == 1:
                    box = {(r, c + dc), (r + dr, c)}
                elif 2 in (abs(dr), abs(dc)):
                    half = (r + dr // 2, c) if abs(dr) == 2 else (r, c + dc // 2)
                    box = {half, (half[0], c + dc) if abs(dr) == 2 else (r + dr, half[1])}
                if all(free[cell] for cell in box) and free[r + dr, c + dc]:
                    graph.add_edge(
                        (r, c), (r + dr, c + dc),
                        weight=math.hypot(dr, dc) * reach.lattice.cell_m)
    return graph


def test_a_boundary_far_off_changes_no_way():
    """A yard of half a kilometre leaves room to pass between things that stand a metre apart."""
    keep_outs = [rectangle(2.0, 0.6, 2.6, 3.0), rectangle(2.0, -3.0, 2.6, -0.6)]
    lengths = []
    for half_m in (6.0, 250.0):
        site = site_of(straight(1.0), yard=rectangle(-half_m, -half_m, half_m, half_m),
                       borrow=[PIT], keep_outs=keep_outs)
        reach, count = map_of(site)
        built = np.zeros(count, dtype=bool)
        assert reach.gets_out(built)
        lengths.append(reach.field(built).distance_m[reach.cell_of((0.5, -0.8))])
    assert lengths[1] == pytest.approx(lengths[0], rel=0.05)


@pytest.mark.parametrize('walls', [
    [rectangle(2.0, -16.0, 2.6, 16.0)],
    # The second stands where only the way round the first leads.
    [rectangle(2.0, -16.0, 2.6, 16.0), rectangle(-30.0, 18.0, 30.0, 19.0),
     rectangle(-30.0, -19.0, 30.0, -18.0)]])
def test_what_cuts_the_place_of_work_is_driven_round(walls):
    """Between pit and berm lies a wall with room beyond both of its ends."""
    site = site_of(straight(1.0), yard=rectangle(-40.0, -40.0, 40.0, 40.0), borrow=[PIT],
                   keep_outs=walls)
    reach, count = map_of(site)
    length_m = reach.field(np.zeros(count, dtype=bool)).distance_m[reach.cell_of((0.5, -0.8))]
    # From the pit to the nearer end of the wall and back.
    assert 30.0 < length_m < 40.0


def test_what_lies_beyond_the_place_of_work_makes_no_cell_coarser():
    def cell_m(*keep_outs):
        site = site_of(straight(1.0), yard=rectangle(-90.0, -90.0, 90.0, 90.0), borrow=[PIT],
                       keep_outs=keep_outs)
        return map_of(site)[0].lattice.cell_m
    assert cell_m(Area([[-80.0, 20.0], [80.0, 20.0], [80.0, -80.0], [81.0, -80.0], [81.0, 21.0],
                        [-80.0, 21.0]])) == cell_m()


@pytest.mark.parametrize('length_m', [20.0, 80.0, 600.0])
def test_no_way_leads_through_a_thin_wall_however_long_the_berm(length_m):
    """A fence of 10 mm around the pit; along so long a line not all cells can be small."""
    fence = [rectangle(-2.0, 3.0, 2.0, 3.01), rectangle(-2.0, 6.0, 2.0, 6.01),
             rectangle(-2.0, 3.0, -1.99, 6.0), rectangle(1.99, 3.0, 2.0, 6.0)]
    run = math.sqrt(0.5) * length_m if length_m < 100.0 else length_m
    rise = run if length_m < 100.0 else 0.0
    line = berm_of(Polyline([[0.0, 0.0], [run, -rise]]), segment_m=10.0)
    for shift in (0.0, 0.2, 0.4):
        moved = [Area(wall.corners_xy + shift) for wall in fence]
        site = site_of(line, yard=rectangle(-20.0, -80.0, run + 20.0, 30.0), keep_outs=moved,
                       borrow=[Area(rectangle(-0.5, 4.0, 0.5, 5.0).corners_xy + shift)])
        reach, count = map_of(site)
        assert reach.cells < 60000
        assert reach.sources.any()
        way_m = reach.field(np.zeros(count, dtype=bool)).distance_m
        outside = ~rectangle(-2.0, 3.0, 2.0, 6.0).contains(reach.centres_xy - shift)
        assert not np.isfinite(way_m[outside]).any()


@pytest.mark.parametrize('shift_m', [0.0, 0.05, 0.1, 0.15])
def test_a_pit_between_the_centres_of_cells_is_one_all_the_same(shift_m):
    line = berm_of(Polyline([[0.0, 0.0], [55.0, -55.0]]), segment_m=10.0)
    pit = rectangle(shift_m, 4.0 + shift_m, shift_m + 0.1, 4.1 + shift_m)
    reach, _ = map_of(site_of(line, yard=rectangle(-20.0, -80.0, 75.0, 30.0), borrow=[pit]))
    assert reach.lattice.cell_m > 0.2
    middle_xy = np.array([shift_m + 0.05, 4.05 + shift_m])
    assert np.hypot(*(reach.centres_xy[reach.sources] - middle_xy).T) == pytest.approx(
        0.0, abs=reach.lattice.cell_m)
    assert reach.sources.any()


@pytest.mark.parametrize('half_m', [6.0, 15.0, 50.0, 250.0, 2000.0])
def test_without_borrow_areas_a_robot_finds_its_way_however_far_the_boundary_is(half_m):
    yard = rectangle(-half_m, -half_m, half_m, half_m)
    base, count = map_of(site_of(straight(1.0), yard=yard))
    none = np.zeros(count, dtype=bool)
    robots = [Pose2(-3.0, 2.0), Pose2(0.83, -1.37), Pose2(0.9 * half_m, 0.7 * half_m)]
    for robot in robots:
        way_m = base.with_standing(none, robot).field(none).distance_m
        length_m = way_m[base.cell_of((0.5, -0.8))]
        # One that is far off comes in over the edge of the cells.
        air_m = min(math.hypot(robot.x_m - 0.5, robot.y_m + 0.8), 11.0)
        assert 0.9 * air_m <= length_m <= 1.5 * air_m + 0.2
    outside = base.with_standing(none, Pose2(half_m + 2.0, 0.0))
    assert not outside.sources.any()


def test_a_ring_shuts_a_robot_in_wherever_the_boundary_is():
    inside = rectangle(-0.5, -0.5, 0.5, 0.5)
    for half_m in (4.0, 250.0):
        yard = rectangle(-half_m, -half_m, half_m, half_m)
        reach, count = map_of(site_of(ring(1.5), yard=yard, borrow=[inside]))
        assert reach.gets_out(np.zeros(count, dtype=bool))
        assert not reach.gets_out(np.ones(count, dtype=bool))


@pytest.mark.parametrize('gap', [0, 3])
def test_ways_are_those_of_networkx(gap):
    site = site_of(ring(1.3, centre=(0.5, 0.0)), yard=SMALL, borrow=[PIT])
    reach, count = map_of(site)
    built = np.ones(count, dtype=bool)
    built[:gap] = False
    field = reach.field(built)
    graph = graph_of(reach, built)
    cols = reach.lattice.cols
    sources = {(k // cols, k % cols) for k in np.nonzero(reach.sources)[0].tolist()}
    expected = nx.multi_source_dijkstra_path_length(graph, sources & set(graph))
    known = np.full(reach.cells, np.inf)
    for (r, c), length in expected.items():
        known[r * cols + c] = length
    npt.assert_allclose(field.distance_m, known, atol=1e-9)
    assert np.isfinite(field.distance_m[reach.cell_of((0.5, 0.0))]) == (gap > 0)


def test_free_cells_are_those_of_shapely():
    post = rectangle(-1.0, 1.2, -0.3, 2.0)
    site = site_of(straight(2.0), yard=SMALL, borrow=[PIT], keep_outs=[post])
    reach, _ = map_of(site)
    inner = Polygon(SMALL.corners_xy).buffer(-0.2)
    grown = Polygon(post.corners_xy).buffer(0.2, quad_segs=64)
    for k in range(0, reach.cells, 7):
        point = Point(reach.centres_xy[k])
        if min(point.distance(inner.exterior), point.distance(grown.exterior)) > 2e-3:
            assert reach.free[k] == (inner.contains(point) and not grown.contains(point))


def test_way_over_open_ground_is_nearly_the_air_line():
    site = site_of(straight(0.5), yard=SMALL, borrow=[PIT])
    reach, count = map_of(site)
    field = reach.field(np.zeros(count, dtype=bool))
    for point in ((-2.0, 0.5), (-1.0, -2.5), (1.0, 2.4)):
        air = Point(point).distance(Polygon(PIT.corners_xy))
        found = field.distance_m[reach.cell_of(point)]
        # Sixteen directions are at most 2.75 % longer than the straight line.
        assert air - reach.lattice.cell_m <= found <= 1.0275 * air + 2.0 * reach.lattice.cell_m


def test_way_leads_back_to_the_source_and_adds_up():
    site = site_of(straight(2.0), yard=SMALL, borrow=[PIT])
    reach, count = map_of(site)
    field = reach.field(np.ones(count, dtype=bool))
    cell = reach.cell_of((-1.5, 0.0))
    way = field.way(cell)
    assert reach.sources[way[-1]]
    steps = np.hypot(*np.diff(reach.centres_xy[way], axis=0).T)
    assert steps.sum() == pytest.approx(field.distance_m[cell])


def test_a_closed_ring_around_the_borrow_area_shuts_the_robot_in():
    site = site_of(ring(1.8), yard=SMALL, borrow=[rectangle(-0.4, -0.4, 0.4, 0.4)])
    reach, count = map_of(site)
    assert reach.gets_out(np.zeros(count, dtype=bool))
    assert not reach.gets_out(np.ones(count, dtype=bool))
    assert np.isinf(reach.field(np.ones(count, dtype=bool)).distance_m).all()


def test_half_ring_against_the_rim_shuts_in_as_well():
    half = ring(1.5, centre=(0.0, -3.0), sweep_rad=math.pi)
    site = site_of(half, yard=SMALL, borrow=[rectangle(-0.4, -2.6, 0.4, -2.0)])
    reach, count = map_of(site)
    assert reach.gets_out(np.zeros(count, dtype=bool))
    assert not reach.gets_out(np.ones(count, dtype=bool))


def test_who_is_shut_in_already_is_not_asked_to_get_out():
    site = site_of(ring(1.8), yard=SMALL, borrow=[rectangle(-0.4, -0.4, 0.4, 0.4)])
    base, count = map_of(site)
    reach = base.with_standing(np.ones(count, dtype=bool))
    assert reach.shut_in_already
    assert np.isfinite(reach.field(np.zeros(count, dtype=bool)).distance_m).any()


def test_without_borrow_areas_the_robot_is_the_source():
    site = site_of(straight(2.0), yard=SMALL)
    base, count = map_of(site)
    reach = base.with_standing(np.zeros(count, dtype=bool), Pose2(-2.0, 1.0))
    assert np.nonzero(reach.sources)[0].tolist() == [reach.cell_of((-2.0, 1.0))]


@pytest.mark.parametrize('berm', [straight(2.0), ring(1.5, (0.5, 0.0))], ids=['line', 'ring'])
def test_a_robot_on_the_line_drives_off_before_a_load_falls_there(berm):
    """It may leave to either side; what it stands on now keeps no segment from being served."""
    site = site_of(berm, yard=SMALL)
    base, count = map_of(site)
    none = np.zeros(count, dtype=bool)
    middle_xy = berm.centreline.point_at(0.9)
    reach = base.with_standing(none, Pose2(*middle_xy, 0.3))
    covered = np.unique(np.concatenate(base.cover))
    assert base.cell_of(middle_xy) in covered
    _, offset = berm.centreline.station_offset(reach.centres_xy[reach.sources])
    assert (offset > 0.0).any()
    assert (offset < 0.0).any()
    assert not reach.sources[covered].any()
    assert np.hypot(*(reach.centres_xy[reach.sources] - middle_xy).T).max() < 1.0
    for k in range(count):
        assert np.isfinite(reach.field(built_from_mask(1 << k, count)).distance_m).any()


def test_a_robot_in_a_ring_to_be_built_drives_out_and_comes_in_over_the_rim():
    base, count = map_of(site_of(ring(1.5), yard=SMALL))
    robot, none, every = Pose2(0.1, 0.0), np.zeros(count, dtype=bool), np.ones(count, dtype=bool)
    reach = base.with_standing(none, robot)
    assert reach.gets_out(every)
    assert np.hypot(*reach.centres_xy[reach.sources].T).min() > 1.5
    # Once it stands, and the robot in it, that is where it stays.
    shut = base.with_standing(every, robot)
    assert np.nonzero(shut.sources)[0].tolist() == [base.cell_of(robot.xy)]
    assert shut.shut_in_already


def test_a_robot_hemmed_in_on_the_line_has_nowhere_to_drive_off_to():
    walls = [rectangle(-0.6, 0.32, 2.6, 0.36), rectangle(-0.6, -0.36, 2.6, -0.32)]
    reach, count = map_of(site_of(straight(2.0), yard=SMALL, keep_outs=walls))
    standing = np.zeros(count, dtype=bool)
    standing[[0, -1]] = True
    held = reach.with_standing(standing, Pose2(1.0, 0.0))
    assert np.nonzero(held.sources)[0].tolist() == [reach.cell_of((1.0, 0.0))]


@pytest.mark.parametrize('layer', ['blocked', 'unknown'])
def test_blocked_and_unknown_ground_is_not_free(layer):
    lattice = Lattice(-2.0, 1.0, 0.05, 20, 20)
    bad = np.ones(lattice.shape, dtype=bool)
    none = np.zeros(lattice.shape, dtype=bool)
    ground = Ground(lattice, bad) if layer == 'blocked' else Ground(lattice, none, bad)
    site = site_of(straight(2.0), yard=SMALL, borrow=[PIT])
    reach, _ = map_of(site, ground)
    clear, _ = map_of(site)
    assert not reach.free[reach.cell_of((-1.5, 1.5))]
    assert clear.free[clear.cell_of((-1.5, 1.5))]
    assert not reach.free[reach.cell_of((-1.5, 0.9))]
    assert reach.free[reach.cell_of((-1.5, 0.6))]


def test_wider_robot_has_less_room():
    sites = [site_of(straight(2.0), yard=SMALL, borrow=[PIT], rover=rover_of(half_width_m=w))
             for w in (0.15, 0.3)]
    free = [map_of(site)[0].free.mean() for site in sites]
    assert free[1] < free[0]


@given(st.lists(st.booleans(), min_size=1, max_size=40))
def test_sets_as_numbers_and_back(bits):
    mask = mask_from_built(bits)
    assert mask == sum(1 << k for k, bit in enumerate(bits) if bit)
    assert built_from_mask(mask, len(bits)).tolist() == bits


def pit_map(blocked, keep_outs=()):
    """Return the map of a yard with a pit of which some parts are blocked."""
    site = site_of(straight(1.0), yard=SMALL, borrow=(PIT,), keep_outs=keep_outs)
    lattice = Lattice(-3.0, -3.0, 0.05, 121, 161)
    cells = np.zeros(lattice.shape, dtype=bool)
    for part in blocked:
        cells |= part.contains(lattice.centres_xy())
    return map_of(site, Ground(lattice, cells))[0]


def test_a_pit_all_closed_leaves_the_ground_around_it_to_come_from():
    """Loads that are aboard have come out of it; no lane is left free, and none is driven on."""
    reach = pit_map([PIT])
    assert reach.sources.any()
    assert not (reach.sources & ~reach.free).any()
    around = [Point(xy).distance(Polygon(PIT.corners_xy))
              for xy in reach.centres_xy[reach.sources]]
    assert min(around) > 0.2
    assert max(around) < 0.4
    assert np.isfinite(reach.field(built_from_mask(0, 3)).distance_m).any()


def test_of_a_pit_partly_closed_the_open_part_is_what_loads_come_from():
    reach = pit_map([rectangle(3.0, -1.0, 4.5, 0.0)])
    assert (reach.sources <= PIT.contains(reach.centres_xy)).all()
    assert reach.sources.any()


def test_a_pit_that_the_site_itself_keeps_off_is_no_source():
    assert not pit_map([PIT], keep_outs=[rectangle(2.7, -1.3, 4.8, 1.3)]).sources.any()
