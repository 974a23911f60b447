# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What stands, and what must be looked at."""

from dataclasses import replace
import math

from berm_ledger.books.rows import State
from berm_ledger.targeting.standing import look_reason, standing_segments
import numpy as np
import pytest
from targeting_kit import bare_rows, raised, site_of, straight

SITE = site_of(straight(2.0, height_m=0.25))
BARE = bare_rows(SITE, loads=1)


def test_bare_segments_do_not_stand():
    assert not standing_segments(SITE, BARE).any()
    assert not standing_segments(SITE, bare_rows(SITE, seen=False, loads=1)).any()


@pytest.mark.parametrize('change', [
    {'dumps_made': 1}, {'state': State.AT_GRADE}, {'state': State.HIGH}, {'height_m': 0.08}])
def test_own_soil_makes_a_segment_stand(change):
    rows = [*BARE[:2], replace(BARE[2], **change), *BARE[3:]]
    assert standing_segments(SITE, rows).tolist() == [False, False, True, False, False]


@pytest.mark.parametrize('segment_m', [0.4, 0.2])
def test_the_end_of_a_neighbour_does_not(segment_m):
    # A ridge of 0.25 m runs out over 0.37 m: on 0.4 m in front of it 0.116 m on average, on the
    # first 0.2 m 0.183 m.
    site = site_of(straight(2.0, height_m=0.25, segment_m=segment_m))
    bare = bare_rows(site, loads=1)
    tangent = site.berms[0].side_slope
    along = (np.arange(1000) + 0.5) / 1000 * segment_m
    spill = float(np.maximum(0.25 - tangent * along, 0.0).mean())
    rows = [raised(bare[0], 0.25), replace(bare[1], height_m=spill), *bare[2:]]
    assert standing_segments(site, rows).tolist() == [True, *[False] * (len(rows) - 1)]
    rows[1] = replace(bare[1], height_m=spill + 0.06)
    assert standing_segments(site, rows)[1]


@pytest.mark.parametrize(('target_m', 'state'), [(-0.04, State.HIGH), (0.01, State.AT_GRADE)])
def test_natural_ground_that_reaches_a_level_crest_by_itself_is_no_berm(target_m, state):
    row = replace(BARE[2], target_height_m=target_m, state=state)
    rows = [*BARE[:2], row, *BARE[3:]]
    assert not standing_segments(SITE, rows).any()
    rows[2] = replace(row, dumps_made=1)
    assert standing_segments(SITE, rows)[2]
    rows[2] = replace(row, height_m=0.08)
    assert standing_segments(SITE, rows)[2]


@pytest.mark.parametrize(('change', 'text'), [
    ({'height_m': math.nan}, 'no crest was seen'),
    ({'coverage': 0.1}, 'only 10 % of its crest'),
    ({'line_offset_m': math.nan}, 'crest line is not known'),
    ({'line_offset_m': -0.5}, '0.50 m off the line'),
])
def test_a_crest_that_cannot_be_found_is_to_be_looked_at(change, text):
    row = replace(raised(BARE[2], 0.15), dumps_made=3, **change)
    assert text in look_reason(SITE, row)
    assert look_reason(SITE, replace(row, dumps_made=0)) is None


@pytest.mark.parametrize(('dumps', 'text'), [(1, '1 load was dumped'), (3, '3 loads were dumped')])
def test_one_load_is_told_as_one(dumps, text):
    row = replace(BARE[2], dumps_made=dumps, height_m=math.nan)
    assert look_reason(SITE, row) == f'{text} there and no crest was seen since'


def test_a_crest_in_its_place_needs_no_look():
    assert look_reason(SITE, replace(raised(BARE[2], 0.15), dumps_made=3)) is None
    low = replace(raised(BARE[2], 0.03), dumps_made=1, line_offset_m=math.nan)
    assert look_reason(SITE, low) is None
