# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Kill the ledger at random instants and look whether anything is lost; run by hand.

``python test/campaigns/crash.py --kills 200``: simulated builds with dumps, people and an
intruder are played to a real ledger process over real topics. It is killed (SIGKILL) while it
starts, works, writes or waits, and started again on the same books. What it published before it
died is held against the entries that survived; at the end the books are held against those of a
run without any kill. Exit code 1 when something was lost.
"""

from __future__ import annotations

import argparse
from collections import Counter
from pathlib import Path
import random
import signal
import sqlite3
import sys
import tempfile
import threading
import time
from typing import Any

from berm_ledger.books.journal import Journal
from berm_ledger.books.ledger import Fold
from berm_ledger.pipeline import Pipeline
from berm_ledger.ros.messages import (
    flagged_from_rework,
    hold_from_rework,
    rows_from_segments_cloud,
    stamp_ns_from,
)
from berm_ledger.simulation import BuildOptions, Intrusion, SimulatedBuild, YardOptions
from berm_ledger.site_source import load_site
from campaign_kit import node_arguments, NodeProcess, private_domain, Robot
from ledger_kit import SMALL_SITE

LOADS = 6
FRESH_EVERY = 10
ANSWER_S = 4.0
START_S = 60.0
HEIGHT_M = 0.008


def options(seed: int) -> BuildOptions:
    """Return a build: somebody walks by, soil is taken away or thrown on, and it is mended."""
    kind = ('remove', 'fill', 'remove', 'slump')[seed % 4]
    return BuildOptions(
        yard=YardOptions(soil_cell_m=0.02, pose_rate_hz=0.5), most_loads=LOADS,
        people_at_loads=(2,), intrusions=(
            Intrusion(kind, 0.004, station_m=0.2, after_load=3 + seed % 2, mended=True),))


class LossError(Exception):
    """Something was lost, doubled or damaged."""


def need(fact: Any, text: str) -> None:
    """Complain unless something holds."""
    if not fact:
        raise LossError(text)


def shown(row: Any) -> tuple[Any, ...]:
    """Return what both a published row and a folded one tell."""
    def plain(value: float) -> float | None:
        return None if value != value else round(value, 5)
    return (row.dumps_made, int(row.state), plain(row.height_m), plain(row.at_grade))


class Campaign:
    """Kills one ledger after another over one build."""

    def __init__(self, robot: Robot, site_file: Path, folder: Path, seed: int) -> None:
        """Simulate a build and keep its books once without any kill."""
        self.robot, self.site, self.chance = robot, robot.site, random.Random(seed)
        self.books, self.log = folder / f'{seed}.sqlite', folder / 'nodes.log'
        self.arguments = node_arguments(site_file=site_file, books_file=self.books)
        self.events = list(SimulatedBuild(self.site, seed=seed, options=options(seed)).events())
        self.straight = Pipeline(self.site)
        for event in self.events:
            call = {'pose': self.straight.add_pose, 'grid': self.straight.add_grid,
                    'dump': self.straight.add_dump}[event.kind]
            call(event.value)
        self.process: NodeProcess | None = None
        self.entries: list[Any] = []
        self.doom: threading.Timer | None = None
        self.counts: Counter[str] = Counter()

    # ---- lives -------------------------------------------------------------------------------

    def start(self, lives: int) -> None:
        """Start a ledger that will be killed some time."""
        fresh = lives % FRESH_EVERY == FRESH_EVERY - 1
        self.counts['fresh starts' if fresh else 'forked starts'] += 1
        self.robot.segments.clear()
        self.robot.rework.clear()
        self.process = NodeProcess('ledger', self.arguments, self.log, fresh=fresh)
        self.patience = self.chance.choice((None, self.chance.randrange(1, 12)))
        if self.patience is None:
            self.doom_in(self.chance.uniform(0.0, 3.0 if fresh else 2.0))

    def doom_in(self, seconds: float) -> None:
        """Have the process killed after a while."""
        assert self.process is not None
        self.doom = threading.Timer(seconds, self.process.send, (signal.SIGKILL,))
        self.doom.daemon = True
        self.doom.start()

    def alive(self) -> bool:
        """Tell whether the ledger lives."""
        return self.process is not None and self.process.exit_code is None

    def bury(self) -> None:
        """Look at what the dead have left."""
        assert self.process is not None
        code = self.process.wait()
        need(code == -signal.SIGKILL, f'the ledger ended by itself with exit code {code}')
        self.robot.spin(lambda: False, 0.05)
        when = 'start' if not self.robot.segments else 'work'
        self.counts[f'killed at {when}'] += 1
        self.check()

    # ---- checks ------------------------------------------------------------------------------

    def read(self) -> list[Any]:
        """Return the entries in the file, checked."""
        if not self.books.exists():
            need(not self.entries, 'the books are gone')
            return []
        with sqlite3.connect(f'file:{self.books}?mode=ro', uri=True) as db:
            verdict = db.execute('PRAGMA integrity_check').fetchall()
        db.close()
        need(verdict == [('ok',)], f'integrity_check says {verdict}')
        with Journal.read(self.books) as journal:
            entries = list(journal.entries())
        need([e.seq for e in entries] == list(range(1, len(entries) + 1)), 'numbers have gaps')
        return entries

    def check(self) -> None:
        """Hold what was published against what has survived."""
        before, now = self.entries, self.read()
        need(now[:len(before)] == before, 'entries of before the last start are gone or changed')
        dumps = Counter(e.stamp_ns for e in now if e.kind == 'dump')
        need(all(count == 1 for count in dumps.values()), f'a dump was counted twice: {dumps}')
        states = self.states(now, len(before))
        for msg in self.robot.segments:
            rows = tuple(shown(row) for row in rows_from_segments_cloud(msg, self.site))
            need(rows in {state[0] for state in states},
                 f'published rows {rows} are no fold of what survived')
            self.counts['published tables checked'] += 1
        for msg in self.robot.rework:
            flags = (flagged_from_rework(msg), hold_from_rework(msg)[0])
            need(flags in {state[1:] for state in states},
                 f'published flags {flags} are no fold of what survived')
        self.entries = now

    def states(self, entries: list[Any], first: int) -> set[Any]:
        """Return rows, flags and hold after each entry from a number on."""
        fold, out = Fold(self.site), set()
        for entry in entries:
            if entry.seq > first:
                out.add(self.state(fold))
            fold.post(entry)
        return out | {self.state(fold)}

    @staticmethod
    def state(fold: Fold) -> Any:
        """Return what is published of a fold."""
        books = fold.books()
        return (tuple(shown(row) for row in books.rows),
                tuple((flag.berm, flag.segment) for flag in books.flags), books.on_hold)

    # ---- one build ---------------------------------------------------------------------------

    def run(self, kills: int, lives: int) -> int:
        """Play the build, killing on the way; return the number of kills."""
        done, pose = 0, None
        for event in self.events:
            if event.kind == 'pose':
                pose = event
                if self.alive():
                    self.robot.publish(event)
                continue
            while not self.play(pose, event):
                if not self.alive():
                    if self.process is not None:
                        self.bury()
                        done += 1
                    self.start(lives + done)
                    if done >= kills and self.doom is not None:
                        self.doom.cancel()
                    if done >= kills:
                        self.patience = 10 ** 9
        self.finish()
        return done

    def play(self, pose: Any, event: Any) -> bool:
        """Play one event; tell whether it was answered."""
        if not self.alive():
            return False
        robot = self.robot
        if not robot.segments:
            return robot.spin(lambda: robot.segments or not self.alive(), START_S) and False
        before = len(robot.segments)
        if self.patience is not None:
            self.patience -= 1
            if self.patience == 0:
                self.doom_in(self.chance.choice((0.0, self.chance.uniform(0.0, 0.06))))
        if pose is not None:
            robot.publish(pose)
        robot.publish(event)
        self.counts['messages'] += 1

        def answered() -> bool:
            return len(robot.segments) > before and (
                stamp_ns_from(robot.segments[-1].header) >= event.stamp_ns)
        robot.spin(lambda: answered() or not self.alive(), ANSWER_S)
        return answered()

    def finish(self) -> None:
        """End the last ledger and compare the books with those of the run without kills."""
        assert self.process is not None
        if self.doom is not None:
            self.doom.cancel()
        self.robot.spin(lambda: False, 0.1)
        self.process.send(signal.SIGTERM)
        code = self.process.wait()
        if code != -signal.SIGKILL:  # the last doom may have come first
            need(code == 0, f'SIGTERM gave exit code {code}')
        self.process = None
        self.check()
        fold = Fold(self.site)
        for entry in self.entries:
            fold.post(entry)
        ours, theirs = fold.books(), self.straight.books
        told = [e.stamp_ns for e in self.events if e.kind == 'dump']
        need([d.stamp_ns for d in ours.dumps] == told, 'dumps are missing at the end')
        for a, b in zip(ours.rows, theirs.rows):
            need(a.dumps_made == b.dumps_made, f'{a.dumps_made} dumps instead of {b.dumps_made}')
            off_m = abs(a.height_m - b.height_m)
            need(off_m <= HEIGHT_M, f'a height is {off_m:.4f} m off at the end')
            self.counts['segments'] += 1
            self.counts['segments in the same state'] += a.state == b.state
        for kind in ('disturbed', 'unbooked_fill', 'slump', 'rise', 'stray_dump'):
            self.counts[f'{kind} booked'] += ours.counts.get(kind, 0)
            self.counts[f'{kind} without kills'] += theirs.counts.get(kind, 0)


def main() -> int:
    """Run the campaign."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument('--kills', type=int, default=200)
    parser.add_argument('--per-build', type=int, default=12)
    parser.add_argument('--seed', type=int, default=1)
    given = parser.parse_args()
    begun_s, total, counts, losses = time.monotonic(), 0, Counter(), 0
    with private_domain(), tempfile.TemporaryDirectory(prefix='berm_crash_') as name:
        folder = Path(name)
        site_file = folder / 'site.yaml'
        site_file.write_text(SMALL_SITE)
        robot = Robot(load_site(site_file).site)
        seed = given.seed
        while total < given.kills:
            campaign = Campaign(robot, site_file, folder, seed)
            try:
                total += campaign.run(min(given.per_build, given.kills - total), total)
            except LossError as loss:
                losses += 1
                sys.stdout.write(f'build {seed}: {loss}\n')
                if campaign.alive():
                    campaign.process.kill()
                total += given.per_build
            counts.update(campaign.counts)
            sys.stdout.write(f'build {seed}: {total} kills, {losses} losses, '
                             f'{time.monotonic() - begun_s:.0f} s\n')
            sys.stdout.flush()
            seed += 1
        robot.close()
    for key, count in sorted(counts.items()):
        sys.stdout.write(f'{key}: {count}\n')
    sys.stdout.write(f'{total} kills, {losses} losses\n')
    return 1 if losses else 0


if __name__ == '__main__':
    sys.exit(main())
