# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The lowest stretch of a crest, by hand."""

import math

from berm_ledger.targeting.stretch import lowest_stretch
import numpy as np
import pytest

STATIONS = np.arange(0.01, 2.0, 0.02)
OPEN = {'drum_width_m': 0.3, 'line_length_m': 2.0, 'closed': False}


def test_the_dip_is_found_with_its_mean():
    short = np.where(np.abs(STATIONS - 0.75) < 0.15, 0.04, 0.0)
    station, mean = lowest_stretch(STATIONS, short, from_m=0.4, to_m=1.0, **OPEN)
    assert station == pytest.approx(0.75, abs=0.05)
    assert mean == pytest.approx(0.04, abs=0.01)


def test_the_drum_reaches_half_past_an_open_end_and_no_farther():
    # The round end is to be filled, but the middle of a load stays on the berm.
    short = np.where(STATIONS < 0.1, 0.05, 0.0)
    station, _ = lowest_stretch(STATIONS, short, from_m=0.0, to_m=0.4, **OPEN)
    assert 0.0 <= station <= 0.03


def test_a_closed_line_is_looked_at_over_its_seam():
    short = np.where((STATIONS < 0.1) | (STATIONS > 1.9), 0.05, 0.0)
    station, mean = lowest_stretch(
        STATIONS, short, from_m=1.6, to_m=2.0, drum_width_m=0.2, line_length_m=2.0, closed=True)
    assert station > 1.9
    assert mean > 0.04


def test_unseen_stretches_are_no_place_and_high_ones_are_negative():
    short = np.full(len(STATIONS), np.nan)
    unseen = lowest_stretch(STATIONS, short, from_m=0.4, to_m=1.0, **OPEN)
    assert all(math.isnan(value) for value in unseen)
    short[:] = -0.01
    short[20:30] = np.nan
    assert lowest_stretch(STATIONS, short, from_m=0.4, to_m=1.0, **OPEN)[1] == pytest.approx(-0.01)
