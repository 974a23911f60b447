# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Hours of simulated work and watch through the real nodes; run by hand.

``python test/campaigns/soak.py --hours 24``: ledger and target run as processes. A simulated build
of a berm of ten segments is played to the ledger as fast as it answers; then the rover stands by
and looks at the berm every ten seconds (the looks of the end of the build in turn, with fresh
noise) until the hours are full. Each grid and dump must be answered. Written every simulated hour:
memory of both nodes, time from grid to answer, entries. The nodes measure themselves what they
hold, ten times a second, and the least of an hour counts, so that work in hand does not: blocks of
Python, bytes allocated from glibc, private pages. At the end their slopes, without the hours of
the build. Exit code 1 when anything was not answered or is missing in the books.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
import signal
import sys
import tempfile
import time
from typing import Any

from berm_ledger.books.journal import Journal
from berm_ledger.ros.messages import stamp_ns_from
from berm_ledger.simulation import BuildOptions, SimEvent, SimulatedBuild, YardOptions
from berm_ledger.site_source import load_site
from campaign_kit import node_arguments, NodeProcess, private_domain, Robot
from ledger_kit import SITE_TEXT
import numpy as np

SITE = SITE_TEXT.replace('[[2.0, 2.0], [3.0, 2.0]]', '[[1.0, 2.0], [5.0, 2.0]]').replace(
    'segment_length_m: 0.50', 'segment_length_m: 0.40').replace(
    'boundary: [[0.0, 0.0], [6.0, 0.0], [6.0, 5.0], [0.0, 5.0]]',
    'boundary: [[-1.0, -1.0], [7.0, -1.0], [7.0, 5.0], [-1.0, 5.0]]')
SECOND_NS, HOUR_NS = 10 ** 9, 3600 * 10 ** 9
WATCH_NS, LAST_LOOKS = 10 * SECOND_NS, 30
NOISE_M = 0.003
ANSWER_S, START_S = 60.0, 60.0
# The build, and an hour for caches to fill.
BUILD_HOURS = 2
HELD = ('blocks', 'heap [kB]', 'pages [kB]')


def work_and_watch(site: Any, hours: float) -> Iterator[SimEvent]:
    """Yield a build, then looks at what stands there, until the hours are full."""
    build = SimulatedBuild(site, seed=1, options=BuildOptions(
        yard=YardOptions(soil_cell_m=0.02, pose_rate_hz=1.0)))
    looks, pose, first_ns, stamp_ns = [], None, None, 0
    for event in build.events():
        first_ns = event.stamp_ns if first_ns is None else first_ns
        stamp_ns = event.stamp_ns
        if stamp_ns - first_ns > hours * HOUR_NS:
            return
        if event.kind == 'pose':
            pose = event.value
        if event.kind == 'grid':
            looks = [*looks[1 - LAST_LOOKS:], (pose, event.value)]
        yield event
    chance, step = np.random.default_rng(2), 0
    while stamp_ns - first_ns < hours * HOUR_NS:
        stamp_ns += WATCH_NS
        pose, grid = looks[step % len(looks)]
        step += 1
        noise = chance.normal(0.0, NOISE_M, grid.height_m.shape).astype(np.float32)
        yield SimEvent(stamp_ns, 'pose', replace(pose, stamp_ns=stamp_ns))
        yield SimEvent(stamp_ns, 'grid', replace(
            grid, stamp_ns=stamp_ns, height_m=grid.height_m + noise))


class Soak:
    """Plays events and notes how the nodes fare."""

    def __init__(
        self, robot: Robot, nodes: dict[str, NodeProcess], meters: list[Path]
    ) -> None:
        """Begin."""
        self.robot, self.nodes, self.meters = robot, nodes, meters
        self.latency_ms: list[float] = []
        self.hours: list[list[float]] = []
        self.since_s = time.monotonic()
        self.grids = self.dumps = self.unanswered = 0

    def play(self, event: SimEvent) -> None:
        """Play one event and wait for its answer."""
        robot = self.robot
        if event.kind == 'pose':
            robot.publish(event)
            return
        del robot.segments[:-1]
        del robot.rework[:-1]
        before = robot.segments[-1]
        begun_s = time.monotonic()
        robot.publish(event)
        answered = robot.spin(lambda: robot.segments[-1] is not before and (
            stamp_ns_from(robot.segments[-1].header) >= event.stamp_ns), ANSWER_S)
        self.unanswered += not answered
        self.grids += event.kind == 'grid'
        self.dumps += event.kind == 'dump'
        if event.kind == 'grid':
            self.latency_ms.append((time.monotonic() - begun_s) * 1e3)

    def report(self, hour: int, wall_s: float) -> None:
        """Write a line for an hour."""
        memory = [node.rss_kb() for node in self.nodes.values()]
        least = [least_since(meter, self.since_s) for meter in self.meters]
        self.since_s = time.monotonic()
        self.hours.append([value for node in least for value in node])
        late = np.percentile(self.latency_ms, [50, 95]) if self.latency_ms else (0.0, 0.0)
        sys.stdout.write(
            f'hour {hour}: {len(self.latency_ms)} grids, answer {late[0]:.0f} ms median '
            f'{late[1]:.0f} ms 95 %, memory '
            + ', '.join(f'{name} {kb / 1e3:.1f} MB' for name, kb in zip(self.nodes, memory))
            + ', least held ' + ', '.join(
                f'{name} {blocks:.0f} blocks {heap / 1e3:.2f} MB heap {pages / 1e3:.1f} MB pages'
                for name, (blocks, heap, pages) in zip(self.nodes, least))
            + f', {self.dumps} dumps, {self.unanswered} unanswered, {wall_s:.0f} s so far\n')
        sys.stdout.flush()
        self.latency_ms.clear()


def least_since(meter: Path, since_s: float) -> list[float]:
    """Return the least of each figure that a node has measured since a time, else the last."""
    lines = [line.split() for line in meter.read_text().splitlines()[:-1]]
    table = np.array([line for line in lines if len(line) == 1 + len(HELD)], dtype=float)
    newest = table[table[:, 0] >= since_s] if (table[-1, 0] >= since_s) else table[-1:]
    return [float(value) for value in newest[:, 1:].min(axis=0)]


def slope_text(hours: list[list[float]], nodes: Iterable[str]) -> str:
    """Return the growth of each figure with its standard error, without the build."""
    table, lines = np.array(hours[BUILD_HOURS:-1]), []
    hour = np.arange(len(table)) - (len(table) - 1) / 2.0
    if len(table) < 3:
        return 'too short to tell a slope'
    names = [f'{node} {held}' for node in nodes for held in HELD]
    for name, column in zip(names, table.T):
        slope = float(hour @ column / (hour @ hour))
        rest = column - column.mean() - slope * hour
        error = float(np.sqrt(rest @ rest / (len(table) - 2) / (hour @ hour)))
        lines.append(f'{name} {slope:+.1f} +- {error:.1f}')
    return 'growth an hour: ' + ', '.join(lines)


def main() -> int:
    """Run the soak."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument('--hours', type=float, default=24.0)
    given = parser.parse_args()
    with private_domain(), tempfile.TemporaryDirectory(prefix='berm_soak_') as name:
        folder = Path(name)
        site_file, books = folder / 'site.yaml', folder / 'books.sqlite'
        site_file.write_text(SITE)
        site = load_site(site_file).site
        meters = [folder / 'ledger.meter', folder / 'target.meter']
        nodes = {
            'ledger': NodeProcess('ledger', node_arguments(
                site_file=site_file, books_file=books), folder / 'ledger.log', meter=meters[0]),
            'target': NodeProcess('target', node_arguments(
                site_file=site_file), folder / 'target.log', meter=meters[1])}
        robot = Robot(site)
        soak = Soak(robot, nodes, meters)
        if not robot.spin(lambda: robot.segments and all(
                out.get_subscription_count() for out in robot.out.values()), START_S):
            raise SystemExit((folder / 'ledger.log').read_text())
        begun_s, first_ns, hour = time.monotonic(), None, 0
        for event in work_and_watch(site, given.hours):
            first_ns = event.stamp_ns if first_ns is None else first_ns
            while event.stamp_ns - first_ns >= (hour + 1) * HOUR_NS:
                hour += 1
                soak.report(hour, time.monotonic() - begun_s)
            soak.play(event)
        soak.report(hour + 1, time.monotonic() - begun_s)
        robot.close()
        for node in nodes.values():
            node.send(signal.SIGTERM)
        codes = [node.wait() for node in nodes.values()]
        size = sum(p.stat().st_size for p in folder.glob('books.sqlite*'))
        with Journal.read(books) as journal:
            dumps = sum(entry.kind == 'dump' for entry in journal.entries())
            entries = journal.last_seq
    sys.stdout.write(
        f'{soak.grids} grids, {soak.unanswered} unanswered; {soak.dumps} dumps announced, {dumps} '
        f'booked; {entries} entries, {size / 1e6:.1f} MB; exit codes {codes}; '
        f'{slope_text(soak.hours, nodes)}\n')
    return 1 if soak.unanswered or dumps != soak.dumps or any(codes) else 0


if __name__ == '__main__':
    sys.exit(main())
