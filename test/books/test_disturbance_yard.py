# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What is done to a finished berm: found, told apart, measured; and what is nothing."""

from dataclasses import replace
import math

from berm_ledger.books.booking import change_data
from berm_ledger.books.changes import Change
from berm_ledger.books.entries import Entry
from berm_ledger.books.rows import State
from berm_ledger.design import Site
from berm_ledger.geometry import Polygon, Polyline, Pose2
from berm_ledger.pipeline import Pipeline
from berm_ledger.simulation import DRIFTING, FIELD, Intrusion
from berm_ledger.simulation.sensor import SensorOptions
from berm_ledger.simulation.things import crossing, ParkedRobot, Person
from disturbance_kit import demo_site, Watched
import numpy as np
import pytest

SECOND_NS = 1_000_000_000


@pytest.fixture(scope='module')
def site() -> Site:
    """Return the site of the demo."""
    return demo_site()


@pytest.fixture(scope='module')
def finished(site: Site) -> Watched:
    """Return a watched berm as designed; tests spoil copies of it."""
    return Watched(site, seed=4)


def kinds(entries: list[Entry]) -> list[str]:
    """Return the kinds of entries, what is read, weighed and shifted left out."""
    return [e.kind for e in entries
            if e.kind not in ('reading', 'seen', 'load', 'map_shift', 'at_grade')]


@pytest.mark.parametrize('period_s', [0.2, 2.0])
@pytest.mark.parametrize(('volume_m3', 'station_m', 'offset_m'), [
    (0.002, 1.1, 0.0), (0.0004, 0.6, 0.06), (0.0004, 1.55, -0.10), (0.0002, 1.9, 0.03),
    (0.0001, 1.75, -0.05)])
def test_removed_soil_is_found_within_five_looks(
    finished: Watched, volume_m3: float, station_m: float, offset_m: float, period_s: float
) -> None:
    """The place, the volume within 15 % or 0.1 litre, and nothing else is booked."""
    watched = finished.copy()
    watched.yard.intrude(Intrusion('remove', volume_m3, station_m, offset_m))
    entries = watched.look(5, period_s)
    found = [e for e in entries if e.kind == 'disturbed']
    assert set(kinds(entries)) == {'disturbed', 'hold'}
    true = watched.yard.intrusions[-1]['segment']
    assert all(abs(e.segment - true) <= 1 for e in found)
    volume = sum(e.data['volume_m3'] for e in found)
    assert abs(volume - volume_m3) < max(0.15 * volume_m3, 0.0001)
    # An inverted cone at the angle of repose is about this wide.
    reach = (3.0 * volume_m3 / math.pi) ** (1.0 / 3.0) + 0.15
    for entry in found:
        assert entry.data['station_from_m'] > station_m - reach
        assert entry.data['station_to_m'] < station_m + reach
        assert entry.data['first_seen_ns'] <= entry.data['confirmed_ns'] == entry.stamp_ns
        assert entry.data['window_from_ns'] <= entry.data['first_seen_ns']


def test_what_slides_within_the_berm_is_a_slump(finished: Watched) -> None:
    """Soil from the crest comes to lie on the flank: volume kept, no rework, no hold."""
    watched = finished.copy()
    watched.yard.intrude(Intrusion('slump', 0.001, 1.2, 0.02))
    entries = watched.look(12)
    assert set(kinds(entries)) == {'slump'}
    assert not watched.pipeline.books.flags
    assert not watched.pipeline.books.on_hold
    assert sum(e.data['volume_m3'] for e in entries if e.kind == 'slump') > 0.0003


@pytest.mark.parametrize('period_s', [0.1, 0.2, 0.5, 1.0])
def test_soil_that_no_dump_brought_is_booked_and_its_leaving_is_no_loss(
    finished: Watched, period_s: float
) -> None:
    """
    A litre thrown on the berm, booked once; taken off again, nobody has lost anything.

    It must lie there for four seconds, which are many more looks than are kept if these come fast.
    """
    watched = finished.copy()
    before = watched.yard.soil.height_m.copy()
    watched.yard.intrude(Intrusion('fill', 0.001, 0.8, -0.05))
    assert kinds(watched.look(round(3.5 / period_s), period_s)) == []
    entries = watched.look(max(16, round(2.0 / period_s)), period_s)
    assert set(kinds(entries)) == {'unbooked_fill'}
    assert all(e.stamp_ns - e.data['first_seen_ns'] >= 4 * SECOND_NS
               for e in entries if e.kind == 'unbooked_fill')
    volume = sum(e.data['volume_m3'] for e in entries if e.kind == 'unbooked_fill')
    assert volume == pytest.approx(0.001, abs=0.00015)
    watched.yard.soil.height_m[:] = before
    assert kinds(watched.look(12)) == []
    watched.yard.intrude(Intrusion('remove', 0.001, 0.8, -0.05))
    assert 'disturbed' in kinds(watched.look(5))


@pytest.mark.parametrize(('kind', 'sign'), [('unbooked_fill', 1.0), ('disturbed', -1.0)])
def test_a_change_is_booked_on_the_segments_that_it_is_about(
    finished: Watched, kind: str, sign: float
) -> None:
    """Noise of the other sign in another segment names that one neither way."""
    survey = finished.pipeline.survey
    segment = survey.area.corridor.segment_index
    cells = np.flatnonzero((segment == 1) | (segment == 4))
    rise_m = sign * np.where(segment[cells] == 1, 0.010, -0.002)
    change = Change(kind, cells, 0.0, 0.001, 0, 0, 0.0001, rise_m=rise_m)
    (row, data), = change_data(change, survey, 0)
    assert (row, data['volume_m3']) == (1, 0.001)


def test_a_dump_that_left_nothing_is_a_stray(finished: Watched) -> None:
    """An empty drum is announced: no rise where the load should lie."""
    watched = finished.copy()
    assert kinds(watched.dump_at(1.0, fill=0.0, looks=16)) == ['dump', 'stray_dump']


def test_a_passing_person_is_nothing(finished: Watched) -> None:
    """Somebody walks over the crest; somebody else stands at the toe for half a minute."""
    watched = finished.copy()
    line = watched.yard.site.berms[0].centreline
    watched.yard.things.append(crossing(line, 1.0, watched.yard.elapsed_s))
    stand = line.point_at(1.7, 0.3)
    way = Polyline([stand, stand + np.array([0.0, 0.6])])
    watched.yard.things.append(Person(way, watched.yard.elapsed_s, speed_m_s=0.02))
    assert kinds(watched.look(35)) == []


@pytest.mark.parametrize('tall_m', [0.18, 0.35])
def test_a_second_robot_on_the_toe_and_its_leaving_are_nothing(
    finished: Watched, tall_m: float
) -> None:
    """A machine of upright walls is no soil, however low it is."""
    watched = finished.copy()
    place = watched.yard.site.berms[0].centreline.point_at(1.1, 0.42)
    outline = Polygon([[-0.4, -0.3], [0.4, -0.3], [0.4, 0.3], [-0.4, 0.3]])
    watched.yard.things.append(
        ParkedRobot(Pose2(float(place[0]), float(place[1]), 0.7), outline, tall_m=tall_m))
    assert kinds(watched.look(20)) == []
    watched.yard.things.clear()
    assert kinds(watched.look(12)) == []


def test_a_machine_that_shifts_about_on_the_toe_is_nothing(finished: Watched) -> None:
    """It stands for a few looks, shifts by a hand's breadth, and so on; then it leaves."""
    watched = finished.copy()
    outline = Polygon([[-0.4, -0.3], [0.4, -0.3], [0.4, 0.3], [-0.4, 0.3]])
    line, entries = watched.yard.site.berms[0].centreline, []
    for step in range(5):
        place = line.point_at(0.5 + 0.12 * step, -0.5)
        watched.yard.things = [
            ParkedRobot(Pose2(float(place[0]), float(place[1]), 0.2 * step), outline, tall_m=0.2)]
        entries += watched.look(6, 2.0)
    watched.yard.things.clear()
    assert kinds(entries + watched.look(8, 2.0)) == []


def test_the_own_body_and_drum_are_nothing(site: Site) -> None:
    """The rover sees itself while it stands with its drum over the crest."""
    watched = Watched(site, seed=5, sensor=SensorOptions(sees_itself=True))
    line = site.berms[0].centreline
    spot = line.point_at(1.1) - (0.75, 0.0)
    watched.yard.place(Pose2(float(spot[0]), float(spot[1]), 0.0))
    assert kinds(watched.look(12)) == []


@pytest.mark.parametrize('noise', [
    replace(FIELD, spikes=60.0),
    replace(FIELD, jump_xy_m=0.02, jump_z_m=0.02, jump_times_s=(48.0, 60.0)),
    replace(DRIFTING, drift_time_s=90.0, jump_times_s=(), drift_yaw_rad=0.004),
], ids=['spikes', 'jump', 'drift'])
def test_an_unsteady_map_takes_no_soil(site: Site, noise) -> None:
    """Spikes, a jump of 20 mm there and back, a drift of 30 mm in 90 s: nothing."""
    watched = Watched(site, seed=6, noise=noise)
    since = watched.seq
    watched.look(50)
    assert watched.changes(since) == []


@pytest.mark.parametrize('cell_m', [0.05, 0.1])
def test_a_coarse_grid_on_a_jumpy_map_takes_no_soil(site: Site, cell_m: float) -> None:
    """The crest lies elsewhere between its cells after every jump, by up to 35 mm in height."""
    noise = replace(FIELD, jump_xy_m=0.02, jump_z_m=0.02, jump_times_s=(48.0, 60.0, 80.0, 100.0))
    watched = Watched(site, seed=6, noise=noise, sensor=SensorOptions(cell_m=cell_m))
    since = watched.seq
    for stop in (Pose2(2.5, 0.1, math.pi), Pose2(0.2, 0.0, 0.0), Pose2(0.3, -0.9, 0.3),
                 Pose2(2.3, 0.8, math.pi + 0.4)):
        watched.yard.place(stop)
        watched.look(15)
    assert watched.changes(since) == []


def test_fresh_soil_may_settle(finished: Watched) -> None:
    """Three per cent in height everywhere is within the tolerance and is nobody's doing."""
    watched = finished.copy()
    watched.yard.soil.settle(0.03)
    assert kinds(watched.look(20)) == []


def test_rework_stays_until_mended_and_measured(finished: Watched) -> None:
    """Neither more looks nor a restart take the flag off; a dump measured at grade does."""
    watched = finished.copy()
    watched.yard.intrude(Intrusion('remove', 0.006, 1.1, 0.0, 0.3, 0.1))
    watched.look(8)
    books = watched.pipeline.books
    flags = [flag.segment for flag in books.flags]
    assert flags
    assert books.on_hold
    assert all(row.state == State.REWORK for row in books.rows if row.segment in flags)
    assert sum(row.dumps_remaining for row in books.rows) >= 1
    watched.take(watched.pipeline.finish())
    watched.pipeline = Pipeline(
        watched.yard.site, entries=watched.entries, surfaces=watched.surfaces.values())
    watched.look(12)
    assert [flag.segment for flag in watched.pipeline.books.flags] == flags
    since = watched.seq
    for _ in range(8):
        if watched.pipeline.books.flags:
            watched.dump_at(watched.lowest_station_m(), fill=0.35, looks=6)
    assert not watched.pipeline.books.flags
    done = [e for e in watched.entries if e.seq > since and e.kind == 'reworked']
    assert sorted(e.segment for e in done) == sorted(flags)
    assert all(e.data['dumps'] >= 1 for e in done)
    assert not [e for e in watched.changes(since) if e.kind != 'hold']


def stop(watched: Watched) -> None:
    """Stop a watch and start it again from its entries and layers."""
    watched.take(watched.pipeline.finish())
    watched.pipeline = Pipeline(
        watched.yard.site, entries=watched.entries, surfaces=watched.surfaces.values())


@pytest.mark.parametrize('looks', [1, 2, 3])
def test_evidence_outlives_a_restart(finished: Watched, looks: int) -> None:
    """Looks before and after a restart count together: booked at the same look, once."""
    straight, stopped = finished.copy(), finished.copy()
    for watched in (straight, stopped):
        watched.yard.intrude(Intrusion('slump', 0.001, 1.2, 0.02))
        watched.yard.intrude(Intrusion('remove', 0.0004, 0.5, 0.02))
        watched.look(looks)
    stop(stopped)
    booked = []
    for watched in (straight, stopped):
        since = watched.seq
        watched.look(12 - looks)
        booked.append([(e.kind, e.stamp_ns, e.segment) for e in watched.changes(since)])
    assert {kind for kind, _, _ in booked[0]} == {'disturbed', 'slump', 'hold'}
    assert booked[1] == booked[0]


def test_how_long_added_soil_has_lain_there_outlives_a_restart(finished: Watched) -> None:
    """At five looks a second, of which eight are kept: booked at the same look."""
    straight, stopped = finished.copy(), finished.copy()
    for watched in (straight, stopped):
        watched.yard.intrude(Intrusion('fill', 0.002, 1.2, 0.02))
        watched.look(15, 0.2)
    stop(stopped)
    booked = [[(e.kind, e.stamp_ns, e.data['first_seen_ns']) for e in watched.look(8, 0.2)
               if e.kind == 'unbooked_fill'] for watched in (straight, stopped)]
    assert len(booked[0]) > 0
    assert booked[1] == booked[0]


def test_the_operator_clears_and_resumes(finished: Watched) -> None:
    """Cleared means accepted as it stands: no flag, no second booking of the same hole."""
    watched = finished.copy()
    watched.yard.intrude(Intrusion('remove', 0.006, 1.1, 0.0, 0.3, 0.1))
    watched.look(6)
    assert watched.pipeline.books.flags
    watched.take(watched.pipeline.clear_rework())
    assert not watched.pipeline.books.flags
    assert watched.pipeline.books.on_hold
    watched.take(watched.pipeline.resume())
    assert not watched.pipeline.books.on_hold
    assert kinds(watched.look(12)) == []


def test_what_the_operator_accepts_outlives_a_kill(finished: Watched) -> None:
    """Killed right after: soil that came without a dump is accepted, and its loss is one."""
    watched = finished.copy()
    watched.yard.intrude(Intrusion('fill', 0.002, 1.2, 0.02))
    assert 'unbooked_fill' in kinds(watched.look(10))
    watched.take(watched.pipeline.clear_rework())
    watched.pipeline = Pipeline(
        watched.yard.site, entries=watched.entries, surfaces=watched.surfaces.values())
    assert not watched.pipeline._clerk.changes.accepted.has_fill
    watched.yard.intrude(Intrusion('remove', 0.001, 1.2, 0.02))
    assert 'disturbed' in kinds(watched.look(6))


def test_a_site_may_switch_the_hold_off(site: Site) -> None:
    """The disturbance is booked all the same."""
    watched = Watched(replace(site, hold_on_disturbance=False), seed=4)
    watched.yard.intrude(Intrusion('remove', 0.001, 1.1))
    assert set(kinds(watched.look(6))) == {'disturbed'}
    assert not watched.pipeline.books.on_hold


def test_the_crest_has_sunk_by_the_time_the_loss_is_booked(finished: Watched) -> None:
    """What the segment needs, and so its flag, is judged by the crest without the lost soil."""
    watched = finished.copy()
    watched.yard.intrude(Intrusion('remove', 0.002, 1.1, 0.0))
    found = None
    while found is None:
        found = next((e for e in watched.look(1) if e.kind == 'disturbed'), None)
    at_once = watched.pipeline.books.rows[found.segment - 1]
    watched.look(4)
    later = watched.pipeline.books.rows[found.segment - 1]
    assert at_once.height_m == pytest.approx(later.height_m, abs=0.003)
    assert at_once.at_grade < 0.9


def test_several_disturbances_keep_their_own_records(finished: Watched) -> None:
    """Half a litre, a litre beside it, then half a litre from the first hole again."""
    watched = finished.copy()
    for station_m, volume_m3 in ((1.05, 0.0005), (1.30, 0.001), (1.05, 0.0005)):
        since = watched.seq
        watched.yard.intrude(Intrusion('remove', volume_m3, station_m))
        watched.look(10)
        found = [e for e in watched.changes(since) if e.kind == 'disturbed']
        volume = sum(e.data['volume_m3'] for e in found)
        assert volume == pytest.approx(volume_m3, abs=0.00015)
        assert len({e.stamp_ns for e in found}) == 1


def test_found_after_a_long_absence_with_the_time_it_may_have_happened(
    finished: Watched
) -> None:
    """The rover was away for an hour; the window reaches from its last look to its next."""
    watched = finished.copy()
    left_ns = watched.yard.stamp_ns
    watched.run(watched.yard.wait(1.0))
    watched.yard.elapsed_ns += 3600 * SECOND_NS
    watched.yard.intrude(Intrusion('remove', 0.001, 0.9))
    entries = watched.look(6)
    found = [e for e in entries if e.kind == 'disturbed']
    assert found
    for entry in found:
        assert abs(entry.data['window_from_ns'] - left_ns) <= 4 * SECOND_NS
        assert entry.data['first_seen_ns'] - left_ns >= 3600 * SECOND_NS


def test_unfinished_segments_are_watched_too(site: Site) -> None:
    """A berm at 60 % of its height loses a litre: booked, and loads are still called for."""
    watched = Watched(site, seed=7, share=0.6)
    assert all(row.state == State.SHORT for row in watched.pipeline.books.rows)
    watched.yard.intrude(Intrusion('remove', 0.001, 1.1))
    found = [e for e in watched.look(5) if e.kind == 'disturbed']
    assert sum(e.data['volume_m3'] for e in found) == pytest.approx(0.001, rel=0.15)
    assert all(e.data['rework'] for e in found)


def test_a_dump_nobody_looks_at_does_not_stop_the_watch(finished: Watched) -> None:
    """An unmeasured dump at one end; soil taken at the other is found all the same."""
    watched = finished.copy()
    watched.dump_at(0.2, looks=0)
    watched.yard.intrude(Intrusion('remove', 0.001, 1.8))
    assert 'disturbed' in kinds(watched.look(6))
    assert not np.isnan(watched.pipeline.books.dumps[-1].volume_m3)
