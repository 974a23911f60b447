# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Every input that must not be believed: counted each time, booked seldom, the rows unmoved."""

from dataclasses import replace
import math
from types import SimpleNamespace

from berm_ledger.books.journal import Journal
from berm_ledger.design.site_file import site_from_text
from berm_ledger.inputs import DUMP, ELEVATION, POSE
from berm_ledger.pipeline import Pipeline
from berm_ledger.ros.feed import feed
from berm_ledger.survey import ElevationGrid
import fuzz_kit
from ledger_kit import a_pose, NS, SITE_TEXT
import numpy as np
import pytest

BEGIN_S, STEP_S, TIMES = 1000.0, 0.2, 60
HORIZON_S = 10.0
SITE = site_from_text(SITE_TEXT, 'site.yaml')


def stamp(msg, stamp_s):
    msg.header.stamp.sec, msg.header.stamp.nanosec = divmod(round(stamp_s * NS), NS)
    return msg


def pose(stamp_s, **changes):
    msg = stamp(fuzz_kit.pose(fuzz_kit.Bytes(b'')), stamp_s)
    inner = msg.pose.pose if hasattr(msg.pose, 'pose') else msg.pose
    inner.orientation.z, inner.orientation.w = 0.0, changes.get('w', 1.0)
    msg.header.frame_id = changes.get('frame', 'map')
    if 'covariance' in changes:
        msg.pose.covariance[:] = 0.0
        msg.pose.covariance[0] = msg.pose.covariance[7] = changes['covariance']
    return msg


def cloud(stamp_s, height_m=None, **changes):
    """Return a cloud of 41 x 61 cells of 5 cm over the berm."""
    rows, cols = 41, 61
    x, y = np.meshgrid(1.0 + 0.05 * np.arange(cols), 1.0 + 0.05 * np.arange(rows))
    points = np.zeros((rows, cols, 3), np.float32)
    points[..., 0], points[..., 1] = x, y
    points[..., 2] = 0.0 if height_m is None else height_m
    fields = [SimpleNamespace(name=name, offset=4 * k, count=1, datatype=7)
              for k, name in enumerate('xyz')]
    msg = fuzz_kit.blank()
    for name, value in {
            'height': rows, 'width': cols, 'point_step': 12, 'row_step': 12 * cols,
            'is_bigendian': False, 'fields': fields,
            'data': np.frombuffer(points.tobytes(), np.uint8)}.items():
        setattr(msg, name, changes.get(name, value))
    msg.header.frame_id = changes.get('frame', 'map')
    return stamp(msg, stamp_s)


def grid_map(stamp_s, **changes):
    msg = stamp(fuzz_kit.grid_map(fuzz_kit.Bytes(b'')), stamp_s)
    for name, value in changes.items():
        setattr(msg.info, name, value)
    return msg


def mass(value):
    return SimpleNamespace(data=value)


@pytest.fixture
def pipeline():
    """Return a pipeline that has looked for two seconds, the last time at BEGIN_S."""
    made = Pipeline(SITE)
    for step in range(-10, 1):
        stamp_s = BEGIN_S + step * STEP_S
        feed(made, POSE, pose(stamp_s))
        feed(made, ELEVATION, cloud(stamp_s))
    assert not set(made.health.counters) - {
        'poses', 'grids', 'cells_spikes', 'cells_carried_over', 'cells_under_rover',
        'cells_objects'}
    return made


BILLION = 31623
CASES = {
    'grid in another frame': (ELEVATION, lambda t: cloud(t, frame='odom'), 'wrong_frame'),
    'pose in another frame': (POSE, lambda t: pose(t, frame='odom'), 'wrong_frame'),
    'grid of nothing': (ELEVATION, lambda t: cloud(t, math.nan), 'bad_message'),
    'grid of infinity': (ELEVATION, lambda t: cloud(t, math.inf), 'bad_message'),
    'grid of absurd heights': (ELEVATION, lambda t: cloud(t, 2e4), 'bad_message'),
    'more rows than data': (ELEVATION, lambda t: cloud(t, height=42), 'bad_message'),
    'a billion cells': (
        ELEVATION, lambda t: cloud(t, height=BILLION, width=BILLION), 'bad_message'),
    'a billion cells in a map': (
        ELEVATION, lambda t: grid_map(t, resolution=0.1, length_x=3162.3, length_y=3162.3),
        'bad_message'),
    'no resolution': (ELEVATION, lambda t: grid_map(t, resolution=0.0), 'bad_message'),
    'negative resolution': (ELEVATION, lambda t: grid_map(t, resolution=-0.05), 'bad_message'),
    'no field z': (ELEVATION, lambda t: cloud(t, fields=[]), 'bad_message'),
    'quaternion of length two': (POSE, lambda t: pose(t, w=2.0), 'bad_message'),
    'pose not finite': (POSE, lambda t: pose(t, w=math.nan), 'bad_message'),
    'uncertain pose': (POSE, lambda t: pose(t, covariance=1.0), 'uncertain_pose'),
    'negative covariance': (POSE, lambda t: pose(t, covariance=-1.0), 'bad_message'),
    'no stamp': (ELEVATION, lambda t: cloud(0.0), 'zero_stamp'),
    'pose without stamp': (POSE, lambda t: pose(0.0), 'zero_stamp'),
    'grid of a minute ago': (ELEVATION, lambda t: cloud(t - 60.0), 'stamp_backwards'),
    'pose of a minute ago': (POSE, lambda t: pose(t - 60.0), 'stamp_backwards'),
    'grid of tomorrow': (ELEVATION, lambda t: cloud(t + 86400.0), 'stamp_ahead'),
    'pose of tomorrow': (POSE, lambda t: pose(t + 86400.0), 'stamp_ahead'),
    'negative mass': (DUMP, lambda t: mass(-1.0), 'bad_mass'),
    'infinite mass': (DUMP, lambda t: mass(math.inf), 'bad_mass'),
}


@pytest.mark.parametrize(('kind', 'make', 'code'), CASES.values(), ids=CASES)
def test_refused_each_time_and_booked_now_and_then(pipeline, kind, make, code):
    rows, entries = pipeline.books.rows, []
    for step in range(1, TIMES + 1):
        stamp_s = BEGIN_S + step * STEP_S
        # Good poses go on, so that time does.
        entries += feed(pipeline, POSE, pose(stamp_s)).entries
        update = feed(pipeline, kind, make(stamp_s))
        assert [finding.code for finding in update.findings] == [code]
        entries += update.entries
    assert pipeline.books.rows == rows
    assert not pipeline.books.dumps
    assert pipeline.health.counters[code] == TIMES
    assert {entry.kind for entry in entries} == {'refused'}
    assert {entry.data['code'] for entry in entries} == {code}
    assert all(entry.data['text'] for entry in entries)
    # Once at the start and once more after each horizon.
    assert len(entries) == 1 + int(TIMES * STEP_S / HORIZON_S)
    assert sum(entry.data['count'] for entry in entries) <= TIMES


def test_many_kinds_of_trouble_at_once_do_not_flood_the_books(pipeline):
    before, steps = pipeline.books.last_seq, 120
    for step in range(1, steps + 1):
        stamp_s = BEGIN_S + step * STEP_S
        feed(pipeline, POSE, pose(stamp_s))
        for kind, make, _ in CASES.values():
            feed(pipeline, kind, make(stamp_s))
    booked = pipeline.books.last_seq - before
    codes = {code for _, _, code in CASES.values()}
    assert booked <= len(codes) * (1 + steps * STEP_S / HORIZON_S)


def test_a_grid_without_a_pose_is_refused_and_a_pose_without_a_grid_books_nothing():
    made = Pipeline(SITE)
    assert [f.code for f in feed(made, ELEVATION, cloud(BEGIN_S)).findings] == ['no_pose']
    entries = made.books.last_seq
    for step in range(100):
        assert feed(made, POSE, pose(BEGIN_S + step)).entries == ()
    assert made.books.last_seq == entries
    late = feed(made, ELEVATION, cloud(BEGIN_S + 110.0))
    assert [f.code for f in late.findings] in (['old_pose'], ['stamp_ahead'])


def test_a_frame_that_changes_in_mid_run_moves_nothing_and_may_change_back(pipeline):
    rows = pipeline.books.rows
    for step in range(1, 10):
        stamp_s = BEGIN_S + step * STEP_S
        feed(pipeline, POSE, pose(stamp_s, frame='odom'))
        feed(pipeline, ELEVATION, cloud(stamp_s, 0.3, frame='odom'))
    assert pipeline.books.rows == rows
    assert pipeline.health.counters['wrong_frame'] == 18
    stamp_s = BEGIN_S + 10 * STEP_S
    assert feed(pipeline, POSE, pose(stamp_s)).findings == ()
    assert feed(pipeline, ELEVATION, cloud(stamp_s)).findings == ()


def test_a_dump_twice_and_a_dump_before_any_pose():
    made = Pipeline(SITE)
    assert [f.code for f in feed(made, DUMP, mass(7.5)).findings] == ['dump_waits']
    # At the first pose its drop point lies off the berm: said, and not booked.
    assert [f.code for f in feed(made, POSE, pose(BEGIN_S)).findings] == ['no_pose']
    early = feed(made, DUMP, mass(7.5))
    assert [entry.kind for entry in early.entries if entry.kind == 'dump'] == ['dump']
    again = feed(made, DUMP, mass(7.5))
    assert [f.code for f in again.findings] == ['repeated_dump']
    assert len(made.books.dumps) == 1


def test_what_a_message_says_is_only_ever_text(pipeline, tmp_path):
    """No path, no SQL, no sequence that a terminal would follow."""
    nasty = "'); DROP TABLE entries; -- \x1b[2J\n<script>../../x"
    refused, = feed(pipeline, ELEVATION, cloud(BEGIN_S + STEP_S, frame=nasty)).entries
    assert refused.data['code'] == 'wrong_frame'
    assert 'DROP TABLE' in refused.data['text']
    assert refused.data['text'].isprintable()
    entry = replace(refused, seq=1)
    for _ in range(2):
        with Journal.open(tmp_path / 'books.sqlite', 'digest', 'site.yaml') as journal:
            journal.append([] if journal.last_seq else [entry])
            assert list(journal.entries()) == [entry]
    assert [path.name for path in tmp_path.iterdir()] == ['books.sqlite']


def test_an_absurd_height_that_no_message_can_bring_is_refused_too(pipeline):
    grid = fuzz_kit.grid_from_point_cloud(cloud(BEGIN_S + STEP_S))
    high = ElevationGrid(grid.stamp_ns, 'map', grid.axes, grid.height_m + 2e4)
    pipeline.add_pose(a_pose(BEGIN_S + STEP_S))
    assert [f.code for f in pipeline.add_grid(high).findings] == ['absurd_height']
