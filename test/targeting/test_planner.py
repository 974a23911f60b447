# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The next target: from a ready plan, kept unless there is a reason, and why there is none."""

from dataclasses import replace
import math

from berm_ledger.books.rows import State
from berm_ledger.geometry import Lattice, Polyline, Pose2
from berm_ledger.targeting import Ground, NoTarget, Planner, ReadyChoice, Target
from berm_ledger.targeting.obstacles import newly_blocked
from berm_ledger.targeting.plan import Unserved
import numpy as np
import numpy.testing as npt
from plan_oracle import check_plan
import pytest
from targeting_kit import (
    bare_rows,
    berm_of,
    choose_target,
    raised,
    rectangle,
    ring,
    rover_of,
    site_of,
    SLOPE_DEG,
    straight,
)


def test_first_segment_from_the_side_of_the_robot():
    site = site_of(straight(2.0))
    target = choose_target(site, bare_rows(site), None, Pose2(1.8, 3.0))
    assert isinstance(target, Target)
    assert (target.berm, target.segment) == ('west', 1)
    assert target.pose.y_m == pytest.approx(0.75)
    assert target.run_up_start.y_m == pytest.approx(1.25)
    assert target.pose.yaw_rad == pytest.approx(-math.pi / 2)


@pytest.mark.parametrize('drop', [(0.75, 0.0), (0.7, 0.1)])
def test_drop_point_lands_on_the_dump_line(drop):
    site = site_of(straight(2.0), rover=rover_of(drop=drop))
    target = choose_target(site, bare_rows(site), None, None)
    npt.assert_allclose(target.pose.apply([drop])[0], target.drop_xy, atol=1e-12)
    npt.assert_allclose(target.drop_xy, [target.station_m, 0.0], atol=1e-12)
    away = abs(target.run_up_start.y_m) - abs(target.pose.y_m)
    assert away == pytest.approx(0.5)


def test_rework_comes_first():
    site = site_of(straight(2.0))
    rows = list(bare_rows(site))
    rows[3] = replace(raised(rows[3], 0.07), state=State.REWORK, dumps_remaining=2, dumps_made=4)
    target = choose_target(site, rows, None, Pose2(1.8, 3.0))
    assert target.segment == 4
    assert 'rework' in target.reason


@pytest.mark.parametrize(('over_m', 'code'), [(0.018, 'target'), (0.04, 'blocked')])
def test_neighbours_high_within_tolerance_keep_nobody_off_who_just_fits(over_m, code):
    # Front at the toe of the design and 30 mm; the soil of a crest 18 mm too high goes on for
    # 27 mm past that toe and is at most 18 mm high there, less than the clearance.
    toe_m = 0.15 / math.tan(math.radians(SLOPE_DEG))
    site = site_of(straight(1.2), rover=rover_of(drop=(0.3 + toe_m + 0.03, 0.0)))
    first, middle, last = bare_rows(site, loads=0)
    rows = [replace(raised(first, 0.15 + over_m), dumps_made=4),
            replace(raised(middle, 0.11), dumps_made=3, dumps_remaining=1),
            replace(raised(last, 0.15 + over_m), dumps_made=4)]
    answer = choose_target(site, rows, None, Pose2(0.6, 3.0))
    if code == 'target':
        assert isinstance(answer, Target)
        assert answer.segment == 2
    else:
        assert answer.code == code


def test_the_other_side_is_taken_when_a_keep_out_is_in_the_way():
    site = site_of(straight(0.4), keep_outs=[rectangle(-1.0, 0.4, 1.4, 2.0)])
    target = choose_target(site, bare_rows(site), None, Pose2(0.2, 3.0))
    assert target.pose.y_m < 0.0


def test_what_blocks_is_named():
    site = site_of(straight(0.4), yard=rectangle(-3.0, -1.0, 3.0, 3.0),
                   keep_outs=[rectangle(-1.0, 0.4, 1.4, 2.0)])
    answer = choose_target(site, bare_rows(site), None, None)
    assert isinstance(answer, NoTarget)
    assert answer.code == 'blocked'
    assert (answer.berm, answer.segment) == ('west', 1)
    assert 'post 1' in answer.reason
    assert 'the boundary' in answer.reason


@pytest.mark.parametrize(('ahead_m', 'left'), [
    (0.75, 'upper segment 1'), (0.45, 'upper segment 1'), (0.45, 'its own toe')])
def test_a_refused_side_is_laid_to_things_and_others_before_the_toe_itself(ahead_m, left):
    # With 0.45 m the load falls 0.15 m ahead of the footprint, and the toe lies 0.22 m out.
    upper = berm_of(Polyline([[0.0, 0.8], [0.8, 0.8]]), name='upper', segment_m=0.8)
    site = site_of(straight(0.8, segment_m=0.8), upper, rover=rover_of(drop=(ahead_m, 0.0)),
                   keep_outs=[rectangle(0.0, -1.5, 0.8, -0.3)])
    rows = list(bare_rows(site, loads=1))
    stands = left != 'its own toe'
    rows[1] = replace(raised(rows[1], 0.15 if stands else 0.0), dumps_remaining=0,
                      dumps_made=int(stands))
    answer = choose_target(site, rows, None, Pose2(3.0, 3.0))
    assert answer.code == 'blocked'
    assert f'from the left by {left}' in answer.reason
    assert 'from the right by keep-out "post 1"' in answer.reason


@pytest.mark.parametrize(('options', 'code'), [
    ({'hold_text': 'soil is gone'}, 'hold'), ({'stale_text': 'the pose is 9 s old'}, 'stale')])
def test_no_target_on_hold_or_with_stale_input(options, code):
    site = site_of(straight(2.0))
    answer = choose_target(site, bare_rows(site), None, None, **options)
    assert answer.code == code
    assert next(iter(options.values())) in answer.reason


def test_done_when_no_loads_are_left_and_stale_without_rows():
    site = site_of(straight(2.0))
    assert choose_target(site, bare_rows(site, loads=0), None, None).code == 'done'
    assert choose_target(site, (), None, None).code == 'stale'


def test_a_design_of_unknown_height_is_to_be_looked_at_and_not_done():
    site = site_of(straight(2.0))
    rows = [replace(row, target_height_m=math.nan) for row in bare_rows(site, loads=0)]
    answer = choose_target(site, rows, None, None)
    assert answer.code == 'look'
    assert 'before its ground was surveyed' in answer.reason


PIT = rectangle(5.5, -1.0, 7.0, 1.0)


def planner_of(site, rows):
    planner = Planner(site)
    planner.update(rows)
    return planner


def dumped(row, height_m, loads):
    return replace(raised(row, height_m), dumps_made=row.dumps_made + 1, dumps_remaining=loads)


def test_present_target_is_kept_until_a_load_was_dumped_on_it():
    site = site_of(straight(2.0), borrow=[PIT])
    rows = list(bare_rows(site))
    planner = planner_of(site, rows)
    first = planner.next_target()
    rows[4] = replace(rows[4], height_m=-0.005)
    planner.update(rows)
    assert planner.next_target().segment == first.segment == 1
    rows[0] = dumped(rows[0], 0.08, 2)
    planner.update(rows)
    assert planner.next_target().segment == 5
    assert planner.replans == 1


@pytest.mark.parametrize('berm', [straight(2.4, segment_m=0.1), ring(0.4, segment_m=0.1)])
def test_of_narrow_segments_the_load_stays_near_until_one_was_dumped(berm):
    # Noise gives the load of a drum of 0.36 m now to this, now to that of segments of 0.1 m.
    site = site_of(berm, borrow=[PIT])
    rows = [dumped(row, 0.12, 0) for row in bare_rows(site)]
    last, far = len(rows) - 1, len(rows) // 2
    asked = [*rows[:-1], dumped(rows[last], 0.10, 1)]
    asked[far] = dumped(rows[far], 0.11, 1)
    planner = planner_of(site, asked)
    assert planner.next_target().segment == last + 1
    beside = 1 if berm.centreline.closed else last - 2
    noisy = list(rows)
    noisy[far], noisy[beside] = dumped(rows[far], 0.109, 1), dumped(rows[beside], 0.11, 1)
    planner.update(noisy)
    assert planner.next_target().segment == beside + 1
    noisy[last] = replace(noisy[last], dumps_made=noisy[last].dumps_made + 1)
    noisy[beside] = replace(noisy[beside], dumps_remaining=0)
    noisy[beside - 1] = dumped(rows[beside - 1], 0.11, 1)
    planner.update(noisy)
    assert planner.next_target().segment == far + 1


def test_a_table_that_is_taken_back_leaves_no_target():
    # As when a ledger goes, and another one is to be heard.
    site = site_of(straight(2.0), borrow=[PIT])
    planner = planner_of(site, bare_rows(site))
    assert isinstance(planner.next_target(), Target)
    planner.update(())
    assert isinstance(planner.next_target(), NoTarget)


def test_in_lifts_the_lowest_mean_is_next_and_not_the_slope_down_to_a_neighbour():
    site = site_of(straight(2.0), borrow=[PIT])
    rows = [raised(row, 0.12, dumps_made=3, dumps_remaining=1, low_short_m=0.035,
                   low_station_m=0.5 * (row.station_from_m + row.station_to_m))
            for row in bare_rows(site)]
    rows[1] = replace(rows[1], height_m=0.115)
    rows[3] = replace(rows[3], height_m=0.125, low_short_m=0.06)
    assert planner_of(site, rows).next_target().segment == 2


def test_in_lifts_the_lowest_is_that_with_the_least_share_of_its_height():
    low = berm_of(Polyline([[0.0, 0.0], [0.8, 0.0]]), name='low')
    high = berm_of(Polyline([[0.0, 2.5], [0.8, 2.5]]), name='high', height_m=0.25)
    site = site_of(low, high, borrow=[PIT])
    # Two thirds of 0.15 m stand, and half of 0.25 m.
    rows = [raised(row, 0.1 if row.berm == 'low' else 0.125, dumps_made=3, dumps_remaining=1)
            for row in bare_rows(site)]
    assert planner_of(site, rows).next_target().berm == 'high'


def test_a_load_for_a_level_crest_below_its_ground_is_no_error():
    """Only its neighbours call for it; how much of its height stands has no meaning."""
    site = site_of(straight(1.2))
    rows = list(bare_rows(site, loads=1))
    rows[0] = replace(rows[0], target_height_m=0.0)
    assert isinstance(choose_target(site, tuple(rows), None, None), Target)


@pytest.mark.parametrize(('change', 'why'), [
    ({}, 'west segment 2 is 0.040 m low, 2 loads to go, from the '),
    ({'height_m': math.nan}, 'west segment 2 was not seen yet and counts as bare, 2 loads to go'),
    ({'state': State.REWORK}, 'west segment 2 is to be reworked, 2 loads to go, from the ')])
def test_a_target_says_why_it_is_one(change, why):
    site = site_of(straight(2.0), borrow=[PIT])
    rows = [replace(row, dumps_remaining=0) for row in bare_rows(site)]
    rows[1] = replace(raised(rows[1], 0.11), dumps_remaining=2, **change)
    assert planner_of(site, rows).next_target().reason.startswith(why)


def test_each_place_of_a_long_segment_is_served_from_the_side_that_the_plan_has_for_it():
    # A post stands where the robot would have to stand on the left of the first place, another
    # on the right of the last one.
    posts = [rectangle(0.05, 0.6, 0.3, 1.1), rectangle(0.7, -1.1, 0.95, -0.6)]
    site = replace(site_of(straight(1.0, segment_m=1.0), borrow=[PIT], keep_outs=posts),
                   work_order='segments')
    row, = bare_rows(site, loads=3)
    planner = planner_of(site, [row])
    sides = {}
    for made in range(3):
        planner.update([replace(row, dumps_made=made, dumps_remaining=3 - made)])
        target = planner.next_target()
        sides[round(target.station_m, 2)] = math.copysign(1.0, target.pose.y_m)
    assert (sides[0.17], sides[0.83]) == (-1.0, 1.0)
    assert planner.replans == 1


def test_segment_by_segment_stays_until_it_is_done():
    site = replace(site_of(straight(2.0), borrow=[PIT]), work_order='segments')
    rows = list(bare_rows(site))
    planner = planner_of(site, rows)
    assert planner.next_target().segment == 1
    rows[0] = dumped(rows[0], 0.08, 2)
    planner.update(rows)
    assert planner.next_target().segment == 1
    rows[0] = dumped(rows[0], 0.15, 0)
    planner.update(rows)
    assert planner.next_target().segment == 2
    assert planner.replans == 1


@pytest.mark.parametrize('work_order', ['lifts', 'segments'])
def test_rework_that_stands_is_put_first_without_a_new_plan(work_order):
    site = replace(site_of(straight(2.0), borrow=[PIT]), work_order=work_order)
    rows = [replace(raised(row, 0.15), dumps_made=3, dumps_remaining=0)
            for row in bare_rows(site)]
    rows[0] = replace(raised(rows[0], 0.1), dumps_remaining=1)
    planner = planner_of(site, rows)
    assert planner.next_target().segment == 1
    rows[3] = replace(raised(rows[3], 0.08), state=State.REWORK, dumps_remaining=2)
    planner.update(rows)
    target = planner.next_target()
    assert (target.segment, target.loads_remaining, planner.replans) == (4, 2, 1)
    assert target.pose.y_m != 0.0


def test_rework_is_not_put_first_by_a_way_that_soil_was_heaped_on_with_it():
    # Soil on three sides of the run-up from the left, none on the ways to segment 1.
    pit = rectangle(-1.5, 3.5, -0.5, 4.5)
    site = site_of(straight(4.0), yard=rectangle(-4.0, -4.0, 6.0, 6.0), borrow=[pit])
    rows = [replace(raised(row, 0.15), dumps_made=3, dumps_remaining=0)
            for row in bare_rows(site)]
    rows[0] = replace(raised(rows[0], 0.1), dumps_remaining=1)
    planner = planner_of(site, rows)
    assert planner.next_target().segment == 1
    rows[8] = replace(raised(rows[8], 0.07), state=State.REWORK, dumps_remaining=2)
    lattice = Lattice(-4.0, -4.0, 0.05, 201, 201)
    heaped = np.zeros(lattice.shape, dtype=bool)
    centres = lattice.centres_xy().reshape(*lattice.shape, 2)
    for x0, y0, x1, y1 in ((2.5, 2.4, 4.9, 2.5), (2.5, 0.3, 2.55, 2.5), (4.85, 0.3, 4.9, 2.5),
                           (4.0, -0.05, 4.9, 0.35)):
        inside = (centres >= (x0 - 1e-9, y0 - 1e-9)) & (centres <= (x1 + 1e-9, y1 + 1e-9))
        heaped |= inside.all(axis=-1)
    planner.update(rows, Ground(lattice, heaped))
    target = planner.next_target()
    assert target.segment == 9
    assert target.pose.y_m < 0.0


def test_rework_is_done_before_others_wall_it_off():
    # The wall side of the ring is served from inside; spoilt there, it comes before the rest.
    site = site_of(ring(1.4, centre=(0.0, -3.2)), borrow=[PIT])
    rows = list(bare_rows(site, loads=2))
    planner = planner_of(site, rows)
    inner = [k for k in planner.plan.sequence if planner.plan.before[k] == 0]
    for k in inner:
        rows[k] = dumped(rows[k], 0.15, 0)
    planner.update(rows)
    assert planner.next_target().segment - 1 not in inner
    spoilt = inner[len(inner) // 2]
    outer = next(k for k in planner.plan.sequence if k not in inner)
    rows[outer] = dumped(rows[outer], 0.09, 1)
    rows[spoilt] = replace(raised(rows[spoilt], 0.1), dumps_remaining=2)
    planner.update(rows)
    assert planner.replans == 1
    bare = [k for k in planner.plan.sequence if k not in inner and k != outer]
    assert all(planner.plan.before[k] >> spoilt & 1 for k in bare)
    for _ in range(2):
        planner.update(rows)
        assert planner.next_target().segment - 1 in (spoilt, outer)
        rows[spoilt] = replace(rows[spoilt], dumps_remaining=rows[spoilt].dumps_remaining - 1)
    planner.update(rows)
    assert isinstance(planner.next_target(), Target)


def test_soil_on_the_way_makes_a_new_plan_and_soil_elsewhere_does_not():
    site = site_of(straight(2.0), borrow=[PIT])
    rows = bare_rows(site)
    planner = planner_of(site, rows)
    target = planner.next_target()
    lattice = Lattice(-4.0, -4.0, 0.05, 160, 200)
    away = np.zeros(lattice.shape, dtype=bool)
    away[155, 10] = True
    planner.update(rows, Ground(lattice, away))
    assert planner.replans == 1
    blocked = away.copy()
    index = np.rint(lattice.index_from_xy([target.run_up_start.xy])[0]).astype(int)
    blocked[index[0] - 2:index[0] + 3, index[1] - 2:index[1] + 3] = True
    planner.update(rows, Ground(lattice, blocked))
    assert planner.replans == 2
    other = planner.next_target()
    centre = other.run_up_start.inverse().apply([target.run_up_start.xy])[0]
    assert np.abs(centre).max() > 0.3


def test_what_no_order_serves_is_named_with_every_target_until_it_can_be():
    site = site_of(straight(1.2), borrow=[PIT])
    rows = list(bare_rows(site))
    lattice = Lattice(-4.0, -4.0, 0.05, 160, 200)
    free = np.zeros(lattice.shape, dtype=bool)
    near = np.abs(lattice.centres_xy() - [1.0, 0.0])
    walls = (near[..., 0] < 0.1) & (near[..., 1] > 0.4) & (near[..., 1] < 1.2)
    planner = Planner(site)
    planner.update(rows, Ground(lattice, walls))
    target = planner.next_target()
    assert target.segment == 1
    assert len(target.unserved) == 1
    assert target.unserved[0].startswith('west segment 3: blocked from the')
    assert 'No complete order of work exists' in target.reason
    assert target.unserved[0] in target.reason
    planner.update(rows, Ground(lattice, walls))
    assert planner.replans == 1
    # Cleared away: the plan is made anew and whole.
    planner.update(rows, Ground(lattice, free))
    assert planner.replans == 2
    assert planner.plan.complete
    assert planner.next_target().unserved == ()


def test_of_two_berms_that_wall_each_other_off_one_is_served_and_the_other_says_so():
    # Served from between them alone: the run-up to either lies where the other is to stand.
    south, north = (berm_of(Polyline([[0.0, y], [0.4, y]]), name=name)
                    for y, name in ((0.0, 'south'), (1.3, 'north')))
    site = site_of(south, north, keep_outs=[
        rectangle(-1.5, -2.0, 1.9, -0.4), rectangle(-1.5, 1.7, 1.9, 3.3)])
    target = choose_target(site, bare_rows(site), None, None)
    assert isinstance(target, Target)
    other = {'south': 'north', 'north': 'south'}[target.berm]
    assert target.unserved == (
        f'{other} segment 1: walled off by {target.berm} segment 1 in every order',)


def test_who_was_left_out_is_asked_again_once_when_all_others_are_done():
    # The first segment lies between posts; the second was left out for the sake of the others.
    posts = [rectangle(-0.4, 0.4, 0.25, 3.0), rectangle(-0.4, -3.0, 0.25, -0.4)]
    site = site_of(straight(1.6), borrow=[PIT], keep_outs=posts)
    rows = list(bare_rows(site))
    planner = planner_of(site, rows)
    plan = planner.plan
    assert [u.row for u in plan.unserved] == [0]
    planner.plan = replace(
        plan, steps=tuple(step for step in plan.steps if step.row != 1),
        unserved=(*plan.unserved, Unserved(1, 'walled off')))

    rows[2:] = [dumped(row, 0.15, 0) for row in rows[2:]]
    planner.update(rows)
    assert planner.next_target().segment == 2

    rows[1] = dumped(rows[1], 0.15, 0)
    replans = []
    for height_m in (0.001, 0.002, 0.003):
        rows[0] = replace(rows[0], height_m=height_m)
        planner.update(rows)
        assert planner.next_target().code == 'blocked'
        replans.append(planner.replans)
    assert replans == [3, 3, 3]


def test_a_heap_out_of_turn_makes_a_new_plan():
    site = replace(site_of(ring(1.4), borrow=[PIT]), work_order='segments')
    rows = list(bare_rows(site))
    planner = planner_of(site, rows)
    last = planner.plan.sequence[-1]
    rows[last] = dumped(rows[last], 0.1, 1)
    planner.update(rows)
    assert isinstance(planner.next_target(), Target)
    assert all(not (1 << last) & ~planner.plan.stands.get(k, 0) or planner.plan.standing[last]
               for k in planner.plan.sequence)


UPPER = berm_of(Polyline([[0.0, 1.1], [2.4, 1.1]]), name='upper', segment_m=0.6)


@pytest.mark.parametrize('berms', [
    [ring(1.4)], [ring(1.4, centre=(0.0, -3.2))], [straight(2.4, segment_m=0.6), UPPER]])
def test_whole_build_in_the_order_of_the_answers_stands_and_never_blocks(berms):
    site = site_of(*berms, borrow=[PIT])
    rows = list(bare_rows(site, loads=2))
    planner = Planner(site)
    for _ in range(2 * len(rows)):
        planner.update(rows)
        target = planner.next_target()
        assert isinstance(target, Target)
        k = next(n for n, row in enumerate(rows)
                 if (row.berm, row.segment) == (target.berm, target.segment))
        left = rows[k].dumps_remaining - 1
        rows[k] = dumped(rows[k], 0.15 if left == 0 else 0.09, left)
    planner.update(rows)
    assert planner.next_target().code == 'done'
    assert planner.replans <= 2


def test_a_crest_that_is_lost_is_looked_at_and_not_dumped_on():
    site = site_of(straight(2.0), borrow=[PIT])
    rows = list(bare_rows(site))
    rows[0] = replace(rows[0], dumps_made=2, height_m=math.nan, coverage=0.0)
    rows[1:] = [replace(raised(row, 0.15), dumps_remaining=0) for row in rows[1:]]
    answer = choose_target(site, rows, None, None)
    assert (answer.code, answer.segment) == ('look', 1)
    assert abs(answer.look_pose.y_m) == pytest.approx(1.25)
    assert 'look at it' in answer.reason


@pytest.mark.parametrize('order', ['lifts', 'segments'])
def test_a_heap_beside_the_line_keeps_loads_from_no_other_segment(order):
    # A load went down 0.4 m off the line, past the toe: no look finds a crest on the line there.
    site = replace(site_of(straight(2.0), borrow=[PIT]), work_order=order)
    rows = [dumped(row, 0.1, 1) for row in bare_rows(site)]
    rows[0] = replace(raised(rows[0], 0.06), dumps_made=1, dumps_remaining=2, line_offset_m=0.4)
    planner = planner_of(site, rows)
    assert planner.next_target().segment != 1
    rows[1:] = [dumped(row, 0.15, 0) for row in rows[1:]]
    planner.update(rows)
    answer = planner.next_target()
    assert (answer.code, answer.segment) == ('look', 1)
    assert '0.40 m off the line' in answer.reason


def test_a_load_stays_on_its_segment_when_the_lowest_stretch_moves_to_the_end():
    # Posts on both sides leave a lane to 0.3 m along the first segment, but not to its middle.
    posts = [rectangle(x0, y0, x1, y0 + 1.0) for y0 in (0.6, -1.6)
             for x0, x1 in ((-0.6, 0.04), (0.7, 1.2))]
    site = site_of(straight(0.8), borrow=[PIT], keep_outs=posts)
    rows = list(bare_rows(site, loads=[2, 0]))
    planner = planner_of(site, rows)
    assert planner.next_target().station_m == pytest.approx(0.3)

    rows[0] = replace(dumped(rows[0], 0.1, 1), low_station_m=0.35)
    planner.update(rows)

    target = planner.next_target()
    assert (target.segment, planner.replans) == (1, 1)
    assert target.station_m == pytest.approx(0.4)


def test_a_segment_is_served_at_its_middle_when_its_lowest_stretch_cannot_be_reached():
    # Posts on both sides leave a lane to the middle of the first segment, but not to its end.
    posts = [rectangle(x0, y0, x1, y0 + 1.2) for y0 in (0.4, -1.6)
             for x0, x1 in ((-1.0, -0.04), (0.44, 1.2))]
    site = site_of(straight(0.8), borrow=[PIT], keep_outs=posts)
    rows = list(bare_rows(site, loads=[2, 0]))
    assert planner_of(site, rows).plan.complete

    rows[0] = replace(dumped(rows[0], 0.1, 1), low_station_m=0.38)
    planner = planner_of(site, rows)

    assert planner.plan.complete
    target = planner.next_target()
    assert (target.segment, target.station_m) == (1, pytest.approx(0.2))
    check_plan(site, planner.plan)


def test_offsets_of_the_crest_are_told():
    site = site_of(straight(2.0), borrow=[PIT])
    rows = [raised(row, 0.1, line_offset_m=0.05) for row in bare_rows(site)]
    target = choose_target(site, rows, None, None)
    assert target.crest_offset_m == pytest.approx(0.05)
    assert target.drop_offset_m == pytest.approx(0.02)
    npt.assert_allclose(target.drop_xy[1], 0.02, atol=1e-9)


def test_ready_choice_answers_as_a_plan_made_at_once_and_plans_once():
    site = site_of(straight(2.0), borrow=[PIT])
    rows = bare_rows(site)
    ready = ReadyChoice()
    robots = [Pose2(0.0, 1.0 + 0.1 * k) for k in range(3)]
    answers = [ready(site, rows, None, robot) for robot in robots]
    # By their text: from Python 3.13 on dataclasses with the same NaN are not equal.
    assert set(map(repr, answers)) == {repr(choose_target(site, rows, None, robots[0]))}
    assert ready.planner.replans == 1
    assert ready(site, rows, None, None, hold_text='soil is gone').code == 'hold'
    assert repr(ready(site, rows, None, None)) == repr(answers[0])


def test_without_borrow_areas_the_way_is_the_one_from_where_the_robot_stands_now():
    site = site_of(ring(2.0))
    rows = [dumped(row, 0.15, 0) for row in bare_rows(site)]
    rows[3], ready = dumped(rows[3], 0.1, 1), ReadyChoice()

    def reach_m(robot):
        return math.hypot(*ready(site, tuple(rows), None, robot).run_up_start.xy)

    outside, inside = Pose2(3.5, 0.0), Pose2(0.0, 0.0)
    assert reach_m(outside) > 2.0
    assert reach_m(inside) < 2.0
    assert reach_m(Pose2(0.3, 0.3)) < 2.0
    assert ready.planner.replans == 2
    assert reach_m(outside) > 2.0


def test_a_robot_that_comes_into_the_yard_is_given_a_target():
    site = site_of(straight(2.0))
    rows, ready = bare_rows(site), ReadyChoice()
    answer = ready(site, rows, None, Pose2(-8.0, 0.0))
    assert (answer.code, 'free ground' in answer.reason) == ('blocked', True)
    assert isinstance(ready(site, rows, None, Pose2(0.0, 2.0)), Target)


def test_ready_choice_asks_again_from_another_place_only_when_the_robot_has_moved(monkeypatch):
    site, places = site_of(straight(2.0)), []
    rows, ready = bare_rows(site), ReadyChoice()
    monkeypatch.setattr(Planner, 'revise', lambda self, rows, ground, robot: places.append(robot))
    for y_m, yaw_rad in ((3.0, 0.0), (3.03, 0.0), (3.03, 6.3), (3.06, 0.0), (3.06, 0.1)):
        ready(site, rows, None, Pose2(1.8, y_m, yaw_rad))

    assert [(p.y_m, p.yaw_rad) for p in places] == [(3.0, 0.0), (3.06, 0.0), (3.06, 0.1)]


def test_newly_blocked_is_what_lies_apart_from_all_that_was_known():
    chance = np.random.default_rng(5)
    cells = 0.05 * chance.integers(0, 30, (300, 2))
    # On the same grid, on one that lies a little off, and on one that lies half a cell off.
    known = cells[:200]
    soil = np.concatenate([cells[100:], cells[:50] + 0.004, cells[:50] + 0.025])
    gap = np.hypot(*(soil[:, None] - known).transpose(2, 0, 1)).min(axis=1)
    assert 0 < np.count_nonzero(gap > 0.02) < len(soil)
    npt.assert_array_equal(newly_blocked(soil, known), soil[gap > 0.02])
    npt.assert_array_equal(newly_blocked(known, known), np.zeros((0, 2)))
    npt.assert_array_equal(newly_blocked(known, np.zeros((0, 2))), known)


def test_a_table_that_moves_no_soil_is_answered_from_the_same_obstacles():
    site = site_of(straight(2.0), borrow=[PIT])
    ground = Ground(Lattice(-1.0, -1.0, 0.05, 4, 6), np.arange(24).reshape(4, 6) % 5 == 0)
    planner, rows = Planner(site), bare_rows(site)
    planner.update(rows, ground)
    before = planner.obstacles
    lower = [replace(row, height_m=0.01) for row in rows]
    planner.update(lower, ground)
    assert planner.obstacles is before
    assert repr(planner.next_target()) == repr(choose_target(site, lower, ground, None))
    planner.update(lower, Ground(ground.lattice, ground.blocked.copy()))
    assert planner.obstacles is before
    planner.update(lower, Ground(ground.lattice, ~ground.blocked))
    assert planner.obstacles is not before
