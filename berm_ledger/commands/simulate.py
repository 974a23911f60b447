# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""``berm-ledger simulate``: a bag of a simulated build, and the truth to score against."""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator
import json
from pathlib import Path
import sys
from typing import TYPE_CHECKING

from .extras import needed
from ..errors import UsageError
from ..wording import counted

if TYPE_CHECKING:
    from ..design import Site
    from ..offline.progress import Progress
    from ..simulation import BuildOptions, SimEvent
    from ..survey import ElevationGrid

SUMMARY = 'write a bag of a simulated build, and the truth beside it'
NOISES = ('quiet', 'field', 'drifting')
INTRUDERS = ('none', 'remove', 'fill', 'slump', 'person')
INTRUSION_M3 = 0.003
# Where along the first berm an intruder acts, as a part of its length.
INTRUSION_AT = 0.4
# A person walks over the berm during every so many-th load.
WALK_EVERY = 5


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument('site', metavar='SITE', help='site file (YAML)')
    parser.add_argument('--out', required=True, metavar='BAG',
                        help='folder of the new bag; the truth goes to BAG.truth.json')
    parser.add_argument('--seed', type=int, default=0, help='seed of all chance (default: 0)')
    parser.add_argument('--noise', choices=NOISES, default='field',
                        help='errors of sensor and localisation (default: field)')
    parser.add_argument('--intruder', choices=INTRUDERS, default='none',
                        help='remove, fill or slump soil of the finished berm, which is mended as '
                             'far as loads can; or a person who walks over it while it is '
                             'built (default: none)')
    parser.add_argument('--borrow', action='store_true',
                        help='dig along the lanes of the borrow areas, look at them, and write '
                             'the drum current too')
    parser.add_argument('--loads', type=int, metavar='N', help='end after so many loads')
    parser.add_argument('--storage', choices=('mcap', 'sqlite3'), default='mcap',
                        help='storage of the bag (default: mcap)')
    parser.add_argument('--compression', choices=('none', 'message', 'file'), default='none',
                        help='zstd by message or by file (default: none)')
    parser.add_argument('--elevation-type', choices=('point_cloud', 'grid_map'),
                        default='point_cloud', help='type of the grids (default: point_cloud)')


def run(args: argparse.Namespace) -> int:
    """Simulate, write bag and truth, and say what was done."""
    from ..site_source import load_site
    with needed('writing bags'):
        from ..offline.bag_writer import write_bag
    from ..offline.fresh import write_whole
    from ..offline.progress import Progress
    from ..simulation import SimulatedBuild
    site = load_site(args.site).site
    options = build_options(
        site, args.noise, args.intruder, args.loads, borrow=args.borrow)
    bag, truth = Path(args.out), truth_path(args.out)
    if truth.exists():
        msg = f'{truth} exists already and is not overwritten; give another path'
        raise UsageError(msg)
    if args.seed < 0:
        msg = f'--seed {args.seed} is negative; name a whole number from 0 on'
        raise UsageError(msg)
    build = SimulatedBuild(site, seed=args.seed, options=options)
    with Progress(sys.stderr) as progress:
        counts = write_bag(
            bag, _written(build.events(), args.elevation_type, progress), storage=args.storage,
            compression=args.compression, elevation_type=args.elevation_type)
    write_whole(truth, json.dumps(build.truth(), indent=1, allow_nan=False) + '\n')
    sys.stdout.write(
        f'{bag}: {counted(counts["grid"], "grid")}, {counted(counts["pose"], "pose")}, '
        f'{counted(counts["dump"], "dump")}\n'
        f'truth: {truth}\n')
    return 0


def truth_path(bag: str) -> Path:
    """
    Return where the truth of a bag goes: beside it, so that the bag's folder stays clean.

    Raises
    ------
    UsageError
        The path has no name of its own.

    Examples
    --------
    >>> truth_path('runs/first/').as_posix()
    'runs/first.truth.json'

    """
    path = Path(bag)
    if path.name in ('', '..'):
        msg = f'{path} names no new folder; name one for the bag, such as bag'
        raise UsageError(msg)
    return path.with_name(f'{path.name}.truth.json')


def build_options(
    site: Site, noise: str, intruder: str, loads: int | None, *, borrow: bool = False
) -> BuildOptions:
    """
    Return the options of a simulated build.

    Parameters
    ----------
    site : Site
        The site.
    noise : str
        Name of a preset.
    intruder : str
        One of ``INTRUDERS``.
    loads : int or None
        Most loads.
    borrow : bool
        Whether the borrow areas are dug in lanes and looked at.

    Returns
    -------
    BuildOptions
        Options.

    Raises
    ------
    UsageError
        No loads at all.

    """
    from ..simulation import BorrowOptions, BuildOptions, Intrusion, NOISE_PRESETS, YardOptions
    if loads is not None and loads < 1:
        msg = f'--loads {loads} builds nothing; name at least 1'
        raise UsageError(msg)
    intrusions: tuple[Intrusion, ...] = ()
    walks: tuple[int, ...] = ()
    if intruder == 'person':
        walks = tuple(range(WALK_EVERY, 1000, WALK_EVERY))
    elif intruder != 'none':
        station_m = INTRUSION_AT * site.berms[0].centreline.length_m
        intrusions = (Intrusion(kind=intruder, volume_m3=INTRUSION_M3, station_m=station_m),)
    yard = YardOptions(
        noise=NOISE_PRESETS[noise], borrow=BorrowOptions() if borrow else None)
    return BuildOptions(yard=yard, intrusions=intrusions,
                        people_at_loads=walks, most_loads=loads)


def _written(
    events: Iterable[SimEvent], elevation_type: str, progress: Progress
) -> Iterator[SimEvent]:
    """Pass events on as they can be written, and show how many there were."""
    from ..survey import ElevationGrid
    for count, event in enumerate(events, 1):
        progress.update(count)
        if elevation_type == 'grid_map' and isinstance(event.value, ElevationGrid):
            event = event._replace(value=turned_for_grid_map(event.value))
        yield event


def turned_for_grid_map(grid: ElevationGrid) -> ElevationGrid:
    """
    Return the same heights with rows and columns as a grid map has them.

    Of a grid map, columns lie to the left of the direction of the rows; with other grids it is
    the other way round when rows run along y and columns along x.
    """
    from ..geometry import GridAxes
    from ..survey import ElevationGrid
    row, col = grid.axes.row_step_xy, grid.axes.col_step_xy
    if row[0] * col[1] - row[1] * col[0] > 0.0:
        return grid
    axes = GridAxes(grid.axes.origin_xy, col, row)
    return ElevationGrid(grid.stamp_ns, grid.frame_id, axes, grid.height_m.T)
