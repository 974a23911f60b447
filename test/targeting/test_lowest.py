# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Where a load is missed most, on crests whose low place is plain to see."""

from berm_ledger.books.profile import CrestProfile
from berm_ledger.books.rows import Row
from berm_ledger.targeting.lowest import load_weight, lowest_place
import numpy as np
import pytest
from targeting_kit import site_of, straight

STATION = np.arange(0.01, 1.2, 0.02)


def profile(height_m: np.ndarray, offset_m: np.ndarray | None = None) -> CrestProfile:
    """Return a crest along 1.2 m that should stand 0.2 m high."""
    offset = np.zeros_like(height_m) if offset_m is None else offset_m
    return CrestProfile(0, STATION.copy(), height_m, offset, np.full_like(height_m, 0.2))


def middle() -> Row:
    """Return the second of three segments."""
    return Row('a', 0, 2, 0.4, 0.8, 0.2)


def place(crest: CrestProfile, *, closed: bool = False) -> tuple[float, float] | None:
    """Return the lowest place of the middle segment."""
    return lowest_place(site_of(straight(1.2)), middle(), crest, length_m=1.2, closed=closed)


@pytest.mark.parametrize('low_m', [0.45, 0.6, 0.75])
def test_a_load_goes_into_the_dip(low_m: float) -> None:
    """A dip as long as the drum is wide is filled from its middle."""
    height = 0.2 - 0.08 * np.exp(-(((STATION - low_m) / 0.1) ** 2))
    station, offset = place(profile(height))
    assert station == pytest.approx(low_m, abs=0.03)
    assert offset == 0.0


def test_a_low_neighbour_draws_the_load_toward_it() -> None:
    """On an even stretch the load goes where it feeds the low neighbour, but not over to it."""
    height = np.where(STATION < 0.4, 0.05, 0.18)
    station, _ = place(profile(height))
    assert 0.4 <= station < 0.5


def test_the_crest_under_the_drum_gives_the_offset() -> None:
    """The offset is the mean of the standing crest where the load will land."""
    height = np.where(np.abs(STATION - 0.6) < 0.1, 0.1, 0.2)
    station, offset = place(profile(height, np.where(STATION > 0.3, 0.03, -0.5)))
    assert station == pytest.approx(0.6, abs=0.03)
    assert offset == pytest.approx(0.03)


def test_unseen_sections_tell_nothing() -> None:
    """Unknown is not low: with most of the segment unseen there is no answer."""
    height = np.full_like(STATION, 0.2)
    height[(STATION > 0.4) & (STATION < 0.7)] = np.nan
    assert place(profile(height)) is None
    some = np.full_like(STATION, 0.2)
    some[(STATION > 0.45) & (STATION < 0.5)] = np.nan
    some[(STATION > 0.65) & (STATION < 0.7)] = 0.1
    station, _ = place(profile(some))
    assert station == pytest.approx(0.67, abs=0.03)


def test_weight_of_a_load_far_away_is_nothing() -> None:
    """Beyond drum and ramp a load raises nothing."""
    assert load_weight(np.array([1.0, -1.0]), 0.36, 0.2).tolist() == [0.0, 0.0]
