# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Loads that are too big for a tolerance, by the volume of a ridge that grows by it."""

from berm_ledger.targeting.coarse import coarse_loads
import pytest
from targeting_kit import rover_of, site_of, straight


def payload_kg(rise_m, *, height_m=0.15):
    """Return the load that raises a ridge by so much over the drum, its ends sloping down."""
    site = site_of(straight(1.2, height_m=height_m))
    slope = site.berms[0].side_slope
    more = ((height_m + rise_m)**2 - height_m**2) / slope
    return 1500.0 * more * (site.rover.drum_width_m + rise_m / slope)


@pytest.mark.parametrize(('rise_m', 'notes'), [(0.019, 0), (0.021, 1)])
def test_a_load_that_takes_more_than_the_tolerance_is_named(rise_m, notes):
    # The tolerance is 20 mm.
    site = site_of(straight(1.2), rover=rover_of(payload_kg=payload_kg(rise_m)))
    assert len(coarse_loads(site)) == notes


@pytest.mark.parametrize('rise_m', [0.0202, 0.0205, 0.021, 0.03])
def test_what_the_note_says_would_do_does(rise_m):
    site = site_of(straight(1.2), rover=rover_of(payload_kg=payload_kg(rise_m)))
    (text,) = coarse_loads(site)
    fits_kg = float(text.split('carry ')[1].split(' kg')[0])
    assert not coarse_loads(site_of(straight(1.2), rover=rover_of(payload_kg=fits_kg)))


def test_the_note_says_what_would_do():
    site = site_of(straight(1.2), rover=rover_of(payload_kg=payload_kg(0.025)))
    (text,) = coarse_loads(site)
    assert "berm 'west" in text
    assert 'by 25 mm, more than its tolerance of 20 mm' in text
    # The least load that does is a little under that for 20 mm, as a small load spreads less.
    assert float(text.split('carry ')[1].split(' kg')[0]) == pytest.approx(
        payload_kg(0.02), rel=0.05)
