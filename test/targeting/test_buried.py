# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Crests under the flank of a higher berm, by hand from the slope."""

from dataclasses import replace

from berm_ledger.design import Plane
from berm_ledger.geometry import Polyline
from berm_ledger.targeting.buried import buried_crests
import pytest
from targeting_kit import berm_of, site_of

HIGH = berm_of(Polyline([[0.0, -1.0], [0.0, 1.0]]), name='high', height_m=0.20)


def low_from(x_m, height_m=0.14, name='low'):
    """Return a berm that leads away from the end of the high one."""
    return berm_of(Polyline([[x_m, 1.0], [x_m + 1.2, 1.0]]), name=name, height_m=height_m)


def test_a_crest_that_begins_in_a_higher_flank_is_named():
    # By hand: 0.06 m higher in the middle, 34 degrees: 0.02 m over at 0.06 / tan - 0.02 / tan =
    # 0.059 m, and 0.025 m further out as poured: 0.084 m, a fifth of the first of three segments.
    (note,) = buried_crests(site_of(HIGH, low_from(0.0)))
    assert note.startswith(
        "berm 'low': from 0.01 to 0.08 m of its line the flank of berm 'high' ")
    assert 'its tolerance of 20 mm: segment 1 will be found too high' in note
    assert buried_crests(site_of(low_from(0.0), HIGH)) == (note,)


@pytest.mark.parametrize('low', [
    low_from(0.08), low_from(0.0, height_m=0.19), low_from(0.0, height_m=0.20)])
def test_a_crest_outside_that_flank_or_about_as_high_is_not(low):
    assert buried_crests(site_of(HIGH, low)) == ()


def test_of_a_level_crest_nothing_is_said_before_its_ground_is_known():
    low = replace(low_from(0.0), crest_height_m=None, crest_level_m=0.14)
    site = site_of(HIGH, low)
    assert buried_crests(site) == ()
    assert len(buried_crests(replace(site, datum_plane=Plane(0.0, 0.0, 0.0)))) == 1
    # Ground 0.05 m lower makes the level crest so much higher above it.
    assert buried_crests(replace(site, datum_plane=Plane(0.0, 0.0, -0.05))) == ()
