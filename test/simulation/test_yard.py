# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The simulated yard in closed loop."""

import dataclasses
import json
import math

from berm_ledger.errors import UsageError
from berm_ledger.geometry import Pose2
from berm_ledger.simulation import DRIFTING, Intrusion, QUIET, SensorOptions, Yard, YardOptions
from berm_ledger.survey import assert_grid_equal
import numpy as np
import numpy.testing as npt
import pytest
from simulation_kit import a_site, straight

SMALL = SensorOptions(size_m=1.0)
QUIETLY = YardOptions(noise=QUIET, sensor=SMALL, mass_spread=0.0, density_spread=0.0,
                      stuck_share=0.0, scale_spread=0.0, drop_spread_m=0.0)


def a_yard(options: YardOptions = QUIETLY, seed: int = 0, **site: float) -> Yard:
    return Yard(straight(**site), seed=seed, options=options)


def test_the_rover_starts_in_the_borrow_area():
    yard = a_yard()
    assert yard.site.yard.borrow_areas[0].polygon.contains(yard.pose().pose.xy)
    assert yard.pose().frame_id == yard.look().frame_id == 'map'
    assert yard.pose().stamp_ns == yard.options.start_ns


def test_it_drives_to_where_it_is_told():
    yard = a_yard()
    target = Pose2(0.3, 1.5, -1.5)
    stamps = [event.stamp_ns for event in yard.drive_to(target)]
    seen = yard.pose().pose
    npt.assert_allclose([seen.x_m, seen.y_m, seen.yaw_rad], [0.3, 1.5, -1.5], atol=1e-9)
    assert min(np.diff(stamps)) >= 0
    assert stamps[-1] == yard.stamp_ns > yard.options.start_ns


def test_a_straight_drive_goes_back_without_turning():
    yard = a_yard()
    yard.place(Pose2(0.0, -1.0, 1.0))
    kinds = {event.kind for event in yard.drive_to(Pose2(0.0, -1.5, 0.0), straight=True)}
    assert 'pose' in kinds
    assert yard.pose().pose == Pose2(0.0, -1.5, 1.0)


def test_a_load_lands_at_the_drop_point():
    yard = a_yard()
    line = yard.site.berms[0].centreline
    place = line.point_at(1.2)
    yard.place(Pose2(float(place[0]), float(place[1]) - 0.75, math.pi / 2.0))
    events = list(yard.dump())
    assert [e.kind for e in events[:2]] == ['pose', 'dump']
    assert events[1].value == pytest.approx(7.5)
    x, y = np.moveaxis(yard.soil.lattice.centres_xy(), -1, 0)
    rise = yard.soil.rise_m / yard.soil.rise_m.sum()
    npt.assert_allclose([(rise * x).sum(), (rise * y).sum()], place, atol=0.02)
    dump, = yard.truth()['dumps']
    assert (dump['berm'], dump['segment']) == ('b1', 4)
    assert dump['volume_m3'] == pytest.approx(7.5 / 1500.0)
    assert yard.truth()['placed_m3'] == pytest.approx(7.5 / 1500.0, abs=1e-12)


def test_masses_scatter_and_may_be_unknown():
    yard = a_yard(YardOptions(noise=QUIET, sensor=SMALL, weighed=False))
    masses = [e.value for _ in range(20) for e in yard.dump() if e.kind == 'dump']
    assert np.isnan(masses).all()
    true = [d['mass_kg'] for d in yard.truth()['dumps']]
    assert 0.02 < np.std(true) / np.mean(true) < 0.12
    assert yard.truth()['dumps'][0]['announced_kg'] is None


def test_an_empty_drum_is_announced_but_adds_nothing():
    yard = a_yard()
    dump, = (e for e in yard.dump(fill=0.0) if e.kind == 'dump')
    assert dump.value == pytest.approx(7.5)
    assert not yard.soil.rise_m.any()


def test_digging_takes_the_load_out_of_the_ground():
    yard = a_yard()
    list(yard.dig())
    taken = -yard.soil.rise_m.sum() * yard.soil.lattice.cell_area_m2
    assert taken == pytest.approx(7.5 / 1500.0 / 1.11, rel=1e-9)


@pytest.mark.parametrize(('kind', 'volume_m3'), [('remove', -0.002), ('fill', 0.002),
                                                 ('slump', 0.0)])
def test_an_intruder_changes_the_soil(kind, volume_m3):
    yard = a_yard()
    before_m3 = yard.heap_to_design()
    height = yard.truth()['segments'][2]['low_m']
    yard.intrude(Intrusion(kind=kind, volume_m3=0.002, station_m=0.8, offset_m=0.01))
    truth = yard.truth()
    assert truth['placed_m3'] == pytest.approx(before_m3 + volume_m3, abs=1e-9)
    event, = truth['intrusions']
    assert (event['kind'], event['segment'], event['stamp_ns']) == (kind, 3, yard.stamp_ns)
    lost = height - truth['segments'][2]['low_m']
    assert lost < 1e-6 if kind == 'fill' else lost > 0.02


def test_an_intruder_may_spread_out():
    yard = a_yard()
    yard.heap_to_design()
    yard.intrude(Intrusion(volume_m3=0.003, station_m=1.2, length_m=0.6))
    lows = [0.16 - row['low_m'] > 0.01 for row in yard.truth()['segments']]
    assert lows == [False, False, True, True, True, False, False]


def test_the_drifting_map_moves_reported_poses_and_true_dumps():
    noise = DRIFTING
    yard = a_yard(YardOptions(noise=noise, sensor=SMALL))
    list(yard.wait(noise.drift_time_s))
    error = yard.error
    assert math.hypot(error.dx_m, error.dy_m) > 0.005
    list(yard.drive_to(Pose2(0.0, -1.5, 1.0)))
    npt.assert_allclose(yard.true_pose.xy, [-error.dx_m, -1.5 - error.dy_m], atol=1e-3)
    npt.assert_allclose(yard.pose().pose.xy, [0.0, -1.5], atol=0.01)


def test_it_looks_only_near_the_berm():
    yard = a_yard()
    assert {e.kind for e in yard.wait(5.0)} == {'pose'}
    yard.place(Pose2(0.0, -0.5))
    assert [e.kind for e in yard.wait(4.0)].count('grid') == 2


def test_looks_on_demand_come_with_their_pose():
    kinds = [e.kind for e in a_yard().look_round(2)]
    assert kinds == ['pose', 'grid', 'pose', 'grid']


def test_the_same_seed_looks_the_same():
    options = YardOptions(sensor=SMALL)
    first, same, other = (a_yard(options, seed) for seed in (3, 3, 4))
    assert_grid_equal(first.look(), same.look(), atol_m=0.0)
    assert np.nanmax(np.abs(first.look().height_m - other.look().height_m)) > 0.01


def test_the_truth_is_json():
    yard = a_yard(YardOptions(sensor=SMALL))
    list(yard.dump())
    yard.intrude(Intrusion(station_m=0.5))
    assert json.loads(json.dumps(yard.truth(), allow_nan=False)) == yard.truth()


def test_a_yard_without_borrow_area_starts_in_its_middle():
    site = a_site(*straight().berms)
    site = dataclasses.replace(site, yard=dataclasses.replace(site.yard, borrow_areas=()))
    assert Yard(site, options=QUIETLY).true_pose == Pose2(0.0, 0.0)


@pytest.mark.parametrize(('values', 'text'), [
    ({'kind': 'steal'}, "'steal' is none of"),
    ({'volume_m3': 0.0}, 'intrusion of 0.0 m3'),
    ({'volume_m3': math.nan}, 'intrusion of nan m3'),
])
def test_an_intrusion_that_is_none_is_refused(values, text):
    with pytest.raises(UsageError, match=text):
        Intrusion(**values)
