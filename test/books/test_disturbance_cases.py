# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What is found after an absence, several losses at once, dust, and a berm that has settled."""

from __future__ import annotations

from berm_ledger.geometry import Pose2
from berm_ledger.pipeline import Pipeline
from berm_ledger.simulation import Intrusion
from disturbance_kit import demo_site, Dust, Watched, WEST
import numpy as np
import pytest

SECOND_NS = 1_000_000_000
# Out of sight of the berm: the grid reaches 2 m, the corridor ends 0.6 m before the crest.
AWAY = Pose2(-2.5, 0.0, np.pi)


@pytest.fixture(scope='module')
def finished() -> Watched:
    """Return a watched berm as designed; tests spoil copies of it."""
    return Watched(demo_site(), seed=4)


def kinds(watched: Watched, since: int) -> set[str]:
    """Return the kinds of changes booked after a number."""
    return {entry.kind for entry in watched.changes(since)}


@pytest.mark.parametrize('stopped', [False, True], ids=['on', 'restarted'])
def test_the_rover_comes_back_and_finds_it(finished: Watched, stopped: bool) -> None:
    """
    Soil goes while the rover stands out of sight for half an hour, grids coming all the time.

    The books are closed and opened again meanwhile, or not: the window in which it happened
    begins with the last look at the place and ends with the first one back.
    """
    watched = finished.copy()
    left_ns = watched.yard.stamp_ns
    watched.yard.place(AWAY)
    watched.look(30, 60.0)
    if stopped:
        watched.take(watched.pipeline.finish())
        watched.pipeline = Pipeline(
            watched.yard.site, entries=watched.entries, surfaces=watched.surfaces.values())
    watched.yard.intrude(Intrusion('remove', 0.001, 0.9))
    watched.yard.place(WEST)
    back_ns, since = watched.yard.stamp_ns, watched.seq
    watched.look(6)
    found = [e for e in watched.changes(since) if e.kind == 'disturbed']
    assert sum(e.data['volume_m3'] for e in found) == pytest.approx(0.001, rel=0.15)
    for entry in found:
        assert abs(entry.data['window_from_ns'] - left_ns) <= 4 * SECOND_NS
        assert back_ns < entry.data['first_seen_ns'] <= back_ns + 2 * SECOND_NS
    assert watched.pipeline.books.on_hold


def test_two_losses_on_one_segment_are_two_records(finished: Watched) -> None:
    """Holes of 0.5 and 0.3 litre, a hand's breadth between them, on one segment at one time."""
    watched = finished.copy()
    since = watched.seq
    for station_m, volume_m3 in ((0.79, 0.0005), (1.06, 0.0003)):
        watched.yard.intrude(Intrusion('remove', volume_m3, station_m))
    watched.look(8)
    found = [e for e in watched.changes(since) if e.kind == 'disturbed']
    one, other = sorted((e.data for e in found if e.segment == 3),
                        key=lambda data: data['station_from_m'])
    # Where their fringes meet, the seam may slant by a cell.
    assert one['station_to_m'] < other['station_from_m'] + 0.015
    # A hole that reaches over the border is parted between both segments.
    for volume_m3, own in ((0.0005, lambda x: x < 0.90), (0.0003, lambda x: x >= 0.90)):
        parts = [e.data['volume_m3'] for e in found if own(e.data['station_from_m'])]
        assert sum(parts) == pytest.approx(volume_m3, abs=0.0001)
    flag = watched.pipeline.books.flag_of('windward', 3)
    assert flag is not None
    assert flag.volume_m3 == pytest.approx(one['volume_m3'] + other['volume_m3'])


@pytest.mark.parametrize('tall_m', [0.03, 0.15])
def test_dust_over_the_crest_is_nothing(finished: Watched, tall_m: float) -> None:
    """A cloud of half a metre hangs over the crest for six looks and is blown away."""
    watched = finished.copy()
    line, since = watched.yard.site.berms[0].centreline, watched.seq
    x_m, y_m = line.point_at(1.2)
    watched.yard.things.append(
        Dust((float(x_m), float(y_m)), 0.25, tall_m, watched.yard.elapsed_s + 6.0))
    watched.look(20)
    assert kinds(watched, since) == set()


def test_a_loss_is_found_on_a_berm_that_has_settled(finished: Watched) -> None:
    """Three per cent in height is nobody's doing; a litre taken afterwards is."""
    watched = finished.copy()
    watched.yard.soil.settle(0.03)
    watched.look(10)
    since = watched.seq
    watched.yard.intrude(Intrusion('remove', 0.001, 1.3, 0.04))
    watched.look(5)
    assert kinds(watched, since) == {'disturbed', 'hold'}
    lost = sum(e.data['volume_m3'] for e in watched.changes(since) if e.kind == 'disturbed')
    assert lost == pytest.approx(0.001, abs=0.00025)
