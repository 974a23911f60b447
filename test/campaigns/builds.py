# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Whole builds over random sites: the real books and the real planner against a simulated yard.

The robot goes where the planner says, a little off, dumps, backs out and looks; the soil, its
loads and the errors of its sensor are simulated. An independent referee watches every footprint
and every way. What came of it is measured on the true soil.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, field
import json
import math
from pathlib import Path
import sys
import time
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / 'test' / 'campaigns')]  # runs from a clone

from berm_ledger.books.rows import State  # noqa: E402
from berm_ledger.geometry import Pose2  # noqa: E402
from berm_ledger.pipeline import Pipeline  # noqa: E402
from berm_ledger.simulation import (  # noqa: E402
    NOISE_PRESETS,
    SimEvent,
    stops_along,
    Yard,
    YardOptions,
)
from berm_ledger.simulation.approach import dig_spot  # noqa: E402
from berm_ledger.targeting import Ground, NoTarget, ReadyChoice, Target  # noqa: E402
from builds_referee_kit import Referee  # noqa: E402
from builds_sites_kit import draw, Drawn, FAMILIES  # noqa: E402
import numpy as np  # noqa: E402

# How far off its goal the robot stops, each axis, and how far off its heading.
STOP_M, HEADING_RAD = 0.015, 0.025
SURVEY_LOOKS = 2
LOOKS_PER_LOAD = 3
MOST_ROUNDS = 3
# A berm is at grade where its crest is within tolerance over this share of its line.
AT_GRADE = 0.9
# Lines of the table by what one load raises a finished crest by, in units of the tolerance.
RISES = ((0.4, 0.6), (0.6, 0.8), (0.8, 1.0))


@dataclass(frozen=True)
class Result:
    """What came of one build; shares of 1, lengths in metres."""

    number: int
    family: str
    rise: float
    loads: int
    least_loads: int
    crest: tuple[float, ...]
    segments: int
    segments_at_grade: int
    booked_at_grade: int
    trouble: str
    faults: dict[str, int]
    haul_m: float
    least_haul_m: float
    plan_exact: bool
    plan_gap: float
    replans: int
    holds: int
    seconds: float
    traces: tuple[str, ...] = field(default=())


class Build:
    """One build of one site."""

    def __init__(self, drawn: Drawn, *, noise: str = 'field') -> None:
        """Set up yard, books and planner."""
        self.drawn, self.site = drawn, drawn.site
        options = YardOptions(
            noise=NOISE_PRESETS[noise], soil_cell_m=0.0125, grid_period_s=4.0)
        self.yard = Yard(self.site, seed=drawn.number, options=options)
        self.pipeline = Pipeline(self.site)
        self.choice = ReadyChoice()
        self.referee = Referee(self.site, drawn.gate_xy)
        self.chance = np.random.default_rng([drawn.number, 7])
        self.holds = 0
        self.trouble = ''
        self.traces: list[str] = []
        self._acts = list(drawn.intrusions)
        self._design_m3 = sum(row['design_m3'] for row in self.yard.truth()['segments'])

    def run(self) -> Result:
        """Build until the planner says that it is done, or nothing goes on."""
        begin = time.process_time()
        self._look_everywhere()
        rounds = 0
        first_plan: Any = None
        while not self.trouble:
            answer = self._answer()
            if first_plan is None and self.choice.planner is not None:
                first_plan = self.choice.planner.plan
            if isinstance(answer, Target):
                rounds = 0
                self._haul(answer)
            elif answer.code == 'hold':
                self.holds += 1
                self.pipeline.resume()
            elif rounds == 0 or (answer.code != 'done' and rounds < MOST_ROUNDS):
                rounds += 1
                self._look_everywhere()
            elif answer.code == 'done' and self._acts:
                rounds = 0
                self._intrude(self._acts.pop(0))
            elif answer.code == 'done':
                break
            else:
                self.trouble = f'{answer.code}: {answer.reason}'
        return self._result(first_plan, time.process_time() - begin)

    def _answer(self) -> Target | NoTarget:
        """Ask for the next target, as the node does."""
        books = self.pipeline.books
        return self.choice(
            self.site, books.rows, Ground(*self.pipeline.no_go()),
            self.yard.error.reported(self.yard.true_pose),
            hold_text=books.hold_text if books.on_hold else None)

    def _haul(self, target: Target) -> None:
        """Load, drive to the run-up and into the dump, back out and look."""
        yard, site = self.yard, self.site
        if len(yard.dumps) > 2.5 * self._design_m3 / site.load_volume_m3 + 10:
            self.trouble = 'no end'
            return
        areas = site.yard.borrow_areas
        yard.place(yard.error.reported(dig_spot(yard, areas[len(yard.dumps) % len(areas)])))
        # Taken from a heap, so that no pit slides: the borrow side is no part of this.
        self._take(yard.wait(yard.options.dig_s))
        books = self.pipeline.books
        row = next(k for k, r in enumerate(books.rows) if (r.berm_index, r.segment) == (
            target.berm_index, target.segment))
        self.referee.judge_target(row, target.pose, target.run_up_start)
        self.referee.judge_way(row, target.run_up_start)
        off = Pose2(*self.chance.normal(0.0, STOP_M, 2), self.chance.normal(0.0, HEADING_RAD))
        pose = target.pose @ off
        run_up = pose @ Pose2(
            math.copysign(site.rover.run_up_m, -site.rover.drop_point_xy[0]), 0.0)
        yard.place(run_up)
        begun = yard.true_pose
        self._take(yard.drive_to(pose, straight=True))
        self.referee.judge_driven(yard.true_pose, begun, yard.soil)
        self._take(yard.dump())
        self._take(yard.drive_to(run_up, straight=True))
        self._take(yard.look_round(LOOKS_PER_LOAD))
        self._trace(target, row)
        while self._acts and (self._acts[0].after_load or 0) <= len(yard.dumps):
            self._intrude(self._acts.pop(0))

    def _trace(self, target: Target, row: int) -> None:
        """Keep a line about a load."""
        rows = self.pipeline.books.rows
        off = [round(1e3 * (r.height_m - r.target_height_m)) if math.isfinite(r.height_m)
               else None for r in rows]
        left = [r.dumps_remaining for r in rows]
        true = self.yard.dumps[-1]
        line = self.site.berms[target.berm_index].centreline
        station, offset = line.station_offset(np.array([[true['x_m'], true['y_m']]]))
        self.traces.append(
            f'{len(self.yard.dumps):3d} {target.berm} {target.segment} at {target.station_m:.2f} '
            f'to {1e3 * target.drop_offset_m:+.0f} of {1e3 * target.crest_offset_m:+.0f} '
            f'({station[0]:.2f}, {1e3 * offset[0]:+.0f} mm off) left {left} mm {off}')

    def _intrude(self, act: Any) -> None:
        """Let an intruder act, watched or not, and look."""
        self.yard.intrude(act)
        self.traces.append(f'    intruder: {act.kind} {1e3 * act.volume_m3:.1f} l at '
                           f'{act.station_m:.2f}')
        for _ in range(2):
            self._look_everywhere()

    def _look_everywhere(self) -> None:
        """Look at every berm from both sides."""
        for berm in range(len(self.site.berms)):
            for stop in stops_along(self.yard, berm):
                self.yard.place(self.yard.error.reported(stop))
                self._take(self.yard.look_round(SURVEY_LOOKS))

    def _take(self, events: Iterable[SimEvent]) -> None:
        """Give the books what the robot sends."""
        take: dict[str, Any] = {'pose': self.pipeline.add_pose, 'grid': self.pipeline.add_grid,
                                'dump': self.pipeline.add_dump}
        for event in events:
            take[event.kind](event.value)

    def _result(self, plan: Any, seconds: float) -> Result:
        """Measure what stands."""
        truth = self.yard.truth()
        for ground in self.yard.berms:
            top, _ = ground.crest(self.yard.soil)
            error = 1e3 * (top - ground.target_m)[::3]
            self.traces.append(f'    true crest off [mm]: {" ".join(f"{e:.0f}" for e in error)}')
        volumes = [dump['volume_m3'] for dump in truth['dumps']] or [math.nan]
        sign = {'remove': 1.0, 'fill': -1.0, 'slump': 0.0}
        wanted = self._design_m3 + sum(
            sign[act['kind']] * act['volume_m3'] for act in truth['intrusions'])
        rows = self.pipeline.books.rows
        return Result(
            self.drawn.number, self.drawn.family, self.drawn.rise, len(volumes),
            math.ceil(wanted / float(np.mean(volumes))),
            tuple(berm['at_grade'] for berm in truth['berms']), len(rows),
            sum(segment['at_grade'] >= AT_GRADE for segment in truth['segments']),
            sum(row.state == State.AT_GRADE for row in rows), self.trouble,
            dict(Counter(self.referee.faults)), self.referee.haul_m, self.referee.least_m,
            bool(plan and plan.exact), float(plan.gap) if plan else math.nan,
            self.choice.planner.replans if self.choice.planner else 0, self.holds, seconds,
            tuple(self.traces))


HEADINGS = ('family', 'builds', 'at grade', 'crest in tolerance', 'builds with 95 % of crest',
            'segments at grade', 'loads / least', 'worst', 'haul / bound', 'plan gap',
            'shut in', 'bad footprints', 'troubles')


def line_of(name: str, results: Sequence[Result]) -> tuple[str, ...]:
    """Return one line of the table."""
    crests = [share for r in results for share in r.crest]
    at_grade = sum(min(r.crest) >= AT_GRADE for r in results)
    good = sum(min(r.crest) >= 0.95 for r in results)
    faults: Counter[str] = Counter()
    for r in results:
        faults.update(r.faults)
    shut = sum(n for text, n in faults.items() if 'foot' not in text and 'stood' not in text)
    least = sum(r.least_loads for r in results)
    done = sum(r.segments_at_grade for r in results)
    return (
        name, str(len(results)), percent(at_grade / len(results)),
        percent(float(np.mean(crests))), percent(good / len(results)),
        percent(done / sum(r.segments for r in results)),
        f'{sum(r.loads for r in results) / least:.3f}',
        f'{max(r.loads / r.least_loads for r in results):.2f}',
        f'{sum(r.haul_m for r in results) / sum(r.least_haul_m for r in results):.3f}',
        percent(max(r.plan_gap for r in results)), str(shut), str(faults.total() - shut),
        str(sum(bool(r.trouble) for r in results)))


def percent(share: float) -> str:
    """Return a share in per cent."""
    return f'{100.0 * share:.1f} %'


def table(results: Sequence[Result]) -> str:
    """Return the table, a line per family and one for all."""
    lines = [HEADINGS, tuple('---' for _ in HEADINGS)]
    for family in FAMILIES:
        own = [r for r in results if r.family == family]
        if own:
            lines.append(line_of(family, own))
    for low, high in RISES:
        own = [r for r in results if low <= r.rise < high]
        if own:
            lines.append(line_of(f'rise {low} to {high}', own))
    lines.append(line_of('all', results))
    return '\n'.join('| ' + ' | '.join(line) + ' |' for line in lines)


def run(job: tuple[int, str | None, str]) -> Result:
    """Make one build."""
    number, family, noise = job
    return Build(draw(number, family), noise=noise).run()


def results_of(args: argparse.Namespace) -> Iterator[Result]:
    """Yield results, read or made."""
    for name in args.read:
        for text in Path(name).read_text().splitlines():
            values = json.loads(text)
            values['crest'], values['traces'] = tuple(values['crest']), tuple(values['traces'])
            yield Result(**values)
    jobs = [(n, args.family, args.noise)
            for n in range(args.first, args.first + (0 if args.read else args.builds))]
    if args.jobs > 1:
        with ProcessPoolExecutor(args.jobs) as pool:
            yield from pool.map(run, jobs)
    else:
        yield from map(run, jobs)


def main(argv: Sequence[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.split('\n\n')[0])
    parser.add_argument('--builds', type=int, default=10, help='how many (default 10)')
    parser.add_argument('--first', type=int, default=0, help='number of the first (default 0)')
    parser.add_argument('--family', choices=FAMILIES, help='only this one; left out, in turn')
    parser.add_argument('--noise', choices=sorted(NOISE_PRESETS), default='field')
    parser.add_argument('--jobs', type=int, default=1, help='processes (default 1)')
    parser.add_argument('--write', help='file to add the results to, a line of JSON each')
    parser.add_argument('--read', nargs='*', default=[], help='such files: only the table')
    parser.add_argument('--details', action='store_true', help='every load')
    args = parser.parse_args(argv)
    results = []
    for result in results_of(args):
        results.append(result)
        if not args.read:
            crest = ' '.join(f'{share:.3f}' for share in result.crest)
            sys.stderr.write(
                f'{result.number} {result.family}: rise {result.rise:.2f} loads {result.loads} of '
                f'{result.least_loads} crest {crest} segments {result.segments_at_grade} '
                f'({result.booked_at_grade} booked) of {result.segments} '
                f'haul {result.haul_m / max(result.least_haul_m, 1e-9):.3f} replans '
                f'{result.replans} holds {result.holds} {result.faults or ""} {result.trouble} '
                f'{result.seconds:.0f} s\n')
            if args.details:
                sys.stderr.write('\n'.join(result.traces) + '\n')
        if args.write:
            with open(args.write, 'a') as out:
                out.write(json.dumps(asdict(result)) + '\n')
    sys.stdout.write(table(results) + '\n')
    return 0


if __name__ == '__main__':
    sys.exit(main())
