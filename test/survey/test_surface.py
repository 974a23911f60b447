# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Fusion: averages settle, spikes and people stay out, real change comes in, errors are honest."""

from berm_ledger.survey.surface import AGREEING_LOOKS, MOST_LOOKS, SiteSurface
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import numpy.testing as npt
import pytest
from survey_kit import SECOND_NS, START_NS

NAN = np.nan
NOISE_M = 0.004


def settled(count=1, *, level_m=0.0, looks=30, period_ns=2 * SECOND_NS):
    """Return a surface after so many looks without error, and the time of the last."""
    surface = SiteSurface(count)
    for n in range(looks):
        look(surface, np.full(count, level_m), START_NS + n * period_ns)
    return surface, START_NS + (looks - 1) * period_ns


def look(surface, heights_m, stamp_ns, *, expected=None):
    measured = np.asarray(heights_m, dtype=np.float32)
    return surface.fuse(measured, stamp_ns, NOISE_M, expected)


def test_the_first_looks_are_averaged() -> None:
    surface = SiteSurface(3)
    look(surface, [0.010, 0.020, NAN], START_NS)
    fused = look(surface, [0.014, NAN, NAN], START_NS + SECOND_NS)
    npt.assert_allclose(surface.height_m, [0.012, 0.020, NAN], atol=1e-7)
    assert surface.looks.tolist() == [2.0, 1.0, 0.0]
    assert surface.known.tolist() == [True, True, False]
    assert fused.seen.tolist() == [True, False, False]
    assert surface.seen_ns.tolist() == [START_NS + SECOND_NS, START_NS, -1]


@pytest.mark.parametrize('spike_m', [0.03, -0.03, 0.5, -2.0])
def test_a_spike_does_not_move_the_surface(spike_m) -> None:
    surface, last = settled()
    look(surface, [spike_m], last + SECOND_NS)
    look(surface, [0.0], last + 2 * SECOND_NS)
    assert surface.height_m[0] == 0.0
    assert surface.aside_looks[0] == 0


def test_a_person_who_stands_a_second_under_a_quick_sensor_does_not_enter() -> None:
    surface, last = settled()
    step = SECOND_NS // 5
    for n in range(1, 6):  # five looks at 5 Hz
        assert not look(surface, [1.2], last + n * step).adopted.any()
    for n in range(6, 12):
        look(surface, [0.0], last + n * step)
    assert surface.height_m[0] == 0.0


def test_a_person_who_comes_back_is_not_counted_together() -> None:
    surface, last = settled()
    for n, height in enumerate([1.2, 1.2, 0.0, 1.2, 1.2, 0.0], start=1):
        look(surface, [height], last + 2 * n * SECOND_NS)
    assert surface.height_m[0] == 0.0


def test_one_who_walks_through_never_shows_two_heights_that_agree() -> None:
    surface, last = settled()
    for n, height in enumerate([0.3, 0.9, 1.6, 1.1, 0.2], start=1):
        look(surface, [height], last + n * SECOND_NS)
    assert surface.height_m[0] == 0.0


@pytest.mark.parametrize('change_m', [0.025, 0.2, -0.06])
def test_a_real_change_is_adopted_within_a_few_looks(change_m) -> None:
    surface, last = settled()
    for n in range(1, AGREEING_LOOKS + 1):
        fused = look(surface, [change_m], last + n * SECOND_NS)
    assert fused.adopted.tolist() == [True]
    assert surface.height_m[0] == pytest.approx(change_m)
    assert surface.looks[0] == AGREEING_LOOKS  # what it is worth starts anew


def test_a_small_steady_change_is_adopted_within_ten_looks() -> None:
    surface, last = settled()
    for n in range(1, 11):  # 10 mm, 2.5 sigma: under the gate, never set aside
        look(surface, [0.010], last + n * SECOND_NS)
    assert surface.height_m[0] == pytest.approx(0.010, abs=0.0015)


@pytest.mark.parametrize('looks', [5, 6, 8, 15, 40])
@pytest.mark.parametrize('change_m', [0.02, 0.03, 0.04])
def test_following_a_change_does_not_overshoot(looks, change_m) -> None:
    surface, last = settled(looks=looks)
    for n in range(1, 30):
        surface.fuse(np.full(1, change_m, dtype=np.float32), last + n * SECOND_NS, 0.010)
        assert surface.height_m[0] <= change_m + 1e-6


def test_where_a_load_has_fallen_two_looks_are_enough() -> None:
    surface, last = settled(2)
    expected = np.array([True, False])
    for n in (1, 2):
        look(surface, [0.1, 0.1], last + n * SECOND_NS, expected=expected)
    npt.assert_allclose(surface.height_m, [0.1, 0.0], atol=1e-7)


def test_a_loosened_cell_follows_at_once() -> None:
    surface, last = settled(2)
    surface.loosen(np.array([True, False]))
    look(surface, [0.015, 0.015], last + SECOND_NS)
    assert surface.height_m[0] == pytest.approx(0.015, abs=0.0015)
    assert surface.height_m[1] < 0.001


def test_a_cell_never_seen_keeps_its_ignorance_when_loosened() -> None:
    surface = SiteSurface(1)
    surface.loosen(np.array([True]))
    assert not surface.known[0]
    look(surface, [0.3], START_NS)
    assert surface.height_m[0] == pytest.approx(0.3)


def test_stated_looks_are_honest_in_the_long_run() -> None:
    # 4000 cells of nothing but white noise for 600 looks: the scatter of the means against
    # noise / root(effective looks). Trends adopted by chance are part of it.
    rng = np.random.default_rng(1)
    surface = SiteSurface(4000)
    ratios = []
    for n in range(600):
        look(surface, rng.normal(0.0, NOISE_M, 4000), START_NS + n * SECOND_NS)
        if n in (4, 20, 60, 150, 599):
            stated = NOISE_M / np.sqrt(surface.effective_looks())
            ratios.append(float(np.std(surface.height_m / stated)))
    npt.assert_allclose(ratios, 1.0, atol=0.12)


def test_a_thousand_looks_are_worth_no_more_than_the_memory() -> None:
    surface, _ = settled(looks=1000)
    assert surface.effective_looks()[0] == 2.0 * MOST_LOOKS - 1.0


@given(st.lists(st.one_of(st.just(NAN), st.floats(-0.5, 0.5, width=32)), min_size=1,
                max_size=25))
def test_the_surface_stays_within_what_was_seen(heights) -> None:
    surface = SiteSurface(1)
    for n, height in enumerate(heights):
        look(surface, [height], START_NS + n * SECOND_NS)
    seen = [h for h in heights if np.isfinite(h)]
    assert surface.known[0] == bool(seen)
    if seen:
        assert min(seen) - 1e-6 <= surface.height_m[0] <= max(seen) + 1e-6


@given(st.lists(st.one_of(st.just(NAN), st.floats(-0.25, 0.25, width=16)), min_size=1,
                max_size=25))
def test_a_higher_map_gives_the_same_surface_higher(heights) -> None:
    low, high = SiteSurface(1), SiteSurface(1)
    for n, height in enumerate(heights):
        look(low, [height], START_NS + n * SECOND_NS)
        look(high, [height + 0.5], START_NS + n * SECOND_NS)
    npt.assert_allclose(high.height_m - 0.5, low.height_m, atol=2e-6, equal_nan=True)


def test_cells_do_not_feel_each_other() -> None:
    rng = np.random.default_rng(2)
    heights = rng.normal(0.0, 0.01, (20, 6)) + np.where(rng.random((20, 6)) < 0.1, 0.3, 0.0)
    heights[rng.random((20, 6)) < 0.2] = NAN
    together = SiteSurface(6)
    for n, row in enumerate(heights):
        look(together, row, START_NS + n * SECOND_NS)
    for cell in range(6):
        alone = SiteSurface(1)
        for n, row in enumerate(heights):
            look(alone, row[cell:cell + 1], START_NS + n * SECOND_NS)
        npt.assert_array_equal(alone.height_m[0], together.height_m[cell])
