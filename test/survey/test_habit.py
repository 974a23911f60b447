# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What is usual is learned from clear cases, and from many that are each too small to be clear."""

from berm_ledger.survey.habit import CLEAR_SIGMAS, Habit
import numpy as np
import pytest

ERROR = 0.001
LEAST = 0.0003


def after(values):
    """Return the habits after each of some fits of one part, all of one error."""
    out, habit = [], Habit()
    for value in values:
        habit = habit.learned(value**2, ERROR**2, (value / ERROR) ** 2, LEAST)
        out.append(habit)
    return out


def test_chance_is_no_habit() -> None:
    """Of 20 000 normal values 1 in 150 000 is 4.5 standard errors off, and hardly a mean is."""
    habits = after(np.random.default_rng(0).normal(0.0, ERROR, 20_000))
    assert np.mean([habit.variance > 0.0 for habit in habits]) < 0.02


@pytest.mark.parametrize('spread', [0.002, 0.003, 0.006])
def test_what_is_usual_is_found_however_small_each_is(spread: float) -> None:
    values = np.random.default_rng(1).normal(0.0, np.hypot(spread, ERROR), 600)
    habits = after(values)
    known = [habit.variance for habit in habits[100:]]
    assert np.mean(np.array(known) > 0.0) > 0.95
    assert np.mean(known) == pytest.approx(spread**2, rel=0.25)


def test_one_clear_case_is_believed_at_once() -> None:
    habit, value = Habit(), 1.1 * CLEAR_SIGMAS * ERROR
    assert habit.now(value**2, (value / ERROR) ** 2) == value**2
    assert not habit.now(ERROR**2, 1.0)


def test_a_habit_is_forgotten() -> None:
    rng = np.random.default_rng(2)
    habits = after([*rng.normal(0.0, 0.006, 100), *rng.normal(0.0, ERROR, 400)])
    assert habits[99].variance > 0.0
    assert np.mean([habit.variance > 0.0 for habit in habits[250:]]) < 0.05
