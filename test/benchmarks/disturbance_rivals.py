# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The same pairs of looks given to the ledger and to two general methods of change detection.

``python test/benchmarks/disturbance_rivals.py --pairs 200`` needs ``py4dgeo`` and ``xdem``, which
nothing else here does. A pair is ten looks at a finished berm and eight looks later, the map
having jumped by up to 20 mm in between; in half of the pairs soil was taken. M3C2 (Lague et al.
2013) compares the clouds, as they are and after the co-registration found by xdem; the DEM of
difference is that of the median grids after Nuth and Kaab's co-registration. Of both, coherent
groups of cells beyond their own level of detection are summed up, by the code that the ledger uses
for it, and the largest group's volume is the score of the pair. Its threshold is set so that
the rate of false alarms on untouched pairs is the same for all: none, or two in a hundred (the
ledger, which has no threshold to set, may have fewer). The time is processor time of one
answer: for the ledger registration, levelling and charts of one look, because it answers with
every look; for the others what must be done when a look has come, without making the clouds.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
import importlib.util
import logging
from pathlib import Path
import sys
import time
from typing import Any
import warnings

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / 'test' / 'books')]  # runs from a clone

from berm_ledger.books.changes import clusters  # noqa: E402
from berm_ledger.books.charts import Canvas  # noqa: E402
from berm_ledger.geometry import Lattice, Pose2  # noqa: E402
from berm_ledger.simulation import FIELD  # noqa: E402
from berm_ledger.simulation.things import crossing, ParkedRobot  # noqa: E402
from berm_ledger.survey import ElevationGrid  # noqa: E402
from berm_ledger.survey.resample import bilinear, without_spikes  # noqa: E402
from disturbance import MACHINE, removal, tell  # noqa: E402
from disturbance_kit import demo_site, Watched  # noqa: E402
import numpy as np  # noqa: E402
from numpy.typing import NDArray  # noqa: E402
from scipy.spatial import cKDTree  # noqa: E402

# After a jump registration refuses a look or two before it believes it.
BEFORE, AFTER = 10, 8
FALSE_ALARMS = (0.0, 0.02)
# Where berm and corridor lie at the site of the demo [m].
FRAME = Lattice(0.60, -1.70, 0.015, 230, 100)
METHODS = ('ledger', 'M3C2', 'M3C2 after co-registration', 'DEM of difference')


def looks_of(watched: Watched, count: int) -> list[ElevationGrid]:
    """Look, and show it to the ledger too; return the grids."""
    events = list(watched.yard.look_round(count, 1.0))
    watched.run(events)
    return [event.value for event in events if event.kind == 'grid']


def median_dem(grids: Sequence[ElevationGrid]) -> NDArray[np.float64]:
    """Return the median of grids on one lattice, spikes removed, rows from north to south."""
    points = FRAME.centres_xy().reshape(-1, 2)
    layers = []
    for grid in grids:
        height, _ = without_spikes(grid.height_m)
        layers.append(bilinear(replace(grid, height_m=height), points).astype(float))
    stack = np.stack(layers).reshape(len(grids), FRAME.rows, FRAME.cols)
    with warnings.catch_warnings():
        warnings.simplefilter('ignore')  # a cell that no grid shows
        out: NDArray[np.float64] = np.nanmedian(stack, axis=0)[::-1]
    return out


def cloud(grids: Sequence[ElevationGrid]) -> NDArray[np.float64]:
    """Return all known points of grids over the berm, shape (n, 3) [m]."""
    parts = []
    for grid in grids:
        height, _ = without_spikes(grid.height_m)
        index = np.argwhere(np.isfinite(height))
        xy = grid.axes.world_from_index(index)
        inside = FRAME.contains(FRAME.index_from_xy(xy))
        parts.append(np.column_stack([xy, height[tuple(index.T)]])[inside])
    return np.vstack(parts).astype(float)


def largest_loss_m3(loss_m: NDArray[np.float64], beyond: NDArray[np.bool_]) -> float:
    """Return the volume of the largest coherent group of cells that lost height [m3]."""
    canvas = Canvas(FRAME, np.arange(FRAME.rows * FRAME.cols))
    volumes = [float(loss_m.ravel()[group].sum()) * FRAME.cell_area_m2
               for group in clusters(canvas, beyond.ravel())]
    return max(volumes, default=0.0)


def coregistered(before: NDArray[np.float64], after: NDArray[np.float64]) -> tuple[
        NDArray[np.float64], NDArray[np.float64]]:
    """Return the later DEM moved onto the earlier by xdem, and the shift that it found [m]."""
    from rasterio.transform import from_origin
    import xdem
    place = from_origin(500000.0, 5000000.0, FRAME.cell_m, FRAME.cell_m)
    dems = [xdem.DEM.from_array(np.ma.masked_invalid(d).astype(np.float32), place, 32633,
                                nodata=-9999.0) for d in (before, after)]
    method = xdem.coreg.NuthKaab() + xdem.coreg.VerticalShift()
    method.fit(dems[0], dems[1], random_state=1)
    matrix = method.to_matrix()
    moved = method.apply(dems[1])
    return np.ma.filled(moved.data.astype(float), np.nan).squeeze(), matrix[:3, 3]


def dod_score(before: NDArray[np.float64], moved: NDArray[np.float64]) -> float:
    """Return the largest significant loss of a DEM of difference, 95 % [m3]."""
    loss = before - moved
    spread = 1.4826 * np.nanmedian(np.abs(loss - np.nanmedian(loss)))
    beyond = np.nan_to_num(loss) > 1.96 * spread
    return largest_loss_m3(np.nan_to_num(loss), beyond)


def m3c2_score(before: NDArray[np.float64], after: NDArray[np.float64]) -> float:
    """Return the largest significant loss by M3C2 with its own level of detection [m3]."""
    import py4dgeo
    centres = FRAME.centres_xy().reshape(-1, 2)
    near = cKDTree(before[:, :2]).query(centres)[1]
    core = np.column_stack([centres, before[near, 2]])
    first, second = py4dgeo.Epoch(before), py4dgeo.Epoch(after)
    method: Any = py4dgeo.M3C2(
        epochs=(first, second), corepoints=core, normal_radii=(0.06,), cyl_radius=0.03,
        max_distance=0.3, registration_error=0.0, orientation_vector=np.array([0.0, 0.0, 1.0]))
    distance, extra = method.run()
    tilt = np.abs(method.directions()[:, 2]) if method.directions().shape[0] > 1 else 1.0
    loss = np.nan_to_num(-distance) / np.maximum(tilt, 0.3)
    beyond = np.nan_to_num(-distance) > np.nan_to_num(extra['lodetection'], nan=np.inf)
    return largest_loss_m3(loss, beyond)


def machine(watched: Watched, station_m: float, rng: np.random.Generator) -> ParkedRobot:
    """Return a machine at the toe, on the other half of the berm than a station."""
    line = watched.yard.site.berms[0].centreline
    far = (station_m + line.length_m / 2.0) % line.length_m
    place = line.point_at(far, rng.choice([-1.0, 1.0]) * rng.uniform(0.35, 0.55))
    return ParkedRobot(Pose2(float(place[0]), float(place[1]), rng.uniform(0.0, 6.28)), MACHINE)


@dataclass(frozen=True)
class Answer:
    """What one method says of a pair: volume of its largest loss [m3], and processor time [s]."""

    volume_m3: float
    time_s: float


class Stopwatch:
    """Adds up the processor time spent in some methods of objects."""

    def __init__(self) -> None:
        """Start at nothing."""
        self.time_s = 0.0

    def over(self, owner: Any, name: str) -> None:
        """Time a method of an object from now on."""
        work = getattr(owner, name)

        def timed(*args: Any, **options: Any) -> Any:
            start = time.process_time()
            out = work(*args, **options)
            self.time_s += time.process_time() - start
            return out

        setattr(owner, name, timed)


def timed(work: Callable[[], Any]) -> tuple[Any, float]:
    """Return what a call gives, and its processor time [s]."""
    start = time.process_time()
    out = work()
    return out, time.process_time() - start


def pair(finished: Watched, seed: int, volume_m3: float, *, busy: bool) -> dict[str, Answer]:
    """Return the answer of every method for one pair."""
    rng = np.random.default_rng(seed)
    watched = finished.copy(seed=seed)
    yard = watched.yard
    line = yard.site.berms[0].centreline
    intrusion = removal(max(volume_m3, 1e-6), line.length_m, rng)
    company = rng.random() if busy else 1.0
    if company < 0.2:
        yard.things = [machine(watched, intrusion.station_m, rng)]
    early = looks_of(watched, BEFORE)
    yard.elapsed_ns += 600 * 1_000_000_000
    yard.things = []
    if 0.2 <= company < 0.4:
        yard.things = [machine(watched, intrusion.station_m, rng)]
    elif 0.4 <= company < 0.7:
        yard.things = [crossing(line, intrusion.station_m, yard.elapsed_s + 1.0)]
    if volume_m3 > 0.0:
        yard.intrude(intrusion)
    own, since, late = own_answer(watched)
    booked = sum(e.data['volume_m3'] for e in watched.changes(since) if e.kind == 'disturbed')
    return {'ledger': replace(own, volume_m3=booked), **peer_answers(early, late)}


def own_answer(watched: Watched) -> tuple[Answer, int, list[ElevationGrid]]:
    """Look; return the time of one answer, the number of the last entry before, and the grids."""
    watch, since = Stopwatch(), watched.seq
    changes = watched.pipeline._clerk.changes
    watch.over(watched.pipeline.survey.registration, 'register')
    watch.over(changes, 'level')
    watch.over(changes, 'look')
    late = looks_of(watched, AFTER)
    return Answer(0.0, watch.time_s / AFTER), since, late


def peer_answers(
    early: Sequence[ElevationGrid], late: Sequence[ElevationGrid]
) -> dict[str, Answer]:
    """Return the answers of the other methods."""
    before, after = median_dem(early), median_dem(late)
    (moved, shift), fit_s = timed(lambda: coregistered(before, after))
    clouds = cloud(early), cloud(late)
    plain, plain_s = timed(lambda: m3c2_score(*clouds))
    fitted, fitted_s = timed(lambda: m3c2_score(clouds[0], clouds[1] + shift))
    difference, difference_s = timed(lambda: dod_score(before, moved))
    return {
        'M3C2': Answer(plain, plain_s),
        'M3C2 after co-registration': Answer(fitted, fit_s + fitted_s),
        'DEM of difference': Answer(difference, fit_s + difference_s)}


def change_detection(pairs: int = 6) -> list[tuple[str, float, float]]:
    """
    Return the processor times of one answer, ours beside every other method's.

    Parameters
    ----------
    pairs : int
        Pairs with 0.4 litre taken; the first warms up and does not count.

    Returns
    -------
    list of tuple
        Name of the other method, our time and its time, medians [s].

    """
    logging.disable(logging.WARNING)
    finished = Watched(demo_site(), seed=100, noise=FIELD)
    answers = [pair(finished, seed, 0.0004, busy=False) for seed in range(pairs + 1)][1:]
    times = {method: float(np.median([a[method].time_s for a in answers])) for method in METHODS}
    return [(method, times['ledger'], times[method]) for method in METHODS[1:]]


def compare(pairs: int, volumes_l: Sequence[float], *, busy: bool) -> None:
    """Print the detection rate of every method at the same rate of false alarms."""
    noise = replace(FIELD, jump_xy_m=0.02, jump_z_m=0.01, jump_times_s=(300.0,))
    scores: dict[float, list[dict[str, Answer]]] = {v: [] for v in (0.0, *volumes_l)}
    for berm in range(max(1, pairs // 10)):
        finished = Watched(demo_site(), seed=100 + berm, noise=noise)
        for n, volume in enumerate(scores):
            for k in range(min(10, pairs)):
                scores[volume].append(
                    pair(finished, 10000 * berm + 100 * n + k, volume * 1e-3, busy=busy))
    tell('| method | threshold [l] | false alarms | '
         + ' | '.join(f'{v:g} l found' for v in volumes_l) + ' | one answer [ms] |')
    tell('| --- | --- | --- |' + ' --- |' * (len(volumes_l) + 1))
    for method in METHODS:
        null = np.sort([score[method].volume_m3 for score in scores[0.0]])
        cost_s = np.median([score[method].time_s for some in scores.values() for score in some])
        for allowed in FALSE_ALARMS:
            least = max(float(null[len(null) - 1 - int(allowed * len(null))]), 1e-9)
            rates = [np.mean([score[method].volume_m3 > least for score in scores[v]])
                     for v in volumes_l]
            tell(f'| {method} | {least * 1e3:.3f} | {np.mean(null > least):.1%} | '
                 + ' | '.join(f'{rate:.1%}' for rate in rates) + f' | {cost_s * 1e3:.3g} |')


def main(argv: Sequence[str] | None = None) -> int:
    """Compare, or say what is missing."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument('--pairs', type=int, default=20)
    parser.add_argument('--volumes', type=float, nargs='+', default=[0.2, 0.4, 0.8])
    parser.add_argument('--busy', action='store_true', help=(
        'in most pairs somebody crosses, or a machine has come to the toe or left it'))
    args = parser.parse_args(argv)
    missing = [name for name in ('py4dgeo', 'xdem') if importlib.util.find_spec(name) is None]
    if missing:
        tell(f'skipped: {" and ".join(missing)} not installed here (pip install py4dgeo xdem)')
        return 0
    logging.disable(logging.WARNING)
    compare(args.pairs, args.volumes, busy=args.busy)
    return 0


if __name__ == '__main__':
    sys.exit(main())
