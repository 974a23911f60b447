# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Whole builds under a sensor with one more fault, scored against the truth; run by hand.

``python test/campaigns/sensor_faults.py --seeds 2 [--site SITE.yaml] [--faults NAME ...]`` prints
one line for each fault and seed, in the columns of ``test/benchmarks/score.py``, and at the end of
the line what was booked that never happened, in litres. Nobody spoils these builds: each
``disturbed``, ``slump``, ``unbooked_fill`` and ``stray_dump`` is false.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
import math
from pathlib import Path
import sys

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / 'test' / 'benchmarks')]  # runs from a clone

from berm_ledger.simulation import (  # noqa: E402
    BuildOptions,
    NOISE_PRESETS,
    SimEvent,
    SimulatedBuild,
    YardOptions,
)
from berm_ledger.site_source import load_site  # noqa: E402
from mappers_kit import MAPPERS  # noqa: E402
import numpy as np  # noqa: E402
from score import Score, scored  # noqa: E402
from sensor_faults_kit import FAULTS, spoiled  # noqa: E402

ALL = {**FAULTS, **MAPPERS}
FALSE = ('disturbed', 'unbooked_fill', 'slump', 'stray_dump', 'hold', 'refused')
WIDTH = max(len(name) for name in ALL)
HEAD = (f'{"":<{WIDTH}} {"seed":>4} {"MAE":>5} {"worst":>6} {"placed":>6} {"off":>5} '
        f'{"rises":>7} {"sum":>6}  booked, but never happened\n'
        f'{"":<{WIDTH}} {"":>4} {"mm":>5} {"mm":>6} {"%":>6} {"se":>5} {"":>7} {"%":>6}')


def with_fault(
    build: SimulatedBuild, events: Sequence[SimEvent], name: str
) -> tuple[Score, float]:
    """Keep the books of a build under a fault; return the score and the rises' relative error."""
    fault = ALL[name](np.random.default_rng(build.yard.seed))
    score, books = scored(name, build, spoiled(events, fault, build.site.rover.drop_point_xy))
    rises_m3 = sum(dump.volume_m3 for dump in books.dumps if math.isfinite(dump.volume_m3))
    return score, rises_m3 / sum(dump['volume_m3'] for dump in build.yard.dumps) - 1.0


def line_of(name: str, seed: int, score: Score, rises: float) -> str:
    """Return one line of the table."""
    h, kinds = score.height_errors, score.kinds
    off_se = max(abs(e) / s for e, s in zip(score.volume_errors, score.volume_ses))
    return (f'{name:<{WIDTH}} {seed:>4} {score.mean_height_error_m * 1e3:>5.2f} '
            f'{1e3 * max(h, key=abs):>+6.1f} {100 * score.volume_error:>+6.2f} {off_se:>5.1f} '
            f'{kinds.get("rise", 0):>3}/{score.announced:<3} {100 * rises:>+6.2f}  '
            + '  '.join(f'{kind} {kinds[kind]}' for kind in FALSE if kinds.get(kind))
            + ''.join(f'  {kind} {volume:.2f} l' for kind, volume in score.litres.items()))


def arguments(argv: Sequence[str] | None) -> argparse.Namespace:
    """Return the parsed command line."""
    parser = argparse.ArgumentParser(description=__doc__.split('\n\n')[0])
    parser.add_argument('--seeds', type=int, nargs='+', default=[0, 1], help='default 0 1')
    parser.add_argument('--site', default=str(ROOT / 'config' / 'demo_site.yaml'))
    parser.add_argument('--noise', choices=sorted(NOISE_PRESETS), default='field')
    parser.add_argument('--rut-mm', type=float, default=0.0,
                        help='how deep the wheels press the ground at most (default 0)')
    parser.add_argument('--period-s', type=float, default=2.0,
                        help='time between grids where the rover looks (default 2)')
    parser.add_argument('--loads', type=int, help='end the builds after so many loads')
    parser.add_argument('--faults', nargs='+', choices=list(ALL), default=list(ALL),
                        metavar='NAME',
                        help='default: all. ' + ', '.join(ALL).replace('%', '%%'))
    return parser.parse_args(argv)


def main(argv: Sequence[str] | None = None) -> int:
    """Print the table."""
    args = arguments(argv)
    site = load_site(args.site).site
    yard = YardOptions(noise=NOISE_PRESETS[args.noise], rut_m=1e-3 * args.rut_mm,
                       grid_period_s=args.period_s)
    sys.stdout.write(HEAD + '\n')
    for seed in args.seeds:
        build = SimulatedBuild(
            site, seed=seed, options=BuildOptions(yard=yard, most_loads=args.loads))
        events = list(build.events())
        for name in args.faults:
            score, rises = with_fault(build, events, name)
            sys.stdout.write(line_of(name, seed, score, rises) + '\n')
            sys.stdout.flush()
    return 0


if __name__ == '__main__':
    sys.exit(main())
