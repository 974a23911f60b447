# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
How long a target node that outlives its ledger goes on giving targets; run by hand.

``python test/campaigns/outlive.py``: both nodes run as processes, a simulated build is begun until
there is a target, the ledger is killed (SIGKILL) while poses keep coming, and the time until the
target is taken back is measured. The limit is the parameter books_timeout_s and one period of the
watch. Exit code 1 beyond it.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
import sys
import tempfile
import time

from berm_ledger.ros.parameters import PARAMETERS
from berm_ledger.simulation import BuildOptions, SimulatedBuild, YardOptions
from berm_ledger.site_source import load_site
from campaign_kit import node_arguments, NodeProcess, private_domain, Robot
from ledger_kit import SMALL_SITE

ROUNDS = 3
PATIENCE_S = 60.0
WATCH_S, SPARE_S = 0.5, 0.5
POSE_S = 0.2
LIMIT_S = WATCH_S + SPARE_S + float(next(
    spec.default for spec in PARAMETERS if spec.name == 'books_timeout_s'))


def one_round(robot: Robot, statuses: list, site_file: Path, books: Path) -> float:
    """Return how long the target outlived the ledger [s]."""
    nodes = [NodeProcess('ledger', node_arguments(site_file=site_file, books_file=books),
                         books.with_suffix('.log')),
             NodeProcess('target', node_arguments(site_file=site_file), books.with_suffix('.log'))]
    ledger, target = nodes
    robot.segments.clear()
    statuses.clear()
    last = None

    def pose_on() -> None:
        nonlocal last
        stamp_ns = last.stamp_ns + round(POSE_S * 1e9)
        last = last._replace(
            stamp_ns=stamp_ns, value=replace(last.value, stamp_ns=stamp_ns))
        robot.publish(last)

    def given() -> bool:
        return bool(statuses) and bool(statuses[-1].level == b'\0')
    try:
        robot.spin(lambda: robot.segments and all(
            out.get_subscription_count() for out in robot.out.values()), PATIENCE_S)
        robot.spin(lambda: robot.out['pose'].get_subscription_count() >= 2, PATIENCE_S)
        for event in SimulatedBuild(robot.site, seed=1, options=BuildOptions(
                most_loads=2, yard=YardOptions(soil_cell_m=0.02, pose_rate_hz=1.0))).events():
            before = len(robot.segments)
            robot.publish(event)
            if event.kind == 'pose':
                last = event
            else:
                robot.spin(lambda before=before: len(robot.segments) > before, PATIENCE_S)
            if event.kind == 'grid' and given():
                break
        end = time.monotonic() + PATIENCE_S
        while not robot.spin(given, POSE_S):
            pose_on()
            if time.monotonic() > end:
                raise SystemExit(f'no target was given: {statuses[-1:]}')
        ledger.kill()
        killed_s = time.monotonic()
        while not robot.spin(lambda: not given(), POSE_S):
            pose_on()
            if time.monotonic() > killed_s + PATIENCE_S:
                break
        return time.monotonic() - killed_s
    finally:
        ledger.kill()
        target.kill()


def main() -> int:
    """Measure some rounds."""
    with private_domain(), tempfile.TemporaryDirectory(prefix='berm_outlive_') as name:
        site_file = Path(name) / 'site.yaml'
        site_file.write_text(SMALL_SITE)
        robot = Robot(load_site(site_file).site)
        statuses: list = []
        from berm_ledger.ros.wire import latched_qos, message_class
        robot.node.create_subscription(
            message_class('diagnostic_msgs/msg/DiagnosticStatus'), 'target', statuses.append,
            latched_qos())
        times = [one_round(robot, statuses, site_file, Path(name) / f'{turn}.sqlite')
                 for turn in range(ROUNDS)]
        robot.close()
    sys.stdout.write(f'the target was taken back {max(times):.1f} s after the ledger was killed '
                     f'at the latest ({ROUNDS} rounds, limit {LIMIT_S:.1f} s)\n')
    return 1 if max(times) > LIMIT_S else 0


if __name__ == '__main__':
    sys.exit(main())
