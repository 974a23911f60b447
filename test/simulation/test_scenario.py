# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""A whole simulated build."""

from collections import Counter
import dataclasses
import itertools
import json
import math

from berm_ledger.errors import UsageError
from berm_ledger.geometry import Polyline
from berm_ledger.simulation import (
    BuildOptions,
    Intrusion,
    QUIET,
    SensorOptions,
    SimulatedBuild,
    YardOptions,
)
from berm_ledger.survey import assert_grid_equal
import numpy as np
import pytest
from simulation_kit import a_berm, a_site, straight

BLIND = YardOptions(sensor=SensorOptions(size_m=0.2, cell_m=0.05), grid_period_s=1e6)
SHORT_BERM = straight(length_m=0.8)


def built(site=SHORT_BERM, seed=1, **options):
    """Return a finished build and its events; next to no grids unless asked for."""
    build = SimulatedBuild(site, seed=seed, options=BuildOptions(**{'yard': BLIND, **options}))
    return build, list(build.events())


def dumps_of(events):
    return [e for e in events if e.kind == 'dump']


@pytest.fixture(scope='module')
def seen():
    """Return a build with real grids."""
    build = SimulatedBuild(straight(), seed=2)
    return build, list(build.events())


def footprint_cells(build):
    """Return points all over the design footprint with their segment numbers."""
    ground = build.yard.berms[0]
    points = ground.points_xy[::4, ::4].reshape(-1, 2)
    number = np.repeat(ground.number_of(ground.station_m)[::4], len(ground.offset_m[::4]))
    return points, number


def seen_share(grid, points_xy):
    """Tell at which points a grid has a known cell."""
    index = np.rint(grid.axes.index_from_world(points_xy)).astype(int)
    inside = ((index >= 0) & (index < grid.height_m.shape)).all(axis=1)
    out = np.zeros(len(points_xy), bool)
    out[inside] = np.isfinite(grid.height_m[tuple(index[inside].T)])
    return out


def test_the_berm_ends_near_its_height(seen):
    build, events = seen
    truth = build.truth()
    for row in truth['segments']:
        assert row['height_m'] == pytest.approx(row['target_height_m'], abs=0.025)
    assert truth['build']['loads'] == len(dumps_of(events)) == len(truth['dumps'])
    assert 150 <= Counter(e.kind for e in events)['grid'] <= 600


def test_soil_is_neither_made_nor_lost(seen):
    build, _ = seen
    truth = build.truth()
    assert truth['placed_m3'] == pytest.approx(truth['dumped_m3'], abs=1e-9)


def test_messages_come_in_order_and_every_dump_after_a_pose(seen):
    _, events = seen
    stamps = [e.stamp_ns for e in events]
    assert stamps == sorted(stamps)
    for before, event in itertools.pairwise(events):
        assert event.kind == 'dump' or event.value.stamp_ns == event.stamp_ns
        assert event.kind != 'dump' or (before.kind, before.stamp_ns) == ('pose', event.stamp_ns)


def test_the_bare_ground_is_seen_before_the_first_load(seen):
    build, events = seen
    points, _ = footprint_cells(build)
    grids = [e.value for e in itertools.takewhile(lambda e: e.kind != 'dump', events)
             if e.kind == 'grid']
    looks = np.sum([seen_share(grid, points) for grid in grids], axis=0)
    assert (looks >= 10).all()


def test_every_segment_is_seen_often_at_the_end(seen):
    build, events = seen
    points, number = footprint_cells(build)
    last = max(n for n, e in enumerate(events) if e.kind == 'dump')
    grids = [e.value for e in events[last:] if e.kind == 'grid']
    shares = np.array([seen_share(grid, points) for grid in grids])
    for segment in range(1, 8):
        assert (shares[:, number == segment].mean(axis=1) > 0.8).sum() >= 10


def test_loads_come_over_free_ground_and_square_to_the_line(seen):
    build, _ = seen
    line = build.site.berms[0].centreline
    for dump in build.truth()['dumps']:
        heading = line.heading_at(line.station_offset([[dump['x_m'], dump['y_m']]])[0][0])
        assert abs(math.cos(dump['yaw_rad'] - heading)) < 0.45


def test_the_same_seed_gives_the_same_messages():
    options = BuildOptions(most_loads=2, final_looks=1)
    runs = [list(SimulatedBuild(SHORT_BERM, seed=seed, options=options).events())
            for seed in (7, 7, 8)]
    for a, b in zip(runs[0], runs[1]):
        assert (a.stamp_ns, a.kind) == (b.stamp_ns, b.kind)
        if a.kind == 'grid':
            assert_grid_equal(a.value, b.value, atol_m=0.0)
        else:
            assert a.value == b.value or a.kind == 'pose'
    poses = [[e.value.pose for e in run if e.kind == 'pose'] for run in runs]
    assert poses[0] == poses[1] != poses[2]


def test_looking_more_often_does_not_move_the_soil():
    often = dataclasses.replace(BLIND, grid_period_s=1.0)
    first, second = (built(yard=yard)[0].truth()['dumps'] for yard in (BLIND, often))
    assert [d['volume_m3'] for d in first] == [d['volume_m3'] for d in second]


def test_a_bag_may_end_partway_and_begin_late():
    whole, _ = built()
    partway, events = built(most_loads=3)
    assert len(dumps_of(events)) == partway.loads == 3 < whole.loads
    late, events = built(unseen_loads=3, survey=False)
    assert len(dumps_of(events)) == late.loads - 3
    assert events[0].stamp_ns > late.options.yard.start_ns + 10 ** 10


def test_stray_and_empty_loads_leave_no_rise_on_the_berm():
    build, events = built(stray_loads=(2,), empty_loads=(4,), most_loads=4)
    dumps = build.truth()['dumps']
    assert [d['berm'] for d in dumps] == ['b1', None, 'b1', 'b1']
    assert dumps[3]['volume_m3'] == 0.0
    assert len(dumps_of(events)) == 4
    on_berm = build.truth()['berms'][0]['footprint_m3']
    assert on_berm < dumps[0]['volume_m3'] + dumps[2]['volume_m3'] + 1e-9


def test_what_an_intruder_took_is_brought_back():
    theft = Intrusion(station_m=0.4, volume_m3=0.004)
    mended, _ = built(intrusions=(theft,))
    left, _ = built(intrusions=(dataclasses.replace(theft, mended=False),))
    whole, _ = built()
    assert mended.loads > whole.loads == left.loads
    low = [min(r['low_m'] for r in b.truth()['segments']) for b in (mended, left, whole)]
    assert low[1] < low[2] - 0.02
    assert low[0] > low[1] + 0.02
    truth = mended.truth()
    assert truth['placed_m3'] == pytest.approx(truth['dumped_m3'] - 0.004, abs=1e-6)


def test_intrusions_happen_when_told():
    first = Intrusion(kind='fill', station_m=0.2, volume_m3=0.001, after_load=2)
    never = Intrusion(kind='slump', station_m=0.6, offset_m=0.01, volume_m3=0.001,
                      after_load=1000, watched=True)
    build, events = built(intrusions=(first, never))
    fill, slump = build.truth()['intrusions']
    made = [e.stamp_ns for e in dumps_of(events)]
    assert made[1] < fill['stamp_ns'] < made[2]
    assert slump['kind'] == 'slump'
    assert slump['stamp_ns'] > made[-1] or len(made) == build.loads


def test_somebody_in_the_yard_shows_in_the_grids():
    yard = YardOptions(noise=QUIET, sensor=SensorOptions(size_m=3.0, cell_m=0.05),
                       grid_period_s=0.5)
    highest = {}
    for people in ((), (2,)):
        _, events = built(yard=yard, people_at_loads=people, most_loads=2, final_looks=0)
        highest[people] = max(np.nanmax(e.value.height_m) for e in events if e.kind == 'grid')
    assert highest[()] < 0.4
    assert highest[(2,)] > 1.0


def test_a_second_robot_stands_beside_the_berm():
    yard = YardOptions(noise=QUIET, sensor=SensorOptions(size_m=3.0, cell_m=0.05))
    _, events = built(yard=yard, second_robot_from_load=1, most_loads=1, final_looks=1)
    last = [e.value for e in events if e.kind == 'grid'][-1]
    tall = last.height_m > 0.3
    assert 0.6 * 0.8 * 0.4 < tall.sum() * 0.05 ** 2 < 0.6 * 0.8 * 1.1


@pytest.mark.parametrize('site', [
    a_site(a_berm(Polyline.arc([0.4, 0.4], 1.0, -0.5, 1.2))),
    a_site(a_berm(Polyline([[-0.3, 0.3], [0.5, 0.3]]), crest_width_m=0.15)),
    a_site(a_berm(Polyline([[-0.5, 0.3], [0.2, 0.3], [0.5, 0.9]])),
           a_berm(Polyline([[-1.5, 1.4], [-0.9, 1.8]]), name='b2')),
], ids=['arc', 'flat top', 'bent and second'])
def test_other_berms_are_built_too(site):
    build, _ = built(site, order='along')
    for row in build.truth()['berms']:
        assert row['height_m'] == pytest.approx(0.16, abs=0.03)
        assert row['placed_m3'] > 0.8 * row['design_m3']
    assert json.dumps(build.truth(), allow_nan=False)


def test_an_order_of_work_that_is_none_is_refused():
    with pytest.raises(UsageError, match="'any' is none of"):
        BuildOptions(order='any')
