# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Restart the books after every second grid and dump of some builds, once each; run by hand.

``python test/campaigns/restart.py``: a pipeline is resumed from the entries and layers that were
written by then, works on to the end, and the events in its books are counted against those of the
run without a restart. Exit code 1 when a dump or rise is missing or doubled.
"""

from __future__ import annotations

from collections import Counter
import sys
from typing import Any

from berm_ledger.design.site_file import site_from_text
from berm_ledger.pipeline import Pipeline
from berm_ledger.simulation import SimulatedBuild
from crash import options
from ledger_kit import SMALL_SITE

SEEDS = (101, 102, 103, 104)
KINDS = ('datum', 'dump', 'rise', 'stray_dump', 'disturbed', 'unbooked_fill', 'slump', 'hold')
SURE = ('datum', 'dump', 'rise')


def feed(pipeline: Pipeline, event: Any) -> Any:
    """Hand one simulated message to a pipeline."""
    return {'pose': pipeline.add_pose, 'grid': pipeline.add_grid,
            'dump': pipeline.add_dump}[event.kind](event.value)


def main() -> int:
    """Restart everywhere."""
    site, same, total, bad = site_from_text(SMALL_SITE, 'site.yaml'), 0, 0, 0
    for seed in SEEDS:
        events = list(SimulatedBuild(site, seed=seed, options=options(seed)).events())
        straight, entries, layers, pose, points = Pipeline(site), [], {}, None, []
        for index, event in enumerate(events):
            update = feed(straight, event)
            entries += update.entries
            layers.update({layer.name: layer for layer in update.surfaces})
            if event.kind == 'pose':
                pose = event
            else:
                points.append((index, len(entries), dict(layers), pose))
        expected = Counter(e.kind for e in entries if e.kind in KINDS)
        for index, count, kept, last in points[::2]:
            again = Pipeline(site, entries=entries[:count], surfaces=kept.values())
            found = list(entries[:count])
            for event in (last, *events[index + 1:]):
                found += feed(again, event).entries
            got = Counter(e.kind for e in found if e.kind in KINDS)
            total, same = total + 1, same + (got == expected)
            bad += any(got[kind] != expected[kind] for kind in SURE)
            if got != expected:
                sys.stdout.write(f'build {seed}, restart after message {index}: {dict(got)} '
                                 f'instead of {dict(expected)}\n')
    sys.stdout.write(f'{total} restarts: the same events in {same}, dumps or rises other in '
                     f'{bad}\n')
    return 1 if bad else 0


if __name__ == '__main__':
    sys.exit(main())
