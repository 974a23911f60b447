# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What is said of segments that no load can mend."""

from dataclasses import replace

from berm_ledger.books.rows import State
from berm_ledger.targeting.finish import done_reason
from targeting_kit import bare_rows, choose_target, raised, site_of, straight


def rows_of(site, **changes):
    rows = [raised(row, 0.15) for row in bare_rows(site)]
    rows[1] = replace(rows[1], **changes)
    return [replace(row, dumps_remaining=0) for row in rows]


def test_a_berm_at_grade_needs_no_more_words():
    site = site_of(straight(1.2))
    assert done_reason(site, rows_of(site)) == 'no segment calls for another load'


def test_a_crest_that_is_too_high_is_named_with_the_height_to_cut_it_to():
    # The tolerance of the site is 0.02 m, its crest 0.15 m.
    site = site_of(straight(1.2))
    rows = rows_of(site, state=State.SHORT, high_m=0.194, low_m=0.14, at_grade=0.83)
    answer = choose_target(site, rows, None, None)
    assert answer.code == 'done'
    assert answer.reason == (
        'no segment calls for another load; west segment 2 is not at grade (83 % of its crest in '
        'tolerance): up to 0.044 m too high, which no load mends: cut what stands above 0.170 m')


def test_low_places_that_stay_are_named_too():
    site = site_of(straight(1.2))
    text = done_reason(site, rows_of(site, state=State.SHORT, low_m=0.125, at_grade=0.88))
    assert text.endswith('(88 % of its crest in tolerance): up to 0.025 m low where a load would '
                         'overshoot')
    assert 'cut' not in text


def test_a_flag_that_calls_for_no_load_is_named_with_who_takes_it_off():
    """Soil that somebody took and put back: no dump comes that could end the rework."""
    site = site_of(straight(1.2))
    text = done_reason(site, rows_of(site, state=State.REWORK, low_m=0.14, high_m=0.16,
                                     at_grade=0.97))
    assert 'west segment 2 is still flagged for rework' in text
    assert '~/clear_rework' in text


def test_a_crest_of_which_the_rest_was_not_seen_is_to_be_looked_at():
    # All that was seen is in tolerance; unseen sections count as not at grade.
    site = site_of(straight(1.2))
    seen = {'state': State.SHORT, 'low_m': 0.14, 'high_m': 0.16, 'at_grade': 0.62,
            'coverage': 0.625}
    assert done_reason(site, rows_of(site, **seen)) == (
        'no segment calls for another load; west segment 2 is not at grade (62 % of its crest in '
        'tolerance): only 62 % of it was seen: look at the rest')
    text = done_reason(site, rows_of(site, **{**seen, 'at_grade': 0.5}))
    assert 'seen' not in text


def test_of_a_level_crest_over_sloping_ground_its_level_is_told_and_no_height():
    """Ground that falls by 0.08 m under 0.4 m of crest: both of its ends lie at the level."""
    berm = straight(1.2)
    site = site_of(berm)
    level = site_of(replace(berm, crest_height_m=None, crest_level_m=1.25))
    sloping = {'state': State.SHORT, 'low_m': 0.11, 'high_m': 0.19, 'at_grade': 0.87}
    text = done_reason(level, rows_of(site, **sloping))
    assert text.endswith(
        'west segment 2 is not at grade (87 % of its crest in tolerance): no load mends what '
        'stands above the level of 1.270 m, cut that, and where it lies below 1.230 m a load '
        'would overshoot')
    flagged = done_reason(level, rows_of(site, **{
        **sloping, 'state': State.REWORK, 'at_grade': 0.97}))
    assert 'still flagged' in flagged
