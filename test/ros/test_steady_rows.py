# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""When a table is taken for the one of before."""

from dataclasses import replace
import math

from berm_ledger.books.rows import Row, State
from berm_ledger.ros.steady_rows import steadied, STEADY_M
import pytest

ROW = Row('west', 0, 1, 0.0, 0.5, 0.2, height_m=0.12, state=State.SHORT, dumps_remaining=4,
          last_seen_ns=5, low_station_m=0.2, low_short_m=0.09)
BARE = Row('west', 0, 2, 0.5, 1.0, 0.2)
TABLE = (ROW, BARE)


@pytest.mark.parametrize('change', [
    {}, {'last_seen_ns': 9}, {'low_station_m': 0.4},
    {'low_short_m': 0.09 + 0.9 * STEADY_M}, {'low_short_m': 0.09 - 0.9 * STEADY_M}])
def test_noise_of_a_look_leaves_the_table_as_it_is(change):
    # Other NaNs, as they come out of a message.
    bare = replace(BARE, height_m=float('nan'), low_short_m=float('nan'))

    assert steadied([replace(ROW, **change), bare], TABLE) is TABLE


@pytest.mark.parametrize('change', [
    {'low_short_m': 0.09 + 1.1 * STEADY_M}, {'low_short_m': math.nan}, {'height_m': 0.1201},
    {'height_m': math.nan}, {'dumps_remaining': 3}, {'dumps_made': 1}, {'state': State.REWORK},
    {'coverage': 0.5}, {'target_height_m': 0.21}])
def test_whatever_a_choice_depends_on_makes_a_new_table(change):
    rows = (replace(ROW, **change), BARE)

    assert steadied(rows, TABLE) is not TABLE
    assert steadied(rows, TABLE) == rows


def test_a_slow_drift_is_noticed_as_it_adds_up():
    table, moved = TABLE, 0
    for step in range(1, 11):
        new = steadied([replace(ROW, low_short_m=0.09 + 0.4 * STEADY_M * step), BARE], table)
        moved += new is not table
        table = new

    assert moved == 3


def test_a_table_of_another_length_is_another():
    assert steadied(TABLE[:1], TABLE) == TABLE[:1]
