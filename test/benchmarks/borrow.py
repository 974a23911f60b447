# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The borrow side against the truth, over seeds.

``python test/benchmarks/borrow.py --seeds 4`` builds the demo site with digging in lanes and
compares the books with the truth: cut volume, masses of the loads, the balance at every booking
and at the end, and the forecast of the time to finish after a quarter, half and three quarters of
the loads. Then a rover digs in one lane alone, and it is told how deep that truly was when the
lane was closed, against its limit.

``--rut-mm 10`` builds on ground that wheels press down by so much at most. ``--true-swell 1.12``
or ``1.35`` builds with soil that swells so while the books are told ``STATED_SWELL``;
``--true-line 0 2.9`` with a drum that draws another current than the books start from. What the
books make of it is written build by build.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
import math
from pathlib import Path
import sys

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))  # runs from a clone, installed or not

from berm_ledger.borrow.balance import SIGMAS  # noqa: E402
from berm_ledger.borrow.production import Forecast, forecast  # noqa: E402
from berm_ledger.design import Site  # noqa: E402
from berm_ledger.pipeline import Pipeline  # noqa: E402
from berm_ledger.simulation import (  # noqa: E402
    BorrowOptions,
    BuildOptions,
    NOISE_PRESETS,
    SimulatedBuild,
    YardOptions,
)
from berm_ledger.site_source import load_site  # noqa: E402
import numpy as np  # noqa: E402

SHARES = (0.25, 0.5, 0.75)
# The lane that is dug again and again: limit, and loads at most.
LIMIT_M, MOST_LOADS = 0.05, 14
PARTIAL = (6, 13, 20)
# What the site file says of a soil that truly swells by something else.
STATED_SWELL = 1.25


@dataclass
class Build:
    """What one build came to."""

    cut_m3: float = math.nan
    cut_se_m3: float = math.nan
    true_m3: float = math.nan
    balances: list[tuple[float, float]] = field(default_factory=list)
    load_errors: list[float] = field(default_factory=list)
    load_ses: list[float] = field(default_factory=list)
    cut_loads: list[float] = field(default_factory=list)
    partial: list[tuple[bool, bool | None]] = field(default_factory=list)
    forecasts: list[tuple[Forecast, float]] = field(default_factory=list)
    findings: list[str] = field(default_factory=list)
    kg_per_a: float = math.nan


@dataclass
class Closed:
    """How deep a lane was when it was closed."""

    true_m: float = math.nan
    measured_m: float = math.nan
    loads: int = 0


def demo() -> Site:
    """Return the site of the demo."""
    return load_site(str(ROOT / 'config' / 'demo_site.yaml')).site


def steps(pipeline: Pipeline) -> dict:
    """Return what takes each kind of message."""
    return {'pose': pipeline.add_pose, 'grid': pipeline.add_grid, 'dump': pipeline.add_dump,
            'drum_current': pipeline.add_drum_current}


def run(
    noise: str, seed: int, true_swell: float | None = None,
    line: tuple[float, float] | None = None, rut_m: float = 0.0,
) -> Build:
    """Build once and compare; the books may be told another swell, and nothing of the line."""
    site = books_site = demo()
    borrow = BorrowOptions(partial_loads=PARTIAL)
    if line is not None:
        borrow = replace(borrow, empty_a=line[0], a_per_kg=1.0 / line[1])
    yard = YardOptions(noise=NOISE_PRESETS[noise], weighed=False, borrow=borrow, rut_m=rut_m)
    if true_swell is not None:
        yard = replace(yard, swell=true_swell)
        books_site = replace(site, material=replace(site.material, swell=STATED_SWELL))
    build = SimulatedBuild(site, seed=seed, options=BuildOptions(yard=yard))
    pipeline = Pipeline(books_site)
    take, told, texts = steps(pipeline), [], []
    for event in build.events():
        texts += [f'load {build.loads}: {e.data["text"]}'
                  for e in take[event.kind](event.value).entries if e.kind == 'imbalance']
        if event.kind == 'dump':
            left = pipeline.books.dumps_remaining
            told.append((event.stamp_ns, forecast(pipeline.borrow, left)))
    truth, account, out = build.truth(), pipeline.borrow, Build()
    out.cut_m3, out.cut_se_m3 = account.cut_m3
    out.true_m3 = sum(area['cut_m3'] for area in truth['borrow']['areas'])
    out.balances = [(b.unexplained_m3, b.unexplained_se_m3) for b in account.balances]
    out.findings = texts
    masses = np.array([load.mass_kg for load in account.loads])
    currents = np.array([load.current_a for load in account.loads])
    out.kg_per_a = float(np.nanmedian(masses / currents))
    for n, (load, dump, dig) in enumerate(
            zip(account.loads, truth['dumps'], truth['borrow']['digs']), 1):
        out.load_errors.append(load.mass_kg - dump['mass_kg'])
        out.load_ses.append(load.mass_se_kg)
        if math.isfinite(load.cut_m3):
            out.cut_loads.append((load.cut_m3 - dig['bank_m3']) / load.cut_se_m3)
        out.partial.append((n in PARTIAL, load.partial))
    end_ns = told[-1][0]
    for share in SHARES:
        stamp_ns, guess = told[min(len(told) - 1, round(share * len(told)) - 1)]
        if guess is not None:
            out.forecasts.append((guess, (end_ns - stamp_ns) / 1e9))
    return out


def close(noise: str, seed: int, rut_m: float = 0.0) -> Closed:
    """Dig in one lane until it is closed."""
    site = demo()
    areas = tuple(replace(area, max_cut_m=LIMIT_M) for area in site.yard.borrow_areas)
    site = replace(site, yard=replace(site.yard, borrow_areas=areas),
                   rover=replace(site.rover, clearance_m=0.15))
    yard = YardOptions(
        noise=NOISE_PRESETS[noise], borrow=BorrowOptions(one_lane=True), rut_m=rut_m)
    build = SimulatedBuild(
        site, seed=seed, options=BuildOptions(yard=yard, most_loads=MOST_LOADS))
    pipeline = Pipeline(site)
    take = steps(pipeline)
    for event in build.events():
        update = take[event.kind](event.value)
        for entry in update.entries:
            if entry.kind == 'void':
                deepest = build.truth()['borrow']['areas'][0]['deepest_m']
                return Closed(deepest, entry.data['deepest_m'], build.loads)
    return Closed()


def show(noise: str, builds: Sequence[Build], closed: Sequence[Closed]) -> list[str]:
    """Return the row of the table for some builds."""
    cut = np.array([b.cut_m3 / b.true_m3 - 1.0 for b in builds])
    cut_z = np.array([(b.cut_m3 - b.true_m3) / b.cut_se_m3 for b in builds])
    last = np.array([abs(b.balances[-1][0]) <= SIGMAS * b.balances[-1][1] for b in builds])
    every = np.array([abs(v) <= SIGMAS * se for b in builds for v, se in b.balances])
    errors = np.array([e for b in builds for e in b.load_errors])
    ses = np.array([s for b in builds for s in b.load_ses])
    told = [(f, true) for b in builds for f, true in b.forecasts]
    covered = np.array([f.low_s <= true <= f.high_s for f, true in told])
    widths = np.array([(f.high_s - f.low_s) / max(f.middle_s, 1.0) for f, _ in told])
    found = [said for b in builds for partial, said in b.partial if partial]
    full = [said for b in builds for partial, said in b.partial if not partial]
    over = [1e3 * (c.true_m - LIMIT_M) for c in closed if math.isfinite(c.true_m)]
    return [
        noise, f'{len(builds)}', f'{100 * cut.mean():+.2f}', f'{100 * np.abs(cut).max():.2f}',
        f'{100 * np.mean(np.abs(cut_z) < SIGMAS):.0f}',
        f'{100 * last.mean():.0f}', f'{100 * every.mean():.0f}',
        f'{sum(len(b.findings) for b in builds)}',
        f'{np.abs(errors).mean():.2f}', f'{100 * np.mean(np.abs(errors) < 2.0 * ses):.0f}',
        f'{sum(s is True for s in found)}/{len(found)}',
        f'{sum(s is True for s in full)}/{len(full)}',
        f'{100 * covered.mean():.0f}', f'{100 * widths.mean():.0f}',
        f'{max(over):+.1f}' if over else '-', f'{len(over)}/{len(closed)}']


HEAD = ('noise', 'builds', 'cut', 'worst', '<1.96 se', 'closes', 'always', 'findings', 'load',
        '<2 se', 'partial', 'false', 'time', 'width', 'void', 'closed')
UNITS = ('', '', '%', '%', '%', '%', '%', '', 'kg', '%', '', '', '%', '%', 'mm', '')


def main(argv: Sequence[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.split('\n\n')[0])
    parser.add_argument('--seeds', type=int, default=4, help='builds of each noise (default 4)')
    parser.add_argument('--first-seed', type=int, default=1, help='seed of the first (default 1)')
    parser.add_argument('--noise', default='field,drifting', help='presets, comma between')
    parser.add_argument('--true-swell', type=float, help='another than the books are told')
    parser.add_argument('--true-line', type=float, nargs=2, metavar=('A', 'KG_PER_A'),
                        help='current of the empty drum [A] and mass for each ampere more [kg/A]')
    parser.add_argument('--rut-mm', type=float, default=0.0,
                        help='how deep the wheels press the ground at most (default 0)')
    parser.add_argument('--jobs', type=int, default=1, help='processes (default 1)')
    args = parser.parse_args(argv)
    rows = [HEAD, UNITS]
    seeds = range(args.first_seed, args.first_seed + args.seeds)
    with ProcessPoolExecutor(args.jobs) as pool:
        for noise in args.noise.split(','):
            builds = list(pool.map(run, [noise] * args.seeds, seeds,
                                   [args.true_swell] * args.seeds, [args.true_line] * args.seeds,
                                   [1e-3 * args.rut_mm] * args.seeds))
            plain = args.true_swell is None and args.true_line is None
            closed = list(pool.map(close, [noise] * args.seeds, seeds,
                                   [1e-3 * args.rut_mm] * args.seeds)) if plain else []
            rows.append(tuple(show(noise, builds, closed)))
            for build in builds:
                sys.stderr.write(
                    f'{noise}: cut {100 * (build.cut_m3 / build.true_m3 - 1):+.2f} %, unexplained '
                    f'{1e3 * build.balances[-1][0]:+.2f}+-{1e3 * build.balances[-1][1]:.2f} l, '
                    + ', '.join(f'{f.low_s / 60:.0f}-{f.high_s / 60:.0f} ({true / 60:.0f}) min'
                                for f, true in build.forecasts)
                    + f', {build.kg_per_a:.3f} kg/A'
                    + ''.join(f'; {text}' for text in build.findings) + '\n')
    for row in rows:
        sys.stdout.write('| ' + ' | '.join(row) + ' |\n')
    return 0


if __name__ == '__main__':
    sys.exit(main())
