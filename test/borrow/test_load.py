# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What one load weighs: inverse variance, the current's line, partial loads."""

from dataclasses import replace
import math

from berm_ledger.borrow.load import (
    combined,
    CurrentLine,
    Estimate,
    is_partial,
    load_of,
    weighed,
)
from borrow_kit import a_site
from hypothesis import given, settings
from hypothesis import strategies as st
import numpy as np
import pytest

ROVER = a_site().rover
USUAL = Estimate(6.0, 0.4)


def test_inverse_variance_in_closed_form() -> None:
    """Weights 1/0.5^2 and 1/1^2: 4 to 1."""
    both = combined([Estimate(5.0, 0.5), Estimate(7.5, 1.0)])
    assert both.mass_kg == pytest.approx((4 * 5.0 + 7.5) / 5)
    assert both.se_kg == pytest.approx(1.0 / math.sqrt(5.0))


@given(st.lists(st.tuples(st.floats(0.1, 50.0), st.floats(0.01, 5.0)), min_size=1, max_size=6))
def test_the_mean_lies_between_and_is_surer_than_each(parts) -> None:
    """The order does not matter, and what is unknown changes nothing."""
    estimates = [Estimate(*part) for part in parts]
    mean = combined(estimates)
    assert min(p[0] for p in parts) - 1e-9 <= mean.mass_kg <= max(p[0] for p in parts) + 1e-9
    assert mean.se_kg <= min(p[1] for p in parts) + 1e-12
    again = combined([Estimate(), *reversed(estimates)])
    assert again.mass_kg == pytest.approx(mean.mass_kg)


def test_nothing_known_is_unknown() -> None:
    """No evidence, no figure."""
    assert not combined([]).known
    assert not combined([Estimate(), Estimate(5.0, 0.0)]).known
    assert not weighed(math.nan).known


@pytest.mark.parametrize(('mass_kg', 'se_kg', 'partial'), [
    (3.0, 0.3, True), (6.1, 0.3, False), (4.8, 0.3, None), (3.0, 2.0, None),
    (math.nan, 1.0, None), (3.0, 0.0, None)])
def test_partial_only_where_the_evidence_is_good_enough(mass_kg, se_kg, partial) -> None:
    """Below or above 80 % of a usual load by 1.96 standard errors, else not known."""
    assert is_partial(Estimate(mass_kg, se_kg), USUAL) is partial


def test_the_usual_load_has_no_say_in_a_partial_one() -> None:
    """Half a load is not drawn towards a full one."""
    half, partial = load_of([Estimate(3.0, 0.3)], USUAL)
    assert (half.mass_kg, partial) == (3.0, True)
    unsure, partial = load_of([Estimate(3.0, 2.0)], USUAL)
    assert partial is None
    assert 5.5 < unsure.mass_kg < 6.0


def test_the_line_is_common_practice_or_the_sites() -> None:
    """Common practice, no source: 3.5 A for 8 kg; the site's figures go first."""
    assert CurrentLine.of_rover(ROVER).mass([3.5] * 9)[1].mass_kg == pytest.approx(8.0)
    own = CurrentLine.of_rover(replace(ROVER, drum_current_a=(0.5, 2.5)))
    assert own.mass([1.5] * 9)[1].mass_kg == pytest.approx(3.0)
    assert own.mass([2.5] * 9)[1].se_kg < CurrentLine.of_rover(ROVER).mass([2.6] * 9)[1].se_kg
    # Twice the load at the same currents is known to the same share.
    twice = CurrentLine.of_rover(replace(
        ROVER, payload_kg=2.0 * ROVER.payload_kg, drum_current_a=(0.5, 2.5)))
    assert (twice.kg_per_a, twice.se_kg_per_a) == pytest.approx(
        (2.0 * own.kg_per_a, 2.0 * own.se_kg_per_a))


@settings(max_examples=30)
@given(slope=st.floats(1.5, 3.0), seed=st.integers(0, 99))
def test_measured_loads_teach_the_slope(slope: float, seed: int) -> None:
    """After 30 loads the line is that of the drum, within three of its own errors."""
    rng = np.random.default_rng(seed)
    masses = rng.normal(6.0, 0.4, 30)
    loads = [(mass / slope, mass + rng.normal(0.0, 0.3), 0.3) for mass in masses]
    line = CurrentLine.of_rover(ROVER).learned(loads)
    assert abs(line.kg_per_a - slope) < max(3.5 * line.se_kg_per_a, 0.04 * slope)
    assert line.se_kg_per_a < 0.05


@pytest.mark.parametrize('empty_a', [-0.3, 0.0, 0.3])
def test_half_a_load_is_as_sure_as_the_current_of_an_empty_drum(empty_a: float) -> None:
    """Learned from full loads alone, what an empty drum draws is a guess off by 0.3 A or so."""
    full_a, half_a = empty_a + 6.0 / 2.3, empty_a + 3.0 / 2.3
    line = CurrentLine.of_rover(ROVER).learned([(full_a, 6.0, 0.2)] * 30)
    full, half = (line.mass([current_a] * 20)[1] for current_a in (full_a, half_a))
    assert full.mass_kg == pytest.approx(6.0, abs=0.05)
    assert abs(half.mass_kg - 3.0) < 1.3 * half.se_kg
    # Common practice, no source: 2.29 kg for an ampere, of 0.3 A at half of the current.
    assert half.se_kg > 2.29 * 0.3 * 0.4


@pytest.mark.parametrize('wrong_kg', [60.0, 0.6, -6.0])
def test_one_load_of_a_wrong_size_does_not_turn_the_line(wrong_kg: float) -> None:
    """A rise measured ten times too large, or too small, among twenty good ones."""
    good = [(2.5, 6.0, 0.3)] * 20
    line = CurrentLine.of_rover(ROVER)
    assert line.learned([*good, (2.5, wrong_kg, 0.3)]).kg_per_a == pytest.approx(
        line.learned(good).kg_per_a, rel=0.02)


def test_few_readings_say_nothing() -> None:
    """Three readings are the least; a spike among many moves the median little."""
    line = CurrentLine.of_rover(ROVER)
    assert not line.mass([3.0, 3.1])[1].known
    current_a, mass = line.mass([2.6, 2.5, 2.7, 2.6, 40.0, 2.5, 2.7])
    assert current_a == pytest.approx(2.6)
    assert mass.mass_kg == pytest.approx(2.6 * 8.0 / 3.5)


def test_the_spread_of_loads_does_not_blur_what_a_usual_one_is() -> None:
    """Loads that differ by 1 kg have a mean known to 0.1 kg: half a load is partial."""
    usual, mean = Estimate(6.0, 1.0), Estimate(6.0, 0.1)
    assert load_of([Estimate(3.3, 0.4)], usual)[1] is None
    assert load_of([Estimate(3.3, 0.4)], usual, mean)[1] is True
