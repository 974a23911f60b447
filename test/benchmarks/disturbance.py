# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
How often a disturbance is found, how well it is measured, and how often nothing is taken for one.

``python test/benchmarks/disturbance.py detect --trials 300`` takes soil from a finished berm and
looks five times; ``patrol --hours 24`` looks at a berm that nobody touches, every two seconds,
while the map drifts and jumps, people cross and machines park; ``builds --seeds 50`` builds whole
berms. ``compare`` (in ``disturbance_rivals.py``) gives the same pairs of looks to other methods.
``--cell`` is the edge of the cells of the grids; with ``--mapper`` whole builds get the grids of a
mapper that publishes all it remembers (``mapper_kit.py``). Everything runs in one process;
``--first`` picks the seeds, so that several can share the work.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
import math
from pathlib import Path
import sys
import time

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / 'test' / 'books')]  # runs from a clone

from berm_ledger.books.entries import Entry  # noqa: E402
from berm_ledger.geometry import Polygon, Pose2  # noqa: E402
from berm_ledger.pipeline import Pipeline  # noqa: E402
from berm_ledger.simulation import (  # noqa: E402
    BuildOptions,
    FIELD,
    Intrusion,
    Noise,
    NOISE_PRESETS,
    SimulatedBuild,
    YardOptions,
)
from berm_ledger.simulation.sensor import SensorOptions  # noqa: E402
from berm_ledger.simulation.things import crossing, ParkedRobot  # noqa: E402
from disturbance_kit import demo_site, feed, Watched  # noqa: E402
from mapper_kit import Mapper  # noqa: E402
import numpy as np  # noqa: E402

PERIODS_S = (0.2, 1.0, 2.0)
LOOKS = 5
TRIALS_PER_BERM = 30
ALARMS = ('disturbed', 'hold', 'slump', 'unbooked_fill', 'stray_dump')
STOPS = (Pose2(0.2, 0.0, 0.0), Pose2(0.3, -0.9, 0.3), Pose2(0.3, 0.9, -0.3),
         Pose2(2.5, 0.0, math.pi), Pose2(2.3, 0.8, math.pi + 0.4))
MACHINE = Polygon([[-0.4, -0.3], [0.4, -0.3], [0.4, 0.3], [-0.4, 0.3]])


@dataclass(frozen=True)
class Trial:
    """One removal: whether and at which look it was found, and how much was booked [m3]."""

    found_at: int | None
    volume_m3: float
    volume_se_m3: float
    near: bool


def tell(text: str) -> None:
    """Write a line at once."""
    sys.stdout.write(text + '\n')
    sys.stdout.flush()


def removal(volume_m3: float, length_m: float, rng: np.random.Generator) -> Intrusion:
    """Return a removal anywhere on the berm: from a point, or scraped off a small rectangle."""
    size = (0.0, 0.0) if rng.random() < 0.4 else (rng.uniform(0, 0.18), rng.uniform(0, 0.12))
    return Intrusion('remove', volume_m3, rng.uniform(0.1, length_m - 0.1),
                     rng.uniform(-0.18, 0.18), *size)


def spoiled(finished: Watched, volume_m3: float, period_s: float, seed: int) -> Trial:
    """Take soil from a copy of a finished berm and look."""
    rng = np.random.default_rng(seed)
    watched = finished.copy(seed=seed)
    line = watched.yard.site.berms[0].centreline
    watched.yard.intrude(removal(volume_m3, line.length_m, rng))
    found: list[Entry] = []
    found_at = None
    for look in range(1, LOOKS + 1):
        found += [e for e in watched.look(1, period_s) if e.kind == 'disturbed']
        found_at = look if found and found_at is None else found_at
    segment = watched.yard.intrusions[-1]['segment']
    return Trial(
        found_at, sum(e.data['volume_m3'] for e in found),
        math.hypot(*(e.data['volume_se_m3'] for e in found)),
        bool(found) and all(abs((e.segment or 0) - segment) <= 1 for e in found))


def detect(
    trials: int, volumes_l: Sequence[float], noise: str, first: int, sensor: SensorOptions,
) -> None:
    """Print how often removals are found, and how well they are measured."""
    out: dict[float, list[Trial]] = {volume: [] for volume in volumes_l}
    for berm in range(first, first + math.ceil(trials / TRIALS_PER_BERM)):
        finished = Watched(
            demo_site(), seed=berm, noise=NOISE_PRESETS[noise], sensor=sensor)
        for volume, done in out.items():
            for n in range(min(TRIALS_PER_BERM, trials - len(done))):
                seed = 1000 * berm + n
                done.append(spoiled(finished, volume * 1e-3, PERIODS_S[n % 3], seed))
    tell('| removed | trials | found within 5 looks | median look | volume error mean / sd [l] | '
         'stated se [l] | within 15 % or 0.1 l | right segment or next |')
    tell('| --- | --- | --- | --- | --- | --- | --- | --- |')
    for volume, done in out.items():
        hits = [t for t in done if t.found_at]
        error = np.array([t.volume_m3 * 1e3 - volume for t in hits])
        good = np.abs(error) <= max(0.15 * volume, 0.1)
        tell(f'| {volume:g} l | {len(done)} | {len(hits) / len(done):.1%} '
             f'| {np.median([t.found_at for t in hits]):g} '
             f'| {error.mean():+.3f} / {error.std():.3f} '
             f'| {np.mean([t.volume_se_m3 for t in hits]) * 1e3:.3f} | {good.mean():.1%} '
             f'| {np.mean([t.near for t in hits]):.1%} |')


def restless(hours: float) -> Noise:
    """Return a map that drifts by 30 mm and turns, and jumps by 20 mm every dozen minutes."""
    jumps = tuple(float(t) for t in np.arange(600.0, 3600.0 * hours + 1.0, 700.0))
    return replace(FIELD, bias_m=0.002, drift_xy_m=0.03, drift_z_m=0.03, drift_yaw_rad=0.003,
                   jump_xy_m=0.02, jump_z_m=0.01, jump_times_s=jumps)


def visit(watched: Watched, rng: np.random.Generator) -> None:
    """Change what stands or walks about: somebody crosses, a machine parks at the toe, nobody."""
    yard = watched.yard
    line, yard.things, chance = yard.site.berms[0].centreline, [], rng.random()
    station = rng.uniform(0.2, line.length_m - 0.2)
    if chance < 0.35:
        yard.things.append(crossing(line, station, yard.elapsed_s + rng.uniform(0.0, 15.0)))
    elif chance < 0.6:
        place = line.point_at(station, rng.choice([-1.0, 1.0]) * rng.uniform(0.35, 0.6))
        yard.things.append(ParkedRobot(
            Pose2(float(place[0]), float(place[1]), rng.uniform(0.0, 2.0 * math.pi)), MACHINE,
            tall_m=rng.choice([0.2, 0.35])))


def patrol(hours: float, first: int, sensor: SensorOptions) -> None:
    """Print what is booked while nobody touches the berm, one look every two seconds."""
    watched = Watched(demo_site(), seed=first, noise=restless(hours), sensor=sensor)
    rng, since = np.random.default_rng(first), watched.seq
    before, left = watched.pipeline.survey.surface.height_m.copy(), round(1800.0 * hours)
    while left > 0:
        watched.yard.place(STOPS[rng.integers(len(STOPS))])
        visit(watched, rng)
        count = min(left, int(rng.integers(8, 30)))
        for entry in watched.look(count, 2.0):
            if entry.kind in ALARMS:
                tell(f'false: {entry}')
        left -= count
    surface = watched.pipeline.survey.surface.height_m
    moved = (surface - before)[watched.pipeline.survey.area.in_corridor]
    counts = Counter(e.kind for e in watched.entries if e.seq > since)
    tell(f'| {hours:g} h | {round(1800 * hours)} looks | '
         + ' | '.join(f'{kind} {counts[kind]}' for kind in ALARMS[:4])
         + f' | map_shift {counts["map_shift"]} | surface moved {np.nanmean(moved) * 1e3:+.1f} '
         f'+- {np.nanstd(moved) * 1e3:.1f} mm |')


def builds(
    seeds: int, noise: str, first: int, sensor: SensorOptions, *, mapper: bool = False,
) -> None:
    """Print what is booked in ordinary builds, and how well each dump's rise is measured."""
    counts: Counter[str] = Counter()
    error, stated = [], []
    for seed in range(first, first + seeds):
        build = SimulatedBuild(demo_site(), seed=seed, options=BuildOptions(
            yard=YardOptions(noise=NOISE_PRESETS[noise], sensor=sensor), people_at_loads=(5, 12),
            second_robot_from_load=8 if seed % 2 else None))
        pipeline, events = Pipeline(build.site), build.events()
        for event in map(Mapper().published, events) if mapper else events:
            for entry in feed(pipeline, event).entries:
                counts[entry.kind] += 1
                if entry.kind in ALARMS:
                    tell(f'false: seed {seed}: {entry}')
        for record, true in zip(pipeline.books.dumps, build.truth()['dumps']):
            error.append(record.volume_m3 - true['volume_m3'])
            stated.append(record.volume_se_m3)
    own, worth = np.array(error) * 1e3, np.array(stated) * 1e3
    tell(f'| {seeds} builds ({noise}) | {len(own)} dumps | '
         + ' | '.join(f'{kind} {counts[kind]}' for kind in ALARMS)
         + f' | rise {np.nanmean(own):+.3f} +- {np.nanstd(own):.3f} l, '
         f'stated {np.nanmean(worth):.3f} l, '
         f'within 2 se {np.nanmean(np.abs(own) < 2.0 * worth):.0%}, '
         f'not measured {np.isnan(own).sum()} |')


def main(argv: Sequence[str] | None = None) -> int:
    """Run one part."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument('part', choices=['detect', 'patrol', 'builds'])
    parser.add_argument('--trials', type=int, default=60)
    parser.add_argument('--volumes', type=float, nargs='+', default=[0.2, 0.4, 0.8, 2.0])
    parser.add_argument('--noise', default='field')
    parser.add_argument('--hours', type=float, default=0.5)
    parser.add_argument('--seeds', type=int, default=4)
    parser.add_argument('--first', type=int, default=0)
    parser.add_argument('--cell', type=float, default=0.02)
    parser.add_argument('--mapper', action='store_true')
    args = parser.parse_args(argv)
    start_s, sensor = time.process_time(), SensorOptions(cell_m=args.cell)
    if args.part == 'detect':
        detect(args.trials, args.volumes, args.noise, args.first, sensor)
    elif args.part == 'patrol':
        patrol(args.hours, args.first, sensor)
    else:
        builds(args.seeds, args.noise, args.first, sensor, mapper=args.mapper)
    tell(f'({time.process_time() - start_s:.0f} s of processor time)')
    return 0


if __name__ == '__main__':
    sys.exit(main())
