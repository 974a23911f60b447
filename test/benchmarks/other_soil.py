# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Books of bags that nothing of this package had a hand in.

``python test/benchmarks/other_soil.py`` builds berms with a soil model, a sensor and a bag writer
of its own (numpy, scipy, rosbags), takes some litres away at the end, replays the bags by the
command line and compares with the truth, one line a case. The simulation of the package shares
ideas with its measuring; errors that both have cannot be seen there.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
import csv
from dataclasses import dataclass
import json
import math
import os
from pathlib import Path
import subprocess
import sys
import tempfile

import numpy as np
from other_soil_kit import Bag, Ground, Sensor

ROOT = Path(__file__).resolve().parents[2]
START_XY, TURN_RAD, LENGTH_M = np.array([3.0, 2.0]), math.radians(25.0), 2.4
ALONG = np.array([math.cos(TURN_RAD), math.sin(TURN_RAD)])
LEFT = np.array([-ALONG[1], ALONG[0]])
SEGMENTS, DENSITY_KG_M3, SLOPE_DEG = 6, 1500.0, 32.0
DROP_M, STATIONS, TAKEN_AT_M, TAKEN_R_M = 0.75, 8, 1.3, 0.14
SITE = """format: 1
frame: map
berms:
  - name: bank
    centreline: [[{start[0]:.6f}, {start[1]:.6f}], [{end[0]:.6f}, {end[1]:.6f}]]
    crest_height_m: {case.height_m}
    side_slope_deg: {slope}
    segment_length_m: 0.40
    height_tolerance_m: 0.02
    line_tolerance_m: 0.06
material: {{loose_density_kg_m3: {density}, repose_deg: 33}}
rover:
  footprint: [[0.45, 0.3], [0.45, -0.3], [-0.45, -0.3], [-0.45, 0.3]]
  drop_point: [0.75, 0.0]
  drum_width_m: 0.36
  payload_kg: {case.load_kg}
  turning_radius_m: 0.8
  run_up_m: 0.5
yard: {{boundary: [[0.2, -0.8], [8.2, -0.8], [8.2, 5.8], [0.2, 5.8]]}}
"""
HEAD = ('case', 'loads', 'MAE', 'bias', 'worst', '<1 se', '<2 se', 'placed', 'booked', 'taken',
        'found', 'other events')
UNITS = ('', '', 'mm', 'mm', 'mm', '%', '%', '%', 'loads', 'l', 'l', '')


@dataclass(frozen=True)
class Case:
    """What is built and how it is seen."""

    name: str
    height_m: float = 0.20
    load_kg: float = 8.0
    cell_m: float = 0.02
    noise_m: float = 0.004
    looks: int = 8
    period_s: float = 0.5
    told_late_s: float = 0.0
    taken_m3: float = 0.003


CASES = (
    Case('cells 20 mm, noise 4 mm'),
    Case('cells 50 mm', cell_m=0.05),
    Case('cells 100 mm', cell_m=0.10),
    Case('noise 15 mm', noise_m=0.015),
    Case('two looks a load, 2 s apart', looks=1, period_s=2.0),
    Case('dumps told 2 s late', told_late_s=2.0),
    Case('0.45 m high, 45 kg loads', height_m=0.45, load_kg=45.0, cell_m=0.025, taken_m3=0.010),
)


@dataclass(frozen=True)
class Truth:
    """What really stands: mean crest of each segment [m], volumes [m3], loads."""

    crest_m: tuple[float, ...]
    placed_m3: float
    taken_m3: float
    loads: int


def build(case: Case, bag: Bag, seed: int) -> Truth:
    """Survey, build load by load, take some away, look again; return what stands."""
    rng = np.random.default_rng(seed)
    ground = Ground(rng)
    sensor = Sensor(rng, case.cell_m, case.noise_m)
    middle, square = START_XY + LENGTH_M / 2 * ALONG, TURN_RAD + math.pi / 2

    def stay(xy: np.ndarray, looks: int, yaw_rad: float = square) -> None:
        for _ in range(looks):
            bag.wait(case.period_s)
            bag.pose(xy, yaw_rad)
            bag.cloud(*sensor.look(ground, xy, yaw_rad))

    for side in (-1, 1):
        stay(middle + 1.1 * side * LEFT, 6, square if side < 0 else square - math.pi)
    slope = math.tan(math.radians(SLOPE_DEG))
    design_m3 = LENGTH_M * case.height_m**2 / slope + math.pi * case.height_m**3 / 3 / slope**2
    loads = round(design_m3 * DENSITY_KG_M3 / case.load_kg)
    stations = np.linspace(0.12, LENGTH_M - 0.12, STATIONS)
    for load in range(loads):
        drop_xy = START_XY + stations[load % STATIONS] * ALONG + rng.normal(0.0, 0.015) * LEFT
        stand_xy = drop_xy - DROP_M * LEFT
        for back_m in (0.8, 0.5, 0.3, 0.0):
            stay(stand_xy - back_m * LEFT, 1)
        mass_kg = case.load_kg * rng.normal(1.0, 0.05)
        ground.pour(drop_xy, ALONG, mass_kg / DENSITY_KG_M3)
        if case.told_late_s:
            stay(stand_xy, round(case.told_late_s / case.period_s))
        bag.pose(stand_xy, square)
        bag.dump(mass_kg)
        stay(stand_xy, 1)
        stay(stand_xy - 0.8 * LEFT, case.looks)
    away_xy = middle - 1.1 * LEFT
    stay(away_xy, 10)
    taken_m3 = ground.take(START_XY + TAKEN_AT_M * ALONG, TAKEN_R_M, case.taken_m3)
    bag.wait(20.0)
    stay(away_xy, 12)
    return Truth(crests(ground), ground.placed_m3(), taken_m3, loads)


def crests(ground: Ground) -> tuple[float, ...]:
    """Return the mean over each segment of the highest point of cross-sections [m]."""
    station = (np.arange(240) + 0.5) * LENGTH_M / 240
    offset = np.arange(-0.2, 0.2, 0.001)
    points = (START_XY + station[:, None, None] * ALONG + offset[:, None] * LEFT)
    height = ground.above_m(points).max(axis=1)
    return tuple(float(part.mean()) for part in np.split(height, SEGMENTS))


def row_of(case: Case, folder: Path, seed: int) -> list[str]:
    """Build, replay and judge one case."""
    site = folder / 'site.yaml'
    site.write_text(SITE.format(
        case=case, start=START_XY, end=START_XY + LENGTH_M * ALONG, slope=SLOPE_DEG,
        density=DENSITY_KG_M3))
    with Bag(folder / 'bag') as bag:
        truth = build(case, bag, seed)
    subprocess.run(
        [sys.executable, '-m', 'berm_ledger.cli', 'replay', str(folder / 'bag'), '--site',
         str(site), '--out', str(folder / 'out')],
        check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        env={**os.environ, 'PYTHONPATH': str(ROOT)})
    return judged(case, truth, folder / 'out')


def judged(case: Case, truth: Truth, out: Path) -> list[str]:
    """Return the cells of one row of the table."""
    rows = list(csv.DictReader((out / 'segments.csv').open()))
    events = list(csv.DictReader((out / 'events.csv').open()))
    summary = json.loads((out / 'summary.json').read_text())
    error = np.array([float(row['height_m']) for row in rows]) - truth.crest_m
    within = np.abs(error) / [float(row['height_se_m']) for row in rows]
    found = [e for e in events if e['kind'] == 'disturbed']
    other = [e['kind'] for e in events if e['kind'] in ('slump', 'unbooked_fill', 'stray_dump')]
    return [
        case.name, str(truth.loads), f'{1e3 * np.abs(error).mean():.1f}',
        f'{1e3 * error.mean():+.1f}', f'{1e3 * np.abs(error).max():.1f}',
        f'{100 * (within < 1).mean():.0f}', f'{100 * (within < 2).mean():.0f}',
        f'{100 * (summary["placed_volume_m3"] / truth.placed_m3 - 1):+.2f}',
        str(summary['dumps']), f'{1e3 * truth.taken_m3:.2f}',
        f'{1e3 * sum(float(e["volume_m3"]) for e in found):.2f}', ', '.join(other) or 'none']


def main(argv: Sequence[str] | None = None) -> int:
    """Print one line a case."""
    parser = argparse.ArgumentParser(description=__doc__.split('\n\n')[0])
    parser.add_argument('--seed', type=int, default=1)
    parser.add_argument('--case', help='part of the name of the cases wanted')
    args = parser.parse_args(argv)
    for line in lines(args.case or '', args.seed):
        sys.stdout.write(f'{line}\n')
        sys.stdout.flush()
    return 0


def lines(part: str, seed: int) -> Iterator[str]:
    """Yield the head of the table, then one line for each case with such a part in its name."""
    yield from (' | '.join(cells) for cells in (HEAD, UNITS))
    for case in CASES:
        if part in case.name:
            with tempfile.TemporaryDirectory() as folder:
                yield ' | '.join(row_of(case, Path(folder), seed))


if __name__ == '__main__':
    sys.exit(main())
