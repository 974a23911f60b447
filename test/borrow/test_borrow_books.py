# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The borrow side through the pipeline: messages in, entries out, restarts, gates, voids."""

from __future__ import annotations

from dataclasses import replace
import math

from berm_ledger.books.entries import Entry
from berm_ledger.borrow.account import account_of
from berm_ledger.borrow.balance import has_opened, is_open
from berm_ledger.borrow.layers import is_borrow_layer
from berm_ledger.design import BorrowArea, Site
from berm_ledger.geometry import Polygon, Pose2, StampedPose
from berm_ledger.pipeline import Pipeline
from berm_ledger.simulation import (
    BorrowOptions,
    BuildOptions,
    SensorOptions,
    SimEvent,
    SimulatedBuild,
    YardOptions,
)
from berm_ledger.survey import ElevationGrid
from berm_ledger.targeting import Ground, Target
from borrow_kit import a_site
from disturbance_kit import feed
import numpy as np
import pytest
from targeting_kit import choose_target

SITE = a_site()
YARD = YardOptions(
    pose_rate_hz=1.0, grid_period_s=3.0, dig_s=6.0, sensor=SensorOptions(size_m=4.4, cell_m=0.035),
    weighed=False, borrow=BorrowOptions(partial_loads=(3,), partial_fill=0.4))
LOADS = 4
SECOND_NS = 1_000_000_000
KINDS = ('borrow_datum', 'cut', 'load', 'void', 'balance', 'imbalance')


@pytest.fixture(scope='module')
def build() -> tuple[list[SimEvent], dict]:
    made = SimulatedBuild(SITE, seed=5, options=BuildOptions(
        most_loads=LOADS, final_looks=2, yard=YARD))
    events = list(made.events())
    return events, made.truth()


@pytest.fixture(scope='module')
def done(build) -> tuple[Pipeline, list, dict]:
    pipeline, entries, layers = Pipeline(SITE), [], {}
    for event in build[0]:
        update = feed(pipeline, event)
        entries += update.entries
        layers.update({layer.name: layer for layer in update.surfaces})
    return pipeline, entries, layers


def test_every_load_is_cut_weighed_and_timed(build, done) -> None:
    """A datum before the first, then figures of the area and of the load with each dump."""
    kinds = [entry.kind for entry in done[1] if entry.kind in KINDS]
    assert kinds.count('borrow_datum') == 1
    assert kinds.count('load') == kinds.count('cut') == LOADS
    account, truth = done[0].borrow, build[1]
    for load, dump in zip(account.loads, truth['dumps']):
        assert abs(load.mass_kg - dump['mass_kg']) < 3.0 * load.mass_se_kg
        assert load.mass_se_kg < 0.35 * dump['mass_kg']
    times = account.loads[-1].times
    assert times.dig_s + times.haul_s + times.dump_s == pytest.approx(times.cycle_s, abs=0.05)
    assert times.dig_s > 6.0
    assert times.dump_s > 2.0


def test_the_cut_is_that_of_the_truth(build, done) -> None:
    """Bank volume within 3.5 of its own errors; each load's own cut too."""
    account, borrow = done[0].borrow, build[1]['borrow']
    cut_m3, cut_se_m3 = account.cut_m3
    true_m3 = sum(area['cut_m3'] for area in borrow['areas'])
    assert abs(cut_m3 - true_m3) < 3.5 * cut_se_m3
    assert cut_se_m3 < 0.15 * true_m3
    for load, dig in zip(account.loads, borrow['digs']):
        assert abs(load.cut_m3 - dig['bank_m3']) < 3.5 * load.cut_se_m3


def test_what_a_load_weighs_follows_from_its_cut_too(build, done) -> None:
    """Sand takes up 1.11 times as much room when it is dug; each kind of evidence is honest."""
    loads = [entry.data for entry in done[1] if entry.kind == 'load']
    for load, dump in zip(loads, build[1]['dumps']):
        assert load['cut_kg'] == pytest.approx(1.11 * 1500.0 * load['cut_m3'], rel=1e-3)
        for kind in ('cut', 'current'):
            assert abs(load[f'{kind}_kg'] - dump['mass_kg']) < 3.0 * load[f'{kind}_se_kg']
            assert load['mass_se_kg'] < load[f'{kind}_se_kg'] < 2.0


def test_a_partial_load_is_not_taken_for_a_full_one(build, done) -> None:
    """Four tenths of a drum is found, or left open, never called full; full ones never partial."""
    said = [load.partial for load in done[0].borrow.loads]
    assert said[2] is not False
    assert not any(partial is True for n, partial in enumerate(said) if n != 2)


def test_the_balance_closes(done) -> None:
    """Nothing is found where nothing is wrong."""
    account = done[0].borrow
    assert account.balances
    for balance in account.balances:
        assert abs(balance.unexplained_m3) < 2.6 * balance.unexplained_se_m3
    assert 'imbalance' not in [entry.kind for entry in done[1]]


def test_soil_that_swells_less_than_the_site_says_is_one_finding() -> None:
    """Soil that swells by 1.11 and not by 1.6: it lacks half of the cut, and is told once."""
    made = SimulatedBuild(SITE, seed=5, options=BuildOptions(most_loads=7, yard=YARD))
    site = replace(SITE, material=replace(SITE.material, swell=1.6))
    pipeline, entries, findings = Pipeline(site), [], []
    for event in made.events():
        update = feed(pipeline, event)
        entries += update.entries
        findings += update.findings
    told = [entry.data for entry in entries if entry.kind == 'imbalance']
    said = [finding.text for finding in findings if finding.code == 'imbalance']
    assert len(told) == len(said) == 1
    assert pipeline.borrow.unbalanced
    balances = pipeline.borrow.balances
    first = next(b for n, b in enumerate(balances, 1) if has_opened(site, balances[:n]))
    assert told[0]['volume_m3'] == first.unexplained_m3 > 0.5 * site.load_volume_m3
    assert 'more soil was cut than lies on the berms' in said[0]
    assert said[0].endswith(f'{first.unexplained_m3:+.4f} m3')


def test_the_account_is_the_fold_of_the_entries(done) -> None:
    """Whoever folds the entries has the account that the pipeline tells."""
    assert repr(account_of(done[1])) == repr(done[0].borrow)


def test_same_messages_same_bytes(build, done) -> None:
    """A second run writes the same entries and layers, byte for byte."""
    again, entries, layers = Pipeline(SITE), [], {}
    for event in build[0]:
        update = feed(again, event)
        entries += update.entries
        layers.update({layer.name: layer for layer in update.surfaces})
    assert [(e.seq, e.stamp_ns, e.kind, e.data_json()) for e in entries] == [
        (e.seq, e.stamp_ns, e.kind, e.data_json()) for e in done[1]]
    ours = {n: v.values.tobytes() for n, v in layers.items() if is_borrow_layer(v)}
    theirs = {n: v.values.tobytes() for n, v in done[2].items() if is_borrow_layer(v)}
    assert ours == theirs
    assert len(ours) == 6


@pytest.mark.parametrize('share', [0.45, 0.75])
def test_a_restart_goes_on_with_the_same_account(build, done, share: float) -> None:
    """Stopped anywhere, the loads are booked once and the cut is the same within its error."""
    stop = round(share * len(build[0]))
    first, entries, layers = Pipeline(SITE), [], {}
    for event in build[0][:stop]:
        update = feed(first, event)
        entries += update.entries
        layers.update({layer.name: layer for layer in update.surfaces})
    second = Pipeline(SITE, entries=entries, surfaces=layers.values())
    assert repr(second.borrow) == repr(first.borrow)
    assert repr(second.next_lane()) == repr(first.next_lane())
    for event in build[0][stop:]:
        entries += feed(second, event).entries
    straight = done[0].borrow
    assert [load.dump_seq is not None for load in second.borrow.loads] == [True] * LOADS
    ours, theirs = second.borrow.cut_m3, straight.cut_m3
    assert abs(ours[0] - theirs[0]) < 3.0 * math.hypot(ours[1], theirs[1])
    assert [e.kind for e in entries].count('borrow_datum') == 1


def test_without_grids_of_the_area_loads_are_still_timed_and_weighed(build) -> None:
    """A rover that does not look where it digs has no cut account, and no balance."""
    pipeline = Pipeline(SITE)
    entries = []
    for event in build[0]:
        if event.kind == 'grid' and pipeline._borrow.desks[0].patch.shown_by(event.value):
            continue
        entries += feed(pipeline, event).entries
    account = pipeline.borrow
    assert len(account.loads) == LOADS
    assert not account.areas
    assert not account.balances
    assert all(math.isnan(load.cut_m3) for load in account.loads)
    assert math.isfinite(account.loads[-1].times.haul_s)


def without(grid: ElevationGrid, polygon: Polygon) -> ElevationGrid:
    """Return a grid that shows nothing of a polygon."""
    rows, cols = grid.height_m.shape
    index = np.stack(np.indices((rows, cols)), axis=-1).reshape(-1, 2)
    hidden = polygon.contains(grid.axes.world_from_index(index)).reshape(rows, cols)
    return replace(grid, height_m=np.where(hidden, np.nan, grid.height_m))


def stands_inside(pipeline: Pipeline) -> bool:
    """Tell whether the robot stood in a borrow area at its last pose."""
    pose = pipeline._borrow._pose
    return pose is not None and any(
        desk.holds(pose, pose.apply([SITE.rover.drop_point_xy])[0])
        for desk in pipeline._borrow.desks)


def with_two_areas() -> tuple[Site, BorrowArea]:
    """Return the site with its area in two, and the one that grids are to hide."""
    seen, hidden = (
        BorrowArea(name, Polygon([[-3.0, y], [-1.56, y], [-1.56, y + 1.0], [-3.0, y + 1.0]]), None)
        for name, y in (('seen', -1.0), ('hidden', 0.0)))
    return replace(SITE, yard=replace(SITE.yard, borrow_areas=(seen, hidden))), hidden


def test_where_one_of_two_areas_is_never_seen_there_is_no_balance(build) -> None:
    """Half of every load comes from ground that no grid shows: no soil came of itself."""
    site, hidden = with_two_areas()
    pipeline = Pipeline(site)
    kinds = []
    for event in build[0]:
        if event.kind == 'grid':
            event = event._replace(value=without(event.value, hidden.polygon))
        kinds += [entry.kind for entry in feed(pipeline, event).entries]
    account = pipeline.borrow
    assert math.isfinite(account.areas['seen'].cut_m3)
    assert account.unseen == ('hidden',)
    assert math.isnan(account.cut_m3[0])
    assert not {'balance', 'imbalance'} & set(kinds)
    # As far as anybody knows it is the one dug least.
    proposal = pipeline.next_lane()
    assert proposal is not None
    assert hidden.polygon.contains(np.array([proposal[0].start.xy])).all()
    # The operator takes the datum while all is in view.
    last = next(e.value for e in reversed(build[0]) if e.kind == 'grid' and
                pipeline._borrow.desks[1].patch.shown_by(e.value))
    chance = np.random.default_rng(1)
    for step in range(1, 6):
        stamp_ns = build[0][-1].stamp_ns + step * SECOND_NS
        pipeline.add_pose(StampedPose(stamp_ns, site.frame, Pose2(0.0, 0.0, 0.0)))
        noise = 0.002 * chance.standard_normal(last.height_m.shape)
        pipeline.add_grid(replace(
            last, stamp_ns=stamp_ns, height_m=last.height_m + noise.astype(np.float32)))
    pipeline.take_datum()
    assert pipeline.borrow.unseen == ()


def test_a_restart_with_a_full_drum_notes_the_areas_that_nobody_has_seen(build) -> None:
    """Whether the second load came from the ground that no grid shows is not known."""
    site, hidden = with_two_areas()
    pipeline, booked, layers, was = Pipeline(site), [], {}, False
    for event in build[0]:
        if event.kind == 'grid':
            event = event._replace(value=without(event.value, hidden.polygon))
        update = feed(pipeline, event)
        booked += update.entries
        layers.update({layer.name: layer for layer in update.surfaces})
        inside = stands_inside(pipeline)
        if len(pipeline.borrow.loads) == 1 and was and not inside:
            # Just out of the area, with the second load.
            pipeline = Pipeline(site, entries=booked, surfaces=layers.values())
        if len(pipeline.borrow.loads) == 2:
            break
        was = inside
    last = [entry for entry in booked if entry.kind == 'load'][-1]
    assert last.data['unseen_areas'] == ['hidden']


def test_a_site_without_borrow_areas_books_nothing_of_it(build) -> None:
    """As before: no entry of the new kinds, no layer."""
    site = replace(SITE, yard=replace(SITE.yard, borrow_areas=()))
    pipeline = Pipeline(site)
    for event in build[0]:
        update = feed(pipeline, event)
        assert not [entry for entry in update.entries if entry.kind in KINDS]
        assert not [layer for layer in update.surfaces if is_borrow_layer(layer)]
    assert pipeline.borrow.is_empty
    assert pipeline.next_lane() is None


@pytest.mark.parametrize(('current_a', 'code'), [
    (math.nan, 'bad_current'), (-1.0, 'bad_current'), (math.inf, 'bad_current')])
def test_impossible_currents_are_refused(current_a: float, code: str) -> None:
    """Amperes, 0 or more; the books do not move but for saying so."""
    pipeline = Pipeline(SITE)
    pipeline.add_pose(StampedPose(10**12, 'map', Pose2(0.0, 0.0)))
    update = pipeline.add_drum_current(current_a)
    assert [finding.code for finding in update.findings] == [code]
    assert [entry.kind for entry in update.entries] == ['refused']


def test_a_current_needs_a_pose() -> None:
    """It has no stamp of its own: its time is that of the last pose."""
    assert [f.code for f in Pipeline(SITE).add_drum_current(2.0).findings] == ['no_pose']
    pipeline = Pipeline(SITE)
    pipeline.add_pose(StampedPose(10**12, 'map', Pose2(0.0, 0.0)))
    # An empty drum that stands takes next to none.
    for current_a in (2.0, 0.3, 0.0):
        assert not pipeline.add_drum_current(current_a).findings
    assert pipeline.health.counters['drum_currents'] == 3


@pytest.mark.parametrize(('at', 'shift', 'aboard'), [
    ((-1.53, 0.0), (0.05, 0.0), True), ((-1.59, 0.0), (-0.05, 0.0), None),
    ((-2.0, 1.03), (0.0, 0.05), True), ((-2.0, 0.97), (0.0, -0.05), None)])
def test_whether_the_drum_digs_is_told_in_the_frame_of_the_site(at, shift, aboard) -> None:
    """The area ends at x = -1.56 and y = 1; the map has drifted by 50 mm."""
    moved = {'dx_m': shift[0], 'dy_m': shift[1], 'dz_m': 0.0, 'text': ''}
    pipeline = Pipeline(SITE, entries=[Entry(1, SECOND_NS, 'map_shift', None, None, moved)])
    facing_out = 0.0 if at[1] == 0.0 else 0.5 * math.pi
    pipeline.add_pose(StampedPose(2 * SECOND_NS, SITE.frame, Pose2(*at, facing_out)))
    assert pipeline.load_aboard is aboard


def test_a_lane_dug_too_deep_is_closed_and_no_go() -> None:
    """Digging in one lane again and again: closed before the limit is passed by a centimetre."""
    site = a_site(max_cut_m=0.03)
    made = SimulatedBuild(site, seed=2, options=BuildOptions(
        most_loads=8, yard=replace(YARD, borrow=BorrowOptions(one_lane=True))))
    pipeline, deepest_m = Pipeline(site), math.nan
    lattice, _ = pipeline.no_go()
    for event in made.events():
        update = feed(pipeline, event)
        closed = [entry for entry in update.entries if entry.kind == 'void']
        if closed:
            deepest_m = made.truth()['borrow']['areas'][0]['deepest_m']
            assert [f.code for f in update.findings] == ['void'] * len(closed)
            assert {entry.data['lane'] for entry in closed} == {1}
            assert closed[0].data['text'].endswith(
                ' m deep, one more cut would pass max_cut_m, 0.03 m')
            break
    assert 0.010 < deepest_m < 0.04
    lane = pipeline._borrow.desks[0].lanes[0]
    middle = (lane.start @ Pose2(1.0, 0.0)).xy
    row, col = np.rint(lattice.index_from_xy(middle)).astype(int)
    assert pipeline.no_go()[1][row, col]
    proposal = pipeline.next_lane()
    assert proposal is not None
    assert proposal[0].number != 1


def test_the_last_load_may_be_dumped_once_no_lane_is_open() -> None:
    """A drum that has dug is loaded, after its dump empty, also where it stands in the pit."""
    site = a_site(((-3.0, -0.2), (-1.4, -0.2), (-1.4, 0.2), (-3.0, 0.2)), max_cut_m=0.03)
    made = SimulatedBuild(site, seed=1, options=BuildOptions(
        most_loads=8, yard=replace(YARD, borrow=BorrowOptions(one_lane=True))))
    pipeline = Pipeline(site)
    assert pipeline.load_aboard is None
    for event in made.events():
        feed(pipeline, event)
        assert event.kind != 'dump' or pipeline.load_aboard is False
        if pipeline.next_lane() is None:
            break
    assert pipeline.load_aboard is True
    target = choose_target(
        site, pipeline.books.rows, Ground(*pipeline.no_go()), pipeline._gate.pose.pose)
    assert isinstance(target, Target)
    now_ns = pipeline.stamp_ns
    pipeline.add_pose(StampedPose(now_ns + 9 * SECOND_NS, 'map', target.pose))
    pipeline.add_dump(math.nan)
    pipeline.add_pose(StampedPose(now_ns + 20 * SECOND_NS, 'map', Pose2(-2.2, 0.0, 0.0)))
    assert pipeline.load_aboard is False


def test_a_restart_with_a_full_drum_finds_no_imbalance(
    build: tuple[list[SimEvent], dict],
) -> None:
    """What an earlier run has seen dug is not held against the cut, which lacks it."""
    pipeline, booked, layers, done, was, again = Pipeline(SITE), [], {}, 0, False, 0
    for event in build[0]:
        update = feed(pipeline, event)
        booked += update.entries
        layers.update({layer.name: layer for layer in update.surfaces})
        done += event.kind == 'dump'
        inside = stands_inside(pipeline)
        if done == 1 and was and not inside and not again:
            # Just out of the area, with the second load.
            pipeline, again = Pipeline(SITE, entries=booked, surfaces=layers.values()), len(booked)
        was = inside
    assert again
    assert len(pipeline.borrow.loads) == 4
    assert 'imbalance' not in [entry.kind for entry in booked]
    after = [balance for balance in pipeline.borrow.balances
             if balance.stamp_ns > booked[again - 1].stamp_ns]
    assert after
    assert not any(is_open(SITE, balance) for balance in after)


def test_strays_from_before_an_operators_datum_are_not_spilled_again() -> None:
    """The second of four loads strays; the datum is taken with an empty drum after the third."""
    # A grid a second while it stands there: a load, also the small third one, is measured well
    # before the next one is dug.
    made = SimulatedBuild(SITE, seed=3, options=BuildOptions(
        most_loads=4, stray_loads=(2,), final_looks=2,
        yard=replace(YARD, grid_period_s=1.0, dump_s=16.0)))
    pipeline, done, before = Pipeline(SITE), 0, None
    for event in made.events():
        feed(pipeline, event)
        done += event.kind == 'dump'
        waits = pipeline._clerk.dumps.patches or pipeline._borrow.desks[0].before is not None
        if before is None and done == 3 and event.kind == 'pose' and not waits:
            pipeline.take_datum()
            before = len(pipeline.borrow.balances)
    assert before
    balances = pipeline.borrow.balances
    assert balances[before - 1].spilled_m3 > 0.8 * SITE.load_volume_m3
    assert balances[before:]
    for balance in balances[before:]:
        assert abs(balance.spilled_m3) < 0.1 * SITE.load_volume_m3
        assert not is_open(SITE, balance)


def test_a_second_visit_that_no_grid_came_before_has_no_cut_of_its_own() -> None:
    """The area is seen again only after the second visit to the same lane: of the third load."""
    site = replace(SITE, yard=replace(SITE.yard, borrow_areas=tuple(
        replace(area, max_cut_m=None) for area in SITE.yard.borrow_areas)))
    made = SimulatedBuild(site, seed=5, options=BuildOptions(
        most_loads=3, final_looks=1, yard=replace(YARD, borrow=BorrowOptions(one_lane=True))))
    pipeline, done = Pipeline(site), 0
    desk = pipeline._borrow.desks[0]
    for event in made.events():
        digging = desk.before is not None
        if event.kind == 'grid' and desk.patch.shown_by(event.value) and (
                (done == 1 and digging) or (done == 2 and not digging)):
            continue
        done += event.kind == 'dump'
        feed(pipeline, event)
    assert len(pipeline.borrow.loads) == 3
    assert math.isnan(pipeline.borrow.loads[2].cut_m3)
