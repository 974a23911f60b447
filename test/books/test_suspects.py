# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""When a group of cells began to change, whether its looks agree, and what of it has passed."""

from berm_ledger.books.accepted import AcceptedSurface
from berm_ledger.books.change_charts import ChangeCharts, ShiftError
from berm_ledger.books.charts import Canvas
from berm_ledger.books.recent import LOOKS_KEPT, RecentLooks
from berm_ledger.books.suspects import _is_steady, Scene, STEADY_SIGMAS
from berm_ledger.geometry import Lattice
from berm_ledger.survey.noise import GridNoise
from hypothesis import given
from hypothesis import strategies as st
import numpy as np
import pytest
from scipy import stats

CELLS = 64
GROUP = np.arange(20, 40)
ACCEPTED_M = 0.1


def scene(steps_m, newest_m=None, noise_m=0.004) -> Scene:
    """Return flat cells of which looks, 1 s apart, show the group off by so much (NaN: not)."""
    recent = RecentLooks(CELLS)
    for second, step_m in enumerate(steps_m, 1):
        height_m = np.full(CELLS, ACCEPTED_M)
        height_m[GROUP] += step_m
        recent.add(height_m, second)
    smooth_m = np.zeros(CELLS, dtype=np.float32)
    smooth_m[GROUP] = steps_m[-1] if newest_m is None else newest_m
    blank = np.zeros(CELLS, dtype=np.float32)
    accepted = AcceptedSurface(CELLS)
    accepted.accept(np.arange(CELLS), blank + ACCEPTED_M, blank + 20.0, 0)
    return Scene(
        Canvas(Lattice(0.0, 0.0, 0.015, 8, 8), np.arange(CELLS)), ChangeCharts(CELLS), recent,
        accepted, smooth_m, np.zeros(CELLS, dtype=bool), GridNoise(2.0 * noise_m, 0.0),
        ShiftError(blank, 0.0, 0.0), blank, np.arange(CELLS), len(steps_m))


@given(st.lists(st.floats(-0.05, 0.05), min_size=3, max_size=8))
def test_looks_agree_by_the_t_statistic_of_their_mean(steps_m: list) -> None:
    """Student's statistic, as scipy has it, against the bound that is stated."""
    course = np.array(steps_m) + 0.03
    if course.std() > 1e-6:
        statistic = stats.ttest_1samp(course, 0.0).statistic
        assert _is_steady(course) == (statistic >= STEADY_SIGMAS)


def test_of_one_or_two_looks_it_is_not_asked_how_they_agree() -> None:
    for course in ([0.01], [0.001, 0.05], [-0.02, 0.02]):
        assert _is_steady(np.array(course))


@given(st.integers(0, LOOKS_KEPT - 1), st.sampled_from([0.02, -0.02]), st.data())
def test_a_change_began_at_the_look_that_first_shows_it(before: int, step_m: float, data) -> None:
    """Also where looks do not show the place: without noise the likelihood has one peak."""
    steps_m = np.array([0.0] * before + [step_m] * (LOOKS_KEPT - before))
    for hidden in data.draw(st.sets(st.integers(0, LOOKS_KEPT - 1), max_size=LOOKS_KEPT - 1)):
        steps_m[hidden] = np.nan
    began = scene(steps_m).began(GROUP, gain=step_m > 0.0)
    shown = 1 + np.flatnonzero(np.abs(steps_m) > 0.0)
    if len(shown):
        assert began.since_ns == shown[0]
        assert began.all_along == (not (steps_m == 0.0).any())
        assert began.steady


def test_nothing_began_where_no_look_shows_the_place() -> None:
    assert scene([np.nan] * 4).began(GROUP, gain=True) is None


@pytest.mark.parametrize('sign', [1.0, -1.0])
@pytest.mark.parametrize(('was_m', 'newest_m', 'has_passed'), [
    # Noise of 4 mm: gone by less than half, gone by more but no more than noise explains.
    (0.018, 0.018, False), (0.018, 0.010, False), (0.011, 0.003, False), (0.018, 0.003, True),
    # The other way now, likewise; far beyond the noise cell by cell.
    (0.018, -0.002, True), (0.006, -0.002, False), (0.080, 0.041, False), (0.080, 0.039, True)])
def test_what_has_passed_is_what_the_newest_look_shows_gone(
    was_m: float, newest_m: float, has_passed: bool, sign: float
) -> None:
    """Losses and gains alike."""
    passed = scene([sign * was_m] * 4, sign * newest_m).passed(GROUP, 1)
    assert passed.tolist() == (GROUP.tolist() if has_passed else [])


def test_a_part_that_has_gone_by_far_more_than_noise_has_passed_alone() -> None:
    newest_m = np.where(np.arange(len(GROUP)) < 5, 0.0, 0.08)
    assert scene([0.08] * 4, newest_m).passed(GROUP, 1).tolist() == GROUP[:5].tolist()
