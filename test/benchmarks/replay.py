# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
A whole replay, books and tables but no report, against the script a field engineer would write.

    python test/benchmarks/replay.py [--grids N] [--bag BAG --site SITE]

Without a bag it makes one: part of a simulated build on grids of 400 x 400 cells. Both sides run
in this process on the same bag, in turn; processor times, all threads. ``--profile`` prints where
the time of the replay goes.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
import cProfile
from itertools import islice
from pathlib import Path
import pstats
import sys
from tempfile import TemporaryDirectory

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE)]  # runs from a clone

from bench_kit import compared, Line, medians_s, printed  # noqa: E402
from berm_ledger.offline.bag_writer import write_bag  # noqa: E402
from berm_ledger.offline.bags import BagOptions  # noqa: E402
from berm_ledger.offline.replay import replay  # noqa: E402
from berm_ledger.simulation import (  # noqa: E402
    BuildOptions,
    NOISE_PRESETS,
    SensorOptions,
    SimEvent,
    SimulatedBuild,
    YardOptions,
)
from berm_ledger.site_source import load_site  # noqa: E402
from plain_replay import highest  # noqa: E402

SITE = HERE.parents[1] / 'config' / 'demo_site.yaml'
GRIDS = 120
TURNS = 3
LIMIT = 2.0
# Around the berm lies the ground that shows how the map has shifted.
MARGIN_M = 1.0
PACKAGE = 'berm_ledger'


def first_grids(events: Iterator[SimEvent], most: int) -> Iterator[SimEvent]:
    """Yield messages up to so many grids."""
    grids = 0
    for event in events:
        grids += event.kind == 'grid'
        if grids > most:
            return
        yield event


def make_bag(path: Path, grids: int) -> None:
    """Write a bag of a build that looks five times a second, 400 x 400 cells of 15 mm."""
    options = BuildOptions(yard=YardOptions(
        noise=NOISE_PRESETS['field'], sensor=SensorOptions(size_m=6.0, cell_m=0.015),
        grid_period_s=0.2, look_within_m=100.0))
    build = SimulatedBuild(load_site(SITE).site, seed=1, options=options)
    write_bag(path, first_grids(build.events(), grids))


def measure(bag: Path, site_file: Path, turns: int = TURNS) -> list[Line]:
    """Return the lines of the table: the script on the lattice of the yard, and of the berm."""
    site = load_site(site_file).site
    with TemporaryDirectory(prefix='berm_ledger_') as folder:
        names = iter(range(1000))
        times = medians_s(
            turns,
            lambda: replay([bag], site_file, Path(folder) / str(next(names)), BagOptions()),
            lambda: highest(bag, site), lambda: highest(bag, site, MARGIN_M))
    where = ('yard', f'berm +- {MARGIN_M:g} m')
    return [compared(f'replay, lattice of the {name}', times[0], peer_s, LIMIT)
            for name, peer_s in zip(where, times[1:])]


def rows() -> list[Line]:
    """Return the lines of the table."""
    with TemporaryDirectory(prefix='berm_ledger_') as folder:
        bag = Path(folder) / 'bag'
        make_bag(bag, GRIDS)
        return measure(bag, SITE)


def profile(bag: Path, site_file: Path) -> None:
    """Print where the time of a replay goes."""
    with TemporaryDirectory(prefix='berm_ledger_') as folder:
        profiler = cProfile.Profile()
        profiler.runcall(replay, [bag], site_file, Path(folder) / 'out', BagOptions())
    stats = pstats.Stats(profiler)
    found = sorted(
        ((cumulative, Path(file).relative_to(Path(file).parents[1]).as_posix(), name, calls)
         for (file, _, name), (_, calls, _, cumulative, _) in stats.stats.items()
         if PACKAGE in Path(file).parts), reverse=True)
    for cumulative, file, name, calls in islice(found, 40):
        sys.stdout.write(f'{cumulative:8.2f} s {calls:8d}  {file}  {name}\n')


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument('--grids', type=int, default=GRIDS)
    parser.add_argument('--bag', type=Path)
    parser.add_argument('--site', type=Path, default=SITE)
    parser.add_argument('--turns', type=int, default=TURNS)
    parser.add_argument('--profile', action='store_true')
    args = parser.parse_args()
    with TemporaryDirectory(prefix='berm_ledger_') as folder:
        bag = args.bag or Path(folder) / 'bag'
        if args.bag is None:
            make_bag(bag, args.grids)
        printed(measure(bag, args.site, args.turns))
        if args.profile:
            profile(bag, args.site)
    return 0


if __name__ == '__main__':
    sys.exit(main())
