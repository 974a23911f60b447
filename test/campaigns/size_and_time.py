# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
How large the books get in a day, and how long a restart takes then; run by hand.

``python test/campaigns/size_and_time.py``: 40 segments, 5 Hz. First the whole pipeline works
through some minutes of grids that show the whole berm, so that the readings of standing soil, with
the noise they truly have, are recorded of every segment look by look. Then the clerk books a day
of readings made of those (played to and fro) on top of a berm that grows load by load, each load
with a dump and a rise: rules of which segment's turn it is and of what is worth booking, books and
journal are the real ones, the survey is not run. The layers are those of the first part. At the
end the file is closed, opened, and a pipeline resumed from it. Exit code 1 over 50 MB or 2 s.
"""

from __future__ import annotations

import argparse
from collections import Counter
from pathlib import Path
import sys
import tempfile
import time
from typing import Any

from berm_ledger.books.booking import NEWS
from berm_ledger.books.journal import Journal
from berm_ledger.design import Segment, Site
from berm_ledger.design.site_file import site_from_text
from berm_ledger.geometry import GridAxes, Pose2, StampedPose
from berm_ledger.pipeline import Pipeline
from berm_ledger.survey import ElevationGrid
from berm_ledger.survey.readings import Reading
from berm_ledger.survey.surface import MOST_LOOKS
from berm_ledger.survey.turns import Turns
import numpy as np

SITE = """\
format: 1
frame: map
berms:
  - {name: long, centreline: [[2.0, 2.0], [18.0, 2.0]], crest_height_m: 0.20, side_slope_deg: 33,
     segment_length_m: 0.40, height_tolerance_m: 0.02, line_tolerance_m: 0.06}
datum: {plane: [0.0, 0.0, 0.0]}
material: {loose_density_kg_m3: 1500, repose_deg: 33}
rover: {footprint: [[0.35, 0.25], [-0.35, 0.25], [-0.35, -0.25], [0.35, -0.25]],
        drop_point: [0.75, 0.0], drum_width_m: 0.36, payload_kg: 7.5, turning_radius_m: 0.5,
        run_up_m: 0.5}
yard:
  boundary: [[0.0, 0.0], [20.0, 0.0], [20.0, 6.0], [0.0, 6.0]]
  borrow_areas:
    - {name: pit, polygon: [[6.0, 4.0], [9.0, 4.0], [9.0, 5.5], [6.0, 5.5]], max_cut_m: 0.20}
"""
START_NS, PERIOD_NS, RATE_HZ = 1_767_225_600_000_000_000, 200_000_000, 5
NOISE_M, JITTER_M = 0.005, 0.003
LOADS = 700
MOST_BYTES, MOST_S = 50_000_000, 2.0
# Layers are written with the first of so many loads.
LAYERS_EVERY = 50
NAMES = Reading._fields[1:]
GROWING = ('height_m', 'low_m', 'high_m')


def grids(count: int) -> Any:
    """Yield grids of a berm 12 cm high with white noise and a little error of the whole grid."""
    chance = np.random.default_rng(1)
    cell = 0.02
    y, x = np.meshgrid(1.2 + cell * np.arange(80), 1.2 + cell * np.arange(880), indexing='ij')
    along = np.hypot(np.maximum(np.abs(x - 10.0) - 8.0, 0.0), y - 2.0)
    soil = np.maximum(0.12 - np.tan(np.radians(33.0)) * along, 0.0)
    for step in range(count):
        noise = chance.normal(0.0, NOISE_M, x.shape) + chance.normal(0.0, JITTER_M)
        axes = GridAxes((1.2, 1.2), (0.0, cell), (cell, 0.0))
        yield ElevationGrid(
            START_NS + step * PERIOD_NS, 'map', axes, (soil + noise).astype(np.float32))


def recorded(pipeline: Pipeline, count: int) -> tuple[np.ndarray, list[Any], Counter[str]]:
    """Run the whole pipeline; return readings (look, segment, figure), layers and counts."""
    out, kinds, survey = [], Counter(), pipeline.survey
    plain = survey.readings

    def noted(rows: Any = None) -> tuple[Reading, ...]:
        found = plain()
        out.append([[getattr(r, name) for name in NAMES] for r in found])
        return tuple(found[row] for row in rows)
    survey.readings = noted
    for grid in grids(count):
        pipeline.add_pose(StampedPose(grid.stamp_ns, 'map', Pose2(10.0, 4.5)))
        kinds.update(e.kind for e in pipeline.add_grid(grid).entries)
    return np.array(out), list(pipeline.finish().surfaces), kinds


class Day:
    """
    A survey whose readings are those recorded, to and fro, on a berm that grows.

    Readings that plainly say nothing new are left out before the clerk sees them, with bounds
    closer than his, so that a day takes minutes; what is booked is his choice. Whose turn it is
    to be read is told by the real ``Turns``; a load makes the looks at its cells start anew.
    """

    def __init__(self, survey: Any, record: np.ndarray, looks: int) -> None:
        """Spread the loads over the day and the berm."""
        self.area, self.record, self.step = survey.area, record, 0
        self.rise_m = np.zeros(record.shape[1])
        self.every = max(looks // LOADS, 1)
        self.booked = np.full(record.shape[1:], np.nan)
        self.bounds = np.array([0.9 * NEWS.get(name, np.inf) for name in NAMES])
        self.turns, self.due = Turns(survey.area), np.zeros(record.shape[1], dtype=bool)
        self.seen = np.ones(len(survey.area), dtype=bool)
        self.looks = np.full(len(survey.area), MOST_LOOKS, dtype=np.float32)
        self.read = 0

    def load(self) -> int | None:
        """Let a load fall if one is due before the next look; return its row."""
        if self.step % self.every:
            return None
        middle = (self.step // self.every * 7) % len(self.rise_m)
        for offset, rise_m in ((-1, 0.001), (0, 0.004), (1, 0.001)):
            row = (middle + offset) % len(self.rise_m)
            self.rise_m[row] += rise_m
            self.looks[self.area.corridor.segment_index == row] = 0.0
        return middle

    def look(self) -> None:
        """Go on by one look at the whole berm."""
        np.minimum(self.looks + 1.0, MOST_LOOKS, out=self.looks)
        moved = np.flatnonzero(self.looks == 1.0)
        self.due |= self.turns.after_look(self.seen, self.looks, moved)
        self.step += 1

    def rows_due(self, overdue: np.ndarray | None) -> np.ndarray:
        """Return the rows whose turn it is, or that are overdue."""
        return np.flatnonzero(self.due if overdue is None else self.due | overdue)

    def rows_seen(self) -> np.ndarray:
        """Return a mask of all rows: every look shows the whole berm."""
        return np.ones(self.record.shape[1], dtype=bool)

    def readings(self, rows: np.ndarray) -> tuple[Reading, ...]:
        """Return the readings of some rows that may say something new, or are overdue."""
        turn, place = divmod(self.step, len(self.record))
        look = self.record[place if turn % 2 == 0 else len(self.record) - 1 - place].copy()
        for name in GROWING:
            look[:, NAMES.index(name)] += self.rise_m
        still = np.abs(look - self.booked) < self.bounds
        still |= np.isnan(look) & np.isnan(self.booked)
        news = ~still.all(axis=1) | ~self.due
        self.turns.done(rows)
        self.due[rows] = False
        self.read += len(rows)
        return tuple(Reading(int(row), *look[row].tolist()) for row in rows if news[row])

    def note(self, entries: Any) -> None:
        """Note what the clerk booked."""
        for entry in entries:
            if entry.kind == 'reading':
                self.booked[entry.segment - 1] = [
                    np.nan if entry.data[n] is None else entry.data[n] for n in NAMES]


def main() -> int:
    """Measure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument('--hours', type=float, default=24.0)
    parser.add_argument('--minutes', type=float, default=1.0, help='of full grids')
    given = parser.parse_args()
    site = site_from_text(SITE, 'site.yaml')
    pipeline = Pipeline(site)
    count, busy_s = round(given.minutes * 60 * RATE_HZ), time.process_time()
    record, layers, kinds = recorded(pipeline, count)
    busy_s = time.process_time() - busy_s
    tell(f'{count} full grids, {busy_s / count * 1e3:.1f} ms of processor each: {dict(kinds)}')
    looks = round(given.hours * 3600 * RATE_HZ)
    with tempfile.TemporaryDirectory(prefix='berm_size_') as name:
        path = Path(name, 'books.sqlite')
        # The first half of the record is the survey settling in.
        entries, read = a_day(site, path, layers, record[count // 2:], looks)
        size = sum(p.stat().st_size for p in Path(name).iterdir())
        wall_s, cpu_s = min(restart_s(site, path) for _ in range(3))
    tell(f'{given.hours:g} h at {RATE_HZ} Hz, {record.shape[1]} segments: {looks} looks, '
         f'{read} readings, {entries} entries booked, {size / 1e6:.1f} MB; '
         f'restart {wall_s:.2f} s ({cpu_s:.2f} s of processor)')
    return 1 if size > MOST_BYTES or cpu_s > MOST_S else 0


def tell(text: str) -> None:
    """Write a line."""
    sys.stdout.write(text + '\n')
    sys.stdout.flush()


def a_day(
    site: Site, path: Path, layers: list[Any], record: np.ndarray, looks: int
) -> tuple[int, int]:
    """Have the clerk book a day; return the number of entries, and of readings taken."""
    pipeline = Pipeline(site, surfaces=layers)
    clerk, keeper = pipeline._clerk.readings, pipeline._keeper
    day = clerk._survey = Day(pipeline.survey, record, looks)
    with Journal.open(path, 'digest', 'site.yaml', SITE, durable=False) as journal:
        for step in range(looks):
            stamp_ns = START_NS + step * PERIOD_NS
            row = day.load()
            if row is not None:
                book_load(keeper, day.area.segments[row], stamp_ns)
            day.look()
            clerk.book_readings(stamp_ns)
            new = keeper.take_new()
            day.note(new)
            if new:
                journal.append(new, layers if step % (day.every * LAYERS_EVERY) == 0 else ())
        return journal.last_seq, day.read


def book_load(keeper: Any, segment: Segment, stamp_ns: int) -> None:
    """Book what one load brings on both sides, with figures of usual length."""
    x_m, offset_m = 2.0 + 0.4 * segment.number, -0.00299
    dump = keeper.book('dump', stamp_ns, segment.berm, segment.number, {
        'mass_kg': 5.529, 'offset_m': offset_m, 'station_m': round(x_m - 1.99707, 5),
        'x_m': round(x_m + 0.00293, 5), 'y_m': 2.0 + offset_m, 'yaw_rad': 0.00063})
    keeper.book('rise', stamp_ns, segment.berm, segment.number, {
        'dump_seq': dump.seq, 'volume_m3': 0.0035082, 'volume_se_m3': 0.0001249,
        'shares': {str(segment.number): 0.0027897, str(segment.number - 1 or 2): 0.0007105}})
    lane = {'deepest_m': 0.00961, 'mean_m': 0.00451, 'step_m': 0.00785, 'volume_m3': 0.0035548}
    keeper.book('cut', stamp_ns, None, None, {
        'area': 'pit', 'deepest_m': 0.00961, 'lanes': [{**lane, 'lane': n} for n in (1, 2, 3, 4)],
        'left_m2': 3.1536, 'left_m3': 0.6161001, 'load_m3': 0.003736, 'load_se_m3': 0.0009029,
        'next_cut_m': 0.00455, 'next_lane': 1, 'step_m': 0.00785, 'volume_m3': 0.0149873,
        'volume_se_m3': 0.0012855})
    keeper.book('load', stamp_ns, None, None, {
        'current_a': 2.513, 'current_kg': 5.612, 'current_se_kg': 0.35, 'cut_kg': 6.22,
        'cut_m3': 0.003736, 'cut_se_kg': 1.518, 'cut_se_m3': 0.0009029, 'cycle_s': 71.8,
        'dig_s': 36.0, 'dump_s': 4.6, 'dump_seq': dump.seq, 'haul_s': 31.2, 'loads_left': 23,
        'mass_kg': 5.592, 'mass_se_kg': 0.209, 'partial': None, 'weighed_kg': 5.529,
        'weighed_se_kg': 0.276, 'yield_kg': 5.913, 'yield_se_kg': 0.922})
    keeper.book('balance', stamp_ns, None, None, {
        'carried_m3': 0.0, 'carried_se_m3': 0.0, 'cut_m3': 0.0149873, 'cut_se_m3': 0.0012855,
        'open': False, 'placed_m3': 0.015072, 'placed_se_m3': 0.0010003,
        'spilled_m3': -0.0002345, 'swell': 1.11, 'unexplained_m3': 0.0017984,
        'unexplained_se_m3': 0.0017604})


def restart_s(site: Site, path: Path) -> tuple[float, float]:
    """Return how long it takes to open books and go on from them: by the clock, of processor."""
    wall_s, busy_s = time.perf_counter(), time.process_time()
    with Journal.open(path, 'digest', 'site.yaml', SITE) as journal:
        pipeline = Pipeline(site, entries=journal.entries(), surfaces=journal.surfaces())
        assert pipeline.books.last_seq == journal.last_seq
    return time.perf_counter() - wall_s, time.process_time() - busy_s


if __name__ == '__main__':
    sys.exit(main())
