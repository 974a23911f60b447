# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The pipeline: messages in, entries out; the same for live, restart and replay."""

from collections.abc import Iterable, Iterator
from dataclasses import replace
import math
from pathlib import Path

from berm_ledger.books.entries import Entry
from berm_ledger.books.layers import DATUM
from berm_ledger.books.ledger import fold
from berm_ledger.books.rows import Row, State
from berm_ledger.design import BorrowArea, Plane, Site
from berm_ledger.findings import Severity
from berm_ledger.geometry import GridAxes, Polygon, Pose2, StampedPose
from berm_ledger.kernels import compiled, numpy_only
from berm_ledger.pipeline import Pipeline
from berm_ledger.simulation import (
    BuildOptions,
    SimEvent,
    SimulatedBuild,
    YardOptions,
)
from berm_ledger.site_source import load_site
from berm_ledger.survey import ElevationGrid
from berm_ledger.survey.attitude import AttitudeOfGrids
from berm_ledger.survey.gates import MOST_LAG_NS
from berm_ledger.updates import Update
from disturbance_kit import feed
import numpy as np
import pytest

CONFIG = Path(__file__).resolve().parents[1] / 'config'
SECOND_NS = 1_000_000_000
START_NS = 1_000 * SECOND_NS
AWAY = Pose2(-2.5, -1.0, 0.0)


@pytest.fixture(scope='module')
def site() -> Site:
    """Return the site of the demo."""
    return load_site(CONFIG / 'shelter_site.yaml').site


@pytest.fixture(scope='module')
def events(site: Site) -> list[SimEvent]:
    """Return a short build: survey, five loads, a last look round."""
    options = BuildOptions(most_loads=5, yard=YardOptions(pose_rate_hz=1.0))
    return list(SimulatedBuild(site, seed=3, options=options).events())


def booked_part(rows: Iterable[Row]) -> list[str]:
    """
    Return rows without what follows from the surface as it stands rather than from entries.

    As text: from Python 3.13 on dataclasses that hold the same NaN are not equal.
    """
    return [repr(replace(row, dumps_remaining=0, low_station_m=math.nan, low_short_m=math.nan,
                         wants_load=None))
            for row in rows]


@pytest.mark.skipif(
    compiled.cells is None, reason='the kernels are not built: pip install -e . with a C compiler')
def test_compiled_loops_change_no_byte_of_the_books(site: Site, events: list[SimEvent]) -> None:
    def kept() -> list[bytes]:
        pipeline, out = Pipeline(site), []
        for event in events:
            update = feed(pipeline, event)
            out += [repr(entry).encode() for entry in update.entries]
            out += [layer.values.tobytes() for layer in update.surfaces]
        return out + [layer.values.tobytes() for layer in pipeline.finish().surfaces]

    with numpy_only():
        plain = kept()
    assert len(plain) > 100
    assert kept() == plain


def flat_grid(site: Site, stamp_ns: int, level_m: float = 0.0) -> ElevationGrid:
    """Return a grid of level ground over the berm of the demo."""
    axes = GridAxes((0.0, -2.0), (0.0, 0.02), (0.02, 0.0))
    return ElevationGrid(stamp_ns, site.frame, axes, np.full((200, 140), level_m))


def pose_at(site: Site, stamp_ns: int, pose: Pose2 = AWAY) -> StampedPose:
    """Return a pose in the frame of the site."""
    return StampedPose(stamp_ns, site.frame, pose)


def looks(
    site: Site, pipeline: Pipeline, count: int, *, start_ns: int = START_NS, level_m: float = 0.0
) -> Iterator[Update]:
    """Yield the updates of looks at level ground, one a second."""
    for step in range(count):
        stamp_ns = start_ns + step * SECOND_NS
        pipeline.add_pose(pose_at(site, stamp_ns))
        yield pipeline.add_grid(flat_grid(site, stamp_ns, level_m))


def test_soil_dug_close_to_the_toe_is_nobodys_loss(site: Site) -> None:
    """A borrow area begins 0.10 m past the toe: the berm is not disturbed, nor its volume less."""
    corners = [[1.81, -0.3], [2.6, -0.3], [2.6, 0.4], [1.81, 0.4]]
    pit = BorrowArea('pit', Polygon(corners), max_cut_m=None)
    pipeline = Pipeline(replace(site, yard=replace(site.yard, borrow_areas=(pit,))))
    x, y = np.meshgrid(0.02 * np.arange(140), -2.0 + 0.02 * np.arange(200))
    heap = np.maximum(0.0, 0.12 - 0.6 * np.hypot(x - 1.45, y))
    # Sides of the pit slide until they stand at the angle of repose.
    away = pit.polygon.distance_m(np.column_stack([x.ravel(), y.ravel()])).reshape(x.shape)
    away[(x > 1.81) & (x < 2.6) & (y > -0.3) & (y < 0.4)] = 0.0
    entries = []
    for step in range(60):
        stamp_ns = START_NS + step * SECOND_NS
        pipeline.add_pose(pose_at(site, stamp_ns))
        depth = 0.002 * max(0, step - 20)
        height = (heap if step > 10 else 0.0) - np.maximum(0.0, depth - 0.65 * away)
        grid = replace(flat_grid(site, stamp_ns), height_m=height)
        entries += pipeline.add_grid(grid).entries
        if step == 10:
            pipeline.add_pose(pose_at(site, stamp_ns + 1, Pose2(0.7, 0.0, 0.0)))
            entries += pipeline.add_dump(6.0).entries
    kinds = [entry.kind for entry in entries]
    assert 'rise' in kinds
    assert not {'disturbed', 'hold', 'slump', 'void'} & set(kinds)
    assert sum(row.placed_m3 for row in pipeline.books.rows) == pytest.approx(
        heap.sum() * 0.02**2, rel=0.05)


def test_same_messages_give_the_same_bytes(site: Site, events: list[SimEvent]) -> None:
    """Two runs over the same messages write the same entries, byte for byte."""
    written = []
    for _ in range(2):
        pipeline = Pipeline(site)
        entries = [e for event in events for e in feed(pipeline, event).entries]
        written.append([(e.seq, e.stamp_ns, e.kind, e.berm, e.segment, e.data_json())
                        for e in entries])
    assert written[0] == written[1]
    assert len(written[0]) > 50


def test_rows_are_the_fold_of_the_entries(site: Site, events: list[SimEvent]) -> None:
    """Whoever folds the entries gets the rows that the pipeline tells, loads aside."""
    pipeline = Pipeline(site)
    entries = [e for event in events for e in feed(pipeline, event).entries]
    folded = fold(site, entries)
    told = pipeline.books
    assert booked_part(told.rows) == booked_part(folded.rows)
    assert [entry.seq for entry in entries] == list(range(1, len(entries) + 1))


def test_every_dump_is_booked_and_its_rise_measured(
    site: Site, events: list[SimEvent]
) -> None:
    """Each announced dump is an entry at once; its rise agrees with what truly fell."""
    build = SimulatedBuild(site, seed=3, options=BuildOptions(
        most_loads=5, yard=YardOptions(pose_rate_hz=1.0)))
    pipeline = Pipeline(site)
    for event in build.events():
        update = feed(pipeline, event)
        if event.kind == 'dump':
            assert 'dump' in [entry.kind for entry in update.entries]
    truth = build.truth()['dumps']
    booked = pipeline.books.dumps
    assert len(booked) == len(truth) == 5
    measured = sum(record.volume_m3 for record in booked)
    assert measured == pytest.approx(sum(true['volume_m3'] for true in truth), rel=0.05)
    for record, true in zip(booked, truth):
        assert abs(record.volume_m3 - true['volume_m3']) < 3.0 * record.volume_se_m3
        assert (record.berm, record.segment) == (true['berm'], true['segment'])


def test_a_restart_goes_on_with_the_same_books(site: Site, events: list[SimEvent]) -> None:
    """Stopped in the middle and taken up from entries and layers, the end is the same work."""
    straight, first = Pipeline(site), Pipeline(site)
    for event in events:
        feed(straight, event)
    half = len(events) // 2
    entries, layers = [], {}
    for event in events[:half]:
        update = feed(first, event)
        entries += update.entries
        layers.update({layer.name: layer for layer in update.surfaces})
    second = Pipeline(site, entries=entries, surfaces=layers.values())
    assert booked_part(second.books.rows) == booked_part(first.books.rows)
    assert repr(second.books.dumps) == repr(first.books.dumps)
    for event in events[half:]:
        entries += feed(second, event).entries
    assert [e.seq for e in entries] == list(range(1, len(entries) + 1))
    assert len(second.books.dumps) == len(straight.books.dumps)
    for ours, theirs in zip(second.books.rows, straight.books.rows):
        # Noise learned and looks counted differ a little; the soil does not.
        assert ours.height_m == pytest.approx(theirs.height_m, abs=0.004)


def test_a_restart_knows_what_the_grids_have_taught_of_themselves(
        site: Site, events: list[SimEvent]) -> None:
    """Noise, place, level and attitude of the map are as before; errors are stated alike."""
    on_plane = replace(site, datum_plane=Plane(0.0, 0.0, 0.0))
    straight, entries = Pipeline(on_plane), []
    at = [index for index, event in enumerate(events) if event.kind == 'grid'][50]
    for event in events[:at]:
        entries += feed(straight, event).entries
    # As if the grids had the cells of the site: those here say nothing of where they lie.
    straight.survey.places.toward = (0.5 - 0.25j, -1.0 + 0.0j)
    straight.survey.registration.attitudes = AttitudeOfGrids.of_figures((1e-6, 3.0, 2e-6, 2.0))
    straight.survey.by_distance.noise_m[8:12] = 0.05
    straight.survey.staying.resume(4e-6, 7)
    again = Pipeline(on_plane, entries=entries, surfaces=straight.finish().surfaces)
    before, after = straight.survey, again.survey
    assert not before.registration.opening.lasts
    assert after.noise == before.noise
    assert after.places.looks == before.places.looks == 50.0
    assert after.places.toward == before.places.toward
    assert after.registration.attitudes == before.registration.attitudes
    np.testing.assert_array_equal(after.by_distance.noise_m, before.by_distance.noise_m)
    assert after.by_distance.within_m == 2.0
    assert after.staying.figures() == before.staying.figures() == (4e-6, 7)
    assert after.registration.opening.error_m == before.registration.opening.error_m
    assert np.abs(before.registration.mean).max() > 0.0
    for name in ('dx_m', 'dy_m', 'dz_m'):
        assert getattr(after.shift, name) == getattr(before.shift, name)
    pose = next(event for event in events[at::-1] if event.kind == 'pose')
    for event in [pose, *events[at:at + 60]]:
        feed(straight, event)
        feed(again, event)
    errors = [[r.height_se_m for r in p.survey.readings()] for p in (straight, again)]
    assert errors[1] == pytest.approx(errors[0], rel=0.2, nan_ok=True)


@pytest.mark.parametrize('figures', [6, 7])
def test_layers_that_do_not_tell_cell_or_place_of_the_grids_open_too(
        site: Site, events: list[SimEvent], figures: int) -> None:
    """They are from before these were kept; the next grid tells them."""
    straight, entries = Pipeline(site), []
    at = [index for index, event in enumerate(events) if event.kind == 'grid'][20]
    for event in events[:at]:
        entries += feed(straight, event).entries
    layers = [
        layer if layer.name != 'learned' else replace(
            layer, values=layer.values[:, :figures],
            lattice=replace(layer.lattice, cols=figures))
        for layer in straight.finish().surfaces]
    again = Pipeline(site, entries=entries, surfaces=layers)
    assert again.survey.noise.total_m == straight.survey.noise.total_m
    assert again.survey.noise.cell_m == (straight.survey.noise.cell_m if figures > 6 else 0.0)
    assert again.survey.places.looks == 0.0
    feed(again, next(event for event in events[at::-1] if event.kind == 'pose'))
    feed(again, events[at])
    assert again.survey.noise.cell_m == straight.survey.noise.cell_m > 0.0


def test_of_the_place_of_the_map_the_newest_word_counts(site: Site) -> None:
    """A shift booked after the layers were kept is newer than theirs, one before is not."""
    first = Pipeline(site)
    for _ in looks(site, first, 12):
        pass
    layers = first.finish().surfaces
    kept_ns = max(layer.stamp_ns for layer in layers)
    moved = {'dx_m': 0.02, 'dy_m': -0.01, 'dz_m': 0.03, 'text': ''}
    for stamp_ns, expected_m in ((kept_ns - 1, first.survey.shift.dx_m), (kept_ns + 1, 0.02)):
        booked = Entry(1, stamp_ns, 'map_shift', None, None, moved)
        assert Pipeline(
            site, entries=[booked], surfaces=layers).survey.shift.dx_m == expected_m
    assert Pipeline(site, entries=[booked]).survey.shift.dz_m == 0.03


def test_the_datum_is_booked_once_the_ground_is_surveyed(site: Site) -> None:
    """Ten looks at the whole corridor make a survey; heights above it are zero."""
    pipeline = Pipeline(site)
    kinds = [e.kind for update in looks(site, pipeline, 12) for e in update.entries]
    assert kinds.count('datum') == 1
    assert pipeline.books.datum_seq is not None
    for row in pipeline.books.rows:
        assert row.state == State.SHORT
        assert row.height_m == pytest.approx(0.0, abs=0.001)
        assert row.target_height_m == pytest.approx(0.16)


def test_the_first_dump_takes_the_datum_of_what_was_seen(site: Site) -> None:
    """A dump before the survey is complete freezes what is known and fills the rest."""
    pipeline = Pipeline(site)
    list(looks(site, pipeline, 3))
    update = pipeline.add_dump(8.0)
    assert [e.kind for e in update.entries][:2] == ['datum', 'dump']
    assert update.entries[0].data['source'] == 'survey'
    assert DATUM in {layer.name for layer in update.surfaces}


def test_ruts_driven_before_the_datum_and_first_seen_after_it_are_no_loss(site: Site) -> None:
    """On ground that nine looks have shown it passes the place of the berm, and dumps past it."""
    pipeline, rng = Pipeline(site), np.random.default_rng(1)
    x_m, y_m = np.meshgrid(0.02 * np.arange(140), -2.0 + 0.02 * np.arange(200))
    rut_m = -0.016 * ((np.abs(x_m - 1.02) < 0.08) & (np.abs(y_m + 0.4) < 0.4))
    way = [Pose2(1.0, -1.2 + 0.1 * step, math.pi / 2.0) for step in range(20)]
    entries = []
    for step in range(30):
        stamp_ns = START_NS + step * SECOND_NS
        if step == 9:
            # The grid after it shows nothing of that.
            for part, pose in enumerate((*way, Pose2(0.6, 0.95, 0.0))):
                pipeline.add_pose(pose_at(site, stamp_ns - len(way) + part, pose))
        else:
            pipeline.add_pose(pose_at(site, stamp_ns))
        level_m = (rut_m if step > 8 else 0.0) + 0.003 * rng.standard_normal(x_m.shape)
        if step == 9:
            level_m[y_m < 0.3] = np.nan
        grid = replace(flat_grid(site, stamp_ns), height_m=level_m.astype(np.float32))
        entries += pipeline.add_grid(grid).entries
        if step == 9:
            entries += pipeline.add_dump(6.0).entries
    kinds = [entry.kind for entry in entries]
    assert kinds.count('datum') == kinds.count('dump') == 1
    assert not {'disturbed', 'hold', 'slump'} & {*kinds}


def test_a_hole_that_looks_have_shown_is_booked_though_the_rover_then_drives_over_it(
    site: Site
) -> None:
    """A pit 50 mm deep, 0.06 m x 0.16 m at its bottom, on ground where no load has come yet."""
    pipeline, rng = Pipeline(site), np.random.default_rng(2)
    x_m, y_m = np.meshgrid(0.02 * np.arange(140), -2.0 + 0.02 * np.arange(200))
    across, along = (np.maximum(0.0, np.abs(gap) - half)
                     for gap, half in ((x_m - 1.4, 0.03), (y_m, 0.08)))
    pit_m = -np.maximum(0.0, 0.05 - 0.65 * np.hypot(across, along))
    entries = []
    for step in range(28):
        stamp_ns = START_NS + step * SECOND_NS
        # Two looks show it before.
        way = range(-10, 11) if step == 18 else ()
        for part in way:
            pipeline.add_pose(pose_at(
                site, stamp_ns - 20 + part, Pose2(1.4, 0.1 * part, math.pi / 2.0)))
        pipeline.add_pose(pose_at(site, stamp_ns))
        level_m = pit_m * (step > 15) + 0.004 * rng.standard_normal(x_m.shape)
        grid = replace(flat_grid(site, stamp_ns), height_m=level_m.astype(np.float32))
        entries += pipeline.add_grid(grid).entries
    lost_m3 = sum(e.data['volume_m3'] for e in entries if e.kind == 'disturbed')
    assert lost_m3 == pytest.approx(-pit_m.sum() * 0.02**2, rel=0.15)


def test_soil_of_a_first_load_told_of_late_is_not_in_the_datum(site: Site) -> None:
    """The looks since it fell do not make it ground; its volume is that of the closed form."""
    pipeline, sigma_m, top_m = Pipeline(site), 0.08, 0.10
    plain, entries = flat_grid(site, START_NS), list[Entry]()
    y_m, x_m = np.indices(plain.height_m.shape) * 0.02 + np.array([-2.0, 0.0])[:, None, None]
    at = Pose2(1.45 - site.rover.drop_point_xy[0], 0.0, 0.0)
    heap_m = top_m * np.exp(-0.5 * ((x_m - 1.45)**2 + y_m**2) / sigma_m**2)
    for step in range(24):
        stamp_ns = START_NS + step * SECOND_NS
        pipeline.add_pose(pose_at(site, stamp_ns, at))
        if step == 9:
            entries += pipeline.add_dump(8.0).entries
            assert entries[0].kind == 'datum'
        entries += pipeline.add_grid(replace(
            plain, stamp_ns=stamp_ns, height_m=heap_m * (step >= 5))).entries
    datum = pipeline.survey.datum
    assert datum is not None
    assert np.abs(datum.level_m).max() < 0.001
    rise, = (entry for entry in entries if entry.kind == 'rise')
    assert rise.data['volume_m3'] == pytest.approx(2 * math.pi * sigma_m**2 * top_m, rel=0.03)


def test_a_dump_before_any_ground_is_booked_with_a_finding(site: Site) -> None:
    """The fact is kept; that its rise cannot be known is said."""
    pipeline = Pipeline(site)
    pipeline.add_pose(pose_at(site, START_NS))
    update = pipeline.add_dump(8.0)
    assert 'dump' in [e.kind for e in update.entries]
    assert 'dump_before_datum' in [finding.code for finding in update.findings]


def test_a_dump_off_every_berm_strays(site: Site) -> None:
    """A drop point in the borrow area is no deposit on the berm."""
    pipeline = Pipeline(site)
    list(looks(site, pipeline, 12))
    update = pipeline.add_dump(math.nan)
    assert [e.kind for e in update.entries] == ['dump', 'stray_dump']
    assert update.entries[0].data['mass_kg'] is None


def test_a_load_lies_where_it_fell_however_the_map_has_drifted(site: Site) -> None:
    """Fewer than half come to lie 36 mm off: the place of the dump is that in the site's frame."""
    pipeline, plain = Pipeline(site), flat_grid(site, START_NS)
    y_m, x_m = np.indices(plain.height_m.shape) * 0.02 + np.array([-2.0, 0.0])[:, None, None]
    reach_m = site.rover.drop_point_xy[0]
    for step in range(24):
        stamp_ns = START_NS + step * SECOND_NS
        dx_m, dy_m = (0.03, -0.02) if step >= 14 else (0.0, 0.0)
        pipeline.add_pose(pose_at(site, stamp_ns, Pose2(1.45 - reach_m + dx_m, dy_m, 0.0)))
        ground_m = 0.03 * np.sin(5.0 * (x_m - dx_m)) * np.cos(4.0 * (y_m - dy_m))
        pipeline.add_grid(replace(plain, stamp_ns=stamp_ns, height_m=ground_m))
    dump, = (entry for entry in pipeline.add_dump(8.0).entries if entry.kind == 'dump')
    assert (dump.data['x_m'], dump.data['y_m']) == pytest.approx((1.45, 0.0), abs=0.005)


def test_a_given_plane_is_the_datum_from_the_first_look(site: Site) -> None:
    """No survey is waited for where the site file gives the ground; it is booked as such."""
    pipeline = Pipeline(replace(site, datum_plane=Plane(0.0, 0.0, -0.05)))
    entries = [e for update in looks(site, pipeline, 2) for e in update.entries]
    datum = next(e for e in entries if e.kind == 'datum')
    assert datum.data['source'] == 'plane'
    assert pipeline.books.rows[2].height_m == pytest.approx(0.05, abs=0.002)


def test_a_level_crest_gets_its_height_from_the_ground(site: Site) -> None:
    """On ground at 0.10 m a crest at level 0.25 m is to stand 0.15 m high."""
    berm = replace(site.berms[0], crest_height_m=None, crest_level_m=0.25)
    pipeline = Pipeline(replace(site, berms=(berm,)))
    list(looks(site, pipeline, 12, level_m=0.10))
    for row in pipeline.books.rows:
        assert row.target_height_m == pytest.approx(0.15, abs=0.001)
        assert row.target_volume_m3 > 0.0


def test_a_rover_is_masked_where_it_stood_when_the_grid_was_made(site: Site) -> None:
    """Grids come after newer poses: the body in them lies where the rover was then."""
    pipeline = Pipeline(site)
    tuple(looks(site, pipeline, 12))
    stood = Pose2(1.2, 0.9, -math.pi / 2)
    flat = flat_grid(site, 0)
    index = np.stack(np.meshgrid(*map(np.arange, flat.height_m.shape), indexing='ij'), axis=-1)
    local = stood.inverse().apply(flat.axes.world_from_index(index.reshape(-1, 2)))
    body = (np.abs(local) < 0.15).all(axis=1).reshape(flat.height_m.shape)
    for step in range(10):
        stamp_ns = START_NS + (20 + 2 * step) * SECOND_NS
        pipeline.add_pose(pose_at(site, stamp_ns - SECOND_NS // 10, stood))
        pipeline.add_pose(pose_at(site, stamp_ns + SECOND_NS // 10, stood))
        pipeline.add_pose(pose_at(site, stamp_ns + SECOND_NS // 5, AWAY))
        pipeline.add_grid(replace(flat, stamp_ns=stamp_ns, height_m=np.where(body, 0.2, 0.0)))
    assert pipeline.health.counters['cells_under_rover'] > 100
    assert np.nanmax(np.abs(pipeline.survey.surface.height_m)) < 0.001


def test_refused_input_moves_nothing_but_the_count(site: Site) -> None:
    """A grid in another frame leaves every row as it was; one entry tells of many refusals."""
    pipeline = Pipeline(site)
    list(looks(site, pipeline, 12))
    rows = pipeline.books.rows
    booked = []
    for step in range(12, 40):
        stamp_ns = START_NS + step * SECOND_NS
        pipeline.add_pose(pose_at(site, stamp_ns))
        grid = replace(flat_grid(site, stamp_ns, 0.3), frame_id='odom')
        update = pipeline.add_grid(grid)
        assert [finding.code for finding in update.findings] == ['wrong_frame']
        booked += update.entries
    assert pipeline.books.rows == rows
    assert [e.kind for e in booked] == ['refused'] * 3
    assert sum(e.data['count'] for e in booked) == 21
    assert pipeline.health.counters['wrong_frame'] == 28
    # The rest is booked once no more come for a while, or at the end.
    for step in (40, 49, 50):
        booked += pipeline.add_pose(pose_at(site, START_NS + step * SECOND_NS)).entries
    assert sum(e.data['count'] for e in booked if e.kind == 'refused') == 28
    assert pipeline.finish().entries == ()


@pytest.mark.parametrize('count', [1, 2, 25])
def test_refusals_of_the_last_seconds_are_booked_at_the_end(site: Site, count: int) -> None:
    pipeline = Pipeline(site)
    booked = []
    for step in range(count):
        lost = replace(pose_at(site, START_NS + step * SECOND_NS // 10), frame_id='odom')
        booked += pipeline.add_pose(lost).entries
    booked += pipeline.finish().entries
    assert sum(e.data['count'] for e in booked) == count
    assert pipeline.books.refusals == {'wrong_frame': count}


def test_a_jump_of_the_map_beyond_belief_moves_nothing_and_passes(site: Site) -> None:
    """Ground that seems half a metre higher is not booked as soil, nor taken for a used grid."""
    pipeline = Pipeline(site)
    list(looks(site, pipeline, 12))
    rows, used_ns = pipeline.books.rows, pipeline.health.grid_ns
    jumped = list(looks(site, pipeline, 12, start_ns=START_NS + 12 * SECOND_NS, level_m=0.5))
    assert {(f.code, f.severity) for update in jumped for f in update.findings} == {
        ('map_shift', Severity.REFUSAL)}
    assert {entry.kind for update in jumped for entry in update.entries} == {'refused'}
    assert pipeline.health.counters['map_shift'] == 12
    assert (pipeline.books.rows, pipeline.health.grid_ns) == (rows, used_ns)
    back = list(looks(site, pipeline, 12, start_ns=START_NS + 24 * SECOND_NS))
    assert not [finding for update in back for finding in update.findings]
    assert pipeline.health.grid_ns == START_NS + 35 * SECOND_NS
    assert not {'disturbed', 'slump', 'unbooked_fill', 'hold'} & {
        entry.kind for update in back for entry in update.entries}


def test_a_datum_asked_for_before_any_ground_was_seen_is_none(site: Site) -> None:
    """The operator is told why, and the books hold no datum."""
    pipeline = Pipeline(site)
    update = pipeline.take_datum()
    assert [finding.code for finding in update.findings] == ['no_datum']
    assert not update.entries
    assert pipeline.books.datum_seq is None


@pytest.mark.parametrize(('mass_kg', 'code'), [(-1.0, 'bad_mass'), (math.inf, 'bad_mass')])
def test_impossible_masses_are_refused(site: Site, mass_kg: float, code: str) -> None:
    """A load weighs something or was not weighed."""
    pipeline = Pipeline(site)
    list(looks(site, pipeline, 12))
    update = pipeline.add_dump(mass_kg)
    assert [finding.code for finding in update.findings] == [code]
    assert not pipeline.books.dumps


@pytest.mark.parametrize('mass_kg', [0.0, 6000.0])
def test_a_load_of_an_odd_mass_is_booked_as_not_weighed(site: Site, mass_kg: float) -> None:
    """A robot without a scale may say 0, and one with a scale may say grams."""
    pipeline = Pipeline(site)
    list(looks(site, pipeline, 12))
    update = pipeline.add_dump(mass_kg)
    assert [finding.code for finding in update.findings] == ['odd_mass']
    assert f'a dump of {mass_kg:g} kg is booked as not weighed' in update.findings[0].text
    assert [math.isnan(dump.mass_kg) for dump in pipeline.books.dumps] == [True]
    assert pipeline.add_dump(8.0).findings[0].code == 'repeated_dump'


def test_a_dump_told_twice_is_booked_once(site: Site) -> None:
    """The same announcement from the same pose is a repetition."""
    pipeline = Pipeline(site)
    list(looks(site, pipeline, 12))
    pipeline.add_dump(8.0)
    update = pipeline.add_dump(8.0)
    assert [finding.code for finding in update.findings] == ['repeated_dump']
    assert len(pipeline.books.dumps) == 1


def test_a_dump_told_once_a_second_while_the_robot_stands_is_booked_once(site: Site) -> None:
    """Poses go on meanwhile; nobody fetches a load within seconds."""
    pipeline = Pipeline(site)
    list(looks(site, pipeline, 12))
    pose = pipeline._gate.pose
    assert pose is not None
    codes = []
    for step in range(20):
        told_ns = pose.stamp_ns + step * 1_000_000_000
        pipeline.add_pose(replace(pose, stamp_ns=told_ns))
        codes += [finding.code for finding in pipeline.add_dump(8.0).findings]
    assert codes == ['repeated_dump'] * 19
    assert len(pipeline.books.dumps) == 1
    assert pipeline.health.dump_ns == pose.stamp_ns

    pipeline.add_pose(replace(pose, stamp_ns=told_ns + 5_000_000_000))
    assert pipeline.add_dump(8.0).findings == ()
    assert len(pipeline.books.dumps) == 2
    assert pipeline.health.dump_ns == told_ns + 5_000_000_000


def test_a_bag_played_again_after_a_restart_is_not_booked_twice(
    site: Site, events: list[SimEvent]
) -> None:
    """Restarted, the books know their time; messages from before it are refused."""
    first = Pipeline(site)
    entries = [e for event in events for e in feed(first, event).entries]
    second = Pipeline(site, entries=entries)
    newest_ns = max(e.stamp_ns for e in entries)
    assert second.stamp_ns == newest_ns
    old = [n for n, event in enumerate(events)
           if getattr(event.value, 'stamp_ns', newest_ns) < newest_ns - MOST_LAG_NS]
    assert len(old) > 0.8 * len(events)
    assert all(not feed(second, event).surfaces for event in events[:old[-1] + 1])
    assert booked_part(second.books.rows) == booked_part(first.books.rows)
    assert repr(second.books.dumps) == repr(first.books.dumps)
    assert set(second.health.counters) == {'stamp_too_old', 'no_pose', 'dump_waits'}


def test_one_stamp_far_ahead_does_not_stop_the_books(site: Site) -> None:
    """A pose of tomorrow is refused; those of today go on being used."""
    pipeline = Pipeline(site)
    list(looks(site, pipeline, 5))
    update = pipeline.add_pose(pose_at(site, START_NS + 86_400 * SECOND_NS))
    assert [finding.code for finding in update.findings] == ['stamp_ahead']
    assert [entry.kind for entry in update.entries] == ['refused']
    later = list(looks(site, pipeline, 5, start_ns=START_NS + 5 * SECOND_NS))
    assert not any(update.findings for update in later)


def test_a_bag_loop_is_refused_until_it_has_caught_up(site: Site) -> None:
    """The second round of a looping bag moves nothing and is booked as one refusal."""
    pipeline = Pipeline(site)
    list(looks(site, pipeline, 12))
    rows = pipeline.books.rows
    again = list(looks(site, pipeline, 5))
    assert {f.code for update in again for f in update.findings} == {'stamp_backwards'}
    assert pipeline.books.rows == rows
    assert not any(f for update in looks(site, pipeline, 2, start_ns=START_NS + 12 * SECOND_NS)
                   for f in update.findings)


def test_built_soil_and_keep_outs_are_no_go(site: Site, events: list[SimEvent]) -> None:
    """The grid for navigation covers the yard and marks heaps and keep-outs only."""
    pipeline = Pipeline(site)
    for event in events:
        feed(pipeline, event)
    lattice, blocked = pipeline.no_go()
    assert blocked.shape == lattice.shape

    def at(x_m: float, y_m: float) -> bool:
        row, col = np.rint(lattice.index_from_xy([[x_m, y_m]])[0]).astype(int)
        return bool(blocked[row, col])

    assert at(-0.3, 2.0)
    assert not at(-2.5, -1.0)
    for record in pipeline.books.dumps:
        assert at(record.x_m, record.y_m)
    height = [line[:, 2] for line in pipeline.crest_lines]
    assert np.nanmax(height[0]) > 0.05


def test_loads_lie_on_the_level_that_the_first_grids_have_found(site: Site) -> None:
    """
    On a given plane no single grid sets the level; what the first few showed is not kept.

    The first five of forty are 10 mm too high: their mean is too high by 5 / 40 of that. A load
    later on lies on ground at that level, not 10 mm above it.
    """
    pipeline = Pipeline(replace(site, datum_plane=Plane(0.0, 0.0, 0.0)))
    every = [*looks(site, pipeline, 5, level_m=0.01),
             *looks(site, pipeline, 40, start_ns=START_NS + 5 * SECOND_NS)]
    drop = Pose2(0.45, 0.0, 0.0)
    start_ns = START_NS + 50 * SECOND_NS
    pipeline.add_pose(pose_at(site, start_ns, drop))
    every.append(pipeline.add_dump(8.0))
    x, y = np.meshgrid(0.02 * np.arange(140), -2.0 + 0.02 * np.arange(200))
    heap_m = 0.1 * np.exp(-((x - 1.2)**2 + y**2) / 0.02)
    for step in range(1, 30):
        stamp_ns = start_ns + step * SECOND_NS
        pipeline.add_pose(pose_at(site, stamp_ns))
        every.append(pipeline.add_grid(replace(
            flat_grid(site, stamp_ns), height_m=heap_m.astype(np.float32))))
    booked = [entry for update in every for entry in update.entries]
    assert [entry.kind for entry in booked].count('rise') == 1
    survey = pipeline.survey
    beside = np.abs(np.hypot(*(survey.area.centres_xy - (1.2, 0.0)).T) - 0.45) < 0.03
    assert survey.height_m()[beside].mean() == pytest.approx(0.01 * 5 / 40, abs=0.0003)
