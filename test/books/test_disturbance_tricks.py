# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Soil taken at the worst moment and place, by halves, behind a back; and false alarms."""

from __future__ import annotations

from dataclasses import replace
import math

from berm_ledger.books.rows import State
from berm_ledger.geometry import Polygon, Polyline, Pose2
from berm_ledger.simulation import FIELD, Intrusion
from berm_ledger.simulation.ruts import Ruts
from berm_ledger.simulation.things import ParkedRobot, Person
from disturbance_kit import demo_site, Watched, WEST
import numpy as np
import pytest

SECOND_NS = 1_000_000_000
SEGMENT_M = 0.37022
AWAY = Pose2(-2.5, 0.0, np.pi)


@pytest.fixture(scope='module')
def finished() -> Watched:
    """Return a watched berm as designed; tests spoil copies of it."""
    return Watched(demo_site(), seed=4)


@pytest.fixture(scope='module')
def jumpy() -> Watched:
    """Return one under a map that will jump by 20 mm in all directions five seconds on."""
    return Watched(demo_site(), seed=6, noise=replace(
        FIELD, jump_xy_m=0.02, jump_z_m=0.02, jump_times_s=(46.5,)))


def lost_m3(watched: Watched, since: int) -> float:
    """Return the volume booked as disturbed after a number [m3]."""
    return sum(e.data['volume_m3'] for e in watched.changes(since) if e.kind == 'disturbed')


def kinds(watched: Watched, since: int) -> set[str]:
    """Return the kinds of changes booked after a number, the hold left out."""
    return {e.kind for e in watched.changes(since)} - {'hold'}


def box(watched: Watched, station_m: float, offset_m: float, half_m: float, tall_m: float) -> None:
    """Put a box on the berm."""
    x_m, y_m = watched.yard.site.berms[0].centreline.point_at(station_m, offset_m)
    square = Polygon(half_m * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]))
    watched.yard.things.append(
        ParkedRobot(Pose2(float(x_m), float(y_m), 0.3), square, tall_m=tall_m))


def standing(watched: Watched, station_m: float, offset_m: float, time_s: float) -> Person:
    """Return somebody who stands on the berm for a time from now on."""
    spot = watched.yard.site.berms[0].centreline.point_at(station_m, offset_m)
    return Person(Polyline([spot, spot + np.array([0.0, 0.001])]), watched.yard.elapsed_s,
                  speed_m_s=0.001 / time_s)


@pytest.mark.parametrize('looks', [2, 4, 5])
def test_soil_goes_while_the_map_jumps(jumpy: Watched, looks: int) -> None:
    """Two looks before the jump, with it and after it: found once, all of it."""
    watched = jumpy.copy()
    since = watched.seq
    watched.look(looks)
    watched.yard.intrude(Intrusion('remove', 0.0006, 1.3, 0.03))
    watched.look(10)
    assert kinds(watched, since) == {'disturbed'}
    assert lost_m3(watched, since) == pytest.approx(0.0006, abs=0.0001)
    assert len({e.stamp_ns for e in watched.changes(since)}) == 1


def test_grids_that_lie_far_from_those_before_tell_of_nothing(finished: Watched) -> None:
    """Every other one lies 60 mm off while a litre goes; told as soon as they lie still."""
    watched = finished.copy()
    since = watched.seq
    watched.yard.intrude(Intrusion('remove', 0.001, 1.1, 0.0))
    for turn, event in enumerate(watched.yard.look_round(7)):
        if event.kind == 'grid' and turn % 4 == 1:
            axes = event.value.axes.moved(0.06, 0.0)
            event = event._replace(value=replace(event.value, axes=axes))
        watched.run([event])
    assert kinds(watched, since) == set()
    watched.look(6)
    assert kinds(watched, since) == {'disturbed'}
    assert lost_m3(watched, since) == pytest.approx(0.001, rel=0.15)


def test_soil_goes_right_on_the_border_of_segments(finished: Watched) -> None:
    """Both segments are named, each with its part; the parts meet at the border."""
    watched = finished.copy()
    since = watched.seq
    watched.yard.intrude(Intrusion('remove', 0.0006, 3 * SEGMENT_M))
    watched.look(6)
    left, right = (e.data for e in watched.changes(since) if e.kind == 'disturbed')
    assert left['volume_m3'] + right['volume_m3'] == pytest.approx(0.0006, abs=0.0001)
    assert left['volume_m3'] == pytest.approx(right['volume_m3'], rel=0.25)
    assert left['station_to_m'] == pytest.approx(3 * SEGMENT_M, abs=0.015)
    assert right['station_from_m'] == pytest.approx(3 * SEGMENT_M, abs=0.015)


def test_as_much_thrown_on_the_berm_far_off_is_no_slump(finished: Watched) -> None:
    """A litre from one end, a litre on the other: two events, although the volume is kept."""
    watched = finished.copy()
    since = watched.seq
    watched.yard.intrude(Intrusion('remove', 0.001, 0.5))
    watched.yard.intrude(Intrusion('fill', 0.001, 1.7))
    watched.look(10)
    assert kinds(watched, since) == {'disturbed', 'unbooked_fill'}
    assert lost_m3(watched, since) == pytest.approx(0.001, rel=0.15)


def test_all_of_a_segment_goes(finished: Watched) -> None:
    """Ten litres, 1.8 of them slid off its neighbours: it is named, and loads are called for."""
    watched = finished.copy()
    since = watched.seq
    watched.yard.intrude(Intrusion('remove', 0.010, 2.5 * SEGMENT_M, 0.0, 0.30, 0.30))
    watched.look(5)
    assert lost_m3(watched, since) == pytest.approx(0.010, rel=0.05)
    assert {e.segment for e in watched.changes(since) if e.kind == 'disturbed'} == {3}
    row = watched.pipeline.books.rows[2]
    assert row.state == State.REWORK
    assert 2 <= sum(r.dumps_remaining for r in watched.pipeline.books.rows) <= 4


def test_soil_that_creeps_away_is_lost_all_the_same(finished: Watched) -> None:
    """A tenth of a litre a minute for eight minutes, a look every ten seconds."""
    watched = finished.copy()
    since = watched.seq
    for minute in range(8):
        watched.yard.intrude(Intrusion('remove', 0.0001, 1.2 + 0.03 * math.sin(minute), 0.05))
        watched.look(6, 10.0)
    watched.look(6, 10.0)
    assert kinds(watched, since) == {'disturbed'}
    assert lost_m3(watched, since) == pytest.approx(0.0008, abs=0.0002)


def test_a_hole_that_grows_with_every_look(finished: Watched) -> None:
    """Six times 0.2 litre from one spot, a second apart."""
    watched = finished.copy()
    since = watched.seq
    for _ in range(6):
        watched.yard.intrude(Intrusion('remove', 0.0002, 1.2))
        watched.look(1)
    watched.look(8)
    assert lost_m3(watched, since) == pytest.approx(0.0012, rel=0.15)


@pytest.mark.parametrize('taken_m3', [0.0, 0.0005])
@pytest.mark.parametrize('offset_m', [0.0, 0.25])
def test_somebody_stands_there_and_leaves(
    finished: Watched, taken_m3: float, offset_m: float
) -> None:
    """Half a minute on the crest or at the toe, with soil in the pockets or without."""
    watched = finished.copy()
    since, came_ns = watched.seq, watched.yard.stamp_ns
    watched.yard.things.append(standing(watched, 1.2, offset_m, 31.0))
    watched.look(16, 2.0)
    assert kinds(watched, since) == set()
    if taken_m3:
        watched.yard.intrude(Intrusion('remove', taken_m3, 1.2, 0.4 * offset_m))
    watched.yard.things.clear()
    watched.look(6, 2.0)
    assert kinds(watched, since) == ({'disturbed'} if taken_m3 else set())
    assert lost_m3(watched, since) == pytest.approx(taken_m3, abs=0.0001)
    for entry in watched.changes(since):
        assert entry.kind == 'hold' or came_ns <= entry.data['window_from_ns']


def test_a_crowd_is_nothing_and_hides_no_loss_for_ever(finished: Watched) -> None:
    """Two people elsewhere in every look; soil goes between their feet; then they leave."""
    watched = finished.copy()
    since, rng = watched.seq, np.random.default_rng(1)
    for look in range(24):
        if look == 12:
            assert kinds(watched, since) == set()
            watched.yard.intrude(Intrusion('remove', 0.0006, 1.2, 0.05))
        watched.yard.things = [
            standing(watched, 1.2 + rng.normal(0.0, 0.25), rng.normal(0.0, 0.3), 9.0)
            for _ in range(2)]
        watched.look(1, 2.0)
    watched.yard.things.clear()
    watched.look(6, 2.0)
    assert kinds(watched, since) == {'disturbed'}
    assert lost_m3(watched, since) == pytest.approx(0.0006, abs=0.0001)


@pytest.mark.parametrize('taken_m3', [0.0, 0.001])
def test_a_machine_on_the_toe_digs_and_leaves(finished: Watched, taken_m3: float) -> None:
    """What it took from under itself is found when it has left, and nothing otherwise."""
    watched = finished.copy()
    since = watched.seq
    box(watched, 1.1, 0.4, 0.33, 0.25)
    watched.look(8, 2.0)
    if taken_m3:
        watched.yard.intrude(Intrusion('remove', taken_m3, 1.1, 0.15))
    watched.look(8, 2.0)
    watched.yard.things.clear()
    watched.look(6, 2.0)
    assert lost_m3(watched, since) == pytest.approx(taken_m3, rel=0.15)
    assert kinds(watched, since) == ({'disturbed'} if taken_m3 else set())


def test_a_tub_that_stands_in_the_hole(finished: Watched) -> None:
    """The hole shows when it is taken away."""
    watched = finished.copy()
    since = watched.seq
    watched.yard.intrude(Intrusion('remove', 0.001, 1.2))
    box(watched, 1.2, 0.0, 0.1, 0.06)
    watched.look(12, 2.0)
    watched.yard.things.clear()
    watched.look(6, 2.0)
    assert lost_m3(watched, since) == pytest.approx(0.001, abs=0.00015)


def test_a_hole_in_the_grids_over_the_spot(finished: Watched) -> None:
    """Nothing shows it for forty seconds; the window holds them all."""
    watched = finished.copy()
    since, before_ns = watched.seq, watched.yard.stamp_ns
    watched.yard.intrude(Intrusion('remove', 0.0004, 1.2, 0.05))
    watched.look_past(1.2, 0.05, 0.2, 20)
    assert kinds(watched, since) == set()
    after_ns = watched.yard.stamp_ns
    watched.look(5)
    assert lost_m3(watched, since) == pytest.approx(0.0004, abs=0.0001)
    for entry in watched.changes(since):
        if entry.kind == 'disturbed':
            assert abs(entry.data['window_from_ns'] - before_ns) <= 4 * SECOND_NS
            assert entry.data['first_seen_ns'] > after_ns


def test_only_every_second_look_shows_it(finished: Watched) -> None:
    """Five of ten looks have a hole in the grid there."""
    watched = finished.copy()
    since = watched.seq
    watched.yard.intrude(Intrusion('remove', 0.0004, 1.2, 0.05))
    for _ in range(5):
        watched.look_past(1.2, 0.05, 0.2, 1)
        watched.look(1, 2.0)
    assert lost_m3(watched, since) == pytest.approx(0.0004, abs=0.0001)


def test_seen_twice_a_visit_between_ways_to_the_pit(finished: Watched) -> None:
    """Looks that show none of the berm leave alone what those before have begun to tell."""
    watched = finished.copy(seed=5)
    since = watched.seq
    watched.yard.intrude(Intrusion(kind='remove', station_m=1.1, volume_m3=0.0006))
    for _ in range(3):
        watched.yard.place(Pose2(-3.4, -1.0, 0.0))
        watched.look(10)
        watched.yard.place(WEST)
        watched.look(2)
    assert kinds(watched, since) == {'disturbed'}
    assert lost_m3(watched, since) == pytest.approx(0.0006, abs=0.0001)


def test_an_hour_of_settling(finished: Watched) -> None:
    """Three per cent in a dozen steps, five looks after each."""
    watched = finished.copy()
    since = watched.seq
    for _ in range(12):
        watched.yard.soil.settle(0.0025)
        watched.yard.elapsed_ns += 290 * SECOND_NS
        watched.look(5, 2.0)
    assert kinds(watched, since) == set()


def test_away_while_soil_settles_and_goes(finished: Watched) -> None:
    """Ten minutes out of sight: one per cent settled everywhere, 0.4 litre gone in one place."""
    watched = finished.copy()
    since = watched.seq
    watched.yard.place(AWAY)
    watched.look(5, 60.0)
    watched.yard.intrude(Intrusion('remove', 0.0004, 1.2, 0.03))
    watched.yard.soil.settle(0.01)
    watched.look(5, 60.0)
    watched.yard.place(WEST)
    watched.look(6)
    assert kinds(watched, since) == {'disturbed'}
    assert lost_m3(watched, since) == pytest.approx(0.0004, abs=0.0001)


@pytest.mark.parametrize('looks', [3, 12])
def test_fill_that_goes_again_with_some_of_the_berm(finished: Watched, looks: int) -> None:
    """A litre comes, booked or not yet; two go from the same spot: the berm has lost one."""
    watched = finished.copy()
    since = watched.seq
    before = watched.yard.soil.height_m.copy()
    watched.yard.intrude(Intrusion('fill', 0.001, 0.8, -0.05))
    watched.look(looks)
    watched.yard.soil.height_m[:] = before
    watched.yard.intrude(Intrusion('remove', 0.001, 0.8, -0.05))
    watched.look(8)
    assert lost_m3(watched, since) == pytest.approx(0.001, rel=0.15)
    assert ('unbooked_fill' in kinds(watched, since)) == (looks > 6)


def test_spikes_do_not_hide_a_loss() -> None:
    """Eighty single cells in every grid stand up to anywhere."""
    watched = Watched(demo_site(), seed=8, noise=replace(FIELD, spikes=80.0))
    since = watched.seq
    watched.yard.intrude(Intrusion('remove', 0.0004, 1.2, 0.05))
    watched.look(5)
    assert kinds(watched, since) == {'disturbed'}
    assert lost_m3(watched, since) == pytest.approx(0.0004, abs=0.0001)


@pytest.mark.parametrize(('station_m', 'offset_m'), [(1.1, 0.21), (-0.05, 0.0), (2.25, 0.05)])
def test_thin_soil_at_the_toe_and_at_the_ends(
    finished: Watched, station_m: float, offset_m: float
) -> None:
    """Where next to nothing stands 0.4 litre are found, too."""
    watched = finished.copy()
    since = watched.seq
    watched.yard.intrude(Intrusion('remove', 0.0004, station_m, offset_m))
    watched.look(6)
    assert kinds(watched, since) == {'disturbed'}
    assert lost_m3(watched, since) == pytest.approx(0.0004, abs=0.00012)


def test_a_groove_along_the_crest(finished: Watched) -> None:
    """Two litres scraped off a strip of 1.6 m x 40 mm."""
    watched = finished.copy()
    since = watched.seq
    watched.yard.intrude(Intrusion('remove', 0.002, 1.1, 0.0, 1.6, 0.04))
    watched.look(10)
    assert kinds(watched, since) == {'disturbed'}
    assert lost_m3(watched, since) == pytest.approx(0.002, rel=0.2)


def test_loads_come_fast_and_soil_goes_between_them() -> None:
    """Ten loads, two looks after each; 0.6 litre goes twice, beside the newest heap."""
    watched = Watched(demo_site(), seed=4, share=0.5)
    since = watched.seq
    for load, station_m in enumerate((0.3, 0.7, 1.1, 1.5, 1.9) * 2):
        if load in (4, 7):
            watched.yard.intrude(Intrusion('remove', 0.0006, {4: 1.35, 7: 0.45}[load], 0.05))
        watched.dump_at(station_m, looks=2)
    watched.look(8)
    assert kinds(watched, since) == {'disturbed'}
    assert lost_m3(watched, since) == pytest.approx(0.0012, abs=0.0003)
    rises = sum(dump.volume_m3 for dump in watched.pipeline.books.dumps)
    true = sum(dump['volume_m3'] for dump in watched.yard.dumps)
    assert rises == pytest.approx(true, rel=0.02)


def driven_past(watched: Watched, offset_m: float, rut_m: float) -> None:
    """Drive along the whole berm at an offset, with wheels that sink in, and go back."""
    yard, line = watched.yard, watched.yard.site.berms[0].centreline
    yard._ruts = Ruts(yard.soil, yard.site.rover, rut_m)
    stations = np.linspace(0.0, line.length_m, 40)
    heading_rad = [float(h) for h in line.heading_at(stations)]
    watched.run(yard.move(Pose2(float(x), float(y), yaw_rad) for (x, y), yaw_rad in zip(
        line.point_at(stations, offset_m), heading_rad)))
    yard._ruts = None
    yard.place(WEST)


@pytest.mark.parametrize(('offset_m', 'booked'), [(0.75, False), (0.25, True)])
def test_ruts_beside_a_berm_are_no_loss_but_those_through_it_are(
    finished: Watched, offset_m: float, booked: bool
) -> None:
    """Wheels 0.5 m apart sink in by 20 mm, on bare ground of the corridor or in the flank."""
    watched = finished.copy()
    since, soil = watched.seq, watched.yard.soil
    before_m = soil.height_m.copy()
    driven_past(watched, offset_m, 0.020)
    watched.look(12)
    area = watched.pipeline.survey.area
    sunk = soil.at(area.centres_xy, before_m - soil.height_m) > 0.010
    assert np.count_nonzero(sunk & area.in_corridor) > 300
    assert ('disturbed' in kinds(watched, since)) is booked
    assert not kinds(watched, since) - {'disturbed', 'slump'}
