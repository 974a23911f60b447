# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Means of a few looks against those of scipy, cell by cell."""

from berm_ledger.books.mean_looks import APART_M, mean_m, middle_m, newest_m, times_seen
from hypothesis import example, given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
import numpy as np
import numpy.testing as npt
import pytest
from scipy import stats

# Millimetres, so that no two looks are just as far apart as those that disagree.
HEIGHTS = st.one_of(st.just(np.nan), st.integers(-70, 70).map(lambda mm: 0.001 * mm + 1e-5))
LOOKS = arrays(np.float64, st.tuples(st.integers(0, 9), st.integers(1, 6)), elements=HEIGHTS).map(
    lambda looks_m: looks_m.astype(np.float32))


def of_cells(looks_m, figure):
    """Return a figure of what is known of each cell; NaN of none."""
    known = [cell[np.isfinite(cell)].astype(float) for cell in looks_m.T]
    return [figure(cell) if len(cell) else np.nan for cell in known]


def without_ends(cell):
    """Return the mean, of three or more that do not all show the same without both ends."""
    apart = len(cell) >= 3 and float(np.ptp(cell)) > APART_M
    return stats.trim_mean(cell, 1.0001 / len(cell) if apart else 0.0)


def middle_third(cell):
    """Return the same, of five or more the mean of the middle third."""
    return stats.trim_mean(cell, 1.0 / 3.0) if len(cell) >= 5 else without_ends(cell)


@given(LOOKS)
@example(np.full((3, 1), np.nan, dtype=np.float32))
def test_means_are_those_of_scipy(looks_m) -> None:
    npt.assert_allclose(mean_m(looks_m), of_cells(looks_m, without_ends), atol=1e-6)
    npt.assert_allclose(middle_m(looks_m), of_cells(looks_m, middle_third), atol=1e-6)
    assert times_seen(looks_m).tolist() == [np.isfinite(cell).sum() for cell in looks_m.T]


@given(LOOKS, st.integers(0, 9))
def test_newest_are_those_seen_last(looks_m, count: int) -> None:
    newest = newest_m(looks_m, count)
    for cell, kept in zip(looks_m.T, newest.T):
        seen = np.flatnonzero(np.isfinite(cell))
        last = seen[max(0, len(seen) - count):]
        npt.assert_array_equal(np.flatnonzero(np.isfinite(kept)), last)
        npt.assert_array_equal(kept[last], cell[last])


@pytest.mark.parametrize('wrong_m', [-1.0, 0.05, 1.0])
@pytest.mark.parametrize('looks', [3, 4, 8])
def test_one_look_that_is_wrong_moves_neither(looks: int, wrong_m: float) -> None:
    """Whichever it is and however wrong: both stay among what the others show."""
    right_m = np.linspace(0.100, 0.106, looks)[:, None] + np.zeros(looks)
    right_m[np.arange(looks), np.arange(looks)] = wrong_m
    for mean in (mean_m, middle_m):
        of_all = mean(right_m.astype(np.float32))
        assert ((of_all >= 0.0999) & (of_all <= 0.1061)).all()
