# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Where the time of a cycle goes, from poses alone."""

from collections.abc import Callable
import math

from berm_ledger.borrow.cycle import CycleClock
from berm_ledger.geometry import Pose2
import pytest

SECOND_NS = 1_000_000_000


def drive(clock: CycleClock, start_s: int, stations: list[tuple[float, bool]]) -> int:
    """Give one pose a second; return the time after the last [s]."""
    for n, (x_m, digging) in enumerate(stations):
        clock.pose((start_s + n) * SECOND_NS, Pose2(x_m, 0.0), digging)
    return start_s + len(stations)


def cycle() -> list[tuple[float, bool]]:
    """Return 4 s at the dump, 3 s there, 10 s digging, 3 s back, 2 s standing."""
    return [*[(0.0, False)] * 4, *[(-float(n), False) for n in range(1, 4)],
            *[(-4.0, True)] * 10, *[(-float(n), False) for n in range(3, 0, -1)],
            *[(0.0, False)] * 2]


def test_a_cycle_is_split_by_where_the_rover_is() -> None:
    """Parts add up to the whole, which runs from dump to dump."""
    clock = CycleClock()
    now_s = drive(clock, 0, [(0.0, False)] * 3)
    first = clock.dump()
    assert math.isnan(first.cycle_s)
    drive(clock, now_s, cycle())
    times = clock.dump()
    assert times.cycle_s == 22.0
    assert times.dig_s == 10.0
    assert times.dump_s == pytest.approx(5.0)
    assert times.dig_s + times.haul_s + times.dump_s == pytest.approx(times.cycle_s)


def test_a_gap_leaves_the_parts_open() -> None:
    """Nobody knows what happened in the dark; the whole is still known."""
    clock = CycleClock()
    drive(clock, 0, [(0.0, False)] * 3)
    clock.dump()
    drive(clock, 3, [(0.0, False), (-1.0, False)])
    drive(clock, 60, [(-4.0, True), (0.0, False)])
    times = clock.dump()
    assert times.cycle_s == 59.0
    assert math.isnan(times.dig_s)


def test_a_restart_knows_the_last_dump() -> None:
    """The first cycle after it has a length and no parts."""
    clock = CycleClock(100 * SECOND_NS)
    drive(clock, 150, cycle())
    times = clock.dump()
    assert times.cycle_s == 71.0
    assert math.isnan(times.haul_s)


NIGHT_S = 15 * 3600


def over_night() -> CycleClock:
    """Return the clock of a ledger that was switched off over night."""
    clock = CycleClock(100 * SECOND_NS)
    drive(clock, NIGHT_S, cycle())
    return clock


def in_the_dark() -> CycleClock:
    """Return the clock of a ledger that got no pose over night."""
    clock = CycleClock()
    drive(clock, 0, [(0.0, False)])
    clock.dump()
    drive(clock, NIGHT_S, cycle())
    return clock


def parked() -> CycleClock:
    """Return the clock of a rover that told every minute where it stood over night."""
    clock = CycleClock()
    drive(clock, 0, [(0.0, False)])
    clock.dump()
    for stamp_s in range(60, NIGHT_S, 60):
        clock.pose(stamp_s * SECOND_NS, Pose2(-2.0, 0.01 * (stamp_s // 60 % 3)), False)
    drive(clock, NIGHT_S, cycle())
    return clock


@pytest.mark.parametrize('rested', [over_night, in_the_dark, parked])
def test_a_night_is_no_cycle_and_the_next_one_is(rested: Callable[[], CycleClock]) -> None:
    """Else the ledger would say on the second day that a load takes an hour."""
    clock = rested()
    assert math.isnan(clock.dump().cycle_s)
    drive(clock, NIGHT_S + 22, cycle())
    assert clock.dump().cycle_s == 22.0


def test_no_pose_no_times() -> None:
    """A dump before any pose is refused elsewhere; here it is unknown."""
    assert math.isnan(CycleClock().dump().cycle_s)


def test_standing_at_the_dump_is_no_digging_where_a_pit_reaches_up_to_the_berm() -> None:
    """Dumped on from within the area, at the other end of which it digs for 10 s."""
    clock = CycleClock()
    there = [(x_m, x_m < 0.5) for x_m, _ in cycle()]
    now_s = drive(clock, 0, there[-2:])
    clock.dump()
    drive(clock, now_s, there)
    times = clock.dump()
    assert times.cycle_s == 22.0
    assert times.dump_s == pytest.approx(5.0)
    assert times.dig_s == pytest.approx(17.0)
