# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
One step of the pipeline against resampling the same cells, and where its time goes.

A berm of 12 m, cells of 15 mm, registration to books, all in memory; the peer is
``scipy.ndimage.map_coordinates(order=1)`` on the corridor's cells in view (the step itself also
samples the apron of ground that registration needs: ``python test/benchmarks/update.py`` prints
the ratio to that too). *patrol*: nothing has changed for long; *fresh load*: a load has been
dumped, its rise shows and is measured.
"""

from __future__ import annotations

from collections.abc import Iterator
import cProfile
from pathlib import Path
import pstats
import sys
import time

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / 'test' / 'benchmarks')]  # runs from a clone

from bench_kit import compared, Line, medians_s, printed, processor_s, shown_ms  # noqa: E402
from berm_ledger.survey import ElevationGrid  # noqa: E402
import numpy as np  # noqa: E402
from scipy import ndimage  # noqa: E402
from update_kit import CELL_M, LENGTH_M, LOOKS_TO_SETTLE, Patrol  # noqa: E402

ROUNDS = 24
# A load comes once in so many grids.
LOAD_EVERY = 6
SEGMENTS = 24
# After so many looks the charts have had the time to go wrong; halfway between the cells of the
# grids what neighbours share is greatest.
MANY_LOOKS = 2000
# A segment must be two cells long: 500 of them on 12 m need smaller cells [m].
SMALL_CELL_M = 0.012
# Of a berm so much longer the same grids show an eighth [m].
LONG_M = 48.0


class Bench:
    """One pipeline, measured step by step against the peer."""

    def __init__(
        self, side: int, segments: int, cell_m: float = CELL_M, *, looks: int = LOOKS_TO_SETTLE,
        between: float | None = None, length_m: float = LENGTH_M,
    ) -> None:
        """Let the berm settle."""
        self.patrol = Patrol(
            side, segments, cell_m=cell_m, looks=looks, between=between, length_m=length_m)
        assert not self.patrol.pipeline.books.refusals
        self.points = self.patrol.points_rc()
        self.surveyed = self.patrol.points_rc(corridor=False)
        self.grid: ElevationGrid = self.patrol.next_grid()
        self.rounds = 0

    @property
    def corridor_cells(self) -> int:
        """Count the cells of the corridor, in view or not."""
        return int(self.patrol.pipeline.survey.area.in_corridor.sum())

    def advance(self, *, load: bool) -> None:
        """Get the next grid ready, after a load now and again."""
        if load and self.rounds % LOAD_EVERY == 0:
            self.patrol.dump()
        self.rounds += 1
        self.grid = self.patrol.next_grid()

    def step(self) -> None:
        """Do one step."""
        self.patrol.show(self.grid)

    def peer(self) -> None:
        """Resample the corridor's cells."""
        ndimage.map_coordinates(self.grid.height_m, self.points, order=1)

    def peer_surveyed(self) -> None:
        """Resample all cells that the step samples."""
        ndimage.map_coordinates(self.grid.height_m, self.surveyed, order=1)

    def measured(self, rounds: int = ROUNDS, *, load: bool = False) -> tuple[float, float, float]:
        """Return the times of step, peer and peer on all surveyed cells [s]."""
        self.rounds = 0
        ours, peer, surveyed = medians_s(
            rounds, self.step, self.peer, self.peer_surveyed,
            before=lambda: self.advance(load=load))
        return ours, peer, surveyed


def rows() -> Iterator[Line]:
    """Yield the lines of the benchmark."""
    for side in (1000, 400, 2000):
        bench = Bench(side, SEGMENTS)
        for load in (False, True):
            what = 'fresh load' if load else 'patrol'
            ours, peer, surveyed = bench.measured(load=load)
            cells = f'{bench.points.shape[1]} cells'
            yield compared(
                f'update {side} x {side}, {what}', ours, peer, 1.0,
                f'{cells}; {ours / surveyed:.2f} on all {bench.surveyed.shape[1]} surveyed')
    ours, peer, _ = Bench(400, SEGMENTS, looks=MANY_LOOKS, between=0.5).measured()
    yield compared('update 400 x 400, halfway between cells', ours, peer, 1.0,
                   f'after {MANY_LOOKS} looks')
    bench = Bench(400, SEGMENTS, length_m=LONG_M)
    ours, peer, _ = bench.measured()
    yield compared('update 400 x 400, berm of 48 m, patrol', ours, peer, 1.0,
                   f'{bench.points.shape[1]} of {bench.corridor_cells} cells in view')
    yield from segment_rows()


def segment_rows() -> Iterator[Line]:
    """Yield how the time grows from 5 to 500 segments."""
    base = None
    for segments in (5, 50, 500):
        ours, peer, _ = Bench(1000, segments, SMALL_CELL_M).measured(rounds=16)
        base = base or ours
        yield compared(f'update, {segments} segments, cells 12 mm, patrol', ours, peer, 1.0,
                       f'{ours / base:.2f} times that of 5 segments')


def profile(*, load: bool) -> str:
    """Return where the time of steps goes, as a table."""
    bench = Bench(1000, SEGMENTS)
    watch = cProfile.Profile(time.process_time)
    for _ in range(ROUNDS):
        bench.advance(load=load)
        watch.runcall(bench.step)
    stats = pstats.Stats(watch)
    total = sum(entry[2] for entry in stats.stats.values())  # type: ignore[attr-defined]
    own = [
        (entry[3], entry[1], Path(key[0]), key[2])
        for key, entry in stats.stats.items()  # type: ignore[attr-defined]
        if 'berm_ledger' in key[0] and entry[3] >= 0.01 * total and key[2][0] != '<']
    lines = ['| where | calls per step | share of the step | ms |', '| --- | --- | --- | --- |']
    for seconds, calls, path, name in sorted(own, key=lambda line: -line[0])[:40]:
        lines.append(f'| {path.stem}.{name} | {calls / ROUNDS:.3g} | {seconds / total:.0%} '
                     f'| {1e3 * seconds / ROUNDS:.2f} |')
    return '\n'.join(lines)


def bandwidth_gb_s() -> float:
    """Return how fast this machine copies memory that is in no cache [GB/s], both ways counted."""
    source = np.ones(16_000_000, dtype=np.float32)
    target = np.empty_like(source)
    np.copyto(target, source)
    best = min(processor_s(lambda: np.copyto(target, source)) for _ in range(5))
    return 2.0 * source.nbytes / best / 1e9


def touched_bytes(patrol: Patrol) -> int:
    """
    Return what one update must read and write at least [bytes].

    Of every surveyed cell its height in the grid, height, looks and trend of the surface, looks
    set aside, all read and written but the first, and whether it is seen; of every cell of the
    corridor slopes, accepted height and looks, both sums of the charts, the count of looks
    since it was the same, and one look that is kept.
    """
    area = patrol.pipeline.survey.area
    return (len(area) * (4 + 2 * (4 + 4 + 4 + 1) + 1)
            + int(area.in_corridor.sum()) * (2 * 4 + 2 * (4 + 4) + 2 * (4 + 4) + 2 + 4))


def limit_lines() -> Iterator[str]:
    """Yield how far from the limit of the memory the step is."""
    bench = Bench(1000, SEGMENTS)
    ours, _, _ = bench.measured()
    speed, touched = bandwidth_gb_s(), touched_bytes(bench.patrol)
    least = touched / speed / 1e9
    yield (f'bytes that must be touched: {touched / 1e6:.1f} MB; memory {speed:.1f} GB/s: '
           f'{shown_ms(least)}; one step on patrol {shown_ms(ours)}, '
           f'{ours / least:.0f} times that')


def main() -> int:
    """Print the table, the limit and the profiles."""
    printed(rows())
    for text in limit_lines():
        sys.stdout.write(f'\n{text}\n')
    for load in (False, True):
        sys.stdout.write(f'\n{"fresh load" if load else "patrol"}\n{profile(load=load)}\n')
    return 0


if __name__ == '__main__':
    sys.exit(main())
