# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Whether what fell beside a load that is not yet measured slid or was taken."""

from __future__ import annotations

from dataclasses import replace
import math

from berm_ledger.books.accounts import DumpRecord
from berm_ledger.books.changes import Change
from berm_ledger.books.under_dumps import Loss, not_slid, SLIDES_PER_LOSS, yield_of_weighed
from disturbance_kit import demo_site
import numpy as np
import pytest
from scipy import stats


def loss(*, beside_heap: bool) -> Loss:
    """Return a litre that is gone."""
    return Loss(Change('disturbed', np.arange(3), 0.001, 0.0, 0, 0, 0.00005), beside_heap)


def test_the_likelihood_ratio_decides_of_what_touches_the_heap() -> None:
    """
    By the density of the normal distribution (scipy) at either mean.

    A litre is gone; loads like this one differ by 0.4 litre. Short of nothing it slid, short of a
    litre it was taken, and the border is where one is three times as likely as the other.
    """
    gone = loss(beside_heap=True)
    for short_m3 in np.linspace(-0.001, 0.002, 31):
        ratio = stats.norm.pdf(short_m3, 0.001, 0.0004) / stats.norm.pdf(short_m3, 0.0, 0.0004)
        taken = not_slid([gone], [(float(short_m3), 0.0004)], 0.0) == [gone]
        assert taken == (ratio > SLIDES_PER_LOSS)


@pytest.mark.parametrize('shortage_m3', [0.0, math.nan])
def test_what_lies_off_the_heap_was_taken_whatever_the_load(shortage_m3: float) -> None:
    """Two losses, one of which touches the heap; the load is as usual, or was not measured."""
    off, beside = loss(beside_heap=False), loss(beside_heap=True)
    assert not_slid([off, beside], [(shortage_m3, 0.0002)], 0.0) == [off]


@pytest.mark.parametrize(('load_m3', 'taken'), [(0.015, True), (0.030, False)])
def test_a_great_load_may_have_moved_a_litre_farther_off(load_m3: float, taken: bool) -> None:
    """A litre is 3 % of 30 litre, as slides are (common practice, no source), not of 15 litre."""
    off = loss(beside_heap=False)
    assert bool(not_slid([off], [(0.0, 0.0002)], load_m3)) == taken


def test_what_was_seen_before_the_load_fell_is_no_slide_of_it() -> None:
    """It touches the heap and is a hundredth of the load, which is as great as it is usual."""
    before = replace(loss(beside_heap=True), seen_before=True)
    assert not_slid([before], [(0.0, 0.0004)], 0.1) == [before]


def test_a_weighed_load_is_expected_to_rise_as_its_mass_has_so_far() -> None:
    """Loads of 6 and 3 kg that all rose by 0.9 of their volume: 0.9 of the next one's, about."""
    site = demo_site()
    density = site.material.loose_density_kg_m3
    dumps = [DumpRecord(
        seq, seq, mass, 0.0, 0.0, 0.0, 'windward', 1, 0.0, 0.0, volume_m3=0.9 * mass / density,
        volume_se_m3=0.00001) for seq, mass in enumerate([6.0, 3.0] * 10)]
    usual = yield_of_weighed(dumps, site, 4.0 / density)
    # Two loads of the prior that rose in full are out-voted, not left out.
    assert usual.value_m3 == pytest.approx(0.9 * 4.0 / density, rel=0.01)
    assert yield_of_weighed([], site, 0.003).value_m3 == pytest.approx(0.003)
