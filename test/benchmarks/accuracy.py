# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Bias, scatter and honesty of the readings, over seeds and conditions.

``python test/benchmarks/accuracy.py --seeds 4`` simulates builds of the example sites under
several conditions and compares the readings at the end with the truth: errors of the segment
heights, share of them within one and two stated standard errors (68 % and 95 % would be honest),
the same for the placed volumes, and how far ground that was never touched seemed to move at any
time.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
import math
from pathlib import Path
import sys

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))  # runs from a clone, installed or not

from berm_ledger.pipeline import Pipeline  # noqa: E402
from berm_ledger.simulation import (  # noqa: E402
    BuildOptions,
    NOISE_PRESETS,
    SimulatedBuild,
    YardOptions,
)
from berm_ledger.simulation.sensor import SensorOptions  # noqa: E402
from berm_ledger.site_source import load_site  # noqa: E402
from berm_ledger.survey.crest_lines import STRIP_M  # noqa: E402
from berm_ledger.survey.site_survey import COMPLETE_LOOKS  # noqa: E402
import numpy as np  # noqa: E402
from score import compare, Score, total, within  # noqa: E402

# Ground is looked at once in so many grids, after the looks that a survey takes; a cell counts as
# touched from this rise on [m].
EVERY = 5
TOUCHED_M = 1e-6
HEAD = ('condition', 'builds', 'segments', 'MAE', 'bias', 'sd', 'worst', '<1 se', '<2 se',
        'placed', 'worst', '<1 se', '<2 se', 'ground')
UNITS = ('', '', '', 'mm', 'mm', 'mm', 'mm', '%', '%', '%', '%', '%', '%', 'mm')


@dataclass(frozen=True)
class Condition:
    """One row of the table: what is built and how it is seen."""

    name: str
    site: str = 'demo'
    noise: str = 'field'
    sensor: SensorOptions = field(default_factory=SensorOptions)
    loads: int | None = None


CONDITIONS = (
    Condition('demo, quiet', noise='quiet'),
    Condition('demo, field'),
    Condition('demo, drifting', noise='drifting'),
    Condition('demo, drifting, grid turned 20 deg', noise='drifting',
              sensor=SensorOptions(yaw_rad=math.radians(20.0))),
    Condition('demo, drifting, grid turns with robot', noise='drifting',
              sensor=SensorOptions(turns_with_robot=True)),
    Condition('demo, drifting, cells 15 mm', noise='drifting',
              sensor=SensorOptions(cell_m=0.015)),
    Condition('demo, drifting, cells 30 mm', noise='drifting',
              sensor=SensorOptions(cell_m=0.03)),
    Condition('demo, drifting, sensor 0.5 m high', noise='drifting',
              sensor=SensorOptions(mast_m=0.5)),
    Condition('demo, drifting, sensor askew by 0.6 deg', noise='drifting',
              sensor=SensorOptions(askew_rad=0.010)),
    Condition('demo, drifting, half built', noise='drifting', loads=12),
    Condition('arc on a plane, field', site='arc'),
    Condition('arc on a plane, drifting', site='arc', noise='drifting'),
    Condition('two berms, field', site='two_berms'),
    Condition('two berms, drifting', site='two_berms', noise='drifting'),
    Condition('ring, level crest, 60 loads, drifting', site='ring', noise='drifting', loads=60),
)


def run(condition: Condition, seed: int) -> tuple[Score, float]:
    """Return the score of one build and how far untouched ground seemed to move [m]."""
    site = load_site(str(ROOT / 'config' / f'{condition.site}_site.yaml')).site
    yard = YardOptions(noise=NOISE_PRESETS[condition.noise], sensor=condition.sensor)
    build = SimulatedBuild(
        site, seed=seed, options=BuildOptions(yard=yard, most_loads=condition.loads))
    pipeline = Pipeline(site)
    take = {'pose': pipeline.add_pose, 'grid': pipeline.add_grid, 'dump': pipeline.add_dump}
    worst_m, grids = 0.0, 0
    for event in build.events():
        take[event.kind](event.value)
        if event.kind == 'grid':
            grids += 1
            if grids % EVERY == 0:
                worst_m = max(worst_m, ground_moved_m(pipeline, build))
    messages = {'grid': grids, 'dump': build.loads}
    score = compare(condition.name, pipeline.books, build.truth(), {}, messages, 0.0, [])
    return score, worst_m


def ground_moved_m(pipeline: Pipeline, build: SimulatedBuild) -> float:
    """
    Return the greatest height that untouched ground seems to have [m].

    Looked at are the means over the ground beside every segment, and the booked crest heights of
    segments that no soil has come near; both where there are as many looks as a survey takes,
    which starts anew where a load is announced.
    """
    survey = pipeline.survey
    if survey.datum is None:
        return 0.0
    area, soil = survey.area, build.yard.soil
    touched = soil.at(area.corridor.centres_xy, soil.rise_m) > TOUCHED_M
    height = survey.height_m()
    worst = 0.0
    for row in range(len(area.segments)):
        own = area.corridor.segment_index == row
        strip = own & (np.abs(area.corridor.offset_m) <= STRIP_M)
        if np.median(survey.surface.looks[strip]) < COMPLETE_LOOKS:
            continue
        beside = own & ~area.in_corridor & ~touched & np.isfinite(height)
        if beside.sum() > 100:
            worst = max(worst, abs(float(height[beside].mean())))
        figure = pipeline.books.rows[row].height_m
        if not touched[own].any() and figure is not None and math.isfinite(figure):
            worst = max(worst, abs(figure))
    return worst


def cells_of(name: str, builds: int, score: Score, ground_m: float) -> list[str]:
    """Return the cells of one row of the table."""
    h, v = np.array(score.height_errors), np.array(score.volume_errors)
    relative = v / np.array(score.volumes)
    return [
        name, f'{builds}', f'{len(h)}', f'{1e3 * np.abs(h).mean():.2f}',
        f'{1e3 * h.mean():+.2f}', f'{1e3 * h.std():.2f}', f'{1e3 * max(h, key=abs):+.1f}',
        *(f'{100 * within(list(h), score.height_ses, k):.0f}' for k in (1.0, 2.0)),
        f'{100 * score.volume_error:+.2f}', f'{100 * max(relative, key=abs):+.1f}',
        *(f'{100 * within(list(v), score.volume_ses, k):.0f}' for k in (1.0, 2.0)),
        f'{1e3 * ground_m:.1f}']


def table(rows: Sequence[Sequence[str]]) -> str:
    """Return rows as a table in Markdown, columns lined up."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    lines = ['| ' + ' | '.join(
        cell.rjust(width) if i else cell.ljust(width)
        for i, (cell, width) in enumerate(zip(row, widths))) + ' |' for row in rows]
    rule = '| ' + ' | '.join(
        '-' * (width - 1) + (':' if i else '-') for i, width in enumerate(widths)) + ' |'
    return '\n'.join([lines[0], rule, *lines[1:]]) + '\n'


def arguments(argv: Sequence[str] | None) -> argparse.Namespace:
    """Return the parsed command line."""
    parser = argparse.ArgumentParser(description=__doc__.split('\n\n')[0])
    parser.add_argument('--seeds', type=int, default=4, help='builds of a condition (default 4)')
    parser.add_argument('--first-seed', type=int, default=1, help='seed of the first (default 1)')
    parser.add_argument('--only', default='', help='conditions whose name holds this text')
    parser.add_argument('--jobs', type=int, default=1, help='processes (default 1)')
    return parser.parse_args(argv)


def main(argv: Sequence[str] | None = None) -> int:
    """Print the table."""
    args = arguments(argv)
    rows, scores, worst_m = [HEAD, UNITS], [], []
    with ProcessPoolExecutor(args.jobs) as pool:
        for condition in CONDITIONS:
            if args.only not in condition.name:
                continue
            seeds = range(args.first_seed, args.first_seed + args.seeds)
            done = list(pool.map(run, [condition] * args.seeds, seeds))
            own = total([score for score, _ in done])
            rows.append(cells_of(condition.name, len(done), own, max(g for _, g in done)))
            scores.append(own)
            worst_m.append(max(g for _, g in done))
            sys.stderr.write(' '.join(rows[-1]) + '\n')
    if scores:
        both = total(scores)
        rows.append(cells_of('all', args.seeds * len(scores), both, max(worst_m)))
    sys.stdout.write(table(rows))
    return 0


if __name__ == '__main__':
    sys.exit(main())
