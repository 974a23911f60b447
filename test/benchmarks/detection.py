# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Change detection against M3C2 (py4dgeo) and co-registration and difference (xdem).

The time of one answer, on the same pairs of looks; ``disturbance_rivals.py`` says what is in it,
and which method finds more.
"""

from __future__ import annotations

from collections.abc import Iterator
import importlib.util
import sys

from bench_kit import Line, shown_ms, skipped
from disturbance_rivals import change_detection

FASTER = 50.0
PEERS = ('py4dgeo', 'xdem')


def rows() -> Iterator[Line]:
    """Return a line for every other method."""
    missing = [name for name in PEERS if importlib.util.find_spec(name) is None]
    if missing:
        yield skipped('detection', f'{" and ".join(missing)} not installed')
        return
    for name, ours_s, peer_s in change_detection():
        yield Line(f'detection, {name}', shown_ms(ours_s), shown_ms(peer_s), peer_s / ours_s,
                   FASTER, at_least=True)


if __name__ == '__main__':
    for line in rows():
        sys.stdout.write(line.text() + '\n')
