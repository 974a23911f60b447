# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Lines cut into equal parts."""

import math

from berm_ledger.design import segment_of_station, segments_of_berm, segments_of_site
from berm_ledger.geometry import Polyline
from design_kit import berm_of, site_of
from hypothesis import example, given
from hypothesis import strategies as st
import numpy as np
import pytest


@given(st.floats(0.05, 40.0), st.floats(0.05, 5.0))
@example(1.0, 0.99999)
def test_parts_are_equal_and_no_longer_than_asked_for(length, longest):
    parts = segments_of_berm(berm_of(Polyline([[0, 0], [length, 0]]), segment_m=longest))
    edges = [parts[0].station_from_m, *(part.station_to_m for part in parts)]
    assert edges[0] == 0.0
    assert edges[-1] == pytest.approx(length)
    assert [part.number for part in parts] == list(range(1, len(parts) + 1))
    # Coordinates written to a few digits may overrun by 1e-4 of a segment, all parts together.
    assert max(part.length_m for part in parts) <= longest * (1 + 1e-4 / len(parts)) + 1e-12
    assert max(part.length_m for part in parts) - min(
        part.length_m for part in parts) < 1e-9 * length
    # One part less would be too long.
    assert len(parts) == 1 or length / (len(parts) - 1) > longest


@given(st.integers(1, 400))
def test_a_length_that_divides_is_cut_so_though_floats_do_not(count):
    # 0.1 * 3 is not 0.3: no extra part for the last bit of a float.
    assert len(segments_of_berm(berm_of(Polyline([[0, 0], [0.1 * count, 0]]), segment_m=0.1))
               ) == count


@given(st.floats(0.1, 9.0), st.floats(0.1, 2.0), st.lists(st.floats(-1.0, 10.0), min_size=1))
def test_a_station_lies_in_its_segment(length, longest, stations):
    berm = berm_of(Polyline([[0, 0], [length, 0]]), segment_m=longest)
    parts = segments_of_berm(berm)
    for station, number in zip(stations, segment_of_station(berm, stations)):
        part = parts[number - 1]
        assert part.station_from_m <= np.clip(station, 0, length) + 1e-6
        assert part.station_to_m >= np.clip(station, 0, length) - 1e-6


def test_borders_belong_to_the_later_segment_whatever_the_rounding():
    berm = berm_of(Polyline([[0, 0], [2.4, 0]]), segment_m=0.4)
    borders = 0.4 * np.arange(7)
    around = [borders, borders - 1e-11, borders + 1e-11]
    for stations in around:
        assert segment_of_station(berm, stations).tolist() == [1, 2, 3, 4, 5, 6, 6]


def test_an_unknown_station_is_in_no_segment():
    berm = berm_of(Polyline([[0, 0], [2.4, 0]]))
    assert segment_of_station(berm, [[math.nan, 0.1]]).tolist() == [[0, 1]]


def test_segments_of_a_site_in_the_order_of_the_file():
    site = site_of(berm_of(Polyline([[0, 0], [1, 0]]), name='b', segment_m=0.5),
                   berm_of(Polyline([[0, 2], [1, 2]]), name='a', segment_m=1.0))
    found = [(part.berm, part.berm_index, part.number, part.middle_m)
             for part in segments_of_site(site)]
    assert found == [('b', 0, 1, 0.25), ('b', 0, 2, 0.75), ('a', 1, 1, 0.5)]
