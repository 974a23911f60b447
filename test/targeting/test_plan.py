# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Whole plans: scenarios, judged by an independent walk through them."""

from dataclasses import replace
import itertools
import math

from berm_ledger.books.rows import State
from berm_ledger.geometry import Polyline, Pose2
from berm_ledger.targeting.haul import HaulCosts
from berm_ledger.targeting.options import places_of
from berm_ledger.targeting.plan import PLAN_COLUMNS, plan_work, Yard
import networkx as nx
import numpy as np
from plan_oracle import check_plan
import pytest
from targeting_kit import (
    bare_rows,
    berm_of,
    raised,
    rectangle,
    ring,
    site_of,
    straight,
)

PIT = rectangle(5.5, -1.0, 7.0, 1.0)
YARD = rectangle(-4.0, -4.0, 8.0, 4.0)


def facing(gap_m, *, length_m=2.4, segment_m=0.6):
    lower = straight(length_m, name='lower', segment_m=segment_m)
    upper = berm_of(Polyline([[0.0, gap_m], [length_m, gap_m]]), name='upper',
                    segment_m=segment_m)
    return lower, upper


SCENARIOS = {
    'straight': site_of(straight(3.0), yard=YARD, borrow=[PIT]),
    'ring': site_of(ring(1.4), yard=YARD, borrow=[PIT]),
    'ring against a wall': site_of(
        ring(1.4, centre=(0.0, -2.2)), yard=YARD, borrow=[PIT]),
    'horseshoe around the borrow area': site_of(
        ring(1.8, sweep_rad=1.6 * math.pi), yard=YARD, borrow=[rectangle(-0.3, -0.3, 0.3, 0.3)]),
    'along a wall': site_of(straight(3.0), yard=YARD, borrow=[PIT],
                            keep_outs=[rectangle(-1.0, 0.35, 4.0, 0.6)]),
    'two facing each other': site_of(*facing(1.1), yard=YARD, borrow=[PIT]),
    'keep-outs': site_of(straight(3.0), yard=YARD, borrow=[PIT], keep_outs=[
        rectangle(0.8, 0.5, 1.2, 1.0), rectangle(3.6, -1.6, 4.0, -0.3)]),
}


@pytest.mark.parametrize('work_order', ['lifts', 'segments'])
@pytest.mark.parametrize('name', list(SCENARIOS))
def test_scenarios_are_planned_whole_and_no_step_breaks_a_rule(name, work_order):
    site = replace(SCENARIOS[name], work_order=work_order)
    rows = bare_rows(site)
    plan = plan_work(site, rows)
    assert plan.complete, plan.summary()
    assert len(plan.steps) == sum(row.dumps_remaining for row in rows)
    assert plan.haul_m >= plan.lower_bound_m - 1e-6
    assert plan.gap <= 0.15
    assert check_plan(site, plan, every=3) == len(rows)


def test_ring_against_a_wall_closes_from_outside_after_the_wall_was_served_from_inside():
    site = replace(SCENARIOS['ring against a wall'], work_order='segments')
    plan = plan_work(site, bare_rows(site))
    centre = np.array([0.0, -2.2])
    inside = {s.row: bool(np.hypot(*(s.approach.pose.xy - centre)) < 1.4) for s in plan.steps}
    assert any(inside.values())
    assert not inside[plan.sequence[-1]]


@pytest.mark.parametrize(('loads', 'said'), [
    ((0, 1, 0), '1 load on 1 segment, '), ((0, 3, 0), '3 loads on 1 segment, '),
    ((1, 1, 0), '2 loads on 2 segments, ')])
def test_one_load_is_one_load(loads, said):
    site = SCENARIOS['keep-outs']
    rows = [replace(row, dumps_remaining=left) for row, left in zip(
        bare_rows(site), (*loads, *[0] * 100))]
    assert plan_work(site, rows).summary().startswith(said)


def test_a_ring_around_the_only_borrow_area_has_no_complete_order():
    site = site_of(ring(1.8), yard=YARD, borrow=[rectangle(-0.3, -0.3, 0.3, 0.3)])
    rows = bare_rows(site)
    plan = plan_work(site, rows)
    assert not plan.complete
    assert all('shut in' in u.reason for u in plan.unserved)
    assert 'No complete order exists' in plan.summary()
    # The gap that stays open is as wide as the robot needs and hardly wider.
    need = 2.0 * (0.15 / site.berms[0].side_slope + 0.2)
    length = rows[0].station_to_m
    assert need / length - 1.0 <= len(plan.unserved) <= need / length + 2.0
    check_plan(site, plan, every=4)


def test_what_stands_around_the_only_borrow_area_is_served_on_from_within():
    # A gap of three bare segments is the way out: whoever stands takes no more of it.
    site = site_of(ring(2.0), borrow=[rectangle(-0.5, -0.5, 0.5, 0.5)])
    bare = bare_rows(site, loads=2)
    rows = (*bare[:3], *(replace(raised(row, 0.08), dumps_made=1, dumps_remaining=1)
                         for row in bare[3:]))
    plan = plan_work(site, rows)
    assert set(plan.sequence) >= set(range(3, len(rows)))
    assert all(u.row < 3 and 'shut in' in u.reason for u in plan.unserved)
    check_plan(site, plan)


def test_a_ring_stays_open_where_the_ground_stands_above_its_level_crest():
    # z = 0.08 x: from x = 1.5 m on natural ground stands above a crest at 0.12 m, the way out.
    site = site_of(ring(2.0), borrow=[rectangle(-0.5, -0.5, 0.5, 0.5)])
    rows = []
    for row in bare_rows(site, loads=0):
        middle = 0.5 * (row.station_from_m + row.station_to_m)
        target = 0.12 - 0.08 * float(site.berms[0].centreline.point_at(middle)[0])
        change = {'dumps_remaining': 1} if target > 0.02 else {
            'state': State.HIGH if target < -0.02 else State.AT_GRADE}
        rows.append(replace(row, target_height_m=target, **change))
    assert sum(row.dumps_remaining == 0 for row in rows) > 8
    plan = plan_work(site, rows)
    assert plan.complete
    check_plan(site, plan)


def test_haul_of_a_ring_with_borrow_areas_inside_and_out_is_known_to_be_least():
    # More segments than are searched to the end, and the last ones pay for the way round.
    site = site_of(ring(1.5, segment_m=0.55), yard=YARD,
                   borrow=[rectangle(-0.3, -0.3, 0.3, 0.3), PIT])
    rows = bare_rows(site, loads=2)
    assert len(rows) > 12
    plan = plan_work(site, rows)
    assert plan.complete
    assert plan.exact
    assert plan.gap == pytest.approx(0.0, abs=1e-9)
    # Some come dearer than if nothing else stood: the bound is not that of each alone.
    alone = HaulCosts(*_yard_and_options(site, rows), len(rows)).alone()
    assert plan.lower_bound_m > sum(alone) + 1.0


def _yard_and_options(site, rows):
    yard = Yard.of(site, tuple(rows), None, None, None)
    return yard.reach, yard.builder.build(places_of(site, rows, yard.wanted))


def test_hundred_segments_in_rings_around_their_borrow_areas_within_the_gap():
    # Each of five rings of twenty closes from outside, with soil hauled from afar.
    centres = [6.6 * k for k in range(5)]
    site = site_of(*[ring(1.6, centre=(x, 0.0), name=f'ring {x}', segment_m=0.51)
                     for x in centres], yard=rectangle(-4.0, -3.3, 30.0, 3.3),
                   borrow=[rectangle(x - 0.3, -0.3, x + 0.3, 0.3) for x in centres]
                   + [rectangle(-3.8, -1.0, -2.6, 1.0)])
    rows = bare_rows(site, loads=1)
    assert len(rows) == 100
    plan = plan_work(site, rows)
    assert plan.complete
    assert plan.gap <= 0.15


def test_segment_that_nobody_can_reach_is_named_with_what_blocks_it():
    post = [rectangle(1.3, 0.3, 1.5, 1.2), rectangle(1.3, -1.2, 1.5, -0.3)]
    site = site_of(straight(2.8), yard=YARD, borrow=[PIT], keep_outs=post)
    plan = plan_work(site, bare_rows(site))
    assert [plan.rows[u.row].segment for u in plan.unserved] == [4]
    assert 'post 1' in plan.unserved[0].reason
    assert 'post 2' in plan.unserved[0].reason
    check_plan(site, plan)


def test_no_way_from_the_borrow_area_is_said():
    wall = rectangle(4.5, -4.0, 4.8, 4.0)
    site = site_of(straight(2.0), yard=YARD, borrow=[PIT], keep_outs=[wall])
    plan = plan_work(site, bare_rows(site))
    assert not plan.steps
    assert all('no way to it from the borrow area' in u.reason for u in plan.unserved)


@pytest.mark.parametrize(('robot', 'text'), [
    (Pose2(6.0, 0.0), 'there is no way to it from where the robot stands'),
    (Pose2(60.0, 0.0), 'the robot does not stand on free ground')])
def test_without_borrow_areas_what_is_said_is_of_the_robot(robot, text):
    wall = rectangle(4.5, -4.0, 4.8, 4.0)
    site = site_of(straight(2.0), yard=YARD, keep_outs=[wall])
    plan = plan_work(site, bare_rows(site), None, robot)
    assert not plan.steps
    assert all(text in u.reason for u in plan.unserved)


def test_a_robot_that_stands_on_the_bare_line_is_given_all_of_the_work():
    site = site_of(straight(2.8), yard=YARD)
    rows = bare_rows(site)
    for x_m in (0.0, 0.7, 1.4, 2.6):
        plan = plan_work(site, rows, None, Pose2(x_m, 0.02))
        assert plan.complete
        assert len(plan.steps) == sum(row.dumps_remaining for row in rows)


@pytest.mark.parametrize('x_m', [0.0, 0.9, 1.6, 3.0])
def test_without_borrow_areas_a_ring_is_closed_wherever_the_robot_stands_at_first(x_m):
    site = site_of(ring(1.6), yard=YARD)
    plan = plan_work(site, bare_rows(site), None, Pose2(x_m, 0.0))
    assert plan.complete
    last = plan.steps[-1].approach.run_up_start
    assert math.hypot(last.x_m, last.y_m) > 1.6


def test_drop_point_too_near_for_the_berm_is_said():
    site = site_of(straight(2.0, height_m=0.35), yard=YARD, borrow=[PIT])
    plan = plan_work(site, bare_rows(site))
    assert not plan.steps
    assert 'its own toe' in plan.unserved[0].reason


def networkx_costs(yard, options, rows):
    """Return haul per segment for a set standing, by networkx on the same cells."""
    reach = yard.reach

    def costs(mask):
        built = np.array([bool(mask >> k & 1) for k in range(len(rows))])
        free = reach.free_with(built)
        ok = (free[reach._from] & free[reach._to] & free[reach._via[0]] & free[reach._via[1]])
        graph = nx.DiGraph()
        graph.add_nodes_from(np.nonzero(free)[0].tolist())
        graph.add_weighted_edges_from(zip(
            reach._from[ok].tolist(), reach._to[ok].tolist(), reach._length_m[ok].tolist()))
        sources = set(np.nonzero(reach.sources & free)[0].tolist())
        length = nx.multi_source_dijkstra_path_length(graph, sources) if sources else {}
        out = [0.0] * len(rows)
        for p, place in enumerate(options.places):
            best = min((
                length.get(int(options.entry_cell[n]), math.inf) + options.extra_m[n]
                for n in np.nonzero(options.place == p)[0]
                if not (options.conflict[n] & built).any()), default=math.inf)
            out[place.row] += best * len(place.loads)
        return out
    return costs


def test_haul_is_the_least_over_all_orders():
    site = site_of(*facing(1.1, length_m=1.8), yard=rectangle(-1.5, -2.2, 4.5, 3.0),
                   borrow=[rectangle(3.2, -1.0, 4.2, 1.0)])
    rows = bare_rows(site)
    plan = plan_work(site, rows)
    yard = Yard.of(site, tuple(rows), None, None, None)
    options = yard.builder.build(places_of(site, rows, yard.wanted))
    costs = HaulCosts(yard.reach, options, len(rows))
    judge = networkx_costs(yard, options, rows)
    whole = (1 << len(rows)) - 1
    for mask in (whole, whole >> 1):
        standing = [k for k in range(len(rows)) if mask >> k & 1]
        expected = judge(mask)
        assert [costs(mask)[k] for k in standing] == pytest.approx([expected[k] for k in standing])
    best = math.inf
    for order in itertools.permutations(range(len(rows))):
        mask, total = 0, 0.0
        for k in order:
            mask |= 1 << k
            total += costs(mask)[k]
        best = min(best, total)
    assert plan.exact
    assert plan.haul_m == pytest.approx(best)


def test_haul_adds_up_and_is_no_shorter_than_the_air_line():
    site = SCENARIOS['straight']
    plan = plan_work(site, bare_rows(site))
    for step in plan.steps:
        start = step.approach.run_up_start
        air = math.hypot(max(0.0, 5.5 - start.x_m), max(0.0, abs(start.y_m) - 1.0))
        assert step.haul_m >= air + site.rover.run_up_m - 0.15
        assert step.haul_m <= 1.25 * air + site.rover.run_up_m + 1.5


def test_table_has_the_columns_of_the_contract():
    site = SCENARIOS['straight']
    plan = plan_work(site, bare_rows(site))
    assert PLAN_COLUMNS == (
        'step', 'berm', 'segment', 'load', 'drop_x_m', 'drop_y_m', 'pose_x_m', 'pose_y_m',
        'yaw_rad', 'runup_x_m', 'runup_y_m', 'haul_m')
    table = plan.table()
    assert [row[0] for row in table] == list(range(1, len(plan.steps) + 1))
    assert all(len(row) == len(PLAN_COLUMNS) for row in table)
    per_segment = {}
    for row in table:
        per_segment.setdefault(row[2], []).append(row[3])
    assert all(loads == list(range(1, len(loads) + 1)) for loads in per_segment.values())


def test_lifts_raise_the_berm_evenly():
    site = SCENARIOS['straight']
    plan = plan_work(site, bare_rows(site, loads=3))
    seen = [step.load for step in plan.steps]
    assert seen == sorted(seen)


def test_the_site_says_whether_to_work_in_lifts():
    lifts = SCENARIOS['straight']
    one_by_one = replace(lifts, work_order='segments')
    rows = bare_rows(lifts, loads=2)
    loads = [[step.load for step in plan_work(site, rows).steps] for site in (lifts, one_by_one)]
    assert loads[0] == sorted(loads[0])
    assert loads[1] == [1, 2] * len(rows)


def test_moving_the_site_moves_the_plan():
    turn = Pose2(3.0, -1.0, math.pi / 2)

    def moved(points):
        return turn.apply(points)
    site = SCENARIOS['keep-outs']
    areas = [type(a.polygon)(moved(a.polygon.corners_xy)) for a in site.yard.keep_outs]
    other = site_of(
        berm_of(Polyline(moved(site.berms[0].centreline.points_xy))),
        yard=type(YARD)(moved(YARD.corners_xy)), keep_outs=areas,
        borrow=[type(PIT)(moved(PIT.corners_xy))])
    plans = [plan_work(s, bare_rows(s)) for s in (site, other)]
    assert plans[1].haul_m == pytest.approx(plans[0].haul_m, rel=0.02)
    assert len(plans[0].steps) == len(plans[1].steps)


def test_hundred_segments_within_the_gap():
    site = site_of(*[ring(1.3, centre=(4.0 * k, y), name=f'{k} {y}') for k in range(3)
                     for y in (0.0, -4.0)][:5], yard=rectangle(-3.0, -7.0, 13.0, 4.0),
                   borrow=[rectangle(10.5, -6.0, 12.0, -4.0)])
    rows = bare_rows(site, loads=1)
    assert len(rows) > 100
    plan = plan_work(site, rows)
    assert plan.complete
    assert plan.gap <= 0.15
