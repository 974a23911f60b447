# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Score the books against the truth of simulated builds, without bags.

``python test/benchmarks/score.py --seeds 5`` simulates so many builds of the demo site for every
preset of noise, drives the pipeline with their messages and prints one line for each: errors of
height and placed volume, whether stated standard errors are honest, dumps booked, and what was
booked beside them. Honest errors lie within one standard error in 68 % and within two in 95 % of
all cases.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
import math
from pathlib import Path
import sys
import time
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))  # runs from a clone, installed or not

from berm_ledger.books import Books  # noqa: E402
from berm_ledger.pipeline import Pipeline  # noqa: E402
from berm_ledger.simulation import (  # noqa: E402
    BuildOptions,
    Intrusion,
    NOISE_PRESETS,
    SimEvent,
    SimulatedBuild,
    YardOptions,
)
from berm_ledger.site_source import load_site  # noqa: E402

# What an undisturbed build must not leave in the books, in short for the headings.
ALARMS = {'disturbed': 'dist', 'slump': 'slump', 'unbooked_fill': 'fill', 'stray_dump': 'stray',
          'map_shift': 'shift', 'refused': 'refus'}
# A segment with less soil on it has had no load: its error is no share of anything [m3].
LEAST_PLACED_M3 = 0.001
UNEXPLAINED = ('disturbed', 'slump', 'unbooked_fill')
HEAD = (f'{"noise":>9} {"seed":>4} {"grids":>5} {"s":>5} | {"MAE":>5} {"worst":>6} {"bias":>5} '
        f'{"<1se":>5} {"<2se":>5} | {"vol":>6} {"worst":>6} {"<1se":>5} {"<2se":>5} | '
        f'{"grade":>5} {"dumps":>7} {"rises":>5} {"yield":>6} | '
        + ' '.join(f'{short:>5}' for short in ALARMS.values()))
UNITS = (f'{"":>9} {"":>4} {"":>5} {"":>5} | {"mm":>5} {"mm":>6} {"mm":>5} {"%":>5} {"%":>5} | '
         f'{"%":>6} {"%":>6} {"%":>5} {"%":>5} | {"off %":>5} {"of":>7} {"":>5} {"%":>6} |')


@dataclass(frozen=True)
class Job:
    """One build to simulate."""

    site: str
    noise: str
    seed: int
    intruder: str
    person: bool
    loads: int | None


@dataclass(frozen=True)
class Score:
    """
    How the books of one build compare with the truth.

    Parameters
    ----------
    label : str
        Preset of noise and seed.
    grids, seconds : int, float
        Grids taken, and what the pipeline took for all messages [s].
    height_errors, height_ses : tuple of float
        Booked minus true height of every segment, and its stated standard error [m].
    volume_errors, volume_ses : tuple of float
        The same of the placed volume [m3].
    volumes : tuple of float
        True placed volumes [m3].
    grade_errors : tuple of float
        Booked minus true share of crest line at grade.
    announced : int
        Dumps announced.
    kinds : mapping
        Entries by kind.
    yield_error : float
        Relative error of the yield.
    litres : mapping
        Volumes booked that no dump explains, by kind [l].
    details : tuple of str
        Lines about every segment and alarm.

    """

    label: str
    grids: int
    seconds: float
    height_errors: tuple[float, ...]
    height_ses: tuple[float, ...]
    volume_errors: tuple[float, ...]
    volume_ses: tuple[float, ...]
    volumes: tuple[float, ...]
    grade_errors: tuple[float, ...]
    announced: int
    kinds: dict[str, int]
    yield_error: float
    litres: dict[str, float] = field(default_factory=dict)
    details: tuple[str, ...] = ()

    @property
    def mean_height_error_m(self) -> float:
        """Mean absolute error of the heights [m]."""
        return mean(abs(e) for e in self.height_errors)

    @property
    def volume_error(self) -> float:
        """Relative error of the placed volume of all segments; NaN where nothing was placed."""
        placed_m3 = sum(self.volumes)
        return sum(self.volume_errors) / placed_m3 if placed_m3 else math.nan


def mean(values: Iterable[float]) -> float:
    """Return the mean; NaN for none, and with any NaN, as an unseen segment is no success."""
    known = list(values)
    return sum(known) / len(known) if known else math.nan


def within(errors: Sequence[float], ses: Sequence[float], times: float) -> float:
    """Return the share of errors within so many stated standard errors."""
    return mean(float(abs(e) < times * s) for e, s in zip(errors, ses))


def build_options(job: Job) -> BuildOptions:
    """Return the options of a build."""
    options = BuildOptions(yard=YardOptions(noise=NOISE_PRESETS[job.noise]), most_loads=job.loads)
    if job.person:
        options = replace(options, people_at_loads=(5, 9, 13))
    if job.intruder != 'none':
        line = load_site(job.site).site.berms[0].centreline
        options = replace(options, intrusions=(Intrusion(
            kind=job.intruder, volume_m3=0.003, station_m=0.4 * line.length_m,
            offset_m=0.02, mended=False),))
    return options


def run(job: Job) -> Score:
    """Simulate one build, keep its books and compare."""
    site = load_site(job.site).site
    build = SimulatedBuild(site, seed=job.seed, options=build_options(job))
    return scored(f'{job.noise:>9} {job.seed:>4}', build, build.events())[0]


def scored(
    label: str, build: SimulatedBuild, events: Iterable[SimEvent]
) -> tuple[Score, Books]:
    """Keep the books of a build by its messages; return their score and the books."""
    pipeline = Pipeline(build.site)
    take = {'pose': pipeline.add_pose, 'grid': pipeline.add_grid, 'dump': pipeline.add_dump}
    kinds: Counter[str] = Counter()
    messages: Counter[str] = Counter()
    details: list[str] = []
    litres: Counter[str] = Counter()
    seconds = 0.0
    for event in events:
        messages[event.kind] += 1
        begin = time.perf_counter()
        update = take[event.kind](event.value)
        seconds += time.perf_counter() - begin
        note(update.entries, kinds, litres, details)
    note(pipeline.finish().entries, kinds, litres, details)
    truth = build.truth()
    details += [f'  truth: {event}' for event in truth['intrusions']]
    score = compare(label, pipeline.books, truth, kinds, messages, seconds, details)
    return replace(score, litres=dict(litres)), pipeline.books


def note(
    entries: Iterable[Any], kinds: Counter[str], litres: Counter[str], details: list[str]
) -> None:
    """Count entries and keep those that an undisturbed build should not have."""
    for entry in entries:
        kinds[entry.kind] += 1
        if entry.kind in UNEXPLAINED:
            litres[entry.kind] += 1e3 * (entry.data.get('volume_m3') or 0.0)
        if entry.kind in ALARMS or entry.kind in ('hold', 'reworked', 'datum'):
            details.append(f'  {entry.stamp_ns / 1e9:.1f} {entry.kind} {entry.berm} '
                           f'{entry.segment} {entry.data_json()[:200]}')


def compare(
    label: str, books: Any, truth: dict[str, Any], kinds: Counter[str], messages: Counter[str],
    seconds: float, details: list[str],
) -> Score:
    """Return the score of finished books."""
    true = {(row['berm'], row['segment']): row for row in truth['segments']}
    pairs = [(row, true[row.berm, row.segment]) for row in books.rows]
    for row, fact in pairs:
        details.append(
            f'  {row.berm} {row.segment}: height {row.height_m:.4f} +- {row.height_se_m:.4f} true '
            f'{fact["height_m"]:.4f}; placed {row.placed_m3:.5f} +- {row.placed_se_m3:.5f} true '
            f'{fact["placed_m3"]:.5f}; at grade {row.at_grade:.2f} true {fact["at_grade"]:.2f}; '
            f'coverage {row.coverage:.2f}; {row.state.name}, {row.dumps_remaining} to go')
    real = [dump['volume_m3'] for dump in truth['dumps'] if dump['segment'] is not None]
    yield_m3 = mean(real)
    return Score(
        label=label, grids=messages['grid'], seconds=seconds,
        height_errors=tuple(row.height_m - fact['height_m'] for row, fact in pairs),
        height_ses=tuple(row.height_se_m for row, _ in pairs),
        volume_errors=tuple(row.placed_m3 - fact['placed_m3'] for row, fact in pairs),
        volume_ses=tuple(row.placed_se_m3 for row, _ in pairs),
        volumes=tuple(fact['placed_m3'] for _, fact in pairs),
        grade_errors=tuple(row.at_grade - fact['at_grade'] for row, fact in pairs),
        announced=messages['dump'], kinds=dict(kinds),
        yield_error=books.dump_yield.value_m3 / yield_m3 - 1.0 if real else math.nan,
        details=tuple(details))


def line_of(score: Score) -> str:
    """Return one line of the table."""
    h, v = score.height_errors, score.volume_errors
    worst_h = max(h, key=abs, default=math.nan)
    worst_v = max((e / t for e, t in zip(v, score.volumes) if t >= LEAST_PLACED_M3), key=abs,
                  default=math.nan)
    kinds = score.kinds
    return (
        f'{score.label} {score.grids:>5} {score.seconds:>5.1f} | '
        f'{1e3 * score.mean_height_error_m:>5.2f} {1e3 * worst_h:>+6.2f} {1e3 * mean(h):>+5.2f} '
        f'{100 * within(h, score.height_ses, 1.0):>5.0f} '
        f'{100 * within(h, score.height_ses, 2.0):>5.0f} | '
        f'{100 * score.volume_error:>+6.2f} {100 * worst_v:>+6.2f} '
        f'{100 * within(v, score.volume_ses, 1.0):>5.0f} '
        f'{100 * within(v, score.volume_ses, 2.0):>5.0f} | '
        f'{100 * mean(abs(e) for e in score.grade_errors):>5.1f} '
        f'{kinds.get("dump", 0):>3}/{score.announced:<3} {kinds.get("rise", 0):>5} '
        f'{100 * score.yield_error:>+6.1f} | '
        + ' '.join(f'{kinds.get(kind, 0):>5}' for kind in ALARMS)
        + ''.join(f' | {kind} {volume:.2f} l' for kind, volume in sorted(score.litres.items())))


def total(scores: Sequence[Score]) -> Score:
    """Return all scores as one, so that shares are taken over all segments."""
    kinds: Counter[str] = Counter()
    for score in scores:
        kinds.update(score.kinds)

    def joined(name: str) -> tuple[float, ...]:
        return tuple(value for score in scores for value in getattr(score, name))

    return Score(
        label=f'{"all":>9} {len(scores):>4}', grids=sum(s.grids for s in scores),
        seconds=sum(s.seconds for s in scores), height_errors=joined('height_errors'),
        height_ses=joined('height_ses'), volume_errors=joined('volume_errors'),
        volume_ses=joined('volume_ses'), volumes=joined('volumes'),
        grade_errors=joined('grade_errors'), announced=sum(s.announced for s in scores),
        kinds=dict(kinds), yield_error=mean(s.yield_error for s in scores))


def arguments(argv: Sequence[str] | None) -> argparse.Namespace:
    """Return the parsed command line."""
    parser = argparse.ArgumentParser(description=__doc__.split('\n\n')[0])
    parser.add_argument('--seeds', type=int, default=3, help='builds of every preset (default 3)')
    parser.add_argument('--first-seed', type=int, default=1, help='seed of the first (default 1)')
    parser.add_argument('--noise', nargs='+', choices=sorted(NOISE_PRESETS),
                        default=sorted(NOISE_PRESETS), help='presets (default: all)')
    parser.add_argument('--site', default=str(ROOT / 'config' / 'demo_site.yaml'))
    parser.add_argument('--intruder', choices=['none', 'remove', 'fill', 'slump'], default='none',
                        help='3 litres at the end, not mended')
    parser.add_argument('--person', action='store_true', help='somebody walks over the berm')
    parser.add_argument('--loads', type=int, help='end the build after so many loads')
    parser.add_argument('--jobs', type=int, default=1, help='processes (default 1)')
    parser.add_argument('--details', action='store_true', help='every segment and alarm')
    return parser.parse_args(argv)


def main(argv: Sequence[str] | None = None) -> int:
    """Print the table."""
    args = arguments(argv)
    jobs = [Job(args.site, noise, args.first_seed + n, args.intruder, args.person, args.loads)
            for noise in args.noise for n in range(args.seeds)]
    sys.stdout.write(f'{HEAD}\n{UNITS}\n')
    scores = []
    with ProcessPoolExecutor(args.jobs) as pool:
        for score in pool.map(run, jobs) if args.jobs > 1 else map(run, jobs):
            scores.append(score)
            sys.stdout.write(line_of(score) + '\n')
            if args.details:
                sys.stdout.write('\n'.join(score.details) + '\n')
            sys.stdout.flush()
    sys.stdout.write(line_of(total(scores)) + '\n')
    return 0


if __name__ == '__main__':
    sys.exit(main())
